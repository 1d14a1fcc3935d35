"""Derive a night's spans: commands in force, stays, flows, outages. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

from adapters.ledger.rows import BROKER_BACK
from daemon.control.alerts import NO_BROKER
from daemon.control.learning import CONNECTED
from daemon.control.state import AWAY, FAULTS, FLOWING_WATTS, LONGEST_GAP
from daemon.service.broker_watch import AWAY_FOR

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from datetime import datetime

    from adapters.ledger.rows import StoredCommand, StoredReport
    from daemon.why.records import Night

LONGEST_PAUSE = timedelta(minutes=10)
"""A meter that counts in steps may show no rise for this long although power flows."""

SHORTEST_OUTAGE = timedelta(minutes=5)
"""A shorter outage was only a restart."""

LATE = timedelta(minutes=1)
"""A running daemon may be this late with the command that follows one that expires."""

HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class TimeSpan:
    """A span of time, half-open."""

    start: datetime
    end: datetime

    def meets(self, other: TimeSpan) -> TimeSpan | None:
        """Return the time that both have in common."""
        start, end = max(self.start, other.start), min(self.end, other.end)
        return TimeSpan(start, end) if start < end else None


@dataclass(frozen=True, slots=True)
class CommandSpan(TimeSpan):
    """The time a command was in force: until the next one, or until it expired."""

    command: StoredCommand


@dataclass(frozen=True, slots=True)
class Flow(TimeSpan):
    """A span in which energy flowed [Wh]; `is_measured` if read throughout."""

    wh: int
    is_measured: bool


@dataclass(frozen=True, slots=True)
class Outage(TimeSpan):
    """A time in which the daemon did not run; `is_exact` if it recorded its end.

    If not, `start` is its last sign of life. `is_first` is the time before its very first start.
    """

    is_exact: bool
    is_first: bool = False


def in_force(night: Night) -> tuple[CommandSpan, ...]:
    """List the commands in force through a night, clipped to it."""
    spans = (
        CommandSpan(max(command.at, night.begins), _until(command, following), command)
        for command, following in _with_following(night)
    )
    return tuple(span for span in spans if span.start < span.end)


def _with_following(night: Night) -> Iterator[tuple[StoredCommand, datetime]]:
    """Yield each command with the instant of the one after it, or up to which is known."""
    commands = [*([night.command_before] if night.command_before else []), *night.commands]
    if not commands:
        return iter(())
    return zip(commands, [*(command.at for command in commands[1:]), night.upto], strict=True)


def _until(command: StoredCommand, following: datetime) -> datetime:
    """Return until when a command was in force."""
    return following if following <= command.valid_until + LATE else command.valid_until


def stays_of(night: Night) -> tuple[TimeSpan, ...]:
    """List when a vehicle was connected: by pilot state, else by commands."""
    pilots = [each for each in night.reports if each.pilot is not None]
    if pilots or night.pilot_before is not None:
        return _by_pilot(night, pilots)
    return joined(span for span in in_force(night) if span.command.why != AWAY)


def _by_pilot(night: Night, pilots: Sequence[StoredReport]) -> tuple[TimeSpan, ...]:
    connected, since = False, night.begins
    spans: list[TimeSpan] = []
    before = [night.pilot_before] if night.pilot_before is not None else []
    for report in (*before, *pilots):
        if report.pilot in FAULTS:
            continue  # does not say whether a vehicle is connected
        at = max(report.at, night.begins)
        if connected and report.pilot not in CONNECTED:
            spans.append(TimeSpan(since, at))
        since = since if connected else at
        connected = report.pilot in CONNECTED
    if connected:
        spans.append(TimeSpan(since, night.upto))
    return tuple(span for span in spans if span.start < span.end)


def joined(spans: Iterable[TimeSpan]) -> tuple[TimeSpan, ...]:
    """Join spans, ordered by their starts, that have no gap between them."""
    runs: list[TimeSpan] = []
    for span in spans:
        if runs and runs[-1].end >= span.start:
            runs[-1] = TimeSpan(runs[-1].start, max(runs[-1].end, span.end))
        else:
            runs.append(TimeSpan(span.start, span.end))
    return tuple(runs)


# --- what the meter showed --------------------------------------------------------------------


def flows_of(night: Night) -> tuple[Flow, ...]:
    """List the spans in which energy flowed through the meter."""
    commands = in_force(night)
    flows: list[Flow] = []
    for flow in _rises(night):
        last = flows[-1] if flows else None
        if last is not None and _continues(last, flow, commands):
            flows[-1] = Flow(
                last.start, flow.end, last.wh + flow.wh, last.is_measured and flow.is_measured
            )
        else:
            flows.append(flow)
    stays = stays_of(night)
    return tuple(_clipped(flow, night, commands, stays) for flow in flows)


def _rises(night: Night) -> Iterator[Flow]:
    for before, after in pairwise(night.meter.readings):
        start, end = max(before.at, night.begins), min(after.at, night.upto)
        if start >= end:
            continue
        wh = night.meter.between(start, end)[0]
        if wh / ((end - start) / HOUR) > FLOWING_WATTS:
            yield Flow(start, end, wh, after.at - before.at <= LONGEST_GAP)


def _continues(last: Flow, flow: Flow, commands: Sequence[CommandSpan]) -> bool:
    if flow.start - last.end > LONGEST_PAUSE:
        return False
    between = TimeSpan(last.end, flow.start)
    return not any(each.command.do == "stop" and each.meets(between) for each in commands)


def _clipped(
    flow: Flow, night: Night, commands: Sequence[CommandSpan], stays: Sequence[TimeSpan]
) -> Flow:
    """Start and end a flow with its command or plug, if that came between two readings."""
    readings = [reading.at for reading in night.meter.readings]
    first = min((at for at in readings if at > flow.start), default=flow.end)
    last = max((at for at in readings if at < flow.end), default=flow.start)
    following = min((at for at in readings if at > flow.end), default=flow.end)
    starts = joined(each for each in commands if each.command.do == "start")
    begun = [each.start for each in starts if flow.start < each.start < first]
    plugged = [each.start for each in stays if flow.start < each.start < first]
    causes = [each.end for each in (*starts, *stays)]
    ended = [at for at in causes if last < at < flow.end]
    # A moment after the last reading that shows power, too little flows for the next to show any.
    soon = [at for at in causes if flow.end <= at < following]
    return replace(
        flow,
        start=max([*begun[:1], *plugged[:1]], default=flow.start),
        end=ended[-1] if ended else min(soon, default=flow.end),
    )


# --- when the daemon did not run ------------------------------------------------------------------


def outages_of(night: Night) -> tuple[Outage, ...]:
    """List when the daemon did not run: by starts and ends, else expired commands."""
    outages: list[Outage] = []
    for outage in (*_by_starts(night), *_by_expiry(night)):
        known = next((each for each in outages if outage.meets(each)), None)
        if known is None:
            outages.append(outage)
        elif not known.is_exact:
            # Messages of that time carry their own instants, though they were recorded after the
            # start.
            start, end = min(known.start, outage.start), max(known.end, outage.end)
            outages[outages.index(known)] = replace(known, start=start, end=end)
    return tuple(sorted(outages, key=lambda outage: outage.start))


def without_broker(night: Night) -> tuple[TimeSpan, ...]:
    """List when the broker was away, for a minute or more, while the daemon ran."""
    ends = {BROKER_BACK, "started", "ended"}
    events = [(alert.at, alert.code) for alert in night.alerts]
    events += [(happening.at, happening.what) for happening in night.happenings]
    spans: list[TimeSpan] = []
    since = None
    if next((code for _, code in sorted(events) if code in {NO_BROKER, *ends}), "") == BROKER_BACK:
        since = night.begins
    for at, code in sorted(events):
        if code == NO_BROKER and since is None:
            since = max(night.begins, at - AWAY_FOR)
        elif code in ends and since is not None:
            spans.append(TimeSpan(since, at))
            since = None
    if since is not None:
        spans.append(TimeSpan(since, night.upto))
    return tuple(spans)


def _by_starts(night: Night) -> Iterator[Outage]:
    last = night.start_or_end_before
    for happening, recorded in zip(night.happenings, night.recorded_before, strict=True):
        if happening.what not in {"started", "ended"}:
            continue
        if happening.what == "started":
            is_exact = last is not None and last.what == "ended"
            since = last.at if last is not None and is_exact else recorded
            if since is not None and since < happening.at:
                yield Outage(max(since, night.begins), happening.at, is_exact)
        last = happening
    if last is not None and last.what == "ended":
        yield Outage(max(last.at, night.begins), night.upto, is_exact=True)


def _by_expiry(night: Night) -> Iterator[Outage]:
    """Find expired commands, which a running daemon would have extended."""
    commands = list(_with_following(night))
    if not commands:
        yield Outage(night.begins, night.upto, is_exact=False)
    elif commands[0][0].at > night.begins and night.start_or_end_before is None:
        yield Outage(night.begins, commands[0][0].at, is_exact=False, is_first=True)
    for command, following in commands:
        end = _until(command, following)
        if end < following and following > night.begins:
            yield Outage(max(end, night.begins), following, is_exact=False)
