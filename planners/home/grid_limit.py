"""Find what limits of the grid operator leave to the charge points now, and say so in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from planners.home.left_beside import LeftByLoad
from planners.local_time.conversion import clock_text, minute_of
from planners.power.home_load import home_load
from planners.power.phases import grid_limits_by_source, taken_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from config.home.grid_limit import LimitInForce
    from config.household.household_file import HouseholdFile


def left_by_grid(
    file: HouseholdFile, now: datetime, rest_amps: Mapping[str, float] | None = None
) -> tuple[LeftByLoad, ...]:
    """Return what limits of the grid operator leave to the charge points together.

    Parameters
    ----------
    file : HouseholdFile
        The household, under the limits that hold.
    now : datetime
        UTC.
    rest_amps : mapping of str to float, optional
        What the rest of the home draws on each phase, if it is read [A]; without it, what the file
        knows of it counts.

    Returns
    -------
    tuple of LeftByLoad
        Empty if none holds.
    """
    minute, found = minute_of(now), []
    for limit, bound in grid_limits_by_source(file):
        if limit.until is not None and limit.until <= now:
            continue
        loads = [
            float(home_load(file, minute, minute + 1, phase)[0])
            if rest_amps is None
            else rest_amps.get(phase, 0.0)
            for phase in bound.phases
        ]
        left = max(0.0, bound.amps - sum(loads))
        words = limit_words(file, limit, now)
        found.append(LeftByLoad(left, bound.points, max(loads, default=0.0), by_grid=words))
    return tuple(found)


def limit_words(file: HouseholdFile, limit: LimitInForce, now: datetime) -> str:
    """Say what the grid operator allows, and until when: the beginning of a sentence."""
    of = "charging" if limit.charge_point is None else limit.charge_point
    if limit.charge_point is None and file.household.grid_limit.bounds == "home":
        of = "the home"
    until = ""
    if limit.until is not None:
        is_soon = (limit.until - now).days < 1
        until = (
            f" until {clock_text(limit.until, file.zone, '%H:%M' if is_soon else '%d %b %H:%M')}"
        )
    return f"the grid operator allows {of} only {limit.text}{until}"


def binding(
    limits: Sequence[LeftByLoad], charge_point: str, file: HouseholdFile
) -> LeftByLoad | None:
    """Return the limit of the grid operator that keeps a charge point lowest, if one does.

    Parameters
    ----------
    limits : sequence of LeftByLoad
        All that is known to limit the charge points.
    charge_point : str
        Its name in the household file.
    file : HouseholdFile
        The household.

    Returns
    -------
    LeftByLoad or None
        None if all charge points may draw all of their current under each of them.
    """
    highest = {name: point.max_amps for name, point in file.charge_points.items()}
    mine = [
        each
        for each in limits
        if each.by_grid
        and charge_point in each.points
        and each.amps < taken_of(each.points, highest)
    ]
    return min(mine, key=lambda each: each.amps / each.points[charge_point], default=None)
