"""Turn what an OCPP 2.0.1 charging station says of a limit into an event for the daemon's loop.

A station that gets a limit from elsewhere, such as from the grid operator, sends
NotifyChargingLimit, and ClearedChargingLimit when that is over. The limit bounds this station.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

from adapters.clocks.instants import parse_instant
from config.home.grid_limit import LimitInForce
from daemon.grid_limit.heard import LimitHeard

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

PHASES = 3
"""As many as a schedule counts with unless it says otherwise (OCPP 2.0.1, from memory)."""


def limit_noticed(
    charge_point: str, notice: Mapping[str, Any], now: datetime, *, volts: float = 230.0
) -> LimitHeard | None:
    """Return the event of a NotifyChargingLimit request.

    Parameters
    ----------
    charge_point : str
        Its name in the household file.
    notice : mapping of str to object
        The request's payload, checked against its schema.
    now : datetime
        UTC; a schedule without a start begins now.
    volts : float
        Line to neutral, to compare powers with currents.

    Returns
    -------
    LimitHeard or None
        With the lowest limit of all its schedules, until the last of them ends. None if it gives
        no schedule: then how much is allowed is not known, and the station keeps to it alone.
    """
    schedules: Sequence[Mapping[str, Any]] = notice.get("chargingSchedule") or ()
    found = [
        (schedule["chargingRateUnit"], float(period["limit"]), period.get("numberPhases", PHASES))
        for schedule in schedules
        for period in schedule["chargingSchedulePeriod"]
    ]
    if not found:
        return None
    unit, most, _phases = min(
        found, key=lambda each: each[1] if each[0] == "A" else each[1] / (each[2] * volts)
    )
    ends = [_end_of(schedule, now) for schedule in schedules]
    limit = LimitInForce(
        kw=max(0.0, most) / 1000 if unit == "W" else None,
        amps=max(0.0, most) if unit == "A" else None,
        until=None if None in ends else max(end for end in ends if end is not None),
        charge_point=charge_point,
    )
    return LimitHeard(f"ocpp {charge_point}", limit)


def limit_cleared(charge_point: str) -> LimitHeard:
    """Return the event of a ClearedChargingLimit request."""
    return LimitHeard(f"ocpp {charge_point}", None)


def _end_of(schedule: Mapping[str, Any], now: datetime) -> datetime | None:
    """Return when a schedule ends; None if it does not say."""
    if schedule.get("duration") is None:
        return None
    start = schedule.get("startSchedule")
    begins = now if start is None else parse_instant(start)
    return begins + timedelta(seconds=schedule["duration"])
