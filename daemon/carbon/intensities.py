"""Load and judge carbon intensities of the grid."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Final

from config.files.forecast_series import MOST_GRAMS, IntensityPoint, load_intensities
from daemon.generation.forecasts import AHEAD, FURTHEST

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from pathlib import Path

    from adapters.contract.messages import CarbonIntensity
    from config.household.household_file import HouseholdFile

KEPT: Final = timedelta(days=62)
"""For how long past intensities are stored: a night may be accounted for again until then."""


def carbon_file(file: HouseholdFile) -> Path | None:
    """Return the file of intensities that a household names, if it does."""
    return file.carbon.file if file.carbon else None


def load_intensities_of(file: HouseholdFile) -> tuple[IntensityPoint, ...]:
    """Read a household's file of intensities.

    Parameters
    ----------
    file : HouseholdFile
        The household.

    Returns
    -------
    tuple of IntensityPoint
        Empty if it names no file.

    Raises
    ------
    FileError
        Every fault of the file.
    """  # noqa: DOC502 - raised by the loader
    path = carbon_file(file)
    return () if path is None else load_intensities(path)


def with_earlier(
    of_file: Sequence[IntensityPoint], stored: Sequence[IntensityPoint]
) -> tuple[IntensityPoint, ...]:
    """Put what earlier versions of the file said before what it says now.

    Parameters
    ----------
    of_file : sequence of IntensityPoint
        What the file says, in order of time: from its first value on it counts alone.
    stored : sequence of IntensityPoint
        What was stored of it, in order of time.

    Returns
    -------
    tuple of IntensityPoint
        In order of time.
    """
    if not of_file:
        return tuple(stored)
    return (*(each for each in stored if each.start < of_file[0].start), *of_file)


class RefusedIntensitiesError(Exception):
    """Intensities that are dropped; the text says why."""


def points_of(message: CarbonIntensity, now: datetime) -> tuple[IntensityPoint, ...]:
    """Return the intensities that came over the bus.

    Parameters
    ----------
    message : CarbonIntensity
        The message.
    now : datetime
        UTC.

    Returns
    -------
    tuple of IntensityPoint
        In order of time, from `KEPT` before now on.

    Raises
    ------
    RefusedIntensitiesError
        If they were made in the future, reach too far, are too old, contradict themselves, or
        can't be true.
    """
    if message.issued > now + AHEAD:
        raise RefusedIntensitiesError(
            f"they say that they were made at {_time(message.issued)}, which is yet to come"
        )
    points: dict[datetime, IntensityPoint] = {}
    for each in message.values:
        start = each.start.replace(second=0, microsecond=0)
        if not 0 <= each.grams_per_kwh <= MOST_GRAMS:
            raise RefusedIntensitiesError(
                f"{each.grams_per_kwh:g} g/kWh at {_time(start)} is not from 0 to {MOST_GRAMS:g};"
                " are the values in another unit?"
            )
        point = IntensityPoint(start, each.grams_per_kwh, message.issued)
        if points.setdefault(start, point) != point:
            raise RefusedIntensitiesError(f"they have two values for {_time(start)}")
    if max(points) > now + FURTHEST:
        raise RefusedIntensitiesError(
            f"they reach to {_time(max(points))}, further than any forecast can"
        )
    if max(points) < now - KEPT:
        raise RefusedIntensitiesError(
            f"they end at {_time(max(points))}, more than {KEPT.days} days ago"
        )
    return tuple(points[start] for start in sorted(points) if start >= now - KEPT)


def _time(instant: datetime) -> str:
    return f"{instant:%Y-%m-%d %H:%M} UTC"
