"""Tell what was known, planned, commanded and measured in a night. Pure."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

from adapters.clocks.instants import parse_instant
from adapters.ledger.rows import BROKER_BACK, CALENDAR_NEWS
from config.calendar.words import listed
from daemon.control.alerts import ALERTS, OUT_OF_REACH
from daemon.control.learning import CONNECTED
from daemon.control.state import FLOWING_WATTS, LONGEST_GAP
from daemon.presentation.figures import kwh_text
from daemon.why.causes import outage_words
from daemon.why.evidence import need_is_out_of_reach
from daemon.why.history import TimeSpan
from daemon.why.plans import changed_plans, plan_words, what_changed, why_made
from daemon.why.story_lines import AT_FIRST, Entry, Kind, commanded, merge_repeats
from daemon.why.wording import PILOTS
from planners.accounts.register import SLIP_WH, is_older_total

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from adapters.ledger.rows import StoredAlert, StoredRequest
    from daemon.why.history import Flow
    from daemon.why.wording import NightHistory

_ORDER: tuple[Kind, ...] = (
    "daemon", "file", "prices", "vehicle", "battery", "request", "grid", "plan", "alert",
    "command", "meter", "night",
)  # fmt: skip


INSTANTS = frozenset({"by", "skip_until", "away_until"})
"""Keys of a request that hold an instant."""


def story_of(history: NightHistory) -> tuple[Entry, ...]:
    """Tell a night in order of time. Each of its commands is in exactly one entry."""
    entries = [
        *_as_it_began(history), *_daemon(history), *_outages(history), *_vehicle(history),
        *_states_of_charge(history), *_asked(history), *_planned(history), *commanded(history),
        *_metered(history), *_older_totals(history), *_alerts(history), *_closed(history),
        *_grid_limits(history),
    ]  # fmt: skip
    entries.sort(key=lambda entry: (entry.at, _ORDER.index(entry.kind)))
    return tuple(merge_repeats(entries))


def _as_it_began(history: NightHistory) -> Iterator[Entry]:
    night = history.night
    if night.pilot_before is not None and night.pilot_before.pilot is not None:
        pilot = night.pilot_before.pilot
        yield Entry(night.begins, "vehicle", f"{AT_FIRST}, {_pilot_words(pilot)}")


# --- what was known ---------------------------------------------------------------------------


def _daemon(history: NightHistory) -> Iterator[Entry]:
    for happening in history.night.happenings:
        match happening.what:
            case "started":
                yield Entry(happening.at, "daemon", "the daemon starts")
            case "ended":
                why = f": {happening.body['why']}" if happening.body.get("why") else ""
                yield Entry(happening.at, "daemon", f"the daemon ends{why}")
            case "file" if happening.body == CALENDAR_NEWS:
                yield Entry(happening.at, "file", "the calendar says something new")
            case "file":
                yield Entry(happening.at, "file", "a changed household file is in force")
            case "prices":
                until = happening.body.get("known_until")
                known = f"; known until {history.at(parse_instant(until))}" if until else ""
                yield Entry(happening.at, "prices", f"new prices come{known}")


def _grid_limits(history: NightHistory) -> Iterator[Entry]:
    for row in history.night.grid_limits:
        body = row.body
        of = f"{body['kw']:g} kW" if "kw" in body else f"{body.get('amps', 0):g} A"
        until = f" until {history.at(parse_instant(body['until']))}" if "until" in body else ""
        text = f"the grid operator allows only {of}{until}"
        if row.what != "set":
            text = f"the grid operator's limit {'is lifted' if row.what == 'lifted' else 'ends'}"
        if row.source.startswith("ocpp "):
            text += f", as {row.source.removeprefix('ocpp ')} reports"
        yield Entry(row.at, "grid", text)


def _outages(history: NightHistory) -> Iterator[Entry]:
    """Yield the outages that no start and end of the daemon shows."""
    for outage in history.outages:
        if not outage.is_exact:
            far = "" if outage.is_first else ", as far as the ledger shows"
            yield Entry(outage.start, "daemon", f"{outage_words(history, outage)}{far}")
        elif outage.start == history.night.begins:
            yield Entry(outage.start, "daemon", f"{AT_FIRST}, the daemon is not running")


def _vehicle(history: NightHistory) -> Iterator[Entry]:
    night = history.night
    pilot = night.pilot_before.pilot if night.pilot_before else None
    for report in night.reports:
        if report.pilot is None or report.pilot == pilot:
            continue
        before, pilot = pilot, report.pilot
        is_connected, was_connected = pilot in CONNECTED, before in CONNECTED
        if is_connected and was_connected:
            continue  # the meter shows whether it charges
        plugged = "the vehicle is plugged in" if is_connected and before != "F" else None
        unplugged = "the vehicle is unplugged" if pilot == "A" else None
        yield Entry(report.at, "vehicle", unplugged or plugged or _pilot_words(pilot))
    if pilot is None:
        for stay in history.stays:
            yield Entry(stay.start, "vehicle", "a vehicle is assumed to be plugged in from now on")
            if stay.end < night.upto:
                yield Entry(stay.end, "vehicle", "a vehicle is no longer assumed to be plugged in")


_REMOVED: Final = {
    "charge_now": "do not charge at once any more",
    "skip_until": "wait no longer",
    "away_until": "no longer away",
}
"""What it means to cancel a wish that is not for one departure."""


def _pilot_words(pilot: str) -> str:
    return PILOTS.get(pilot, "the charge point reports an unknown state")


def _states_of_charge(history: NightHistory) -> Iterator[Entry]:
    """Yield each stay's first state of charge, the last one, and those of plans."""
    reports = [report for report in history.night.reports if report.soc_percent is not None]
    if not reports:
        return
    planned = {plan.made_at for plan, _ in changed_plans(history)}
    shown = {reports[0].at, reports[-1].at}
    for stay in history.stays:
        within = [report.at for report in reports if stay.start <= report.at <= stay.end]
        shown |= set(within[:1])
    for report in reports:
        if report.at in shown or report.at in planned:
            yield Entry(report.at, "battery", f"the vehicle reports {report.soc_percent:.0f} %")


