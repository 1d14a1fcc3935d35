"""What speaks for a cause in a night's rows: commands by their words, starts, alerts. Pure."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, NamedTuple

from daemon.why.history import Span

if TYPE_CHECKING:
    from adapters.ledger.rows import StoredAlert
    from daemon.why.history import Told
    from daemon.why.wording import Scene

LONG_ENOUGH = timedelta(minutes=1)
"""What was so for less has kept nobody from charging."""


class Cause(NamedTuple):
    """A cause: a code for programs, and a clause that can follow a colon."""

    code: str
    words: str


def alerts_of(scene: Scene, *codes: str) -> list[StoredAlert]:
    """Give the night's alerts of some codes."""
    return [alert for alert in scene.night.alerts if alert.code in codes]


def told_because(scene: Scene, why: str) -> list[Told]:
    """Give the stretches in which a command was in force whose words begin so."""
    made: list[Told] = []
    for told in scene.told:
        if not told.command.why.startswith(why):
            continue
        if made and made[-1].end >= told.start and made[-1].command.why == told.command.why:
            told = type(told)(made.pop().start, told.end, told.command)  # noqa: PLW2901 - joined
        made.append(told)
    return [told for told in made if told.end - told.start >= LONG_ENOUGH]


def start_runs(scene: Scene) -> list[Span]:
    """Give the stretches in which it was told to charge."""
    runs: list[Span] = []
    for told in scene.told:
        if told.command.do != "start":
            continue
        if runs and runs[-1].end >= told.start:
            runs[-1] = Span(runs[-1].start, told.end)
        else:
            runs.append(Span(told.start, told.end))
    return runs


def starts_without_power(scene: Scene) -> list[Span]:
    """Give those of them in which nothing flowed."""
    return [run for run in start_runs(scene) if not any(flow.meets(run) for flow in scene.flows)]


def again_told(scene: Scene) -> list[Told]:
    """Give the commands that said again what was in force, long before it would have lapsed."""
    from daemon.control.controller import RENEWED_BEFORE  # noqa: PLC0415 - it loads the planner

    made = []
    for before, after in zip(scene.told, scene.told[1:], strict=False):
        old, new = before.command, after.command
        same = (old.do, old.amps, old.why, old.plan) == (new.do, new.amps, new.why, new.plan)
        if same and new.at < old.valid_until - RENEWED_BEFORE:
            made.append(after)
    return made
