"""What must never happen, judged by what flowed in truth."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from tests.ocpp_boxes.hardware import VOLTS, Drawn
from tests.ocpp_boxes.kinds import Kind
from tests.ocpp_boxes.nights import CHEAP_FROM, Record

STEP = timedelta(seconds=10)
FOLLOWS = timedelta(seconds=61)
"""A night advances by a minute at the most while something flows: so late may an answer come."""
SLACK_AMPS = 0.05
MOST_OUTSIDE_KWH = 0.1
MOST_BEYOND_KWH = 1.0
"""In the battery. What flows while the daemon is away can't be counted without a register."""
ALARMS = {
    "sticks on": {"power-after-stop"},
    "never starts": {"no-power-after-start"},
}


@dataclass(frozen=True)
class Verdict:
    """A cell of the table."""

    kwh: float
    cost: str
    alerts: tuple[str, ...]
    over_seconds: float
    outside_kwh: float
    wrong: tuple[str, ...]


def commanded(record: Record, at: datetime) -> float:
    """Return the current that the command in force allows, or allowed until a moment ago."""
    found = 0.0
    for index, (since, amps, until) in enumerate(record.commands):
        after = record.commands[index + 1][0] if index + 1 < len(record.commands) else None
        ends = min(until, after) if after is not None else until
        if since <= at < ends + FOLLOWS:
            found = max(found, amps)
    return found


def planned(record: Record, at: datetime) -> float:
    """Return the current of the plan in force, or of the one before until a moment ago."""
    found = 0.0
    for index, (since, periods) in enumerate(record.plans):
        after = record.plans[index + 1][0] if index + 1 < len(record.plans) else None
        if since <= at and (after is None or at < after + FOLLOWS):
            found = max([found, *(a for start, end, a in periods if start <= at < end + FOLLOWS)])
    return found


def is_away(record: Record, at: datetime) -> bool:
    return any(start <= at <= end + 6 * FOLLOWS for start, end in record.away)


def _moments(trace: list[Drawn]) -> Iterator[tuple[datetime, float, float]]:
    for each in trace:
        at = each.start
        while at < each.end:
            yield at, each.amps, min(STEP, each.end - at).total_seconds()
            at += STEP


def judge(record: Record, kind: Kind, behaviour: str) -> Verdict:
    """Return what a night came to, and what was wrong in it."""
    over, outside = _beyond(record, kind)
    wrong = list[str]()
    excused = _excused(kind, behaviour)
    if over and not excused:
        wrong.append(f"drew more than commanded for {over:.0f} s")
    if outside > MOST_OUTSIDE_KWH and not excused:
        wrong.append(f"{outside:.2f} kWh outside the plan")
    can_count = kind.meter != "power" or not record.away
    if record.missing_kwh < -MOST_BEYOND_KWH and can_count and not excused:
        wrong.append(f"{-record.missing_kwh:.1f} kWh more than needed")
    wrong += [f"invalid: {each}" for each in dict.fromkeys(record.invalid)]
    alerts = tuple(dict.fromkeys(record.alerts))
    wrong += [f"no alert {code}" for code in ALARMS.get(behaviour, set()) - set(alerts)]
    if record.missing_kwh > MOST_OUTSIDE_KWH and behaviour != "never starts":
        wrong.append(f"{record.missing_kwh:.1f} kWh of the need are missing")
    night = record.nights[-1] if record.nights else {}
    metered = float(night.get("energy_kwh") or 0.0)
    if not night:
        wrong.append("no account of the night")
    elif abs(metered - record.register_kwh) > 0.15 and kind.meter != "power":
        wrong.append(f"the account has {metered:.2f} kWh, the register {record.register_kwh:.2f}")
    return Verdict(
        record.register_kwh, str(night.get("cost", "-")), alerts, over, outside, tuple(wrong)
    )


def _beyond(record: Record, kind: Kind) -> tuple[float, float]:
    """Return for how long more flowed than was commanded [s], and what flowed unplanned [kWh]."""
    over = outside = 0.0
    for at, amps, seconds in _moments(record.trace):
        plan = planned(record, at)
        allowed = max(commanded(record, at), plan if is_away(record, at) else 0.0)
        over += seconds * (amps > allowed + SLACK_AMPS)
        if not plan:
            outside += amps * VOLTS / 1000 * kind.vehicle_phases * seconds / 3600
    return over, outside


def _excused(kind: Kind, behaviour: str) -> bool:
    """Whether the hardware can't be kept from drawing: its alert is asked for instead."""
    if behaviour == "sticks on":
        return True
    # Nobody could tell it anything, and it knows no limit.
    is_limitless = not kind.purposes
    if behaviour == "daemon away at the end":
        return is_limitless
    return is_limitless and kind.charges_by_itself and behaviour == "daemon away at plug-in"


def cheap_share(record: Record) -> float:
    """Return the share of what flowed that flowed in the cheap hours."""
    cheap = total = 0.0
    for at, amps, seconds in _moments(record.trace):
        total += amps * seconds
        is_cheap = CHEAP_FROM <= at < CHEAP_FROM + timedelta(hours=5)
        cheap += amps * seconds * is_cheap
    return cheap / total if total else 1.0