def _asked(history: NightHistory) -> Iterator[Entry]:
    for request in history.night.requests:
        yield Entry(request.at, "request", f"somebody asks: {_wish(history, request)}")


def _wish(history: NightHistory, request: StoredRequest) -> str:
    body: Mapping[str, Any] = request.body
    words = {
        "vehicle": "the vehicle is {}",
        "soc_percent": "the battery holds {:.0f} %",
        "want_percent": "charge to {:.0f} %",
        "need_percent": "{:.0f} % are needed",
        "by": "ready by {}",
        "skip_until": "skip until {}",
        "away_until": "away until {}",
    }
    parts = ["forget earlier requests"] if body.get("clear") else []
    if body.get("charge_now") is not None:
        parts.append("charge now" if body["charge_now"] else "do not charge at once any more")
    if body.get("remove") is not None:
        parts.append(_REMOVED.get(body["remove"], f"forget wish {body['remove']}"))
    if body.get("stop"):
        parts.append("charge nothing until the next departure has passed")
    if body.get("equipment_checked"):
        parts.append("the equipment was checked")
    parts += [
        form.format(history.at(parse_instant(body[key])) if key in INSTANTS else body[key])
        for key, form in words.items()
        if body.get(key) is not None
    ]
    return ", ".join(parts) or "something unknown"


# --- what was planned, commanded and measured -------------------------------------------------


