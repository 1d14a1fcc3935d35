"""Describe declared departures in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from config.household.household_file import Departure, HouseholdFile


def when_leaves(row: Departure) -> str:
    """Say on which days and at what time a vehicle leaves."""
    if row.date is not None:
        return f"on {row.date} at {row.at:%H:%M}"
    return f"{' '.join(row.days or ())} at {row.at:%H:%M}"


def buys_need_only(
    file: HouseholdFile, row: Departure, before: str = "To charge it to {} %"
) -> str | None:
    """Say that a departure without `want_percent` and `max_rate` buys its need only.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    row : Departure
        One of its departures.
    before : str
        What comes before the key to add; `{}` is the everyday limit.

    Returns
    -------
    str or None
        A sentence; None if it buys as much as the everyday limit, or says what it wants.
    """
    limit = file.vehicles[row.vehicle].limit_percent
    if row.want_percent is not None or row.max_rate is not None or row.need_percent >= limit:
        return None
    return (
        f"{row.vehicle}, {when_leaves(row)}, is charged to {row.need_percent:g} % only."
        f" {before.format(f'{limit:g}')}, add want_percent: {limit:g}."
    )
