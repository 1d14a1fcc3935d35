"""Find every cause in the ledger why a vehicle did not charge enough. Pure.

The commands' reasons say what the daemon knew, because each change of that is a new command. Plans,
alerts, requests and the meter say the rest.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from adapters.clocks.instants import parse_instant
from daemon.control.alerts import ENDED_SHORT, NO_DEPARTURE, NO_RATE
from daemon.control.nightbook import LEAVES_WITHIN
from daemon.control.state import SKIPPED
from daemon.night_log.short_stays import ON_TIME, skip_cost_the_need, too_little_time
from daemon.nights.stays import has_enough, recorded_stays
from daemon.presentation.figures import kwh_text
from daemon.why.evidence import Cause, alerts_of, spans_because
from daemon.why.history import SHORTEST_OUTAGE, Outage, TimeSpan
from daemon.why.plans import had_planned, hours_of, runs_of
from daemon.why.power_causes import (
    faults,
    fuse,
    limited_by_grid,
    lowered_by_load,
    no_answer,
    nobody_listened,
    over_current,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from adapters.ledger.rows import StoredPlan
    from daemon.why.wording import NightHistory


def causes_of_nothing(history: NightHistory) -> tuple[Cause, ...]:
    """Find why nothing was charged, the clearest cause first; empty if unknown."""
    if not history.stays:
        return (*_outages(history, always=True), *_no_vehicle(history))
    checks: tuple[Callable[[NightHistory], Iterator[Cause]], ...] = (
        no_answer, nobody_listened, faults, over_current, _skipped, fuse, lowered_by_load,
        limited_by_grid, _ended_itself, _nothing_planned, _outages, _nothing_wanted, _left_before,
        _still_to_come,
    )  # fmt: skip
    return tuple(cause for check in checks for cause in check(history))


def causes_of_shortfall(history: NightHistory) -> tuple[Cause, ...]:
    """Find why the vehicle had less than it needed; empty if unknown."""
    checks: tuple[Callable[[NightHistory], Iterator[Cause]], ...] = (
        _too_late, no_answer, nobody_listened, faults, over_current, _skipped_too_long,
        _ended_itself, fuse,
        lowered_by_load, limited_by_grid, _nothing_planned, _outages, _left_before,
    )  # fmt: skip
    return tuple(cause for check in checks for cause in check(history))


# --- the vehicle ------------------------------------------------------------------------------


def _no_vehicle(history: NightHistory) -> Iterator[Cause]:
    night = history.night
    if not history.command_spans and not night.reports and night.pilot_before is None:
        return
    if any(outage.end - outage.start >= SHORTEST_OUTAGE for outage in history.outages):
        yield Cause("no-vehicle", "no vehicle was seen in the rest of the time")
        return
    start, end = history.ends_of(TimeSpan(night.begins, night.upto))
    yield Cause("no-vehicle", f"no vehicle was plugged in between {start} and {end}")


def _too_late(history: NightHistory) -> Iterator[Cause]:
    """Check whether the time was too short from the first plan of a stay on, or from a wish on."""
    night = history.night
    stays = recorded_stays(night.record) if night.record is not None else ()
    missed = [each.departure for each in stays if each.departure and not has_enough(each)]
    for stay in history.stays:
        # One that was there a moment ago did not come late, nor one that is assumed to be there.
        breaks = (stay.start - other.end for other in history.stays if other is not stay)
        was_there = any(timedelta(0) <= each <= ON_TIME for each in breaks)
        came_late = stay.start > night.begins and not was_there
        plans = [plan for plan in night.plans if stay.start <= plan.made_at < stay.end]
        if stay.start <= night.begins and night.plan_before is not None:
            plans = [night.plan_before, *plans]
        short = too_little_time(plans, night.requests, missed)
        if short is None:
            continue
        came_late = came_late and not short.asked
        point = history.house.file.charge_points.get(night.charge_point)
        by_hours = point is not None and point.plugged_in is not None
        way = "whenever it is plugged in" if by_hours else "without a pause"
        ready = short.ready
        until = f"; {way} it would have taken until {history.at(ready)}" if ready else ""
        soc = f"with {short.soc_percent:.0f} %"
        words = f"the vehicle was plugged in only at {history.at(stay.start)}, {soc}"
        if not came_late:
            asked = f", when somebody asked for {short.need_percent:.0f} %" if short.asked else ""
            words = f"there was too little time from {history.at(short.at)} on{asked}, {soc}"
        yield Cause("plugged-in-late" if came_late else "too-little-time", words + until)
        return


def _left_before(history: NightHistory) -> Iterator[Cause]:
    """Check whether a vehicle left before its planned hours were over."""
    for stay in history.stays:
        plan = _plan_at(history, stay)
        if plan is None or stay.end >= history.night.upto:
            continue
        if stay.end >= parse_instant(plan.body["departure"]) - ON_TIME:
            continue
        if _has_left_late(history, stay.end):  # the plan is the one for the next departure
            continue
        runs = runs_of(plan.body)
        rest = [run for run in runs if run.end > stay.end and run.start < history.night.ends]
        # A plug that was pulled for a moment cost no planned hours.
        missed = rest[0].start if rest and rest[0].start > stay.end else stay.end
        is_back = any(stay.end <= other.start <= missed + ON_TIME for other in history.stays)
        if rest and not is_back:
            yield Cause(
                "left-before",
                f"the vehicle was unplugged at {history.at(stay.end)}, before the planned hours"
                f" were over ({hours_of(history, plan.body)})",
            )


def _has_left_late(history: NightHistory, at: datetime) -> bool:
    record = history.night.record
    departures = [stay.departure for stay in recorded_stays(record)] if record is not None else []
    return any(each is not None and each <= at < each + LEAVES_WITHIN for each in departures)


def _ended_itself(history: NightHistory) -> Iterator[Cause]:
    spans = spans_because(history, "the vehicle has ended its charge by itself")
    if spans:
        alerts = alerts_of(history, ENDED_SHORT)
        short = f" (alert {ENDED_SHORT})" if alerts else ""
        yield Cause(
            "ended-by-itself",
            f"the vehicle ended the charge by itself at {history.at(spans[0].start)}{short}: it may"
            " be full, or have its own limit or timer",
        )


# --- people, plans and the daemon -------------------------------------------------------------


def _skipped_too_long(history: NightHistory) -> Iterator[Cause]:
    """Check whether what somebody asked to skip left too little time."""
    plans = history.night.plans
    for span in spans_because(history, SKIPPED):
        stay = next((each for each in history.stays if each.meets(span)), None)
        if stay is not None and skip_cost_the_need(plans, span.end, stay.end):
            yield from _skipped(history, span)
            return


def _skipped(history: NightHistory, span: TimeSpan | None = None) -> Iterator[Cause]:
    spans = spans_because(history, SKIPPED) if span is None else [span]
    if not spans:
        return
    night = history.night
    asked = [
        request
        for request in (*night.earlier_requests, *night.requests)
        if (request.body.get("skip_until") or request.body.get("stop"))
        and request.at <= spans[0].start
    ]
    if asked:
        until = asked[-1].body.get("skip_until")
        end = history.at(parse_instant(until)) if until else "the departure has passed"
        yield Cause("skipped", f"somebody asked at {history.at(asked[-1].at)} to skip until {end}")
    else:
        yield Cause("skipped", f"somebody had asked to skip it {history.span(spans[0])}")


def _nothing_planned(history: NightHistory) -> Iterator[Cause]:
    spans = spans_because(history, "nothing is planned")
    if not spans:
        return
    night = history.night
    known = [
        alert
        for alert in (*night.earlier_alerts, *night.alerts)
        if alert.code in {NO_DEPARTURE, NO_RATE} and alert.at <= spans[-1].end
    ]
    when = history.span(spans[0])
    if known:
        message = history.in_local_time(known[-1].message).rstrip(".")
        for repeated in ("Nothing can be planned: ", ": nothing can be planned"):
            message = message.replace(repeated, "")
        reason = message[:1].lower() + message[1:]
        yield Cause(known[-1].code, f"nothing could be planned {when}: {reason}")
    else:
        yield Cause("nothing-planned", f"nothing was planned {when}; the ledger does not say why")


def _nothing_wanted(history: NightHistory) -> Iterator[Cause]:
    if not spans_because(history, "the plan has nothing more to charge"):
        return
    plan = _last_plan(history)
    if plan is None:
        return
    if plan.body["periods"]:
        end = runs_of(plan.body)[-1].end
        if end <= history.night.begins:
            reaches = f"{plan.body['reaches_percent']:.0f} %"
            words = f"all that was planned had been charged by {history.at(end)}, up to {reaches}"
            yield Cause("full", words)
        return
    soc, want = float(plan.body["soc_percent"]), float(plan.body["want_percent"])
    if soc >= want:
        above = "above" if round(soc) > round(want) else "which is"
        yield Cause("full", f"the state of charge was {soc:.0f} %, {above} the {want:.0f} % wanted")
    else:
        stops = [sentence for sentence in plan.body["why"] if sentence.startswith("Stops at")]
        reason = stops[0].partition(": ")[2].rstrip(".") if stops else "the ledger does not say why"
        yield Cause(
            "not-worth-it",
            f"the state of charge was {soc:.0f} % of the {want:.0f} % wanted,"
            f" {plan.body['need_percent']:.0f} % were needed, and {reason}",
        )


def _still_to_come(history: NightHistory) -> Iterator[Cause]:
    spans = spans_because(history, "cheaper hours are to come")
    plan = _last_plan(history)
    if not spans or plan is None or spans[-1].end < history.night.upto:
        return
    ahead = [run for run in runs_of(plan.body) if run.end > history.night.upto]
    if ahead:
        amount = kwh_text(1000 * float(plan.body["energy_kwh"]))
        yield Cause(
            "still-to-come",
            f"cheaper hours are to come, and {amount} are planned {hours_of(history, plan.body)}"
            f" for {history.money(plan.body['cost'])}",
        )


def _outages(history: NightHistory, *, always: bool = False) -> Iterator[Cause]:
    """Find outages of the daemon while a vehicle was connected, or `always`."""
    for outage in history.outages:
        long = outage.end - outage.start >= SHORTEST_OUTAGE
        if long and (always or any(outage.meets(stay) for stay in history.stays)):
            yield Cause("not-running", outage_words(history, outage))


def outage_words(history: NightHistory, outage: Outage) -> str:
    """Say when the daemon did not run, and what it had planned for then."""
    night = history.night
    start, end = history.ends_of(outage)
    if outage.is_first:
        return f"the ledger begins at {end}; nothing is known of the time before"
    words = f"the daemon was not running between {start} and {end}"
    if not outage.is_exact and outage.start > night.begins:
        words = f"the daemon was not running from some time after {start} until {end}"
    reasons = [each.body["why"] for each in night.happenings if each.body.get("why")]
    if outage.is_exact and reasons:
        words += f" ({reasons[-1]})"
    return f"{words}, when it had planned to charge" if had_planned(history, outage) else words


def _plan_at(history: NightHistory, stay: TimeSpan) -> StoredPlan | None:
    night = history.night
    plans = [plan for plan in (night.plan_before, *night.plans) if plan is not None]
    # A vehicle that was connected when the night began may have an earlier plan.
    since = stay.start if stay.start > night.begins else datetime.min.replace(tzinfo=UTC)
    return next((plan for plan in reversed(plans) if since <= plan.made_at < stay.end), None)


def _last_plan(history: NightHistory) -> StoredPlan | None:
    return history.night.plans[-1] if history.night.plans else history.night.plan_before
