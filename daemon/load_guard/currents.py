"""Find what charge points draw on each phase, and what each may keep below the home's live load.

Pure: knows no clock.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from daemon.control.state import is_on_one
from daemon.sharing.claims import Claim, commanded_amps, drawn_current
from planners.power.excess_current import VEHICLE_FOLLOWS
from planners.power.live_load import OwnCurrent
from planners.power.main_fuse import FUSE_DIGITS, CurrentRange, share_of_limits
from planners.power.phases import phases_in_use, users_of_phases

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from daemon.control.state import PointState
    from planners.home.left_beside import LeftByLoad

READ_LATELY = timedelta(seconds=90)
"""How long a charge point's reading counts; while power flows, one comes every minute."""


def own_current(
    states: Mapping[str, PointState],
    claims: Mapping[str, Claim],
    now: datetime,
    file: HouseholdFile,
    *,
    is_one_value: bool = False,
) -> OwnCurrent:
    """Return what all charge points draw together, as far as it is known.

    Parameters
    ----------
    states : mapping of str to PointState
        All of them.
    claims : mapping of str to Claim
        What the hardware of each may draw.
    now : datetime
        UTC.
    file : HouseholdFile
        The household.
    is_one_value : bool
        Whether one value is read for all phases. Then all charge points are taken to load the phase
        that is read, if the file does not say on which phases they are.

    Returns
    -------
    OwnCurrent
        On each phase of the supply; then in the sum of all, if the home's power is limited.
    """
    drawn = {
        name: _drawn(state, claims.get(name, Claim()), now, file) for name, state in states.items()
    }
    none_says = all(point.connected_to is None for point in file.charge_points.values())
    least: list[float] = []
    most: list[float] = []
    on_one = {name for name, state in states.items() if is_on_one(state)}
    for phase, users in users_of_phases(file).items():
        elsewhere = {name for name in on_one if phase not in _first_phase(file, name)}
        certain = users.possible if is_one_value and none_says else users.certain - elsewhere
        least.append(sum(low for name, (low, _high) in drawn.items() if name in certain))
        most.append(sum(high for name, (_low, high) in drawn.items() if name in users.possible))
    if file.household.max_total_amps is not None:
        # On how many phases a vehicle charges may not be declared: what is not taken out of a
        # reading counts as the home's, and the vehicle gives way.
        fewest = {n: 1 if n in on_one else phases_in_use(file, n)[0] for n in drawn}
        least.append(sum(low * fewest[name] for name, (low, _high) in drawn.items()))
        most.append(sum(high * fewest[name] for name, (_low, high) in drawn.items()))
    return OwnCurrent(tuple(least), tuple(most))


def _first_phase(file: HouseholdFile, charge_point: str) -> tuple[str, ...]:
    """Return the phase on which a charge point charges on one, if the file says so."""
    return (file.charge_points[charge_point].connected_to or ())[:1]


def _drawn(
    state: PointState, claim: Claim, now: datetime, file: HouseholdFile
) -> tuple[float, float]:
    """Return the least and the most that a charge point draws now [A per phase]."""
    measured, at = drawn_current(state, file)
    highest = claim.highest_amps(now)
    if at is None or now - at > READ_LATELY:
        return 0.0, highest
    shown, judged_from = max(0.0, measured.amps), state.current_watch.judged_from
    if judged_from is None or at >= judged_from + VEHICLE_FOLLOWS:
        return shown, shown
    # The vehicle may still be following a command that is newer than the reading.
    return min(shown, commanded_amps(state, now)), max(shown, highest)


def kept_amps(
    states: Mapping[str, PointState],
    claims: Mapping[str, Claim],
    limits: Sequence[LeftByLoad],
    now: datetime,
    file: HouseholdFile,
) -> dict[str, float]:
    """Divide what the home's live load leaves among the charge points that charge.

    They give way together, so none waits for the others; but where one is seen not to give way, the
    others give way to it as well.

    Parameters
    ----------
    states : mapping of str to PointState
        All charge points, in the order of the file.
    claims : mapping of str to Claim
        What the hardware of each may draw.
    limits : sequence of LeftByLoad
        What the load leaves of each phase.
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
        current, point = commanded_amps(state, now), file.charge_points[name]
        if current > 0:
            lowest = current if point.switching == "on_off" else min(point.min_amps, current)
            ranges[name] = CurrentRange(lowest, current)
    stuck = {name: amps for name, claim in claims.items() if (amps := claim.not_given_way_amps)}
    found: dict[str, float] = {}
    for name in ranges:
        sharing = {each: ranges[each] for each in ranges if each == name or each not in stuck}
        beside = {each: amps for each, amps in stuck.items() if each != name}
        found[name] = share_of_limits(
            sharing, name, [_left_beside(limit, beside) for limit in limits]
        )
    return found


def _left_beside(
    limit: LeftByLoad, drawn: Mapping[str, float]
) -> tuple[Mapping[str, float], float]:
    taken = sum(limit.points[name] * amps for name, amps in drawn.items() if name in limit.points)
    return limit.points, round(limit.amps - taken, FUSE_DIGITS)
