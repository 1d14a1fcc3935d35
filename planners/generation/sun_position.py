"""Find where the sun stands, by the low-precision formulae of the Astronomical Almanac.

As printed in J. Michalsky, "The Astronomical Almanac's algorithm for approximate solar position
(1950-2050)", Solar Energy 40(3), 227-235, 1988: good to 0.01 degrees. Without refraction.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_DAYS_AT_2000_NOON: Final = 10957.5
"""Days from the start of 1970 to noon of 1 January 2000, the almanac's epoch."""

_DAY_MINUTES: Final = 1440


class SunPosition(NamedTuple):
    """Where the sun stands at some instants.

    Attributes
    ----------
    zenith, azimuth : ndarray of float64
        Angle from straight up, and direction clockwise from north [degrees].
    distance : ndarray of float64
        From the earth [astronomical units].
    """

    zenith: NDArray[np.float64]
    azimuth: NDArray[np.float64]
    distance: NDArray[np.float64]


def sun_position(minutes: NDArray[np.float64], latitude: float, longitude: float) -> SunPosition:
    """Find where the sun stands at a place.

    Parameters
    ----------
    minutes : ndarray of float64
        UTC minutes since 1970, not only whole ones.
    latitude, longitude : float
        North and east are positive [degrees].

    Returns
    -------
    SunPosition
        For each instant.
    """
    days = minutes / _DAY_MINUTES - _DAYS_AT_2000_NOON
    anomaly = np.radians(357.528 + 0.9856003 * days)
    mean_longitude = 280.460 + 0.9856474 * days
    ecliptic = np.radians(mean_longitude + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2 * anomaly))
    obliquity = np.radians(23.439 - 0.0000004 * days)
    ascension = np.arctan2(np.cos(obliquity) * np.sin(ecliptic), np.cos(ecliptic))
    declination = np.arcsin(np.sin(obliquity) * np.sin(ecliptic))
    hours = minutes % _DAY_MINUTES / 60
    sidereal = np.radians(15 * (6.697375 + 0.0657098242 * days + hours) + longitude)
    hour_angle, north = sidereal - ascension, np.radians(latitude)
    height = np.sin(declination) * np.sin(north)
    height += np.cos(declination) * np.cos(north) * np.cos(hour_angle)
    azimuth = np.arctan2(
        -np.cos(declination) * np.sin(hour_angle),
        np.sin(declination) * np.cos(north)
        - np.cos(declination) * np.sin(north) * np.cos(hour_angle),
    )
    distance = 1.00014 - 0.01671 * np.cos(anomaly) - 0.00014 * np.cos(2 * anomaly)
    return SunPosition(np.degrees(np.arccos(height)), np.degrees(azimuth) % 360, distance)
