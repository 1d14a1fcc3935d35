"""The wishes in force, what another one would do, and why it may be refused. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Final

from adapters.clocks.instants import parse_instant
from adapters.contract.refusals import (
    HAS_PASSED,
    IN_TIME_AWAY,
    NO_DEPARTURE,
    UNKNOWN_VEHICLE,
    UNKNOWN_WISH,
)
from config.fields.currencies import minor_units
from daemon.control.wishes import AWAY_UNTIL, CHARGE_NOW, SKIP_UNTIL
from daemon.page.plan_shown import MISSING_KWH
from planners.accounts.money import round_money
from planners.local_time.conversion import MINUTE, nearest_minute
from planners.local_time.wished_departures import declared_near
from planners.power.charging import NEED_TOLERANCE_PERCENT

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import datetime

    from adapters.contract.messages import Answer, AskedFor, DepartureEffect, Status
    from config.household.household_file import HouseholdFile
    from daemon.page.plan_shown import ShownPlan
    from daemon.page.words import Words
    from planners.local_time.departures import DepartureAt

ELAPSED_KWH: Final = 0.2
ELAPSED_MONEY: Final = 0.05
"""Less than both of these is what flowed while a person read, and no difference."""

REPORTS_ITSELF: Final = (
    "The vehicle reports its own level: its next report takes the place of what you say."
)

REFUSAL_WORDS: Final[Mapping[str, str]] = {
    UNKNOWN_VEHICLE: "This vehicle does not use this charge point.",
    HAS_PASSED: "This time has passed. Choose a later one.",
    IN_TIME_AWAY: "This is in the time away. Take that back first, or choose a later time.",
    NO_DEPARTURE: "No departure is known, so it is not clear until when. Choose a time.",
    UNKNOWN_WISH: "This wish is no longer in force.",
}
"""By the refusal's code."""


def preview_lines(
    answer: Answer,
    wish: Mapping[str, Any],
    plan: ShownPlan | None,
    *,
    file: HouseholdFile,
    now: datetime,
    words: Words,
    status: Status | None = None,
) -> Iterator[str]:
    """Say what the daemon would do: amount and price first, then each departure.

    Parameters
    ----------
    answer
        The daemon's answer to the preview.
    wish
        The keys of the request.
    plan
        The plan in force now, to compare with.
    file
        The household, with the usual departures.
    now
        UTC.
    words
        The reader's.
    status
        The charge point before the wish, for what overrules it and what it leaves out.

    Yields
    ------
    str
        Sentences.
    """
    if answer.goes_on_until is None:
        yield _amount(answer, wish, now, words)
    else:
        until = words.when(answer.goes_on_until, now)
        yield words.say("It has not left, and charges on until {time} at the latest.", time=until)
    if status is not None:
        yield from _at_odds(wish, status, now, words)
    if wish.get("charge_now") and answer.ends_at is None and answer.vehicle in file.vehicles:
        yield from _at_limit(plan, file.vehicles[answer.vehicle].limit_percent, words)
    yield from _difference(answer, plan, wish, now, words)
    for effect in answer.departures or ():
        usual = None
        if effect.effect == "changed" and answer.vehicle in file.vehicles:
            usual = declared_near(file, answer.vehicle, effect.departure)
        yield _departure(effect, usual, now, words)
        if effect.goes_on_until is not None:
            yield _goes_on(effect, effect.goes_on_until, answer.currency, now, words)


def _goes_on(
    effect: DepartureEffect, until: datetime, currency: str | None, now: datetime, words: Words
) -> str:
    time = words.when(until, now)
    if effect.goes_on_cost is None or currency is None:
        return words.say(
            "If it is still there then, charging goes on until {time} at the latest.", time=time
        )
    return words.say(
        "If it is still there then, charging goes on until {time} at the latest, for up to {cost}.",
        time=time, cost=words.money(effect.goes_on_cost, currency),
    )  # fmt: skip


