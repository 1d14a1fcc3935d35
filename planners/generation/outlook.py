"""Expect what the home's roofs will give, minute by minute.

Forecasts count where they reach. Elsewhere a clear sky does, lowered to what the last weeks of the
home's own meter have shown of each hour; without that meter only where no forecast is declared.
What the meter shows now corrects the next hours, less and less.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from planners.generation.clear_sky import clear_sky, roof_kw
from planners.generation.forecast import known_until, values_by_minute
from planners.generation.sun_position import sun_position
from planners.local_time.conversion import DAY_MINUTES, minute_of
from planners.local_time.zone_offsets import offsets_between

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from config.files.forecast_series import ForecastPoint
    from config.home.generation import Generation
    from planners.generation.metered import GenerationHour

HOURS: Final = 24
HOUR_MINUTES: Final = 60

SKY_MINUTES: Final = 5
"""How often the sky is computed."""

LEARNED_WEEKS: Final = timedelta(weeks=4)
"""How many past weeks of the meter count: the weather of a season."""

LEAST_DAYS: Final = 7
"""On how many days an hour must have been metered."""

LEAST_SHARE: Final = 0.02
"""An hour in which a clear sky gives less than this share of the peak power teaches nothing."""


FADES_MINUTES: Final = 180
"""In so many minutes what the roofs give now stops saying anything (common practice, no source)."""


class Correction(NamedTuple):
    """By which factor the roofs give more or less than was expected, from a UTC minute on."""

    minute: int
    factor: float

    def factors(self, first: int, last: int) -> NDArray[np.float64]:
        """Return the factor of each minute: it fades, and is 1 after `FADES_MINUTES`."""
        since = np.arange(first, last) - self.minute
        left = np.where(since < 0, 0.0, np.clip(1 - since / FADES_MINUTES, 0.0, 1.0))
        return 1 + (self.factor - 1) * left


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """What the roofs are expected to give.

    Attributes
    ----------
    generation : Generation
        What the household declares.
    zone : ZoneInfo
        Its zone.
    points : tuple of ForecastPoint
        The forecasts.
    shares : tuple of float
        What part of a clear sky each hour of the local day has given of late; empty if the meter
        has not shown it.
    correction : Correction or None
        What the meter shows of the present hour, if that differs from what was expected.
    """

    generation: Generation
    zone: ZoneInfo
    points: tuple[ForecastPoint, ...] = ()
    shares: tuple[float, ...] = ()
    correction: Correction | None = None

    def expected_kw(self, first: int, last: int) -> NDArray[np.float64]:
        """Return the power that is expected.

        Parameters
        ----------
        first, last : int
            UTC minutes; `last` is the first one outside.

        Returns
        -------
        ndarray of float64, shape (last - first,)
            For each minute, 0 where nothing is known [kW].
        """
        generation = self.generation
        expected = np.zeros(max(0, last - first))
        if not len(expected):
            return expected
        if generation.roofs and (self.shares or generation.forecast is None):
            expected = clear_sky_kw(generation, first, last)
            if self.shares:
                minutes = np.arange(first, last)
                local = offsets_between(self.zone, first, last).to_local(minutes)
                expected *= np.array(self.shares)[local % DAY_MINUTES // HOUR_MINUTES]
        if self.points:
            forecast = values_by_minute(self.points, generation.forecast_step, first, last)
            expected = np.where(np.isnan(forecast), expected, forecast)
        if self.correction is not None:
            expected *= self.correction.factors(first, last)
        most = generation.inverter_kw
        return expected if most is None else np.minimum(expected, most)

    def counted_kw(self, first: int, last: int) -> NDArray[np.float64]:
        """Return `trust_percent` of what is expected [kW]: what a plan may count on."""
        return self.expected_kw(first, last) * (self.generation.trust_percent / 100)

    @property
    def known_until(self) -> datetime | None:
        """The end of the forecasts, UTC; None without any."""
        return known_until(self.points, self.generation.forecast_step)


def clear_sky_kw(generation: Generation, first: int, last: int) -> NDArray[np.float64]:
    """Return what all roofs give under a clear sky.

    Parameters
    ----------
    generation : Generation
        The roofs, with their place.
    first, last : int
        UTC minutes; `last` is the first one outside.

    Returns
    -------
    ndarray of float64, shape (last - first,)
        After losses and the limit of the inverters; 0 without a roof [kW].
    """
    place = generation.place
    if place is None or not generation.roofs:
        return np.zeros(last - first)
    begin = first // SKY_MINUTES
    steps = np.arange(begin, -(-last // SKY_MINUTES), dtype=np.float64)
    sun = sun_position((steps + 0.5) * SKY_MINUTES, *place)
    light = clear_sky(sun)
    kw = np.sum([roof_kw(roof, light, sun) for roof in generation.roofs], axis=0)
    if generation.inverter_kw is not None:
        kw = np.minimum(kw, generation.inverter_kw)
    lead = first - begin * SKY_MINUTES
    found: NDArray[np.float64] = np.repeat(kw, SKY_MINUTES)[lead : lead + last - first]
    return found


def learned_shares(
    hours: Iterable[GenerationHour], generation: Generation, now: datetime, zone: ZoneInfo
) -> tuple[float, ...]:
    """Find what part of a clear sky each hour of the local day has given of late.

    Parameters
    ----------
    hours : iterable of GenerationHour
        What the meter has shown.
    generation : Generation
        The roofs.
    now : datetime
        UTC.
    zone : ZoneInfo
        The household's zone.

    Returns
    -------
    tuple of float
        24 shares from 0 to 1. An hour that was metered on fewer than `LEAST_DAYS` has the share of
        the whole day; empty if no hour was metered that often.
    """
    if not generation.roofs:
        return ()
    known = [each for each in hours if now - LEARNED_WEEKS <= each.start < now]
    gave, could, days = np.zeros(HOURS), np.zeros(HOURS), np.zeros(HOURS, np.int64)
    peak_kw = sum(roof.peak_kw for roof in generation.roofs)
    for each in known:
        minute = minute_of(each.start)
        clear = float(clear_sky_kw(generation, minute, minute + HOUR_MINUTES).mean())
        if clear >= LEAST_SHARE * peak_kw:
            hour = each.start.astimezone(zone).hour
            gave[hour] += each.watts / 1000
            could[hour] += clear
            days[hour] += 1
    often = days >= LEAST_DAYS
    if not often.any():
        return ()
    whole = gave[often].sum() / could[often].sum()
    shares = np.where(often, gave / np.where(could > 0, could, 1.0), whole)
    return tuple(np.clip(shares, 0.0, 1.0).tolist())
