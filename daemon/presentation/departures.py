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


def buys_less(file: HouseholdFile, row: Departure) -> str | None:
    """Say how much less a departure buys than with version 0.1.0.

    That version went on to the everyday limit if a departure had neither `want_percent` nor
    `max_rate`.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    row : Departure
        One of its departures.

    Returns
    -------
    str or None
        A sentence; None if it buys as much.
    """
    limit = file.vehicles[row.vehicle].limit_percent
    if row.want_percent is not None or row.max_rate is not None or row.need_percent >= limit:
        return None
    return (
        f"{row.vehicle}, {when_leaves(row)}, is charged to {row.need_percent:g} % only. Version"
        f" 0.1.0 charged it to {limit:g} %; for that, add want_percent: {limit:g}."
    )
