"""Find a night's evidence: commands by their reasons, starts, alerts. Pure."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

from daemon.why.history import joined

if TYPE_CHECKING:
    from adapters.ledger.rows import StoredAlert
    from daemon.why.history import CommandSpan, TimeSpan
    from daemon.why.wording import NightHistory

LONG_ENOUGH = timedelta(minutes=1)
"""What lasted for less kept nothing from charging."""


WAS_NEEDED = " was needed by "
"""In the reason of a charge that goes on because the vehicle leaves late."""

LEAVES_ONLY = "the rest of the home leaves only "
"""The reason of a start that the home's live load lowers begins so; its own reason follows."""


class Cause(NamedTuple):
    """A cause: a code for programs, and a clause that can follow a colon."""

    code: str
    words: str


def need_is_out_of_reach(history: NightHistory) -> bool:
    """Tell whether a need of the night was missed, or is by the latest plan."""
    night = history.night
    if night.record is not None and (night.closed or night.record["need_percent"]):
        return not night.record["need_met"]
    return not night.plans or bool(night.plans[-1].body["shortfall_kwh"])


def alerts_of(history: NightHistory, *codes: str) -> list[StoredAlert]:
    """Return the night's alerts with one of these codes."""
    return [alert for alert in history.night.alerts if alert.code in codes]


def spans_because(history: NightHistory, why: str) -> list[CommandSpan]:
    """Return the spans of the commands whose reason begins with these words."""
    spans: list[CommandSpan] = []
    for span in history.command_spans:
        if not span.command.why.startswith(why):
            continue
        if spans and spans[-1].end >= span.start and spans[-1].command.why == span.command.why:
            spans[-1] = replace(span, start=spans[-1].start)
        else:
            spans.append(span)
    return [span for span in spans if span.end - span.start >= LONG_ENOUGH]


def starts_with_power(history: NightHistory) -> list[CommandSpan]:
    """Return the commands to charge in which energy flowed; all of them if none did."""
    starts = [span for span in history.command_spans if span.command.do == "start"]
    if history.flows:
        starts = [span for span in starts if any(flow.meets(span) for flow in history.flows)]
    return starts


def start_runs(history: NightHistory) -> list[TimeSpan]:
    """Return the spans in which the command was to charge."""
    return list(joined(span for span in history.command_spans if span.command.do == "start"))


def starts_without_power(history: NightHistory) -> list[TimeSpan]:
    """Return those of `start_runs` in which no energy flowed."""
    flows = history.flows
    return [run for run in start_runs(history) if not any(flow.meets(run) for flow in flows)]


def repeated_commands(history: NightHistory) -> list[CommandSpan]:
    """Return the commands that repeat the one in force long before it expires."""
    from daemon.control.controller import renewed_before  # noqa: PLC0415 - it loads the planner

    repeats = []
    for before, after in pairwise(history.command_spans):
        old, new = before.command, after.command
        same = (old.do, old.amps, old.why, old.plan) == (new.do, new.amps, new.why, new.plan)
        if same and new.at < old.valid_until - renewed_before(old.valid_until - old.at):
            repeats.append(after)
    return repeats
