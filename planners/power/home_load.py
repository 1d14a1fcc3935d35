"""Find the known load of the rest of the home, minute by minute."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from config.tariffs.bands import any_holiday
from config.tariffs.known_load import load_table
from planners.local_time.conversion import DAY_MINUTES
from planners.local_time.day_kinds import minutes_of_days
from planners.local_time.zone_offsets import offsets_between

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from config.household.household_file import HouseholdFile


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
    items = tuple(
        each
        for each in file.household.known_load
        if phase is None or each.connected_to is None or phase in each.connected_to
    )
    if not items or last <= first:
        return np.zeros(max(0, last - first))
    local = offsets_between(file.zone, first, last).to_local(np.arange(first, last))
    first_day, last_day = int(local.min()) // DAY_MINUTES, int(local.max()) // DAY_MINUTES
    # As with bands: public holidays are ordinary days unless an item names them.
    holidays = file.household.public_holidays if any_holiday(items) else None
    days = minutes_of_days(load_table(items), first_day, last_day, holidays)
    return days[local - first_day * DAY_MINUTES]
