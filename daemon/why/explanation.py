"""Write the paragraph that says why it charged, or did not. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from itertools import zip_longest
from typing import TYPE_CHECKING, Any

from adapters.clocks.instants import parse_instant
from daemon.control.alerts import NO_READING, POWER_AFTER_STOP
from daemon.control.nightbook import BEGUN_WH
from daemon.control.state import FLOWING_WATTS, FOLLOWS_SURPLUS, LONGEST_GAP
from daemon.nights.account import missing_kwh
from daemon.nights.stays import has_enough, recorded_stays, vehicles_of_record
from daemon.presentation.figures import kwh_text
from daemon.why.causes import causes_of_nothing, causes_of_shortfall
from daemon.why.evidence import (
    LEAVES_ONLY,
    WAS_NEEDED,
    Cause,
    alerts_of,
    spans_because,
    start_runs,
    starts_with_power,
)
from daemon.why.history import TimeSpan
from daemon.why.plans import RECEIVED_WITHIN, hours_of, reported_by, runs_of
from daemon.why.power_causes import (
    broker_away,
    estimated,
    late_power,
    lowered_by_load,
    over_current,
    power_after_stop,
    went_on,
)
from planners.local_time.wished_departures import ready_by_of
from planners.power.allowed_currents import charge_model

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import datetime

    from adapters.ledger.rows import StoredCommand
    from daemon.control.events import Stay
    from daemon.why.wording import NightHistory

AS_FAR = " as far as the meter shows"
NEARLY_ALL = 0.9
"""A charge that took this share of the time was no choice of hours."""

UNKNOWN = Cause("unknown", "the ledger does not say why")


@dataclass(frozen=True, slots=True)
class Explanation:
    """The paragraph, and the codes of its causes for programs."""

    text: str
    causes: tuple[str, ...]


def explain_night(history: NightHistory) -> Explanation:
    """Explain in whole sentences why it charged, or did not, the answer first."""
    charged = history.night.energy_wh >= BEGUN_WH or _has_just_begun(history)
    first, causes = _charged(history) if charged else _not_charged(history)
    need, more = _need(history, known=causes)
    sentences = [first, *need, *_still_planned(history, charged=charged), *_not_kept(history)]
    codes = dict.fromkeys(cause.code for cause in (*causes, *more))
    return Explanation(" ".join(sentences), tuple(codes))


def _has_just_begun(history: NightHistory) -> bool:
    """Whether power flows now, though too little has flowed to count as a charge."""
    night, latest = history.night, history.night.latest
    if night.is_over or not night.energy_wh or latest is None or latest.watts is None:
        return False
    return latest.watts > FLOWING_WATTS and night.upto - latest.at < LONGEST_GAP


# --- it did not -------------------------------------------------------------------------------


def _not_charged(history: NightHistory) -> tuple[str, tuple[Cause, ...]]:
    yet = "" if history.night.is_over else " yet"
    causes = causes_of_nothing(history) or (UNKNOWN,)
    first, *others = causes
    if first is UNKNOWN:
        return f"It did not charge{yet}, and {first.words}.", causes
    # Without readings nobody can say that nothing flowed.
    far = AS_FAR if first.code == NO_READING else ""
    sentences = [f"It did not charge{yet}{far}: {first.words}.", *_besides(others)]
    return " ".join(sentences), causes


def _besides(causes: list[Cause]) -> Iterator[str]:
    for cause in causes:
        yield f"Besides, {cause.words}."


# --- it did -----------------------------------------------------------------------------------


def _charged(history: NightHistory) -> tuple[str, tuple[Cause, ...]]:
    night = history.night
    amount = kwh_text(night.energy_wh, 1 if night.energy_wh >= BEGUN_WH else 2)
    cost = f", for {history.money(night.record['cost'])}" if night.record else ""
    so_far = "" if night.is_over or night.closed else " so far"
    reasons = _reasons(history)
    reason = f", {reasons[0][1]}" if len(reasons) == 1 else ""
    if not reasons and not [*went_on(history), *alerts_of(history, POWER_AFTER_STOP)]:
        reason = ", without a command to charge"
    sentence = f"It charged {amount}{so_far}{_when(history)}{reason}{cost}."
    if len(reasons) > 1:
        changes = [f"From {history.at(at)} it charged {words}." for at, words in reasons]
        sentence = " ".join([sentence, *changes])
    more = [
        *went_on(history), *broker_away(history), *over_current(history),
        *lowered_by_load(history), *power_after_stop(history), *late_power(history),
        *estimated(history),
    ]  # fmt: skip
    causes = [Cause("charged", sentence), *more]
    others = [f"{cause.words[:1].upper()}{cause.words[1:]}." for cause in causes[1:]]
    return " ".join([sentence, *others]), tuple(causes)


def _when(history: NightHistory) -> str:
    flows = history.flows
    if not flows:
        return ""
    extent = "" if all(flow.is_measured for flow in flows) else ", as far as the meter was read,"
    parts = "" if len(flows) == 1 else f" in {len(flows)} parts"
    start, end = history.ends_of(TimeSpan(flows[0].start, flows[-1].end))
    return f"{extent}{parts} between {start} and {end}"


def _reasons(history: NightHistory) -> list[tuple[datetime, str]]:
    """List why it was charged, each reason once, with the instant from which it held."""
    reasons: dict[str, datetime] = {}
    spans = [each for each in starts_with_power(history) if WAS_NEEDED not in each.command.why]
    for span, following in zip_longest(spans, spans[1:]):
        # A reason that held for less than a minute is no news beside the next one.
        if following is None or history.at(span.start) != history.at(following.start):
            reasons.setdefault(_why_started(history, span.command), span.start)
    return [(at, words) for words, at in reasons.items()]


def _why_started(history: NightHistory, command: StoredCommand) -> str:
    """Write a start's reason so that it can follow a comma."""
    why = command.why
    if why.startswith(LEAVES_ONLY):  # told apart (`daemon.why.power_causes.lowered_by_load`)
        why = why.partition("; ")[2]
    if why.startswith("cheapest hours"):
        hours = why.removeprefix("cheapest hours")
        return f"in {_choice(history, command)}{hours}"
    if why.startswith("every hour before"):
        hours = why.partition(" is needed")[0].removeprefix("every hour")
        return f"in all the time available{hours}"
    if why == FOLLOWS_SURPLUS:
        return "as the roof left something over"
    if why.startswith("it must stay on"):
        return f"as {why}"
    asked = [
        request
        for request in history.night.requests
        if request.body.get("charge_now") and request.at <= command.at
    ]
    if why.startswith("a person asked to charge now"):
        return "at once, as somebody asked" + (f" at {history.at(asked[-1].at)}" if asked else "")
    return why


