"""Find the known load of the rest of the home, and what its roofs leave, minute by minute."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from config.calendar.tables import calendar_of
from config.home.known_load import LearnedLoad, load_table
from planners.local_time.conversion import DAY_MINUTES
from planners.local_time.day_kinds import minutes_of_days
from planners.local_time.remembering import remembered
from planners.local_time.zone_offsets import offsets_between

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from config.calendar.tables import Calendar
    from config.home.known_load import KnownLoad
    from config.household.household_file import HouseholdFile
    from planners.generation.outlook import Outlook

WATTS_PER_KW = 1000

SUN_STEP = 30
"""Minutes in which the sun counts as even: a current that followed it tick by tick would change at
each, by less than any forecast can tell."""


def home_load(
    file: HouseholdFile, first: int, last: int, phase: str | None = None
) -> NDArray[np.float64]:
    """Return the known load of the rest of the home on a phase, by the local clock.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    first, last : int
        UTC minutes; `last` is the first one outside.
    phase : str, optional
        The phase; without it, all loads count as if they were on one.

    Returns
    -------
    ndarray of float64, shape (last - first,)
        Sum of the known loads in each UTC minute [A].
    """
    items = _items_on(file, phase)
    if not items or last <= first:
        return np.zeros(max(0, last - first))
    local = offsets_between(file.zone, first, last).to_local(np.arange(first, last))
    first_day, last_day = int(local.min()) // DAY_MINUTES, int(local.max()) // DAY_MINUTES
    # As with bands: public holidays are ordinary days unless an item names them.
    calendar = _calendar_of(file, phase)
    holidays = file.household.public_holidays if calendar.holidays else None
    days = minutes_of_days(_table_of(file, phase), first_day, last_day, holidays, calendar)
    return days[local - first_day * DAY_MINUTES]


def home_kw(file: HouseholdFile, first: int, last: int) -> NDArray[np.float64]:
    """Return what the rest of the home draws in each UTC minute, on all phases [kW]."""
    found = np.zeros(max(0, last - first))
    if file.household.known_load:
        for phase in file.household.phases:
            found += home_load(file, first, last, phase)
    return found * (file.household.nominal_volts / WATTS_PER_KW)


def surplus_kw(
    file: HouseholdFile, sun: Outlook | None, first: int, last: int
) -> NDArray[np.float64]:
    """Return the power of the roofs that a plan may count on, beyond the home's own use.

    Parameters
    ----------
    file : HouseholdFile
        The household, with its known load, declared or learned.
    sun : Outlook or None
        What the roofs are expected to give; None without a roof.
    first, last : int
        UTC minutes; `last` is the first one outside.

    Returns
    -------
    ndarray of float64, shape (last - first,)
        For each minute, at least 0, as the mean of its `SUN_STEP` minutes [kW].
    """
    if sun is None or last <= first:
        return np.zeros(max(0, last - first))
    begin, end = first // SUN_STEP * SUN_STEP, -(-last // SUN_STEP) * SUN_STEP
    left = np.maximum(sun.counted_kw(begin, end) - home_kw(file, begin, end), 0.0)
    steps = left.reshape(-1, SUN_STEP).mean(axis=1)
    found: NDArray[np.float64] = np.repeat(steps, SUN_STEP)[first - begin : last - begin]
    return found


def highest_load(file: HouseholdFile, phase: str) -> float:
    """Return the highest known load of the rest of the home on a phase [A]."""
    return float(_table_of(file, phase).max()) if _items_on(file, phase) else 0.0


def is_learned(file: HouseholdFile) -> bool:
    """Whether the known load of the rest of the home is not declared, but learned."""
    return any(isinstance(each, LearnedLoad) for each in file.household.known_load)


@remembered
def _items_on(file: HouseholdFile, phase: str | None) -> tuple[KnownLoad, ...]:
    return tuple(
        each
        for each in file.household.known_load
        if phase is None or each.connected_to is None or phase in each.connected_to
    )


@remembered
def _table_of(file: HouseholdFile, phase: str | None) -> NDArray[np.float64]:
    return load_table(_items_on(file, phase), _calendar_of(file, phase))


@remembered
def _calendar_of(file: HouseholdFile, phase: str | None) -> Calendar:
    home = file.household
    return calendar_of(_items_on(file, phase), home.seasons or (), home.special_days or ())
