"""Find what the home's roofs give in each moment of a typical year.

The clear sky of `planners.generation.clear_sky` is dimmed, day by day, so that each month has the
sun that is declared for it; `planners.generation.typical_days` says how much days differ. Within a
day the sky is even. How much of the dimmed light comes from the whole sky, rather than straight
from the sun, is what D. Erbs, S. Klein and J. Duffie found: Solar Energy 28(4), 293-302, 1982.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

import numpy as np

from config.files.errors import UsageError
from planners.generation.clear_sky import SOLAR_CONSTANT, Irradiance, clear_sky, roof_kw
from planners.generation.outlook import SKY_MINUTES
from planners.generation.sun_position import SunPosition, sun_position
from planners.generation.typical_days import clearness_of_days, evenly_ranked, ranks_of_days
from planners.local_time.conversion import DAY_MINUTES, day_number, instant_of_local, minute_of
from planners.local_time.zone_offsets import offsets_between

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from config.choices.own_roof import AppraisedGeneration
    from config.home.generation import Generation

MARGIN_DAYS: Final = 10
"""So many days before and after the year are known too."""

MOST_CLEAR: Final = 1.1
"""No day has more sun than this multiple of a clear sky: air may be clearer than usual."""

LEAST_CLEAR: Final = 0.08
"""The share of a clear sky's light that the dullest year has."""

SAME_KWH: Final = 0.5
"""A yield that is found so nearly is found [kWh per kWp]."""

ROUNDS: Final = 30
"""Steps of a search."""

MONTHS: Final = 12

_MIDNIGHT: Final = time.min

_LOW_SUN: Final = 0.03
"""Below this cosine of the zenith, the split of light no longer matters."""


@dataclass(frozen=True, slots=True, eq=False)
class TypicalYear:
    """What the roofs give in a year, in steps of `SKY_MINUTES`.

    Attributes
    ----------
    first : int
        UTC minute at which the first step begins.
    kw : ndarray of float, shape (steps,)
        Power after losses and the limit of the inverters [kW].
    year_kwh : float
        Energy of the calendar year [kWh].
    per_kwp : float
        The same for each kW of peak power [kWh].
    """

    first: int
    kw: NDArray[np.float64]
    year_kwh: float
    per_kwp: float

    def means(self, first: int, ticks: int, tick_minutes: int) -> NDArray[np.float64]:
        """Return the mean power in each of some ticks.

        Parameters
        ----------
        first : int
            UTC minute at which the first tick begins.
        ticks, tick_minutes : int
            How many there are, and how long each is [min].

        Returns
        -------
        ndarray of float, shape (ticks,)
            [kW].
        """
        edges = first + tick_minutes * np.arange(ticks + 1)
        known = self.first + SKY_MINUTES * np.arange(len(self.kw) + 1)
        energy = np.interp(edges, known, np.concatenate(([0.0], np.cumsum(self.kw))))
        found: NDArray[np.float64] = np.diff(energy) * SKY_MINUTES / tick_minutes
        return found


