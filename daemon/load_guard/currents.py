"""Find what charge points draw, and what each may draw below the home's live load. Pure."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from daemon.control.state import last_current
from planners.power.excess_current import VEHICLE_FOLLOWS
from planners.power.live_load import OwnCurrent
from planners.power.main_fuse import CurrentRange, share_of_fuse
from planners.power.phases import FUSE_DIGITS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from daemon.control.state import PointState

READ_LATELY = timedelta(seconds=90)
"""How long a charge point's reading counts; while power flows, one comes every minute."""


def told_amps(state: PointState, now: datetime) -> float:
    """Return the current of the command in force [A per phase]; 0 for a stop."""
    command = state.command
    if command is None or command.amps is None or command.valid_until <= now:
        return 0.0
    return command.amps


def shown_amps(state: PointState, now: datetime, file: HouseholdFile) -> float | None:
    """Return the current that a charge point draws, as its meter shows it.

    Parameters
    ----------
    state : PointState
        The charge point.
    now : datetime
        UTC.
    file : HouseholdFile
        The household.

    Returns
    -------
    float or None
        Current per phase [A]; None if no reading is recent enough, or if the vehicle may still be
        following a command that is newer than the reading.
    """
    measured, at = last_current(state, file)
    since = state.response.since if state.response is not None else None
    if at is None or now - at > READ_LATELY or (since is not None and at < since + VEHICLE_FOLLOWS):
        return None
    return None if measured is None else max(0.0, measured.amps)


def own_current(
    states: Iterable[PointState], now: datetime, file: HouseholdFile, phases: int
) -> OwnCurrent:
    """Return what all charge points draw together, as far as it is known.

    Parameters
    ----------
    states : iterable of PointState
        All of them.
    now : datetime
        UTC.
    file : HouseholdFile
        The household.
    phases : int
        For how many phases, 1 or 3.

    Returns
    -------
    OwnCurrent
        On each phase. What one phase draws may be any of three.
    """
    least, most = 0.0, 0.0
    for state in states:
        told, shown = told_amps(state, now), shown_amps(state, now, file)
        on_all = phases == 1 or file.charge_points[state.charge_point].phases == phases
        least += shown if shown is not None and on_all else 0.0
        most += told if shown is None else shown
    return OwnCurrent((least,) * phases, (most,) * phases)


def shares_below_load(
    amps: float, states: Mapping[str, PointState], now: datetime, file: HouseholdFile
) -> dict[str, float]:
    """Divide what the home's live load leaves among the charge points that charge.

    Parameters
    ----------
    amps : float
        What all may take together [A per phase].
    states : mapping of str to PointState
        All charge points, in the order of the file.
    now : datetime
        UTC.
    file : HouseholdFile
        The household.

    Returns
    -------
    dict of str to float
        For each that charges: its current if all of them fit, else its part of what is left
        [A per phase].
    """
    ranges: dict[str, CurrentRange] = {}
    for name, state in states.items():
        current, point = told_amps(state, now), file.charge_points[name]
        if current > 0:
            lowest = current if point.switching == "on_off" else min(point.min_amps, current)
            ranges[name] = CurrentRange(lowest, current)
    left = round(amps, FUSE_DIGITS)
    return {name: share_of_fuse(ranges, name, left) for name in ranges}


def amps_beside_others(
    amps: float,
    charge_point: str,
    states: Mapping[str, PointState],
    now: datetime,
    file: HouseholdFile,
) -> float:
    """Return what the home's live load leaves to a charge point beside what the others draw.

    Parameters
    ----------
    amps : float
        What all may take together [A per phase].
    charge_point : str
        Its name in the file.
    states : mapping of str to PointState
        All charge points.
    now : datetime
        UTC.
    file : HouseholdFile
        The household.

    Returns
    -------
    float
        What the others were told, or are seen to draw, does not count as left [A per phase].
    """
    drawn = sum(
        max(told_amps(state, now), shown_amps(state, now, file) or 0.0)
        for name, state in states.items()
        if name != charge_point
    )
    return round(amps - drawn, FUSE_DIGITS)