def _choice(history: NightHistory, command: StoredCommand) -> str:
    """Say whether there was a choice of hours."""
    plan = _plan_of(history, command)
    if plan is not None and plan["shortfall_kwh"]:
        return "all the time available"
    if plan is not None and _fills_the_time(history, command, plan):
        return "nearly all the time available"
    return "the cheapest hours"


def _plan_of(history: NightHistory, command: StoredCommand) -> Mapping[str, Any] | None:
    """Return the plan behind a command, if it is kept."""
    night = history.night
    plans = [plan.body for plan in (night.plan_before, *night.plans) if plan is not None]
    made = (each for each in plans if f"{each['vehicle']}@{each['made_at']}" == command.plan)
    return next(made, None)


def _fills_the_time(history: NightHistory, command: StoredCommand, plan: Mapping[str, Any]) -> bool:
    """Whether a vehicle was charged in nearly all the time until it had to be ready."""
    departure = parse_instant(plan["departure"])
    ready_by = ready_by_of(history.house.file, plan["vehicle"], departure)
    for stay in history.stays:
        # While the daemon did not run there was no choice either.
        back = [outage.end for outage in history.outages if outage.end <= command.at]
        time = TimeSpan(max([stay.start, *back[-1:]]), min(stay.end, ready_by))
        if time.start <= command.at < time.end < history.night.upto:
            runs = [found for run in start_runs(history) if (found := run.meets(time))]
            charged = sum((run.end - run.start for run in runs), timedelta(0))
            return charged >= NEARLY_ALL * (time.end - time.start)
    return False


# --- what it was for --------------------------------------------------------------------------


def _need(history: NightHistory, known: tuple[Cause, ...]) -> tuple[list[str], tuple[Cause, ...]]:
    """Say whether it was enough for the departure, or how much was missing and why."""
    record = history.night.record
    stays = recorded_stays(record) if record is not None else ()
    needed = [stay for stay in stays if stay.departure and stay.need_percent]
    missed = [
        stay for stay in needed if stay.soc_after_percent is not None and not has_enough(stay)
    ]
    sentences: list[str] = []
    causes: tuple[Cause, ...] = ()
    for stay in needed:
        if stay not in missed:
            sentences.append(_held(history, stay))
        elif stay is not missed[-1]:
            sentences.append(f"{_missed(history, stay)}.")
        else:  # what kept it from charging is not known stay by stay: it is said once
            because, causes = _because(history, known, _missed(history, stay))
            sentences += because
    return sentences, causes