@dataclass(frozen=True, slots=True, eq=False)
class _Sky:
    """The clear sky of the year and of its margins, in steps."""

    generation: Generation
    first: int
    sun: SunPosition
    light: Irradiance
    outside: NDArray[np.float64]
    day: NDArray[np.intp]
    month: NDArray[np.intp]

    def of_days(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Add up something over each day of the calendar year [kWh per m2 from W per m2]."""
        sums = np.bincount(self.day, values, len(self.month))
        return np.asarray(sums * SKY_MINUTES / 60_000, np.float64)

    def kw(self, dimmed: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return what the roofs give if each day has such a share of a clear sky."""
        light = dimmed_light(self.light, self.sun, self.outside, dimmed[self.day])
        found: NDArray[np.float64] = np.sum(
            [roof_kw(roof, light, self.sun) for roof in self.generation.roofs], axis=0
        )
        most = self.generation.inverter_kw
        return found if most is None else np.minimum(found, most)


@lru_cache(maxsize=4)
def typical_year(generation: AppraisedGeneration, zone: ZoneInfo, year: int) -> TypicalYear:
    """Find what the roofs give in a year of the declared weather.

    Parameters
    ----------
    generation : AppraisedGeneration
        The roofs, their place, and the weather.
    zone : ZoneInfo
        The home's zone: months and days are those of its clock.
    year : int
        The calendar year.

    Returns
    -------
    TypicalYear
        The same for the same seed.

    Raises
    ------
    UsageError
        If a month, or the year, has more sun than a clear sky gives there.
    """
    sky = _sky_of(generation, zone, year)
    weather = generation.weather
    clear = sky.of_days(np.where(_inside(sky, zone, year), sky.light.level, 0.0))
    days = np.bincount(sky.month, minlength=MONTHS)
    numbers = ranks_of_days(len(sky.month), weather.seed)
    inside = _inside(sky, zone, year)
    peak_kw = sum(roof.peak_kw for roof in generation.roofs)

    def made(sun: NDArray[np.float64]) -> TypicalYear:
        kw = sky.kw(_dimmed(sky, clear, sun, numbers, inside))
        energy = float(kw[inside].sum()) * SKY_MINUTES / 60
        return TypicalYear(sky.first, kw, energy, energy / peak_kw)

    by_month = np.asarray(np.bincount(sky.month, clear, MONTHS), np.float64)
    if weather.daily_sun_kwh_per_m2 is not None:
        wanted = np.array(weather.daily_sun_kwh_per_m2, np.float64) * days
        for month in np.flatnonzero(wanted > MOST_CLEAR * by_month).tolist():
            most = MOST_CLEAR * by_month[month] / days[month]
            raise UsageError(
                f"generation.weather.daily_sun_kwh_per_m2[{month}]: expected at most {most:.2f} kWh"
                f" per m2, which a clear sky gives there, got"
                f" {weather.daily_sun_kwh_per_m2[month]:g}"
            )
        return made(np.asarray(wanted, np.float64))
    return _with_yield(weather.yearly_kwh_per_kwp or 0.0, lambda share: made(share * by_month))


def _with_yield(per_kwp: float, made: Callable[[float], TypicalYear]) -> TypicalYear:
    """Find the share of a clear sky's light, in every month, with which roofs give so much."""
    low, high = LEAST_CLEAR, 1.0
    least, most = made(low).per_kwp, made(high).per_kwp
    if not least <= per_kwp <= most:
        raise UsageError(
            f"generation.weather.yearly_kwh_per_kwp: expected a number from {least:.0f} to"
            f" {most:.0f}, which these roofs could give there under dull and under clear skies,"
            f" got {per_kwp:g}"
        )
    found = made(high)
    for _ in range(ROUNDS):
        # The yield rises nearly in a straight line.
        share = low + (high - low) * (per_kwp - least) / max(most - least, SAME_KWH)
        found = made(share)
        if abs(found.per_kwp - per_kwp) <= SAME_KWH:
            break
        if found.per_kwp < per_kwp:
            low, least = share, found.per_kwp
        else:
            high, most = share, found.per_kwp
    return found


def dimmed_light(
    light: Irradiance,
    sun: SunPosition,
    outside: NDArray[np.float64],
    share: NDArray[np.float64],
) -> Irradiance:
    """Return the light under clouds.

    Parameters
    ----------
    light : Irradiance
        Of a clear sky.
    sun : SunPosition
        Where the sun stands.
    outside : ndarray of float
        Irradiance outside the air on a level plane [W/m2].
    share : ndarray of float
        Which share of the clear sky's light falls on a level plane.

    Returns
    -------
    Irradiance
        Nothing straight from the sun goes beyond that of the clear sky in proportion.
    """
    level = light.level * share
    k = np.clip(level / np.where(outside > 0, outside, 1.0), 0.0, 1.0)
    fraction = np.select(
        [k <= 0.22, k <= 0.8],  # noqa: PLR2004 - equation 1 of Erbs and others
        [1 - 0.09 * k, 0.9511 - 0.1604 * k + 4.388 * k**2 - 16.638 * k**3 + 12.336 * k**4],
        0.165,
    )
    cosine = np.maximum(np.cos(np.radians(sun.zenith)), _LOW_SUN)
    direct = np.minimum(level * (1 - fraction) / cosine, light.direct * np.maximum(share, 1.0))
    return Irradiance(level, direct, np.maximum(level - direct * cosine, 0.0))


def _sky_of(generation: Generation, zone: ZoneInfo, year: int) -> _Sky:
    place = generation.place
    if place is None:
        raise ValueError("roofs without a place")
    more = timedelta(MARGIN_DAYS)
    first, last = (
        minute_of(instant_of_local(end, _MIDNIGHT, zone)) // SKY_MINUTES * SKY_MINUTES
        for end in (date(year, 1, 1) - more, date(year + 1, 1, 1) + more)
    )
    minutes = np.arange(first, last, SKY_MINUTES)
    sun = sun_position(np.asarray(minutes + SKY_MINUTES / 2, np.float64), *place)
    cosine = np.maximum(np.cos(np.radians(sun.zenith)), 0.0)
    local = offsets_between(zone, first, last).to_local(minutes) // DAY_MINUTES
    start, end = day_number(date(year, 1, 1)), day_number(date(year + 1, 1, 1))
    count = end - start
    months = [(date(year, 1, 1) + timedelta(n)).month - 1 for n in range(count)]
    return _Sky(
        generation,
        first,
        sun,
        clear_sky(sun),
        SOLAR_CONSTANT / sun.distance**2 * cosine,
        # The days before and after the year are like those at its other end.
        np.asarray((local - start) % count, np.intp),
        np.array(months, np.intp),
    )


def _inside(sky: _Sky, zone: ZoneInfo, year: int) -> NDArray[np.bool_]:
    minutes = sky.first + SKY_MINUTES * np.arange(len(sky.day))
    ends = [minute_of(instant_of_local(date(n, 1, 1), _MIDNIGHT, zone)) for n in (year, year + 1)]
    return np.asarray((minutes >= ends[0]) & (minutes < ends[1]), np.bool_)


def _dimmed(
    sky: _Sky,
    clear: NDArray[np.float64],
    sun: NDArray[np.float64],
    numbers: NDArray[np.float64],
    inside: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """Return each day's share of a clear sky, so that months add up to their sun [kWh per m2]."""
    outside = sky.of_days(np.where(inside, sky.outside, 0.0))
    shares = np.zeros(len(sky.month))
    for month in range(MONTHS):
        days = np.flatnonzero(sky.month == month)
        if outside[days].sum() <= 0 or sun[month] <= 0:
            continue
        clearness = clearness_of_days(
            float(sun[month] / outside[days].sum()), evenly_ranked(numbers[days])
        )
        shining = np.where(clear[days] > 0, clear[days], np.inf)
        share = clearness * outside[days] / shining
        for _ in range(ROUNDS):
            share = np.minimum(share, MOST_CLEAR)
            share *= sun[month] / float(share @ clear[days])
        shares[days] = np.minimum(share, MOST_CLEAR)
    return shares