def _planned(history: NightHistory) -> Iterator[Entry]:
    known: set[str] = set()
    for plan, before in changed_plans(history):
        why = [sentence for sentence in plan.body["why"] if sentence not in known]
        known |= set(plan.body["why"])
        cause = why_made(history, plan, before)
        changed = before is not None and before.made_at >= history.night.begins
        more = [what_changed(history, plan, before)] if before is not None and changed else []
        yield Entry(
            plan.made_at,
            "plan",
            f"planned{' again' if changed else ''} because {cause}: {plan_words(history, plan)}",
            (*more, *why),
        )


def _metered(history: NightHistory) -> Iterator[Entry]:
    starts = [span for span in history.command_spans if span.command.do == "start"]
    for flow in history.flows:
        is_commanded = any(span.meets(flow) for span in starts)
        without = "" if is_commanded else ", without a command to charge"
        yield Entry(flow.start, "meter", f"power flows{without}")
        estimated = "" if flow.is_measured else ", estimated: the meter was not read in between"
        since = f"{kwh_text(flow.wh, 2)} since {history.at(flow.start)}{estimated}"
        yield Entry(flow.end, "meter", f"{_at_the_end_of(flow, history)}: {since}")


def _older_totals(history: NightHistory) -> Iterator[Entry]:
    """Yield each reading of the meter that shows less than the one before, though not a reset."""
    night = history.night
    for last, lower in pairwise(night.meter.readings):
        begins, falls = max(last.at, night.begins), last.register_wh - lower.register_wh
        if begins < min(lower.at, night.upto) and falls > SLIP_WH and is_older_total(last, lower):
            shown = f"{kwh_text(lower.register_wh, 2)} after {kwh_text(last.register_wh, 2)}"
            between = f"between {history.at(last.at)} and {history.at(lower.at)}"
            yield Entry(
                begins,
                "meter",
                f"the meter lost a part of its count {between}: it shows {shown}; "
                "nothing is counted for that time",
            )


def _at_the_end_of(flow: Flow, history: NightHistory) -> str:
    """Say whether power has stopped, as far as readings show it."""
    night = history.night
    latest = None if night.is_over else night.latest
    shows_none = latest is not None and latest.watts is not None and latest.watts <= FLOWING_WATTS
    if shows_none or flow.end < min(night.meter.readings[-1].at, night.upto):
        return "power has stopped"
    stops = (span for span in history.command_spans if span.command.do == "stop")
    unread = TimeSpan(flow.end, night.upto)
    if night.upto - flow.end >= LONGEST_GAP or any(span.meets(unread) for span in stops):
        return "the last reading"
    return "power still flows as the night ends" if night.is_over else "power still flows"


def _alerts(history: NightHistory) -> Iterator[Entry]:
    """Yield each alert once, with the times at which it was raised again."""
    by_words: dict[tuple[str, str], list[StoredAlert]] = {}
    for alert in history.night.alerts:
        message = alert.message
        if alert.code == BROKER_BACK:
            yield Entry(alert.at, "daemon", "the broker is back")
            continue
        if alert.code == OUT_OF_REACH:
            if not need_is_out_of_reach(history):
                continue
            message = ALERTS[OUT_OF_REACH].raised_when  # the plan beside it has the figures
        by_words.setdefault((alert.code, message), []).append(alert)
    explained: set[str] = set()
    for (code, message), (first, *others) in by_words.items():
        rule = ALERTS.get(code)
        words = history.in_local_time(message).rstrip(".")
        again = f"; again at {listed([history.at(each.at) for each in others])}" if others else ""
        more = (rule.meanwhile,) if rule and code not in explained else ()
        explained.add(code)
        yield Entry(first.at, "alert", f"{words} (alert {code}{again})", more)


def _closed(history: NightHistory) -> Iterator[Entry]:
    night = history.night
    if night.closed and night.record is not None:
        at = min(max(parse_instant(night.record["closed_at"]), night.begins), night.ends)
        is_final = not night.record.get("estimated_rate_kwh")
        words = (
            "and its account is final" if is_final else "and is priced again once rates are known"
        )
        yield Entry(at, "night", f"the night is closed, {words}")
