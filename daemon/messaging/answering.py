"""Answer a person's request: what happens now, or why it is refused. Pure."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from adapters.contract.refusals import (
    HAS_PASSED,
    IN_TIME_AWAY,
    NO_DEPARTURE,
    UNKNOWN_VEHICLE,
    UNKNOWN_WISH,
    Refusal,
)
from config.calendar.words import listed
from daemon.control.replanning import plan_now
from daemon.control.state import (
    charges_now,
    departure_of,
    rests_until,
    vehicle_of,
    vehicles_of,
)
from daemon.control.wishes import AWAY_UNTIL, CHARGE_NOW, SKIP_UNTIL, removable
from daemon.messaging.outlook import effects_of
from daemon.messaging.status import next_start
from daemon.presentation.figures import local_time
from planners.accounts.money import format_money
from planners.local_time.conversion import MINUTE, local_date, wall_time
from planners.local_time.wished_departures import coming_departures
from planners.plan.shortfall import shortfall_that_counts
from planners.plan.why import in_the_cheapest_hours
from planners.power.charging import NEED_TOLERANCE_PERCENT
from planners.power.excess_current import amps_text, current_text

if TYPE_CHECKING:
    from collections.abc import Iterator
    from zoneinfo import ZoneInfo

    from adapters.contract.messages import Request
    from config.household.household_file import HouseholdFile
    from daemon.control.state import House, PointState
    from daemon.messaging.outlook import Effect
    from planners.local_time.departures import DepartureAt
    from planners.local_time.wished_departures import Wish
    from planners.plan.plan import Plan

_STILL_REPORTS = timedelta(minutes=15)
"""A vehicle that reported its state of charge this recently will do so again."""

MOST_NAMED = 3
"""The most departures of which it is said that nothing is charged for them."""

HALF_DAY = timedelta(hours=12)

_WEEKDAY_ONLY = timedelta(days=6)
"""An instant further away is written with its date, a nearer one with its weekday."""


def refusal_of(request: Request, charge_point: str, now: datetime, house: House) -> Refusal | None:
    """Return why a well-formed request can't be obeyed, if it can't.

    Parameters
    ----------
    request : Request
        The request.
    charge_point : str
        The charge point that it is for.
    now : datetime
        UTC.
    house : House
        The household file and the rates.

    Returns
    -------
    Refusal or None
        None if it can be obeyed.
    """
    users = vehicles_of(house.file, charge_point)
    if request.vehicle is not None and request.vehicle not in users:
        known = ", ".join(users) or "none, as no vehicle of the file uses this charge point"
        return Refusal(
            UNKNOWN_VEHICLE, f"vehicle: expected one of {known}, got {request.vehicle!r}"
        )
    for key in ("by", "skip_until", "away_until"):
        instant = getattr(request, key)
        if instant is not None and instant <= now:
            local = instant.astimezone(house.file.zone)
            return Refusal(HAS_PASSED, f"{key}: {local:%Y-%m-%d %H:%M} has passed")
    return None


def refusal_by_state(
    request: Request, state: PointState, now: datetime, house: House
) -> Refusal | None:
    """Return why a request can't be obeyed after what was asked for before, if it can't.

    Parameters
    ----------
    request : Request
        The request.
    state : PointState
        The state of the charge point that it is for.
    now : datetime
        UTC.
    house : House
        The household file and the rates.

    Returns
    -------
    Refusal or None
        None if it can be obeyed.
    """
    away = request.away_until or state.wishes.away_until
    if request.clear:
        away = request.away_until
    if request.by is not None and away is not None and request.by < away:
        by, until = (_when(instant, now, house.file.zone) for instant in (request.by, away))
        return Refusal(IN_TIME_AWAY, f"by: {by} is in the time away, which ends {until}")
    if request.stop and departure_of(state, house.file, now) is None:
        return Refusal(
            NO_DEPARTURE, "stop: no departure is declared; say until when with skip_until"
        )
    return _unknown_wish(request, state)


def _unknown_wish(request: Request, state: PointState) -> Refusal | None:
    """Return why a wish can't be cancelled: there is none with this id."""
    known = removable(state.wishes)
    if request.remove is None or request.remove in known:
        return None
    if not known:
        reason = f"remove: there are no wishes, so none is named {request.remove!r}"
    else:
        reason = f"remove: expected one of {', '.join(known)}, got {request.remove!r}"
    return Refusal(UNKNOWN_WISH, reason)