def _at_odds(wish: Mapping[str, Any], status: Status, now: datetime, words: Words) -> Iterator[str]:
    """Say what overrules a wish, and which other wishes it leaves out."""
    if "soc_percent" in wish and status.soc_from == "vehicle":
        yield words.say(REPORTS_ITSELF)
    away = parse_instant(wish["away_until"]) if "away_until" in wish else None
    for other in status.wishes:
        if away is not None and now < other.by < away:
            yield words.say("Left out: {wish}, as was asked.", wish=_trip(other, now, words))


def _amount(answer: Answer, wish: Mapping[str, Any], now: datetime, words: Words) -> str:
    """Say what is charged, when and for how much: until the departure that the wish is for."""
    effects = answer.departures or ()
    asked = _asked_for(effects, wish)
    if asked is not None and asked is not effects[0] and answer.currency is not None:
        return _later_amount(asked, answer.currency, now, words)
    if answer.energy_kwh is None or answer.cost is None or answer.currency is None:
        return words.say("No charging is planned then.")
    if answer.ends_at is None:
        return words.say("Nothing is charged then.")
    kwh, cost = words.kwh(answer.energy_kwh), words.money(answer.cost, answer.currency)
    end = words.when(answer.ends_at, now)
    if wish.keys() & {"skip_until", "stop"}:
        return words.say(
            "After that it charges {kwh} for {cost}, until {end}.", kwh=kwh, cost=cost, end=end
        )
    if "away_until" in wish and effects and effects[0].starts_at is not None:
        return words.say(
            "Charges nothing until {start}, then {kwh} for {cost}, until {end}.",
            start=words.when(effects[0].starts_at, now), kwh=kwh, cost=cost, end=end,
        )  # fmt: skip
    return words.say("Charges {kwh} for {cost}, until {end}.", kwh=kwh, cost=cost, end=end)


def _asked_for(
    effects: Sequence[DepartureEffect], wish: Mapping[str, Any]
) -> DepartureEffect | None:
    """Return what becomes of the departure that the wish is for; None if it is for none."""
    if "by" not in wish:
        return None
    by = parse_instant(wish["by"])
    return next((each for each in effects if abs(each.departure - by) < MINUTE), None)


def _later_amount(effect: DepartureEffect, currency: str, now: datetime, words: Words) -> str:
    if effect.energy_kwh is None or effect.cost is None:
        return words.say("Its hours and its price are planned once it is nearer.")
    kwh, cost = words.kwh(effect.energy_kwh), words.money(effect.cost, currency)
    if effect.starts_at is None or effect.ends_at is None:
        return words.say("Until then it charges {kwh} for {cost}.", kwh=kwh, cost=cost)
    return words.say(
        "Until then it charges {kwh} for {cost}, the last of it from {start} to {end}.",
        kwh=kwh, cost=cost,
        start=words.when(effect.starts_at, now), end=words.when(effect.ends_at, now),
    )  # fmt: skip


def _at_limit(plan: ShownPlan | None, limit: float, words: Words) -> Iterator[str]:
    if plan is not None and plan.soc_percent >= limit - NEED_TOLERANCE_PERCENT:
        yield words.say(
            'It is at its limit of {percent}: ask for more with "A trip".',
            percent=words.percent(limit),
        )


def _difference(
    answer: Answer,
    plan: ShownPlan | None,
    wish: Mapping[str, Any],
    now: datetime,
    words: Words,
) -> Iterator[str]:
    """Say what changes of what is planned until now, for the same departure."""
    if plan is None or answer.currency not in {None, plan.currency}:
        return
    effects = answer.departures or ()
    same = next((each for each in effects if abs(each.departure - plan.departure) < MINUTE), None)
    if effects and same is None:
        yield from _left_out(plan, wish, now, words)
        return
    is_next = same is None or same is effects[0]
    of = answer if same is None or (is_next and same.energy_kwh is None) else same
    if of.energy_kwh is None or of.cost is None:
        return
    difference = _compared(of.energy_kwh, of.cost, plan, words)
    planned = {"kwh": words.kwh(plan.energy_kwh), "cost": words.money(plan.cost, plan.currency)}
    until = words.when(plan.departure, now)
    if difference and not is_next:
        kwh, cost = words.kwh(of.energy_kwh), words.money(of.cost, plan.currency)
        yield words.say(
            "Until {time} that makes {kwh} for {cost}: {difference} than before.",
            time=until, kwh=kwh, cost=cost, difference=difference,
        )  # fmt: skip
    elif difference:
        instead = words.say("Until now {kwh} for {cost} are planned", **planned)
        if plan.energy_kwh < MISSING_KWH:
            instead = words.say("Until now nothing is planned")
        yield words.say("{instead}: this is {difference}.", instead=instead, difference=difference)
    elif "by" in wish and of.energy_kwh:
        yield words.say("Until {time} as before: {kwh} for {cost}.", time=until, **planned)


