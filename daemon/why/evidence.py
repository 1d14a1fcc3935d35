"""What speaks for a cause in a night's rows: commands by their words, starts, alerts. Pure."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, NamedTuple

from daemon.why.history import TimeSpan

if TYPE_CHECKING:
    from adapters.ledger.rows import StoredAlert
    from daemon.why.history import CommandSpan
    from daemon.why.wording import NightHistory

LONG_ENOUGH = timedelta(minutes=1)
"""What was so for less has kept nobody from charging."""


class Cause(NamedTuple):
    """A cause: a code for programs, and a clause that can follow a colon."""

    code: str
    words: str


def alerts_of(history: NightHistory, *codes: str) -> list[StoredAlert]:
    """Give the night's alerts of some codes."""
    return [alert for alert in history.night.alerts if alert.code in codes]


def spans_because(history: NightHistory, why: str) -> list[CommandSpan]:
    """Give the stretches in which a command was in force whose words begin so."""
    made: list[CommandSpan] = []
    for told in history.command_spans:
        if not told.command.why.startswith(why):
            continue
        if made and made[-1].end >= told.start and made[-1].command.why == told.command.why:
            told = type(told)(made.pop().start, told.end, told.command)  # noqa: PLW2901 - joined
        made.append(told)
    return [told for told in made if told.end - told.start >= LONG_ENOUGH]


def start_runs(history: NightHistory) -> list[TimeSpan]:
    """Give the stretches in which it was told to charge."""
    runs: list[TimeSpan] = []
    for told in history.command_spans:
        if told.command.do != "start":
            continue
        if runs and runs[-1].end >= told.start:
            runs[-1] = TimeSpan(runs[-1].start, told.end)
        else:
            runs.append(TimeSpan(told.start, told.end))
    return runs


def starts_without_power(history: NightHistory) -> list[TimeSpan]:
    """Give those of them in which nothing flowed."""
    flows = history.flows
    return [run for run in start_runs(history) if not any(flow.meets(run) for flow in flows)]


def repeated_commands(history: NightHistory) -> list[CommandSpan]:
    """Give the commands that said again what was in force, long before it would have lapsed."""
    from daemon.control.controller import RENEWED_BEFORE  # noqa: PLC0415 - it loads the planner

    made = []
    for before, after in zip(history.command_spans, history.command_spans[1:], strict=False):
        old, new = before.command, after.command
        same = (old.do, old.amps, old.why, old.plan) == (new.do, new.amps, new.why, new.plan)
        if same and new.at < old.valid_until - RENEWED_BEFORE:
            made.append(after)
    return made