def answer_of(
    state: PointState,
    now: datetime,
    house: House,
    request: Request | None = None,
    before: PointState | None = None,
) -> str:
    """Return in plain words what happens at a charge point from now on.

    Parameters
    ----------
    state : PointState
        Its state, including the request.
    now : datetime
        UTC.
    house : House
        The household file and the rates.
    request : Request, optional
        The request.
    before : PointState, optional
        The state before the request.

    Returns
    -------
    str
        A few sentences.
    """
    sentences = [*_sentences(state, now, house, request), *_departure_sentences(state, now, house)]
    if request is not None and before is not None:
        sentences = [*_superseded(request, before, state, now, house.file), *sentences]
    return " ".join(sentences)


def effect_of(before: Plan | None, after: Plan | None, now: datetime, zone: ZoneInfo) -> str | None:
    """Say what a request for one vehicle does to the plan of another.

    Parameters
    ----------
    before, after : Plan or None
        The other's plan before the request, and with it.
    now : datetime
        UTC.
    zone : ZoneInfo
        The household's.

    Returns
    -------
    str or None
        A sentence; None if nothing was planned and nothing is.
    """
    if before is None or after is None or not (before.periods or after.periods):
        return None
    parts: list[str] = []
    ends = [plan.periods[-1].end if plan.periods else None for plan in (before, after)]
    if ends[1] is None:
        parts.append("charges nothing")
    elif ends[0] is None or abs(ends[1] - ends[0]) >= MINUTE:
        parts.append(f"ends at {_when(ends[1], now, zone)}")
    old, new = (f"{plan.reaches_percent:.0f} %" for plan in (before, after))
    if old != new:
        parts.append(f"reaches {new} instead of {old}")
    if not parts:
        return f"The plan of {before.vehicle} stays as it is."
    return f"The plan of {before.vehicle} then {listed(parts)}."


def preview_of(
    request: Request, before: PointState, after: PointState, now: datetime, house: House
) -> str:
    """Return in plain words what would happen at a charge point after a request.

    Parameters
    ----------
    request : Request
        The request.
    before : PointState
        Its state now.
    after : PointState
        Its state with the request, as `daemon.control.controller.preview` gives it.
    now : datetime
        UTC.
    house : House
        The household file and the rates.

    Returns
    -------
    str
        A few sentences.
    """
    sentences = ["Preview: nothing has changed."]
    if not before.plugged_in:
        sentences.append(f"No vehicle is plugged in at {before.charge_point}. If one came now:")
    return " ".join([*sentences, answer_of(after, now, house, request, before)])


def _superseded(
    request: Request, before: PointState, after: PointState, now: datetime, file: HouseholdFile
) -> Iterator[str]:
    """Say what a request takes away from what was asked before, and what will replace it."""
    zone = file.zone
    if request.clear:
        yield "All earlier requests are cancelled."
    if request.remove is not None:
        yield _cancelled(request.remove, before, now, zone)
    yield from _of_the_vehicle(request, before, after, file)
    yield from _replaced(request, before, after, now, zone)
    if request.away_until is not None:
        for wish in after.wishes.departures:
            if now < wish.by < request.away_until:
                by = _when(wish.by, now, zone)
                yield f"Wish {wish.id}, for {by}, is in the time away and does not count."
    if request.soc_percent is not None:
        yield from _overruled(request.soc_percent, before, now)


def _of_the_vehicle(
    request: Request, before: PointState, after: PointState, file: HouseholdFile
) -> Iterator[str]:
    """Say what a request changes for another vehicle, and for the equipment."""
    was, named = vehicle_of(before, file), request.vehicle
    if before.plugged_in and named not in {None, was}:
        yield f"From now on {named} is planned for as the vehicle that is plugged in, not {was}."
    ended = before.wishes.charge_now and not (after.wishes.charge_now or request.clear)
    if ended and request.vehicle is not None and request.charge_now is None:
        yield (
            "Charging at once was asked for another vehicle and has ended: ask for it again (--now)"
            f" if {request.vehicle} is to charge at once."
        )
    if not request.equipment_checked:
        return
    excess = before.current_watch.excess
    if excess is None:
        yield f"Nothing was held against the equipment at {before.charge_point}: nothing changes."
    else:
        yield (
            f"The equipment at {before.charge_point} counts as checked: plans no longer expect the"
            f" {amps_text(excess.taken_amps)} that it took. If it takes too much again, it is"
            " stopped again."
        )


