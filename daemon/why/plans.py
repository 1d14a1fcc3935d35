"""Describe a night's plans: their content, reasons and changes. Pure."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any, NamedTuple

from adapters.clocks.instants import parse_instant
from adapters.ledger.rows import CALENDAR_NEWS
from config.calendar.words import listed
from daemon.control.learning import CONNECTED
from daemon.control.state import SOC_SOURCES
from daemon.presentation.figures import kwh_text
from daemon.why.history import TimeSpan, joined

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import datetime

    from adapters.ledger.rows import StoredPlan
    from daemon.why.wording import NightHistory

RECEIVED_WITHIN = timedelta(minutes=2)
"""A report carries the instant of the hardware's clock, and takes a moment to arrive."""

AT_ONCE = timedelta(seconds=5)
"""A plan follows an event of the daemon's own clock within this time."""

MOST_RUNS = 4
NEARLY_PERCENT = 0.5
SAME_KWH = 0.05

NOT_REPORTED = "No state of charge is reported"
"""How a plan's sentence begins that says where its state of charge is from."""


def runs_of(plan: Mapping[str, Any]) -> tuple[TimeSpan, ...]:
    """Return the spans in which a plan charges, at whatever rate and current."""
    periods = ((period["start"], period["end"]) for period in plan["periods"])
    return joined(TimeSpan(parse_instant(start), parse_instant(end)) for start, end in periods)


def hours_of(history: NightHistory, plan: Mapping[str, Any], since: datetime | None = None) -> str:
    """Say when a plan charges, from its start or from an instant on."""
    runs = [
        run if since is None else TimeSpan(max(run.start, since), run.end)
        for run in runs_of(plan)
        if since is None or run.end > since
    ]
    if len(runs) > MOST_RUNS:
        return f"in {len(runs)} parts {history.span(TimeSpan(runs[0].start, runs[-1].end))}"
    return listed([history.span(run) for run in runs])


def changed_plans(history: NightHistory) -> Iterator[tuple[StoredPlan, StoredPlan | None]]:
    """Yield each plan that differs from the one before it, with that one."""
    before = history.night.plan_before
    for plan in history.night.plans:
        if before is None or not _is_same(before.body, plan.body):
            yield plan, before
        before = plan


def _is_same(old: Mapping[str, Any], new: Mapping[str, Any]) -> bool:
    made = parse_instant(new["made_at"])
    ahead = [run for run in runs_of(old) if run.end > made]
    alike = all(old[key] == new[key] for key in ("departure", "need_percent", "want_percent"))
    return (
        alike
        and bool(old["shortfall_kwh"]) == bool(new["shortfall_kwh"])
        and len(ahead) == len(runs_of(new))
        and all(
            _is_near(max(ours.start, made), other.start) and _is_near(ours.end, other.end)
            for ours, other in zip(ahead, runs_of(new), strict=True)
        )
        and abs(_rest_kwh(old, made) - float(new["energy_kwh"])) < SAME_KWH * 4
    )


def _is_near(one: datetime, other: datetime) -> bool:
    return abs(one - other) < RECEIVED_WITHIN


def _rest_kwh(plan: Mapping[str, Any], now: datetime) -> float:
    rest = 0.0
    for period in plan["periods"]:
        start, end = parse_instant(period["start"]), parse_instant(period["end"])
        if start < end:  # the plan's last watt-hour may take less than a second
            left = max(timedelta(0), end - max(start, now)) / (end - start)
            rest += float(period["kwh"]) * left
    return rest


def had_planned(history: NightHistory, span: TimeSpan) -> bool:
    """Tell whether the plan in force as a span begins charges in it."""
    night = history.night
    plans = [
        plan for plan in (night.plan_before, *night.plans) if plan and plan.made_at <= span.start
    ]
    return bool(plans) and any(run.meets(span) for run in runs_of(plans[-1].body))


def plan_words(history: NightHistory, plan: StoredPlan) -> str:
    """Say what a plan does: when, how much and for what, from where to where."""
    body = plan.body
    soc, want = f"{body['soc_percent']:.0f} %", f"{body['want_percent']:.0f} %"
    by = history.at(parse_instant(body["departure"]))
    by += f" ({body['event']!r} of the calendar)" if body.get("event") else ""
    goal = f"{want} by {by}{_needed(body)}"
    source = _source(history, plan)
    if not body["periods"] and float(body["want_percent"] - body["soc_percent"]) > NEARLY_PERCENT:
        return f"no charge, though the battery holds {soc}{source} and the target is {goal}"
    if not body["periods"]:
        return f"nothing to charge, as the battery holds {soc}{source} and the target is {goal}"
    short = float(body["want_percent"] - body["reaches_percent"]) > NEARLY_PERCENT
    short = short and not any(_says_what_it_reaches(sentence) for sentence in body["why"])
    ends = f"; it will reach {body['reaches_percent']:.0f} %" if short else ""
    if float(body["reaches_percent"] - body["want_percent"]) > NEARLY_PERCENT:  # for later nights
        goal = f"{body['reaches_percent']:.0f} % by {by} ({body['need_percent']:.0f} % needed)"
    return (
        f"{kwh_text(1000 * float(body['energy_kwh']))} {hours_of(history, body)} for"
        f" {history.money(body['cost'])}, from {soc}{source} to {goal}{ends}"
    )


def _says_what_it_reaches(sentence: str) -> bool:
    return sentence.startswith("Stops at ") or " can't be reached in time: " in sentence


