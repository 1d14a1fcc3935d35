"""Turn what an OCPP 2 charging station says of a limit into an event for the daemon's loop.

A station that gets a limit from elsewhere, such as from the grid operator, sends
NotifyChargingLimit, and ClearedChargingLimit when that is over. The limit bounds this station.
"""

from __future__ import annotations

from contextlib import suppress
from datetime import timedelta
from math import isfinite, nan
from typing import TYPE_CHECKING, Any

from adapters.clocks.instants import parse_instant
from config.home.grid_limit import MOST_LIMIT_AMPS, MOST_LIMIT_KW, LimitInForce
from daemon.grid_limit.heard import LimitHeard

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import datetime

    from adapters.ocpp_point.events import ChargingLimitNoticed

PHASES = 3
"""As many as a schedule counts with unless it says otherwise (OCPP 2.0.1, from memory)."""
LONGEST = timedelta(days=366)
"""A schedule that lasts longer has no end that matters."""
KINDS = frozenset({"EMS", "SO", "CSO"})
"""Who sets limits: an energy manager, the grid operator, an operator of stations, or others."""


def limit_event(
    noticed: ChargingLimitNoticed, now: datetime, *, volts: float = 230.0
) -> LimitHeard | None:
    """Return the event of a NotifyChargingLimit or ClearedChargingLimit request.

    Parameters
    ----------
    noticed : ChargingLimitNoticed
        The request, checked against its schema.
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
    charge_point, notice = noticed.charge_point, noticed.notice
    source = f"ocpp {charge_point} {noticed.source if noticed.source in KINDS else 'Other'}"
    if notice is None:
        return LimitHeard(source, None)
    schedules: Sequence[Mapping[str, Any]] = notice.get("charging_schedule") or ()
    found = list(_limits(schedules))
    if not found:
        return None
    unit, most, _ = min(
        found, key=lambda each: each[1] / (1 if each[0] == "A" else each[2] * volts)
    )
    ends = [_end_of(schedule, now) for schedule in schedules]
    limit = LimitInForce(
        kw=most / 1000 if unit == "W" else None,
        amps=min(most, MOST_LIMIT_AMPS) if unit == "A" else None,
        until=None if None in ends else max(end for end in ends if end is not None),
        charge_point=charge_point,
    )
    return LimitHeard(source, limit)


def _limits(schedules: Sequence[Mapping[str, Any]]) -> Iterator[tuple[str, float, int]]:
    """Yield unit, limit and phases of every period that says how much is allowed."""
    for schedule in schedules:
        for period in schedule["charging_schedule_period"]:
            # OCPP 2.1 has periods without a limit.
            limit = min(period.get("limit", nan), MOST_LIMIT_KW * 1000)
            if isfinite(limit):
                phases = min(max(1, period.get("number_phases", PHASES)), PHASES)
                yield schedule["charging_rate_unit"], max(0.0, limit), phases


def _end_of(schedule: Mapping[str, Any], now: datetime) -> datetime | None:
    """Return when a schedule ends; None if it does not say."""
    seconds = schedule.get("duration")
    if seconds is None or not 0 <= seconds <= LONGEST.total_seconds():
        return None
    begins = now
    with suppress(ValueError):
        begins = parse_instant(schedule.get("start_schedule") or "")
    with suppress(OverflowError):
        return begins + timedelta(seconds=seconds)
    return None
