"""A night's story: what was known, planned, commanded and measured, in the order of time. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from adapters.clocks.instants import parse_instant
from daemon.control.alerts import ALERTS
from daemon.control.learning import CONNECTED
from daemon.why.causes import outage_words
from daemon.why.plans import changed_plans, plan_words, set_off_by, what_changed
from daemon.why.story_lines import AT_FIRST, Entry, Kind, commanded, together
from daemon.why.wording import PILOTS, kwh

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from adapters.ledger.rows import StoredRequest
    from daemon.why.wording import NightHistory

_ORDER: tuple[Kind, ...] = (
    "daemon", "file", "prices", "vehicle", "battery", "request", "plan", "alert", "command",
    "meter", "night",
)  # fmt: skip


INSTANTS = frozenset({"by", "skip_until"})
"""What of a request is an instant."""


def story_of(history: NightHistory) -> tuple[Entry, ...]:
    """Tell a night.

    Parameters
    ----------
    history : NightHistory
        A night as the ledger has it.

    Returns
    -------
    tuple of Entry
        In the order of time. Every command of the night is in exactly one of them.
    """
    entries = [
        *_as_it_began(history), *_daemon(history), *_outages(history), *_vehicle(history),
        *_charges(history), *_asked(history), *_planned(history), *commanded(history),
        *_metered(history), *_alerts(history), *_closed(history),
    ]  # fmt: skip
    entries.sort(key=lambda entry: (entry.at, _ORDER.index(entry.kind)))
    return tuple(together(entries))


def _as_it_began(history: NightHistory) -> Iterator[Entry]:
    night = history.night
    if night.pilot_before is not None and night.pilot_before.pilot is not None:
        pilot = night.pilot_before.pilot
        yield Entry(night.begins, "vehicle", f"{AT_FIRST}, {_state(pilot)}")


# --- what was known ---------------------------------------------------------------------------


def _daemon(history: NightHistory) -> Iterator[Entry]:
    for happening in history.night.happenings:
        match happening.what:
            case "started":
                yield Entry(happening.at, "daemon", "the daemon starts")
            case "ended":
                why = f": {happening.body['why']}" if happening.body.get("why") else ""
                yield Entry(happening.at, "daemon", f"the daemon ends{why}")
            case "file":
                yield Entry(happening.at, "file", "a changed household file is in force")
            case "prices":
                until = happening.body.get("known_until")
                known = f"; known until {history.at(parse_instant(until))}" if until else ""
                yield Entry(happening.at, "prices", f"new prices come{known}")


def _outages(history: NightHistory) -> Iterator[Entry]:
    """Give those that no end and start tells."""
    for outage in history.outages:
        if not outage.is_exact:
            far = "" if outage.is_first else ", as far as the ledger tells"
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
        there, was = pilot in CONNECTED, before in CONNECTED
        if there and was:
            continue  # whether it draws, the meter says
        came = "the vehicle is plugged in" if there and before != "F" else _state(pilot)
        yield Entry(report.at, "vehicle", "the vehicle is unplugged" if pilot == "A" else came)
    if pilot is None:
        for stay in history.stays:
            yield Entry(stay.start, "vehicle", "a vehicle is taken to be there from now on")
            if stay.end < night.upto:
                yield Entry(stay.end, "vehicle", "no vehicle is taken to be there any more")


def _state(pilot: str) -> str:
    return f"{PILOTS.get(pilot, 'an unknown state')} (pilot state {pilot})"


def _charges(history: NightHistory) -> Iterator[Entry]:
    """Give the first state of charge of each stay, the last, and those that were planned with."""
    told = [report for report in history.night.reports if report.soc_percent is not None]
    if not told:
        return
    planned = {plan.made_at for plan, _ in changed_plans(history)}
    shown = {told[0].at, told[-1].at}
    for stay in history.stays:
        within = [report.at for report in told if stay.start <= report.at <= stay.end]
        shown |= set(within[:1])
    for report in told:
        if report.at in shown or report.at in planned:
            yield Entry(
                report.at, "battery", f"the vehicle tells its charge: {report.soc_percent:.0f} %"
            )


def _asked(history: NightHistory) -> Iterator[Entry]:
    for request in history.night.requests:
        yield Entry(request.at, "request", f"somebody asks: {_wish(history, request)}")


def _wish(history: NightHistory, request: StoredRequest) -> str:
    body: Mapping[str, Any] = request.body
    words = {
        "vehicle": "the vehicle is {}",
        "soc_percent": "it holds {:.0f} %",
        "want_percent": "charge to {:.0f} %",
        "need_percent": "{:.0f} % are needed",
        "by": "ready by {}",
        "skip_until": "skip until {}",
    }
    parts = ["forget what was asked before"] if body.get("clear") else []
    if body.get("charge_now") is not None:
        parts.append("charge now" if body["charge_now"] else "do not charge at once any more")
    parts += [
        form.format(history.at(parse_instant(body[key])) if key in INSTANTS else body[key])
        for key, form in words.items()
        if body.get(key) is not None
    ]
    return ", ".join(parts) or "nothing that it knows"


# --- what was planned, told and measured ------------------------------------------------------


def _planned(history: NightHistory) -> Iterator[Entry]:
    said: set[str] = set()
    for plan, before in changed_plans(history):
        why = [sentence for sentence in plan.body["why"] if sentence not in said]
        said |= set(plan.body["why"])
        cause = set_off_by(history, plan, before)
        changed = before is not None and before.made_at >= history.night.begins
        more = [what_changed(history, plan, before)] if before is not None and changed else []
        yield Entry(
            plan.made_at,
            "plan",
            f"planned{' anew' if changed else ''} because {cause}: {plan_words(history, plan)}",
            (*more, *why),
        )


def _metered(history: NightHistory) -> Iterator[Entry]:
    night = history.night
    starts = [span for span in history.command_spans if span.command.do == "start"]
    for flow in history.flows:
        bidden = any(span.meets(flow) for span in starts)
        how = "power flows" if bidden else "power flows, though nothing has told it to"
        yield Entry(flow.start, "meter", how)
        guess = "" if flow.is_measured else ", estimated: the meter was not read in between"
        since = f"{kwh(flow.wh, 2)} since {history.at(flow.start)}{guess}"
        going = flow.end >= night.upto and not night.is_over
        yield Entry(flow.end, "meter", since if going else f"power has stopped: {since}")


def _alerts(history: NightHistory) -> Iterator[Entry]:
    for alert in history.night.alerts:
        rule = ALERTS.get(alert.code)
        words = history.in_local_time(alert.message).rstrip(".")
        more = (rule.meanwhile,) if rule else ()
        yield Entry(alert.at, "alert", f"{words} (alert {alert.code})", more)


def _closed(history: NightHistory) -> Iterator[Entry]:
    night = history.night
    if night.closed and night.record is not None:
        at = min(max(parse_instant(night.record["closed_at"]), night.begins), night.ends)
        yield Entry(at, "night", "the night is closed, and accounted for")
