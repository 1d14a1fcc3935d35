"""What was in force when, drawn out of a night's rows: commands, stays, flows, outages. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

from daemon.control.learning import CONNECTED, FAULTS
from daemon.control.state import FLOWING_WATTS, LONGEST_GAP

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from datetime import datetime

    from adapters.ledger.rows import StoredCommand, StoredReport
    from daemon.why.records import Night

AWAY = "no vehicle is plugged in"
"""What a command says while no vehicle is there (`daemon.control.controller`)."""

ONE_STRETCH = timedelta(minutes=10)
"""A meter that counts in steps shows no rise for so long, though power flows."""

WORTH_A_WORD = timedelta(minutes=5)
"""A daemon that was away for less was only started again."""

HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class TimeSpan:
    """A stretch of time, half-open."""

    start: datetime
    end: datetime

    def meets(self, other: TimeSpan) -> TimeSpan | None:
        """Give what both have in common."""
        start, end = max(self.start, other.start), min(self.end, other.end)
        return TimeSpan(start, end) if start < end else None


@dataclass(frozen=True, slots=True)
class CommandSpan(TimeSpan):
    """How long a command was in force: until the next one, or until it lapsed."""

    command: StoredCommand


@dataclass(frozen=True, slots=True)
class Flow(TimeSpan):
    """A stretch in which energy flowed [Wh]; `is_measured` where the meter was read throughout."""

    wh: int
    is_measured: bool


@dataclass(frozen=True, slots=True)
class Outage(TimeSpan):
    """A time in which the daemon did not run; `is_exact` where it said that it ended.

    Where it did not, `start` is when it was last heard of. Before its very first start `is_first`.
    """

    is_exact: bool
    is_first: bool = False


def in_force(night: Night) -> tuple[CommandSpan, ...]:
    """List the commands in force through a night, clipped to it."""
    commands = [*([night.before] if night.before else []), *night.commands]
    ends = [*(command.at for command in commands[1:]), night.upto]
    made = (
        CommandSpan(max(command.at, night.begins), min(end, command.valid_until), command)
        for command, end in zip(commands, ends, strict=True)
    )
    return tuple(told for told in made if told.start < told.end)


def stays_of(night: Night) -> tuple[TimeSpan, ...]:
    """List when a vehicle was there: by its pilot state, else by what the daemon took to be so."""
    pilots = [each for each in night.reports if each.pilot is not None]
    if pilots or night.pilot_before is not None:
        return _by_pilot(night, pilots)
    return _joined(told for told in in_force(night) if told.command.why != AWAY)


def _by_pilot(night: Night, pilots: Sequence[StoredReport]) -> tuple[TimeSpan, ...]:
    there, since = False, night.begins
    spans: list[TimeSpan] = []
    before = [night.pilot_before] if night.pilot_before is not None else []
    for report in (*before, *pilots):
        if report.pilot in FAULTS:
            continue  # says nothing of a vehicle
        at = max(report.at, night.begins)
        if there and report.pilot not in CONNECTED:
            spans.append(TimeSpan(since, at))
        since = since if there else at
        there = report.pilot in CONNECTED
    if there:
        spans.append(TimeSpan(since, night.upto))
    return tuple(span for span in spans if span.start < span.end)


def _joined(spans: Iterable[TimeSpan]) -> tuple[TimeSpan, ...]:
    made: list[TimeSpan] = []
    for span in spans:
        if made and made[-1].end >= span.start:
            made[-1] = TimeSpan(made[-1].start, max(made[-1].end, span.end))
        else:
            made.append(TimeSpan(span.start, span.end))
    return tuple(made)


# --- what the meter showed --------------------------------------------------------------------


def flows_of(night: Night) -> tuple[Flow, ...]:
    """List the stretches in which energy flowed through the meter."""
    told = in_force(night)
    made: list[Flow] = []
    for flow in _rises(night):
        last = made[-1] if made else None
        if last is not None and _goes_on(last, flow, told):
            made[-1] = Flow(
                last.start, flow.end, last.wh + flow.wh, last.is_measured and flow.is_measured
            )
        else:
            made.append(flow)
    return tuple(_clipped(flow, night, told) for flow in made)


def _rises(night: Night) -> Iterator[Flow]:
    for before, after in pairwise(night.meter.readings):
        start, end = max(before.at, night.begins), min(after.at, night.upto)
        if start >= end:
            continue
        wh = night.meter.between(start, end)[0]
        if wh / ((end - start) / HOUR) > FLOWING_WATTS:
            yield Flow(start, end, wh, after.at - before.at <= LONGEST_GAP)


def _goes_on(last: Flow, flow: Flow, told: Sequence[CommandSpan]) -> bool:
    if flow.start - last.end > ONE_STRETCH:
        return False
    between = TimeSpan(last.end, flow.start)
    return not any(each.command.do == "stop" and each.meets(between) for each in told)


def _clipped(flow: Flow, night: Night, told: Sequence[CommandSpan]) -> Flow:
    """Begin and end a stretch with its command, where that is between two readings."""
    readings = [reading.at for reading in night.meter.readings]
    first = min((at for at in readings if at > flow.start), default=flow.end)
    last = max((at for at in readings if at < flow.end), default=flow.start)
    starts = [each for each in told if each.command.do == "start"]
    begun = [each.start for each in _runs(starts) if flow.start < each.start < first]
    ended = [each.end for each in _runs(starts) if last < each.end < flow.end]
    return replace(
        flow, start=begun[0] if begun else flow.start, end=ended[-1] if ended else flow.end
    )


def _runs(told: Sequence[CommandSpan]) -> tuple[TimeSpan, ...]:
    return _joined(told)


# --- when nobody was at work ------------------------------------------------------------------


def outages_of(night: Night) -> tuple[Outage, ...]:
    """List when the daemon did not run: by its starts and ends, else by commands that lapsed."""
    made: list[Outage] = []
    for outage in (*_by_starts(night), *_by_lapses(night)):
        known = next((each for each in made if outage.meets(each)), None)
        if known is None:
            made.append(outage)
        elif not known.is_exact:
            # What hardware said meanwhile is dated then, though it was kept after the start.
            start, end = min(known.start, outage.start), max(known.end, outage.end)
            made[made.index(known)] = replace(known, start=start, end=end)
    return tuple(sorted(made, key=lambda outage: outage.start))


def _by_starts(night: Night) -> Iterator[Outage]:
    last = night.ended_before
    for happening, seen in zip(night.happenings, night.seen, strict=True):
        if happening.what not in {"started", "ended"}:
            continue
        if happening.what == "started":
            is_exact = last is not None and last.what == "ended"
            since = last.at if last is not None and is_exact else seen
            if since is not None and since < happening.at:
                yield Outage(max(since, night.begins), happening.at, is_exact)
        last = happening
    if last is not None and last.what == "ended":
        yield Outage(max(last.at, night.begins), night.upto, is_exact=True)


def _by_lapses(night: Night) -> Iterator[Outage]:
    """See where a command lapsed that a daemon would have renewed."""
    commands = [*([night.before] if night.before else []), *night.commands]
    ends = [*(command.at for command in commands[1:]), night.upto]
    if not commands:
        yield Outage(night.begins, night.upto, is_exact=False)
    elif commands[0].at > night.begins and night.ended_before is None:
        yield Outage(night.begins, commands[0].at, is_exact=False, is_first=True)
    for command, end in zip(commands, ends, strict=True):
        if command.valid_until < end and end > night.begins:
            yield Outage(max(command.valid_until, night.begins), end, is_exact=False)