def _cancelled(name: str, before: PointState, now: datetime, zone: ZoneInfo) -> str:
    """Say which wish is cancelled; see `removable`."""
    wishes = before.wishes
    if name == CHARGE_NOW:
        return "Charging at once is cancelled."
    if name == SKIP_UNTIL and wishes.skip_until is not None:
        return f"Waiting until {_when(wishes.skip_until, now, zone)} is cancelled."
    if name == AWAY_UNTIL and wishes.away_until is not None:
        return f"The time away until {_when(wishes.away_until, now, zone)} is cancelled."
    return f"Wish {name} is cancelled."


def _replaced(
    request: Request, before: PointState, after: PointState, now: datetime, zone: ZoneInfo
) -> Iterator[str]:
    """Say which parts of earlier wishes a later one replaces, or which of them it ends."""
    if request.clear:
        return
    in_force = {*removable(before.wishes)} - {request.remove}
    ended = SKIP_UNTIL if request.charge_now else CHARGE_NOW
    ends = request.charge_now or request.stop or request.skip_until is not None
    if ends and ended in in_force:
        yield _cancelled(ended, before, now, zone)
    kept = {wish.id: wish for wish in after.wishes.departures}
    for wish in before.wishes.departures:
        changed = kept.get(wish.id, wish) if wish.id in in_force else wish
        if abs(changed.by - wish.by) >= MINUTE:
            by, was = (_when(each.by, now, zone) for each in (changed, wish))
            yield f"Wish {wish.id} is now for {by} instead of {was}."
        for name, old, new in (
            ("need", wish.need_percent, changed.need_percent),
            ("want", wish.want_percent, changed.want_percent),
        ):
            if old is not None and new is None:
                yield f"The {name} of {old:.0f} % of wish {wish.id} no longer holds."
            elif old is not None and new is not None and round(old) != round(new):
                yield f"The {name} of wish {wish.id} is now {new:.0f} % instead of {old:.0f} %."


def _overruled(soc_percent: float, before: PointState, now: datetime) -> Iterator[str]:
    """Say that the vehicle will soon report its own state of charge again."""
    soc = before.soc
    if soc is None or soc.source != "vehicle":
        return
    if now - soc.at <= _STILL_REPORTS and abs(soc.percent - soc_percent) >= 1:
        minutes = round((now - soc.at) / MINUTE)
        ago = f"{minutes} min ago" if minutes else "just now"
        yield (
            f"The vehicle itself reported {soc.percent:.0f} % {ago}: its next report replaces what"
            " you say."
        )


def _sentences(
    state: PointState, now: datetime, house: House, request: Request | None
) -> Iterator[str]:
    zone, plan, command = house.file.zone, plan_now(state, now, house), state.command
    away = state.wishes.away_until
    if away is not None and away > now:
        yield from _away_sentences(away, plan if state.plugged_in else None, now, zone)
    if not state.plugged_in:
        yield _no_vehicle(state, request)
        yield from _skip_sentence(state, now, house)
        return
    rests = rests_until(state, house.file, now)
    if command is not None and command.do == "start":
        current = current_text(command.amps or 0.0, command.phases)
        yield f"Charges now at {current}: {command.why}."
    elif plan is None or not any(period.end > now for period in plan.periods):
        yield f"Does not charge: {command.why if command else 'nothing is planned'}."
    elif rests is not None and plan.period_at(rests) is not None and command is not None:
        yield f"Does not charge yet: {command.why}."
    yield from _skip_sentence(state, now, house)
    if plan is None:
        return
    if charges_now(state, house.file, now) and plan.periods:
        yield from _at_once_sentences(state, plan, now, zone)
    else:
        at_once = request is not None and bool(request.charge_now)
        yield from _plan_sentences(plan, now, house.file, at_once=at_once)


def _away_sentences(
    away: datetime, plan: Plan | None, now: datetime, zone: ZoneInfo
) -> Iterator[str]:
    yield f"Away until {_when(away, now, zone)}: no departure before that counts."
    start = None if plan is None else next_start(plan, now)
    if plan is not None and start is not None:
        when, nights = _when(start, now, zone), _nights_before(plan.departure, start, zone)
        yield f"Charging waits until {when}, {nights} before you leave."