def _compared(kwh: float, cost: float, plan: ShownPlan, words: Words) -> str:
    """Say how much more or less this is than the plan; empty if it is the same."""
    units = minor_units(plan.currency)
    then, before = (round_money(Decimal(str(each)), units) for each in (cost, plan.cost))
    more = float(then - before)  # what a reader gets who subtracts
    more_kwh = round(kwh, 1) - round(plan.energy_kwh, 1)
    if abs(more) < ELAPSED_MONEY and abs(more_kwh) < ELAPSED_KWH:
        return ""
    parts = [_more(words.money(abs(more), plan.currency), more, words)] if more else []
    if kwh and abs(more_kwh) >= MISSING_KWH:
        parts.append(_more(words.kwh(abs(more_kwh)), more_kwh, words))
    return words.say(" and ").join(parts)


def _more(amount: str, more: float, words: Words) -> str:
    if more > 0:
        return words.say("{amount} more", amount=amount)
    return words.say("{amount} less", amount=amount)


def _left_out(
    plan: ShownPlan, wish: Mapping[str, Any], now: datetime, words: Words
) -> Iterator[str]:
    if "away_until" in wish and plan.spans:
        yield words.say(
            "What is planned until now for {time} is left out: {kwh} for {cost}.",
            time=words.when(plan.departure, now), kwh=words.kwh(plan.energy_kwh),
            cost=words.money(plan.cost, plan.currency),
        )  # fmt: skip


def _departure(
    effect: DepartureEffect, usual: DepartureAt | None, now: datetime, words: Words
) -> str:
    time = words.day_and_time(effect.departure, now)
    if usual is not None and usual.instant != effect.departure:
        is_same_day = words.day(usual.instant, now) == words.day(effect.departure, now)
        before = (
            words.clock(usual.instant) if is_same_day else words.day_and_time(usual.instant, now)
        )
        time = words.say("{time} instead of {usual}", time=time, usual=before)
    target_percent = max(effect.need_percent, effect.want_percent)
    reaches_percent = effect.reaches_percent
    if reaches_percent is not None and reaches_percent < target_percent - NEED_TOLERANCE_PERCENT:
        return _falls_short(effect, time, reaches_percent, words)
    target = words.percent(target_percent)
    forms = {
        "kept": words.say("Departure {time}: {percent}, as before", time=time, percent=target),
        "changed": words.say("Departure {time}: {percent}, as you ask", time=time, percent=target),
        "added": words.say("One more departure {time}: {percent}", time=time, percent=target),
    }
    text = forms[effect.effect]
    if reaches_percent is None and (effect.missing_kwh or 0.0) > MISSING_KWH:
        return words.say(
            "{departure}; it is planned later, and at least {kwh} will be missing.",
            departure=text, kwh=words.kwh(effect.missing_kwh or 0.0),
        )  # fmt: skip
    if reaches_percent is None:
        return words.say("{departure}; it is planned later.", departure=text)
    return words.say("{departure}.", departure=text)


def _falls_short(effect: DepartureEffect, time: str, reaches_percent: float, words: Words) -> str:
    reaches = words.percent(reaches_percent)
    if effect.missing_kwh is None or effect.missing_kwh <= MISSING_KWH:
        wants = words.percent(max(effect.need_percent, effect.want_percent))
        return words.say(
            "Departure {time}: {percent} wanted, it will be at {reaches}.",
            time=time, percent=wants, reaches=reaches,
        )  # fmt: skip
    return words.say(
        "Departure {time}: {percent} needed, it will be at {reaches}; {kwh} will be missing.",
        time=time, percent=words.percent(effect.need_percent), reaches=reaches,
        kwh=words.kwh(effect.missing_kwh),
    )  # fmt: skip


