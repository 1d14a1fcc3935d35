"""Find in the ledger's rows why a stay of a vehicle was short of its need. Pure.

A cause is named only if the rows show it: `month` and `why` say the same.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from adapters.clocks.instants import parse_instant
from daemon.control.state import AWAY, SKIPPED
from daemon.night_log.month import TooLittleTime

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence
    from datetime import datetime

    from adapters.ledger.rows import StoredCommand, StoredPlan, StoredRequest

AT_ONCE = timedelta(seconds=5)
"""A plan follows an event of the daemon's own clock within this time."""

ON_TIME = timedelta(minutes=5)
"""A vehicle that leaves no earlier than this before its departure leaves on time."""

PLANNED_WITHIN = timedelta(minutes=1)
"""A new plan of several vehicles is there this soon after what it is made for."""


def too_little_time(
    plans: Sequence[StoredPlan],
    requests: Sequence[StoredRequest],
    departures: Collection[datetime],
) -> TooLittleTime | None:
    """Find the instant from which the time was too short for a need.

    Parameters
    ----------
    plans : sequence of StoredPlan
        Of one stay, in order of time; the first with what was in force as it began.
    requests : sequence of StoredRequest
        Of the same time.
    departures : collection of datetime
        Those whose needs were missed; empty for any.

    Returns
    -------
    TooLittleTime or None
        None unless the first plan of all was short already, or one that a person asked for: what
        makes a later plan short is another cause, which cost time before it.
    """
    for count, plan in enumerate(plans):
        body = plan.body
        departure = parse_instant(body["departure"])
        if not body["shortfall_kwh"] or (departures and departure not in departures):
            continue
        near = [each for each in requests if timedelta(0) <= plan.made_at - each.at <= AT_ONCE]
        asked = any(each.body.get("need_percent") for each in near)
        if count and not asked:
            return None
        ready, amps = body.get("earliest_ready"), {period["amps"] for period in body["periods"]}
        return TooLittleTime(
            at=plan.made_at,
            asked=asked,
            soc_percent=float(body["soc_percent"]),
            need_percent=float(body["need_percent"]),
            amps=float(amps.pop()) if len(amps) == 1 else None,
            ready=parse_instant(ready) if ready else None,
        )
    return None


def skip_cost_the_need(plans: Sequence[StoredPlan], until: datetime, end: datetime) -> bool:
    """Whether a need was out of reach once a stop that a person had asked for was over.

    Parameters
    ----------
    plans : sequence of StoredPlan
        In order of time.
    until, end : datetime
        When the stop was over, and when the stay was; UTC.

    Returns
    -------
    bool
        False if no plan shows it.
    """
    if until >= end - PLANNED_WITHIN:
        return True
    after = [plan for plan in plans if plan.made_at <= until + PLANNED_WITHIN]
    return bool(after) and bool(after[-1].body["shortfall_kwh"])


def skipped_at(
    commands: Sequence[StoredCommand], plans: Sequence[StoredPlan], end: datetime
) -> datetime | None:
    """Find a stop that a person had asked for and that cost the need.

    Parameters
    ----------
    commands : sequence of StoredCommand
        Of one stay, in order of time.
    plans : sequence of StoredPlan
        Of the same time.
    end : datetime
        When the stay ended; UTC.

    Returns
    -------
    datetime or None
        When it began; None if there was none.
    """
    since = None
    for command in commands:
        if command.why == SKIPPED:
            since = since or command.at
        elif since is not None:
            if skip_cost_the_need(plans, command.at, end):
                return since
            since = None
    return since


def left_early_at(commands: Sequence[StoredCommand], departure: datetime) -> datetime | None:
    """Find out whether a vehicle left for good well before its departure.

    Parameters
    ----------
    commands : sequence of StoredCommand
        From its plug-in until the departure, in order of time.
    departure : datetime
        UTC.

    Returns
    -------
    datetime or None
        When it left; None if it left on time or later.
    """
    left = None
    for command in commands:
        left = (left or command.at) if command.why == AWAY else None
    return left if left is not None and left < departure - ON_TIME else None