def _nights_before(departure: datetime, start: datetime, zone: ZoneInfo) -> str:
    """Say in which night before a departure something begins."""
    # A night is named by its first date, whatever day the account calls it.
    night = (wall_time(start, zone) - HALF_DAY).date()
    count = ((wall_time(departure, zone) - HALF_DAY).date() - night).days + 1
    if count > 1:
        return f"{count} nights"
    return "in the night" if local_date(departure, zone) > night else "shortly"


def _no_vehicle(state: PointState, request: Request | None) -> str:
    nobody = f"No vehicle is plugged in at {state.charge_point}."
    if request is not None:
        asked = (request.need_percent, request.want_percent, request.soc_percent, request.vehicle)
        if not request.charge_now and not any(each is not None for each in asked):
            return nobody  # such as a wish that is cancelled: that counts at once
    return f"{nobody} Your request counts once one is."


def _skip_sentence(state: PointState, now: datetime, house: House) -> Iterator[str]:
    skip, zone = state.wishes.skip_until, house.file.zone
    if skip is None or skip <= now:
        return
    later = [_when(each.instant, now, zone) for each in _skipped_later(state, now, house)]
    more = "" if len(later) <= MOST_NAMED else f" and {len(later) - MOST_NAMED} more"
    either = f", and nothing for {listed(later[:MOST_NAMED])}{more} either" if later else ""
    yield f"Nothing is charged before {_when(skip, now, zone)}{either}."


def _skipped_later(state: PointState, now: datetime, house: House) -> tuple[DepartureAt, ...]:
    """List the departures after the next one before which a person wants nothing charged."""
    skip, vehicle = state.wishes.skip_until, vehicle_of(state, house.file)
    if skip is None or vehicle is None:
        return ()
    wishes = [wish for wish in state.wishes.departures if wish.vehicle == vehicle]
    after = state.wishes.next_counts_after(now) + datetime.resolution
    return coming_departures(house.file, vehicle, after, skip + datetime.resolution, wishes)[1:]


def _at_once_sentences(
    state: PointState, plan: Plan, now: datetime, zone: ZoneInfo
) -> Iterator[str]:
    """Say what charging at once does, and what the cheapest hours would."""
    yield (
        f"It takes {_amount(plan)} and reaches {plan.reaches_percent:.0f} %"
        f" at {_when(plan.periods[-1].end, now, zone)}."
    )
    yield from _short_of_need(plan)
    cheapest = state.draft.cheapest if state.draft else None
    if cheapest is not None and _amount(cheapest) != _amount(plan):
        yield in_the_cheapest_hours(plan, cheapest)


def _plan_sentences(
    plan: Plan, now: datetime, file: HouseholdFile, *, at_once: bool
) -> Iterator[str]:
    zone = file.zone
    start = next_start(plan, now)
    if start is not None:
        yield f"The next start is {_when(start, now, zone)}."
    by = _when(plan.departure, now, zone)
    if not plan.periods:
        if at_once:
            yield f"Charging now goes to {plan.want_percent:.0f} % and no further."
        holds = f"The battery holds {plan.soc_percent:.0f} %"
        short = shortfall_that_counts(plan)
        if short is None:
            yield f"{holds}, which is enough for {by}."
        else:
            needed = f"the {plan.need_percent:.0f} % needed by {by}"
            yield f"{holds}; {short.kwh:.1f} kWh will be missing for {needed}."
        return
    several = len(vehicles_of(file, plan.charge_point)) > 1
    yield (
        f"The plan{f' for {plan.vehicle}' if several else ''} takes {_amount(plan)}"
        f" and reaches {plan.reaches_percent:.0f} % by {by}."
    )
    yield from _short_of_need(plan)


def _amount(plan: Plan) -> str:
    return f"{plan.energy_kwh:.2f} kWh for {format_money(plan.cost, plan.currency)}"


def _short_of_need(plan: Plan) -> Iterator[str]:
    short = shortfall_that_counts(plan)
    if short is not None:
        yield f"That is short of the {plan.need_percent:.0f} % needed."
        yield f"{short.kwh:.1f} kWh will be missing."


def _departure_sentences(state: PointState, now: datetime, house: House) -> Iterator[str]:
    """Say what a person's wishes do to each departure up to the last one they are for."""
    plan = state.plan
    effects, others = effects_of(state, now, house, plan)
    if all(effect.wish is None for effect in effects):
        return
    skipped = {each.instant for each in _skipped_later(state, now, house)}
    for effect in effects:
        if effect.departure.instant in skipped:
            when = _when(effect.departure.instant, now, house.file.zone)
            text, _target = _effect(effect, when, house.file)
            yield f"{text}; nothing is charged before it{_lacks(effect)}."
        else:
            yield from _effect_sentences(effect, plan, now, house.file)
    if others:
        last = _when(effects[-1].departure.instant, now, house.file.zone)
        rest = "departure stays as it is" if others == 1 else "departures stay as they are"
        yield f"Before {last}, {others} more {rest}."