def _left(history: NightHistory, stay: Stay) -> str:
    leaves = stay.left_at or stay.departure
    return history.at(leaves) if leaves else ""


def _battery(history: NightHistory, stay: Stay) -> str:
    alone = len(vehicles_of_record(history.night.record)) == 1
    return "the battery" if alone else f"the battery of {stay.vehicle}"


def _held(history: NightHistory, stay: Stay) -> str:
    when = _left(history, stay)
    needed = f"{stay.need_percent:.0f} % were needed"
    if stay.soc_after_percent is None:
        now = _held_now(history, stay)
        if now is not None:
            at, percent = history.at(now[0]), now[1]
            battery = _battery(history, stay)
            return f"At {at} {battery} held about {percent:.0f} %, as the meter shows; {needed}."
        return f"How much {_battery(history, stay)} held at {when} is not known; {needed}."
    held = f"{_battery(history, stay)} held about {stay.soc_after_percent:.0f} %"
    return f"At {when} {held}; {needed}."


def _held_now(history: NightHistory, stay: Stay) -> tuple[datetime, float] | None:
    """Count what a vehicle that has missed its departure holds at the latest reading [percent]."""
    night, file = history.night, history.house.file
    reported = reported_by(history, night.upto)
    in_progress = not (night.closed or night.is_over) and stay.left_at == night.upto
    if not in_progress or reported is None or reported[0] < stay.plugged_since - RECEIVED_WITHIN:
        return None
    if stay.vehicle not in file.vehicles or night.latest is None:
        return None
    at, percent, _source = reported
    model = charge_model(file, stay.vehicle)
    until = max(at, min(night.latest.at, night.upto))
    kwh = night.meter.between(at, until)[0] / 1000 * model.full_power_efficiency
    return until, min(100.0, model.soc_percent(model.stored_kwh(percent) + kwh))


def _missed(history: NightHistory, stay: Stay) -> str:
    when = _left(history, stay)
    soc, need = stay.soc_after_percent or 0.0, stay.need_percent
    kwh = missing_kwh(history.house, stay.vehicle, need - soc)
    return (
        f"It was {'' if kwh is None else f'{kwh_text(1000 * kwh)} '}short for the departure: at"
        f" {when} {_battery(history, stay)} held about {soc:.0f} % of the {need:.0f} % needed"
    )


def _because(
    history: NightHistory, known: tuple[Cause, ...], missing: str
) -> tuple[list[str], tuple[Cause, ...]]:
    """Say why a need was missed, unless it is said already."""
    if any(cause.code == NO_READING for cause in known):
        missing = f"{missing},{AS_FAR}"
    causes = [cause for cause in causes_of_shortfall(history) if cause not in known]
    if not causes:
        explained = any(cause.code not in {"charged", UNKNOWN.code} for cause in known)
        return [f"{missing}." if explained else f"{missing}; {UNKNOWN.words}."], (
            Cause("need-missed", missing), *(() if explained else (UNKNOWN,)),
        )  # fmt: skip
    first, *others = causes
    return [f"{missing}, because {first.words}.", *_besides(others)], (
        Cause("need-missed", missing), *causes,
    )  # fmt: skip


def _still_planned(history: NightHistory, *, charged: bool) -> Iterator[str]:
    """Say what is still planned, if the night is in progress."""
    night = history.night
    if night.is_over or not night.plans or not history.stays or history.stays[-1].end < night.upto:
        return
    ahead = [run for run in runs_of(night.plans[-1].body) if run.end > night.upto]
    to_come = spans_because(history, "cheaper hours are to come")
    if ahead and (charged or not to_come or to_come[-1].end < night.upto):
        yield f"Still planned: {hours_of(history, night.plans[-1].body, night.upto)}."


def _not_kept(history: NightHistory) -> Iterator[str]:
    night = history.night
    if not night.kept_whole:
        yield "Only the commands and sums of that night are still kept, not its readings or plans."
    elif history.stays and not any(
        TimeSpan(night.begins, night.upto).meets(TimeSpan(reading.at, night.upto))
        for reading in night.meter.readings
        if reading.at >= night.begins
    ):
        yield "No meter was read that night, so the ledger does not say whether energy flowed."
