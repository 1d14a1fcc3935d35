"""Lay forecasts of power over time, and doubt those that can't be true."""

from __future__ import annotations

from collections import defaultdict
from datetime import UTC, datetime
from itertools import pairwise
from statistics import median_low
from typing import TYPE_CHECKING, Final, NamedTuple, TypeVar

import numpy as np

from planners.generation.sun_position import sun_position
from planners.local_time.conversion import instant_of, minute_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from config.files.forecast_series import ForecastPoint, IssuedPoint
    from config.home.generation import Generation

ALONE_MINUTES: Final = 60
"""How long a single value holds where nothing tells its step."""

NIGHT_DEGREES: Final = 92.0
"""The sun further than this from straight up gives nothing: below the horizon by more than what
refraction lifts it, and than the almanac errs."""

NIGHT_KW: Final = 0.1
"""A forecast of more than this at night is a mistake, not a rounding [kW]."""

_LONG_AGO: Final = datetime(1970, 1, 1, tzinfo=UTC)

_Point = TypeVar("_Point", bound="IssuedPoint")


def values_by_minute(
    points: Sequence[IssuedPoint], step_minutes: int | None, first: int, last: int
) -> NDArray[np.float64]:
    """Lay series over some time; where two know a minute, the newer one counts.

    Parameters
    ----------
    points : sequence of IssuedPoint
        Of one series or several, such as forecasts of power.
    step_minutes : int or None
        The longest time that a value holds [min]; None to read it off the gaps between values.
    first, last : int
        UTC minutes; `last` is the first one outside.

    Returns
    -------
    ndarray of float64, shape (last - first,)
        The value in each minute, NaN where no series reaches.
    """
    found = np.full(last - first, np.nan)
    for issue in _oldest_first(points):
        starts = [minute_of(each.start) for each in issue]
        step = step_minutes or _step_of(starts)
        following = [*starts[1:], starts[-1] + step]
        for point, start, after in zip(issue, starts, following, strict=True):
            begin, end = start - first, min(start + step, after) - first
            if end > 0 and begin < len(found):
                found[max(0, begin) : end] = point.value
    return found


def _oldest_first(points: Iterable[_Point]) -> list[list[_Point]]:
    """Put the values of each series together, in order of time."""
    by_issue: dict[datetime, list[_Point]] = defaultdict(list)
    for point in points:
        by_issue[point.issued or _LONG_AGO].append(point)
    return [sorted(by_issue[at], key=lambda each: each.start) for at in sorted(by_issue)]


def _step_of(starts: Sequence[int]) -> int:
    gaps = [after - before for before, after in pairwise(starts)]
    return median_low(gaps) if gaps else ALONE_MINUTES


class Doubt(NamedTuple):
    """A value that can't be true, and why not."""

    point: ForecastPoint
    why: str


def forecast_doubt(points: Sequence[ForecastPoint], generation: Generation) -> Doubt | None:
    """Say why a forecast can't be true, if it can't.

    Parameters
    ----------
    points : sequence of ForecastPoint
        Its values.
    generation : Generation
        What the household declares of its roofs.

    Returns
    -------
    Doubt or None
        The first value that is wrong; None if none is.
    """
    most = generation.most_kw
    for point in points:
        if most is not None and point.kw > most:
            why = (
                f"{point.kw:g} kW at {point.start:%Y-%m-%d %H:%M} UTC is more than the {most:g} kW"
                " that these roofs can give; are the values in watts?"
            )
            return Doubt(point, why)
    if generation.place is None or not points:
        return None
    night = _at_night(points, generation.forecast_step, generation.place)
    if night is None:
        return None
    why = (
        f"{night.kw:g} kW at {night.start:%Y-%m-%d %H:%M} UTC, when the sun is below the horizon"
        " at this latitude and longitude; are the times those of another zone?"
    )
    return Doubt(night, why)


def _at_night(
    points: Sequence[ForecastPoint], step_minutes: int | None, place: tuple[float, float]
) -> ForecastPoint | None:
    """Return a value that holds only at night, though it is more than a rounding."""
    for issue in _oldest_first(points):
        starts = [minute_of(each.start) for each in issue]
        step = step_minutes or _step_of(starts)
        minutes = np.array(starts, np.float64)
        highest = np.min(
            [
                sun_position(minutes + step * share, *place).zenith
                for share in (0.0, 0.25, 0.5, 0.75, 1.0)
            ],
            axis=0,
        )
        for point, zenith in zip(issue, highest.tolist(), strict=True):
            if zenith > NIGHT_DEGREES and point.kw > NIGHT_KW:
                return point
    return None


def known_until(points: Sequence[IssuedPoint], step_minutes: int | None) -> datetime | None:
    """Return the end of the last value of all series, UTC; None if there is none."""
    ends = []
    for issue in _oldest_first(points):
        starts = [minute_of(each.start) for each in issue]
        ends.append(starts[-1] + (step_minutes or _step_of(starts)))
    return instant_of(max(ends)) if ends else None
