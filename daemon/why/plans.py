"""A night's plans: what each says, what set it off, and what it changed. Pure."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any, NamedTuple

from adapters.clocks.instants import parse_instant
from daemon.control.learning import CONNECTED
from daemon.control.state import SOC_SOURCES
from daemon.why.history import TimeSpan
from daemon.why.wording import kwh, listed

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import datetime

    from adapters.ledger.rows import StoredPlan
    from daemon.why.wording import NightHistory

HEARD_WITHIN = timedelta(minutes=2)
"""What hardware told carries its own clock's instant, and is on its way for a moment."""

AT_ONCE = timedelta(seconds=5)
"""What the daemon dates itself is followed by its plan at once."""

MOST_RUNS = 4
NEARLY_PERCENT = 0.5
SAME_KWH = 0.05

NOT_REPORTED = "No state of charge is reported"
"""How a plan begins to say that its state of charge was taken from elsewhere."""


def runs_of(plan: Mapping[str, Any]) -> tuple[TimeSpan, ...]:
    """Give the stretches in which a plan charges, through changes of rate and current."""
    spans = [TimeSpan(parse_instant(p["start"]), parse_instant(p["end"])) for p in plan["periods"]]
    runs: list[TimeSpan] = []
    for span in spans:
        if runs and runs[-1].end == span.start:
            runs[-1] = TimeSpan(runs[-1].start, span.end)
        else:
            runs.append(span)
    return tuple(runs)


def hours_of(history: NightHistory, plan: Mapping[str, Any]) -> str:
    """Say when a plan charges."""
    runs = runs_of(plan)
    if len(runs) > MOST_RUNS:
        return f"in {len(runs)} stretches {history.span(TimeSpan(runs[0].start, runs[-1].end))}"
    return listed([history.span(run) for run in runs])


def changed_plans(history: NightHistory) -> Iterator[tuple[StoredPlan, StoredPlan | None]]:
    """Give each plan of the night that says something else than the one before it, with that."""
    before = history.night.plan_before
    for plan in history.night.plans:
        if before is None or not _says_the_same(before.body, plan.body):
            yield plan, before
        before = plan


def _says_the_same(old: Mapping[str, Any], new: Mapping[str, Any]) -> bool:
    made = parse_instant(new["made_at"])
    ahead = [run for run in runs_of(old) if run.end > made]
    alike = all(old[key] == new[key] for key in ("departure", "need_percent", "want_percent"))
    return (
        alike
        and bool(old["shortfall_kwh"]) == bool(new["shortfall_kwh"])
        and len(ahead) == len(runs_of(new))
        and all(
            abs(max(a.start, made) - b.start) < HEARD_WITHIN and abs(a.end - b.end) < HEARD_WITHIN
            for a, b in zip(ahead, runs_of(new), strict=True)
        )
        and abs(_rest_kwh(old, made) - float(new["energy_kwh"])) < SAME_KWH * 4
    )


def _rest_kwh(plan: Mapping[str, Any], now: datetime) -> float:
    rest = 0.0
    for period in plan["periods"]:
        start, end = parse_instant(period["start"]), parse_instant(period["end"])
        left = max(timedelta(0), end - max(start, now)) / (end - start)
        rest += float(period["kwh"]) * left
    return rest


def plan_words(history: NightHistory, plan: StoredPlan) -> str:
    """Say what a plan does: when, how much and for what, from where to where."""
    body = plan.body
    soc, want = f"{body['soc_percent']:.0f} %", f"{body['want_percent']:.0f} %"
    goal = f"{want} by {history.at(parse_instant(body['departure']))}{_needed(body)}"
    source = _source(history, plan)
    if not body["periods"]:
        return f"nothing to charge, as it holds {soc}{source}, and is to hold {goal}"
    short = float(body["want_percent"] - body["reaches_percent"]) > NEARLY_PERCENT
    ends = f"; it will reach {body['reaches_percent']:.0f} %" if short else ""
    return (
        f"{kwh(1000 * float(body['energy_kwh']))} {hours_of(history, body)} for"
        f" {history.money(body['cost'])}, from {soc}{source} to {goal}{ends}"
    )


def _needed(body: Mapping[str, Any]) -> str:
    need, want = body["need_percent"], body["want_percent"]
    return f" ({need:.0f} % needed)" if 0 < need < want else ""