def question_of(
    kind: str,
    wish: Mapping[str, Any],
    now: datetime,
    words: Words,
    status: Status | None = None,
) -> str:
    """Return the question that a person confirms.

    Parameters
    ----------
    kind
        Of the form.
    wish
        The keys of its request.
    now
        UTC.
    words
        The reader's.
    status
        The charge point, for the wish that is taken back.

    Returns
    -------
    str
        Short.
    """
    if kind in {"trip", "until", "tomorrow", "away"}:
        return _question_of_time(kind, wish, now, words)
    if kind == "level":
        return words.say("Is the battery at {percent}?", percent=words.percent(wish["soc_percent"]))
    if kind == "vehicle":
        return words.say("Is the {vehicle} plugged in?", vehicle=wish["vehicle"])
    if kind == "remove" and status is not None:
        for line in wish_lines(status, now, words):
            if line.name == wish["remove"]:
                return words.say("Take this back: {wish}?", wish=line.text)
    questions = {
        "now": words.say("Charge now?"),
        "plan": words.say("Back to the cheapest hours?"),
        "tonight": words.say("No charging until the next departure has passed?"),
        "remove": words.say("Take this wish back?"),
        "checked": words.say("Have you looked at it, and is all in order?"),
    }
    return questions[kind]


def _question_of_time(kind: str, wish: Mapping[str, Any], now: datetime, words: Words) -> str:
    """Return the question of a wish that has a time, with its day."""
    if kind == "trip":
        by = words.day_and_time(parse_instant(wish["by"]), now)
        return words.say(
            "{percent} by {time}?", percent=words.percent(wish["need_percent"]), time=by
        )
    if kind == "away":
        until = _day_of_return(parse_instant(wish["away_until"]), now, words)
        return words.say("Away until {time}?", time=until)
    until = words.day_and_time(parse_instant(wish["skip_until"]), now)
    return words.say("No charging until {time}?", time=until)


def _day_of_return(instant: datetime, now: datetime, words: Words) -> str:
    """Write when a time away ends: the form asks for a day, which begins at midnight."""
    at = nearest_minute(instant, words.zone)
    if (at.hour, at.minute) == (0, 0):
        return words.day(instant, now)
    return words.day_and_time(instant, now)


@dataclass(frozen=True, slots=True)
class WishLine:
    """A wish in force, and by which name it is cancelled."""

    name: str
    text: str


def wish_lines(status: Status, now: datetime, words: Words) -> Iterator[WishLine]:
    """List the wishes in force, in the order of a night."""
    if status.charge_now:
        yield WishLine(CHARGE_NOW, words.say("Charge now, at any price"))
    if status.skip_until is not None and status.skip_until > now:
        until = words.when(status.skip_until, now)
        yield WishLine(SKIP_UNTIL, words.say("No charging until {time}", time=until))
    if status.away_until is not None and status.away_until > now:
        until = _day_of_return(status.away_until, now, words)
        yield WishLine(AWAY_UNTIL, words.say("Away until {time}", time=until))
    for wish in status.wishes:
        text = _trip(wish, now, words)
        if status.away_until is not None and now < wish.by < status.away_until:
            text = words.say("{wish} (left out while away)", wish=text)
        yield WishLine(wish.id, text)


def _trip(wish: AskedFor, now: datetime, words: Words) -> str:
    percents = [each for each in (wish.need_percent, wish.want_percent) if each is not None]
    percent = words.percent(max(percents, default=0.0))
    by = words.when(wish.by, now)
    return words.say(
        "{vehicle}: {percent} by {time}", vehicle=wish.vehicle, percent=percent, time=by
    )


def refusal_words(answer: Answer, words: Words) -> tuple[str, str]:
    """Say why a wish is refused.

    Parameters
    ----------
    answer
        The daemon's.
    words
        The reader's.

    Returns
    -------
    tuple of str
        A sentence for the reader, and what is to be quoted of the daemon below it: its own words
        where no sentence is known.
    """
    known = REFUSAL_WORDS.get(answer.refusal or "")
    if known is None:
        return words.say("This can't be done."), answer.message
    return words.say(known), ""
