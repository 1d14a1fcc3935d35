"""Load and judge forecasts of what the home's own roofs give."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Final

from config.files.errors import Fault, FileError
from config.files.forecast_series import ForecastPoint, load_forecast
from planners.generation.forecast import forecast_doubt

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime
    from pathlib import Path

    from adapters.contract.messages import Forecast
    from config.home.generation import Generation
    from config.household.household_file import HouseholdFile

AHEAD: Final = timedelta(minutes=15)
"""By how much the clock of a forecast may be ahead of ours."""

FURTHEST: Final = timedelta(days=16)
"""No forecast of the weather reaches further (common practice, no source)."""

KEPT: Final = timedelta(days=2)
"""For how long past values are stored."""


def forecast_file(file: HouseholdFile) -> Path | None:
    """Return the file of forecasts that a household names, if it does."""
    generation = file.generation
    return generation.forecast.file if generation and generation.forecast else None


def load_forecast_of(file: HouseholdFile) -> tuple[ForecastPoint, ...]:
    """Read a household's file of forecasts.

    Parameters
    ----------
    file : HouseholdFile
        The household.

    Returns
    -------
    tuple of ForecastPoint
        Empty if it names no file.

    Raises
    ------
    FileError
        Every fault of the file, or the first value that can't be true.
    """
    path = forecast_file(file)
    if path is None or file.generation is None:
        return ()
    points = load_forecast(path)
    doubt = forecast_doubt(points, file.generation)
    if doubt is not None:
        raise FileError(
            [Fault(str(path), doubt.point.line, 1, f"expected what roofs can give: {doubt.why}")]
        )
    return points


class RefusedForecastError(Exception):
    """A forecast that is dropped; the text says why."""


def points_of(
    message: Forecast, generation: Generation, now: datetime
) -> tuple[ForecastPoint, ...]:
    """Return the values of a forecast that came over the bus.

    Parameters
    ----------
    message : Forecast
        The message.
    generation : Generation
        What the household declares of its roofs.
    now : datetime
        UTC.

    Returns
    -------
    tuple of ForecastPoint
        In order of time, from `KEPT` before now on; of two for one start the last counts.

    Raises
    ------
    RefusedForecastError
        If it can't be true, or is about no time to come.
    """
    if message.issued > now + AHEAD:
        raise RefusedForecastError(
            f"it says that it was made at {message.issued:%Y-%m-%d %H:%M} UTC, which is yet to come"
        )
    points = {each.start: each for each in _read(message)}
    if not any(start > now for start in points):
        raise RefusedForecastError(f"it ends at {max(points):%Y-%m-%d %H:%M} UTC, which is over")
    if max(points) > now + FURTHEST:
        raise RefusedForecastError(
            f"it reaches to {max(points):%Y-%m-%d %H:%M} UTC, further than any forecast can"
        )
    ordered = tuple(points[start] for start in sorted(points))
    doubt = forecast_doubt(ordered, generation)
    if doubt is not None:
        raise RefusedForecastError(doubt.why)
    return tuple(each for each in ordered if each.start >= now - KEPT)


def _read(message: Forecast) -> Iterable[ForecastPoint]:
    for each in message.power:
        start = each.start.replace(second=0, microsecond=0)
        yield ForecastPoint(start, each.in_kw, message.issued)
