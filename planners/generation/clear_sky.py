"""Find what a roof gives under a clear sky.

The sky is that of P. Ineichen and R. Perez, "A new airmass independent formulation for the Linke
turbidity coefficient", Solar Energy 73(3), 151-157, 2002, at sea level, with the air mass of F.
Kasten and A. Young, Applied Optics 28(22), 4735-4738, 1989. The light that falls on a tilted roof
is that of an evenly bright sky: B. Liu and R. Jordan, Solar Energy 7(2), 53-74, 1963.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from config.home.generation import Roof
    from planners.generation.sun_position import SunPosition

LINKE_TURBIDITY: Final = 3.0
"""How hazy clear air is: a usual value of temperate climates (common practice, no source)."""

GROUND_REFLECTS: Final = 0.2
"""The share of light that the ground reflects: grass and soil (common practice, no source)."""

SOLAR_CONSTANT: Final = 1361.0
"""Irradiance outside the air at one astronomical unit [W/m2]: G. Kopp and J. Lean, Geophysical
Research Letters 38, L01706, 2011 (1360.8)."""

STANDARD_IRRADIANCE: Final = 1000.0
"""Irradiance at which a module gives its peak power [W/m2], as IEC 60904-3 defines it."""


class Irradiance(NamedTuple):
    """Light of a clear sky [W/m2]: on a level plane, straight from the sun, and from the sky."""

    level: NDArray[np.float64]
    direct: NDArray[np.float64]
    diffuse: NDArray[np.float64]


def clear_sky(sun: SunPosition, turbidity: float = LINKE_TURBIDITY) -> Irradiance:
    """Return the light of a clear sky at sea level, 0 when the sun is below the horizon."""
    up = sun.zenith < 90  # noqa: PLR2004 - the horizon
    zenith = np.where(up, sun.zenith, 89.9)
    cosine = np.cos(np.radians(zenith))
    air_mass = 1 / (cosine + 0.50572 * (96.07995 - zenith) ** -1.6364)
    outside = SOLAR_CONSTANT / sun.distance**2
    level = 0.868 * outside * cosine * np.exp(-0.0387 * air_mass * turbidity)
    direct = 0.827 * outside * np.exp(-0.09 * air_mass * (turbidity - 1))
    # No more than what leaves the sky its least share: equation 12 of the paper.
    least = (0.1 - 0.2 * np.exp(-turbidity)) / (0.1 + 0.882)
    direct = np.minimum(direct, level * (1 - least) / cosine)
    diffuse = level - direct * cosine
    return Irradiance(*(np.where(up, each, 0.0) for each in (level, direct, diffuse)))


def on_plane(
    light: Irradiance, sun: SunPosition, tilt_degrees: float, azimuth_degrees: float
) -> NDArray[np.float64]:
    """Return the light that falls on a tilted plane [W/m2].

    Parameters
    ----------
    light : Irradiance
        Of the sky.
    sun : SunPosition
        Where the sun stands.
    tilt_degrees : float
        0 is level, 90 a wall [degrees].
    azimuth_degrees : float
        Where it faces, clockwise from north [degrees].

    Returns
    -------
    ndarray of float64
        Straight from the sun, from the sky, and reflected by the ground.
    """
    zenith, tilt = np.radians(sun.zenith), np.radians(tilt_degrees)
    towards = np.cos(zenith) * np.cos(tilt) + np.sin(zenith) * np.sin(tilt) * np.cos(
        np.radians(sun.azimuth - azimuth_degrees)
    )
    sky, ground = (1 + np.cos(tilt)) / 2, (1 - np.cos(tilt)) / 2
    beam = light.direct * np.maximum(towards, 0.0)
    found: NDArray[np.float64] = beam + light.diffuse * sky + light.level * GROUND_REFLECTS * ground
    return found


def roof_kw(roof: Roof, light: Irradiance, sun: SunPosition) -> NDArray[np.float64]:
    """Return what a roof gives in that light, after its losses [kW]."""
    shone = on_plane(light, sun, roof.tilt_degrees, roof.azimuth_degrees) / STANDARD_IRRADIANCE
    return roof.peak_kw * shone * (1 - roof.losses_percent / 100)