def _effect_sentences(
    effect: Effect, plan: Plan | None, now: datetime, file: HouseholdFile
) -> Iterator[str]:
    when = _when(effect.departure.instant, now, file.zone)
    text, target = _effect(effect, when, file)
    reaches, missing = effect.reaches_percent, effect.missing_kwh
    at_best = effect.at_best_percent
    if at_best is None and (plan is None or effect.departure.instant == plan.departure):
        yield f"{text}."
    elif reaches is None and at_best is not None:
        later = "" if plan is None else "it is planned later, but "
        yield f"{text}; {later}it can reach {at_best:.0f} % at the most{_lacks(effect)}."
    elif reaches is None:
        yield f"{text}; it is planned later."
    elif missing is not None:
        yield f"{text}; it can only reach {reaches:.0f} %{_lacks(effect)}."
    elif reaches < target - NEED_TOLERANCE_PERCENT:
        yield f"{text}; it can only reach {reaches:.0f} %."
    else:
        yield f"{text}; the plan reaches {reaches:.0f} %."
    if effect.goes_on_until is not None:
        until = _when(effect.goes_on_until, now, file.zone)
        yield f"If it is still there then, charging goes on until {until} at the latest."
        if effect.goes_on_kwh is not None and effect.goes_on_cost is not None:
            more = format_money(effect.goes_on_cost, file.household.currency)
            yield f"That would be {effect.goes_on_kwh:.2f} kWh more for {more} at the most."


def _lacks(effect: Effect) -> str:
    """Say what will be missing for the need of a departure, if anything."""
    if effect.missing_kwh is None:
        return ""
    at_least = "at least " if effect.reaches_percent is None else ""
    return f": {at_least}{effect.missing_kwh:.1f} kWh will be missing"


def _effect(effect: Effect, when: str, file: HouseholdFile) -> tuple[str, float]:
    """Say what is asked of a departure, and return its target [percent]."""
    departure, declared, wish = effect.departure, effect.declared, effect.wish
    if wish is None:
        return f"{when} keeps its {departure.need_percent:.0f} %", departure.need_percent
    # Who needs all that they want is told so.
    is_want = wish.want_percent is not None and (
        wish.need_percent is None or round(departure.need_percent) < round(departure.want_percent)
    )
    target = departure.want_percent if is_want else departure.need_percent
    needs = _need_beside(departure, declared, wish) if is_want else ""
    aim = "wanted" if is_want else "needed"
    if declared is None:
        more = f"{when} is one more departure, with {target:.0f} % {aim}{needs} (wish {wish.id})"
        # Within a trip of the file, which begins then.
        return (
            more if departure.returns is None else f"{more}, and until then it counts as there",
            target,
        )
    before = declared.want_percent if is_want else declared.need_percent
    once = _instead_of(before, target)
    text = f"For {when}, {target:.0f} % is {aim}{once}{needs} (wish {wish.id})"
    if wish.want_percent is not None and wish.want_percent < target:
        text += f": the {target:.0f} % that is needed is kept"
    if declared.max_rate is not None and departure.max_rate is None:
        limit = f"{declared.max_rate:f} {file.household.currency} per kWh"
        text += f", at any price: the file's limit of {limit} does not hold for it"
    return text, target


def _need_beside(departure: DepartureAt, declared: DepartureAt | None, wish: Wish) -> str:
    """Say what a wish for a want needs, if it changes that too."""
    need, before = departure.need_percent, declared.need_percent if declared else 0.0
    if wish.need_percent is None or round(need) in {round(before), round(departure.want_percent)}:
        return ""
    return f", and {need:.0f} % is needed{_instead_of(before, need) if declared else ''}"


def _instead_of(before: float, now: float) -> str:
    return "" if round(before) == round(now) else f" once instead of {before:.0f} %"


def _when(instant: datetime, now: datetime, zone: ZoneInfo) -> str:
    near = abs(instant - now) < _WEEKDAY_ONLY
    return local_time(instant, zone, "%a %H:%M" if near else "%a %d %b %Y %H:%M")