def _source(history: NightHistory, plan: StoredPlan) -> str:
    """Say where a plan's state of charge is from, as far as the rows tell."""
    for sentence in plan.body["why"]:
        if sentence.startswith(NOT_REPORTED):
            recalled = "left with last" in sentence
            return f" ({SOC_SOURCES['recalled' if recalled else 'assumed']})"
    told = _last_told(history, plan.made_at)
    if told is None:
        return ""
    percent, source = told
    near = abs(percent - float(plan.body["soc_percent"])) < NEARLY_PERCENT
    return f" ({SOC_SOURCES[source if near else 'counted']})"


def _last_told(history: NightHistory, at: datetime) -> tuple[float, str] | None:
    told = [
        (report.at, float(report.soc_percent), "vehicle")
        for report in history.night.reports
        if report.soc_percent is not None and report.at <= at
    ]
    told += [
        (request.at, float(request.body["soc_percent"]), "person")
        for request in history.night.requests
        if request.body.get("soc_percent") is not None and request.at <= at
    ]
    return max(told)[1:] if told else None


# --- what set it off --------------------------------------------------------------------------


def set_off_by(history: NightHistory, plan: StoredPlan, before: StoredPlan | None) -> str:
    """Say what a plan was made for; that the ledger does not say, where it does not."""
    made = plan.made_at
    found = [*_dated_by_us(history, made), *_told_by_hardware(history, made)]
    if found:
        return max(found).words
    if abs(made - history.night.begins) <= AT_ONCE:
        return "a new night began"
    return _by_itself(plan, before)


def _by_itself(plan: StoredPlan, before: StoredPlan | None) -> str:
    """Say what is left where nobody told anything: time, and what the meter showed."""
    made = plan.made_at
    if before is None:
        return "something happened that the ledger does not say"
    if made >= parse_instant(before.body["departure"]):
        return "the departure had come, and the next one was planned for"
    if float(plan.body["soc_percent"]) >= float(before.body["reaches_percent"]) - NEARLY_PERCENT:
        return "what was planned had been reached"
    runs = runs_of(before.body)
    if runs and made >= runs[-1].end - HEARD_WITHIN:
        return "the plan before had come to its end"
    return "the meter showed another charge than was planned with"


class _Trigger(NamedTuple):
    """What may have set a plan off; of several in one instant that of the highest rank did."""

    at: datetime
    rank: int
    words: str


def _dated_by_us(history: NightHistory, made: datetime) -> Iterator[_Trigger]:
    night = history.night
    words = {
        "started": "the daemon started",
        "file": "the household file was changed",
        "prices": "new prices came",
    }
    for happening in night.happenings:
        if timedelta(0) <= made - happening.at <= AT_ONCE and happening.what in words:
            yield _Trigger(happening.at, 0, words[happening.what])
    for request in night.requests:
        if timedelta(0) <= made - request.at <= AT_ONCE:
            yield _Trigger(request.at, 3, "somebody asked")


def _told_by_hardware(history: NightHistory, made: datetime) -> Iterator[_Trigger]:
    night = history.night
    was_there = night.pilot_before is not None and night.pilot_before.pilot in CONNECTED
    for report in night.reports:
        near = timedelta(0) <= made - report.at <= HEARD_WITHIN
        there = report.pilot in CONNECTED if report.pilot is not None else was_there
        if near and there and not was_there:
            yield _Trigger(report.at, 2, "the vehicle was plugged in")
        if near and report.soc_percent is not None:
            told = f"the vehicle told its state of charge ({report.soc_percent:.0f} %)"
            yield _Trigger(report.at, 1, told)
        was_there = there


def what_changed(history: NightHistory, plan: StoredPlan, before: StoredPlan) -> str:
    """Say what a plan has otherwise than the one before it."""
    old, new = before.body, plan.body
    parts = []
    if old["departure"] != new["departure"]:
        parts.append(f"for {history.at(parse_instant(old['departure']))}")
    if old["want_percent"] != new["want_percent"]:
        parts.append(f"{old['want_percent']:.0f} % wanted")
    if old["need_percent"] != new["need_percent"]:
        parts.append(f"{old['need_percent']:.0f} % needed")
    rest = _rest_kwh(old, plan.made_at)
    hours = f" {hours_of(history, old)}" if old["periods"] else ""
    parts.append(f"{kwh(1000 * rest)} to come{hours}" if rest else "nothing more to charge")
    return "Before: " + ", ".join(parts) + "."