def _needed(body: Mapping[str, Any]) -> str:
    need, want = body["need_percent"], body["want_percent"]
    return f" ({need:.0f} % needed)" if 0 < need < want else ""


def _source(history: NightHistory, plan: StoredPlan) -> str:
    """Say where a plan's state of charge is from, if the rows show it."""
    for sentence in plan.body["why"]:
        if sentence.startswith(NOT_REPORTED):
            recalled = "left with last" in sentence
            return f" ({SOC_SOURCES['recalled' if recalled else 'assumed']})"
    reported = _last_reported(history, plan.made_at)
    if reported is None:
        return ""
    percent, source = reported
    near = abs(percent - float(plan.body["soc_percent"])) < NEARLY_PERCENT
    return f" ({SOC_SOURCES[source if near else 'counted']})"


def _last_reported(history: NightHistory, at: datetime) -> tuple[float, str] | None:
    """Return the last state of charge reported or given by then, with its source."""
    reported = reported_by(history, at)
    return reported[1:] if reported is not None else None


def reported_by(history: NightHistory, at: datetime) -> tuple[datetime, float, str] | None:
    """Find the last state of charge reported or given by an instant.

    Returns
    -------
    tuple or None
        When, how much [percent], and its source; None if there was none that night.
    """
    reported = [
        (report.at, float(report.soc_percent), "vehicle")
        for report in history.night.reports
        if report.soc_percent is not None and report.at <= at
    ]
    reported += [
        (request.at, float(request.body["soc_percent"]), "person")
        for request in history.night.requests
        if request.body.get("soc_percent") is not None and request.at <= at
    ]
    return max(reported, default=None)


# --- why it was made --------------------------------------------------------------------------


def why_made(history: NightHistory, plan: StoredPlan, before: StoredPlan | None) -> str:
    """Say why a plan was made, as far as the ledger shows."""
    made = plan.made_at
    triggers = [*_own_triggers(history, made), *_hardware_triggers(history, made)]
    if triggers:
        return max(triggers).words
    assumed = _assumed(history, made)
    if assumed is not None:
        return assumed
    if abs(made - history.night.begins) <= AT_ONCE:
        return "a new night began"
    return _without_trigger(plan, before)


def _assumed(history: NightHistory, made: datetime) -> str | None:
    """Say what a vehicle was believed to be there from, if no hardware reports one."""
    night = history.night
    if night.pilot_before is not None or any(each.pilot is not None for each in night.reports):
        return None
    came = next((each.start for each in history.stays if abs(made - each.start) <= AT_ONCE), None)
    if came is None or came <= night.begins:
        return None
    point = history.house.file.charge_points.get(night.charge_point)
    if point is None or point.plugged_in is None:
        return "power showed that a vehicle is there"
    return f"the household file says that a vehicle is plugged in from {history.at(came)} on"


def _without_trigger(plan: StoredPlan, before: StoredPlan | None) -> str:
    """Say why a plan was made without a message: by time, or by the meter."""
    made = plan.made_at
    if before is None:
        return "of something that the ledger does not show"
    if made >= parse_instant(before.body["departure"]):
        return "the departure had passed, and the next one was due"
    if float(plan.body["soc_percent"]) >= float(before.body["reaches_percent"]) - NEARLY_PERCENT:
        return "what was planned had been reached"
    runs = runs_of(before.body)
    if runs and made >= runs[-1].end - RECEIVED_WITHIN:
        return "the plan before it had ended"
    return "the meter showed a state of charge other than planned"


class _Trigger(NamedTuple):
    """A possible reason for a plan; of several at once the highest rank counts."""

    at: datetime
    rank: int
    words: str


def _own_triggers(history: NightHistory, made: datetime) -> Iterator[_Trigger]:
    night = history.night
    words = {
        "started": "the daemon started",
        "file": "the household file was changed",
        "prices": "new prices came",
    }
    for happening in night.happenings:
        if not timedelta(0) <= made - happening.at <= AT_ONCE:
            continue
        if happening.body == CALENDAR_NEWS:
            yield _Trigger(happening.at, 2, "the calendar said something new")
        elif happening.what in words:
            yield _Trigger(happening.at, 0, words[happening.what])
    for request in night.requests:
        if timedelta(0) <= made - request.at <= AT_ONCE:
            yield _Trigger(request.at, 3, "somebody asked")


def _hardware_triggers(history: NightHistory, made: datetime) -> Iterator[_Trigger]:
    night = history.night
    was_connected = night.pilot_before is not None and night.pilot_before.pilot in CONNECTED
    for report in night.reports:
        near = timedelta(0) <= made - report.at <= RECEIVED_WITHIN
        is_connected = report.pilot in CONNECTED if report.pilot is not None else was_connected
        if near and is_connected and not was_connected:
            yield _Trigger(report.at, 2, "the vehicle was plugged in")
        if near and report.soc_percent is not None:
            words = f"the vehicle reported its state of charge ({report.soc_percent:.0f} %)"
            yield _Trigger(report.at, 1, words)
        was_connected = is_connected


def what_changed(history: NightHistory, plan: StoredPlan, before: StoredPlan) -> str:
    """Say how the plan before it differed."""
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
    parts.append(f"{kwh_text(1000 * rest)} to come{hours}" if rest else "nothing more to charge")
    return "Before: " + ", ".join(parts) + "."
