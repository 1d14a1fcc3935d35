"""Make the plan again when something it rests on changed, and announce it. Pure."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from math import isclose
from typing import TYPE_CHECKING

from config.files.errors import TariffError
from daemon.control.alerts import (
    NO_DEPARTURE,
    NO_RATE,
    OUT_OF_REACH,
    PRICES_ENDED,
    ClearedBy,
    clear_alerts,
    raise_alert,
)
from daemon.control.events import AnnouncePlan, Note
from daemon.control.leaving_late import leaves_late
from daemon.control.nightbook import open_night_planned
from daemon.control.state import (
    FLOWING_WATTS,
    LONGEST_GAP,
    NEARLY_PERCENT,
    charges_now,
    counted_soc_percent,
    delays_until,
    departure_of,
    follows_surplus,
    is_charging,
    rests_until,
    soc_to_plan_percent,
    watts_of,
)
from daemon.control.unreported_soc import explain_unreported, unreported_soc
from daemon.control.wishes import AWAY_NIGHTS, opens_after_away
from planners.delays.random_delay import delay_words
from planners.home.allotments import all_that_is_left, shares_by_plan
from planners.home.grid_limit import binding
from planners.local_time.conversion import clock_text
from planners.local_time.remembering import remembered
from planners.plan.horizon import Situation, departures_known, reaches_at_best_percent
from planners.plan.planning import at_once_instead, draft_plan, explained
from planners.plan.remaining import GOES_ON_PERCENT, is_as_made, lag_percent, remaining_plan
from planners.plan.shortfall import shortfall_that_counts
from planners.power.allowed_currents import charge_model
from planners.power.charging import NEED_TOLERANCE_PERCENT
from planners.power.excess_current import amps_text
from planners.rates.known import rate_knowledge

if TYPE_CHECKING:
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from daemon.control.events import Action
    from daemon.control.state import House, PointState
    from planners.local_time.departures import DepartureAt
    from planners.plan.plan import LaterNight, Period, Plan
    from planners.rates.known import RateKnowledge

SHOWN_PERCENT = 0.5
"""Targets that differ by less are shown as the same: they have no decimals."""

BY_GRID = "The grid operator allows"
"""How the sentence begins that says what the grid operator allows."""

SAME_INSTANT = timedelta(seconds=60)
"""Plans whose periods differ by less are the same."""


def plan(state: PointState, now: datetime, house: House) -> tuple[PointState, tuple[Action, ...]]:
    """Make the plan again if something that it rests on has changed.

    Parameters
    ----------
    state : PointState
        What is known.
    now : datetime
        UTC.
    house : House
        The household file and the rates.

    Returns
    -------
    state : PointState
        With the plan in force, if any; a new plan that changes nothing from now on is dropped.
    actions : tuple of Action
        Warnings. A new plan does not give its reasons yet: see `announce`.
    """
    known = rate_knowledge(house.prices.at(state.charge_point), now)
    state, warned = _check_prices(state, known, house)
    if not state.plugged_in:
        return _unplanned(clear_alerts(state, ClearedBy.VEHICLE_GONE)), warned
    if leaves_late(state, house, now) is not None:
        # Its departure has passed: nothing is left to warn of, and what comes next is not planned.
        return _unplanned(replace(state, alerts=state.alerts - {OUT_OF_REACH})), warned
    if state.stopped_itself:
        return replace(state, plan=None) if state.plan else state, warned
    has_news = state.plan_stale or _has_rates_now(state, known)
    has_news = has_news or begins_in_rest(state, now, house)
    if not (has_news or _has_ended(state, now, house) or _is_behind(state, now, house)):
        return state, warned
    if house.allot(state, now).is_awaited:
        return replace(state, plan_stale=True), warned
    state, planned = _plan(replace(state, plan_stale=False), now, house)
    return state, (*warned, *planned)


def _plan(state: PointState, now: datetime, house: House) -> tuple[PointState, tuple[Action, ...]]:
    departure = departure_of(state, house.file, now)
    if departure is None:
        return raise_alert(replace(state, plan=None), NO_DEPARTURE)
    if state.soc is None:
        state = replace(state, soc=unreported_soc(state, departure.vehicle, now, house.file))
    try:
        return _planned_for(state, departure, now, house)
    except TariffError as error:
        return raise_alert(replace(state, plan=None), NO_RATE, reason=error)


def _planned_for(
    state: PointState, departure: DepartureAt, now: datetime, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    file = at_actual_power(house.file, state.actual_share.planned)
    at_once = charges_now(state, house.file, now)
    situation = situation_of(state, departure, now, house, waits_while_away=not at_once)
    allotment = house.allot(state, now)
    situation = replace(situation, allotted=allotment.spans, is_joint=allotment.is_joint)
    if at_once:
        # The cheapest hours to compare with do not begin with the run that a person asked for.
        draft = draft_plan(file, house.prices, replace(situation, on=False, since=None))
        draft = at_once_instead(draft, house.prices)
    else:
        draft = draft_plan(file, house.prices, situation)
        whole = situation_of(state, departure, now, house, waits_while_away=False)
        if draft.plan.shortfall is not None and whole.now < situation.now:
            # The last nights of a time away are too short.
            whole = replace(whole, allotted=allotment.spans, is_joint=allotment.is_joint)
            draft = draft_plan(file, house.prices, whole)
    made = replace(draft.plan, made_at=now)
    state = clear_alerts(state, ClearedBy.PLAN)
    state = open_night_planned(state, departure, made, house)
    is_obeyed = not begins_in_rest(state, now, house)
    before = state.plan
    if (
        before is not None
        and is_obeyed
        and set(allotment.why) <= set(before.why)
        and set(_explain_grid(state, house)) == {w for w in before.why if w.startswith(BY_GRID)}
        and _same_course(before, made, now)
    ):
        return _warn_of_shortfall(state, made, situation, file)
    why = (
        *explain_unreported(state, file),
        *_explain_excess(state),
        *_explain_away(state, made, now, house),
        *_explain_grid(state, house),
        *_explain_delay(state, now),
        *allotment.why,
    )
    made = replace(made, why=why)
    return _warn_of_shortfall(replace(state, plan=made, draft=draft), made, situation, file)


def begins_in_rest(state: PointState, now: datetime, house: House) -> bool:
    """Whether the plan in force begins before the charge point may be switched on again.

    Parameters
    ----------
    state : PointState
        What is known.
    now : datetime
        UTC.
    house : House
        The household file and the rates.

    Returns
    -------
    bool
        True if the plan must be made again: a run was cut short that it did not end.
    """
    waits = (rests_until(state, house.file, now), delays_until(state, now))
    until = max((each for each in waits if each is not None), default=None)
    if state.plan is None or until is None:
        return False
    return any(period.start < until and period.end > now for period in state.plan.periods)


def _explain_away(state: PointState, made: Plan, now: datetime, house: House) -> tuple[str, ...]:
    """Say why a vehicle at home waits while a person is away, if it does."""
    is_away = state.wishes.away_until is not None and state.wishes.away_until > now
    if not is_away or not made.periods or made.departure - now <= AWAY_NIGHTS:
        return ()
    leaves = clock_text(made.departure, house.file.zone, "%a %d %b %H:%M")
    waits = f"While you are away, charging waits for the last {AWAY_NIGHTS.days} days before"
    return (f"{waits} {leaves}, so that the battery is not kept full for longer.",)


def _explain_excess(state: PointState) -> tuple[str, ...]:
    """Say that the equipment takes more than it is told, if it does."""
    excess = state.current_watch.excess
    if excess is None:
        return ()
    where = f"it charges only where {amps_text(excess.taken_amps)} are allowed"
    until = "until it keeps to a lower current or somebody has checked it"
    return (f"{state.charge_point} {excess}: {where}, {until}.",)


def _explain_grid(state: PointState, house: House) -> tuple[str, ...]:
    """Say what the grid operator allows, if that keeps the charge point lower."""
    limit = binding(house.left_by_load, state.charge_point, house.file)
    return () if limit is None else (f"{limit.by_grid[0].upper()}{limit.by_grid[1:]}.",)


def _explain_delay(state: PointState, now: datetime) -> tuple[str, ...]:
    """Say that a start waits for a random delay, if it does."""
    until = delays_until(state, now)
    return () if until is None else (f"It begins after {delay_words(until, now)}.",)


def _unplanned(state: PointState) -> PointState:
    if state.plan is None and state.plan_stale:
        return state
    return replace(state, plan=None, plan_stale=True)


def announce(state: PointState) -> tuple[PointState, tuple[Action, ...]]:
    """Announce a new plan with its reasons, if that has not been done yet.

    Parameters
    ----------
    state : PointState
        What is known.

    Returns
    -------
    state : PointState
        With all reasons in the plan.
    actions : tuple of Action
        The plan to announce, if any.
    """
    plan, draft = state.plan, state.draft
    if draft is None:
        return state, ()
    if plan is None:
        return replace(state, draft=None), ()
    plan = replace(plan, why=(*explained(draft).why, *plan.why))
    return replace(state, plan=plan, draft=None), (AnnouncePlan(plan),)


def plan_now(state: PointState, now: datetime, house: House) -> Plan | None:
    """Return the plan in force with the figures of now.

    Parameters
    ----------
    state : PointState
        What is known.
    now : datetime
        UTC.
    house : House
        The household file and the rates.

    Returns
    -------
    Plan or None
        With what is left of its energy and cost.
    """
    plan, soc = state.plan, soc_to_plan_percent(state, house.file, now)
    if plan is None or (soc is not None and is_as_made(plan, now, soc)):
        return plan
    situation = _situation_now(state, now, house)
    if situation is None:
        return plan
    file = at_actual_power(house.file, state.actual_share.planned)
    try:
        return remaining_plan(plan, file, house.prices, situation)
    except TariffError:
        return plan  # no rate is known any more


def _situation_now(state: PointState, now: datetime, house: House) -> Situation | None:
    """Give the situation in which the plan in force goes on; None if it does not."""
    plan, departure = state.plan, departure_of(state, house.file, now)
    soc = soc_to_plan_percent(state, house.file, now)
    if plan is None or departure is None or departure.instant != plan.departure or soc is None:
        return None
    excess = state.current_watch.excess
    allotment = house.allot(state, now)
    return Situation(
        now, soc, departure, on=is_charging(state), excess=excess,
        allotted=allotment.spans, is_joint=allotment.is_joint,
    )  # fmt: skip


def is_delayed(state: PointState, now: datetime, house: House) -> bool:
    """Tell whether a vehicle gains so much less than planned that the others should make room.

    Parameters
    ----------
    state : PointState
        What is known.
    now : datetime
        UTC.
    house : House
        The household file and the rates.

    Returns
    -------
    bool
        Also while the home's load has it stopped.
    """
    night, plan = state.night, state.plan
    is_held_up = night is not None and night.lowered is not None and bool(night.lowered.since)
    if is_charging(state) or not is_held_up:
        return _is_behind(state, now, house)
    if plan is None or plan.period_at(now) is None or state.register is None:
        return False
    return _lags(state, plan, now, house)


def _is_behind(state: PointState, now: datetime, house: House) -> bool:
    """Whether the vehicle gains so much less than planned that the plan ends too early."""
    plan = state.plan
    if plan is not None and house.followed is not None and follows_surplus(state, now, house.file):
        return state.register is not None and _lags(state, plan, now, house)
    flows = state.watts is not None and state.watts > FLOWING_WATTS
    if plan is None or not flows or not is_charging(state) or plan.period_at(now) is None:
        return False
    if state.register is None or now - state.register.at > LONGEST_GAP:
        return False  # nothing shows what the vehicle gains
    return _lags(state, plan, now, house)


def _lags(state: PointState, plan: Plan, now: datetime, house: House) -> bool:
    soc = counted_soc_percent(state, house.file, now)
    file = at_actual_power(house.file, state.actual_share.planned)
    return soc is not None and lag_percent(plan, file, now, soc) > GOES_ON_PERCENT


@remembered
def at_actual_power(file: HouseholdFile, share: float) -> HouseholdFile:
    """Model a vehicle that draws less than it should as one at a lower voltage.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    share : float
        The power that it draws, as a share of the power it should draw.

    Returns
    -------
    HouseholdFile
        The same with another voltage.
    """
    if share == 1:
        return file
    volts = file.household.nominal_volts * share
    home = file.household.model_copy(update={"nominal_volts": volts})
    return file.model_copy(update={"household": home})


def situation_of(
    state: PointState,
    departure: DepartureAt,
    now: datetime,
    house: House,
    *,
    waits_while_away: bool = True,
    with_later: bool = True,
) -> Situation:
    """Give the situation to plan for, without what is allotted to the charge point.

    Parameters
    ----------
    state : PointState
        What is known.
    departure : DepartureAt
        The departure to plan for.
    now : datetime
        UTC.
    house : House
        The household file and the rates.
    waits_while_away : bool
        Whether nothing is charged before the last nights of a time away.
    with_later : bool
        Whether later departures are planned for too.

    Returns
    -------
    Situation
        It begins after a rest, what a person asked to skip, and most of a time away.
    """
    soc = soc_to_plan_percent(state, house.file, now) or 0.0
    opens = opens_after_away(state.wishes, departure, now) if waits_while_away else None
    rest, delay = rests_until(state, house.file, now), delays_until(state, now)
    waits = (state.wishes.skip_until, rest, delay, opens)
    begins = max((until for until in waits if until is not None), default=now)
    on = is_charging(state)
    if not on:
        # Charging does not begin for a remainder smaller than the meter's steps.
        targets = (departure.need_percent, departure.want_percent)
        soc = next((t for t in targets if t - NEARLY_PERCENT < soc < t), soc)
    later = _later(state, departure, now, house) if with_later else ()
    by_hours = state.pilot is None
    situation = Situation(
        now, soc, departure, later=later, by_hours=by_hours, excess=state.current_watch.excess,
        peaks=house.peaks, keeps_all_phases=state.phase_watch.keeps_all,
    )  # fmt: skip
    if begins > now:
        return replace(situation, now=begins)
    return replace(situation, on=on, since=state.switches.on_at if on else None)


def _later(
    state: PointState, departure: DepartureAt, now: datetime, house: House
) -> tuple[DepartureAt, ...]:
    """Give the later departures to plan for."""
    wishes, after = state.wishes.departures, state.wishes.next_counts_after(now)
    return departures_known(house.file, house.prices, departure.vehicle, after, wishes=wishes)[1:]


def _has_rates_now(state: PointState, known: RateKnowledge | None) -> bool:
    """Whether a rate is known now although none was before."""
    return NO_RATE in state.alerts and known is not None and known.now != "none"


def _has_ended(state: PointState, now: datetime, house: House) -> bool:
    """Whether the plan in force has run out."""
    plan = state.plan
    if plan is None:
        return False
    if now >= plan.departure or plan.made_at > now + SAME_INSTANT:
        return True  # the second: the clock was put back after the plan was made
    soc = counted_soc_percent(state, house.file, now)
    if soc is not None and state.register is not None and soc >= plan.reaches_percent - 1e-6:
        # Reached early: the voltage was above nominal, or power flowed in spite of a stop. The plan
        # that is made now has no period if nothing is left to buy, so this happens once.
        return bool(plan.periods) and now < plan.periods[-1].end
    if soc is None or state.register is None or not is_charging(state):
        # Without a meter, what was commanded of the plan is assumed to have worked.
        return soc is not None and _was_missed(state, plan, soc, now)
    if not plan.periods or now < (end := plan.periods[-1].end):
        return False
    # The last start expires at the plan's end, and a reading of 0 W may come before this step.
    expired = state.register.at >= end - SAME_INSTANT
    watts = watts_of(state)
    flowed = expired or watts is None or watts > FLOWING_WATTS
    # A meter that is silent does not show that the need is unmet.
    is_read = state.register.at >= end - LONGEST_GAP
    needs_more = is_read and soc < plan.need_percent - NEED_TOLERANCE_PERCENT
    return (flowed or needs_more) and soc < plan.reaches_percent - NEARLY_PERCENT


def _was_missed(state: PointState, plan: Plan, soc_percent: float, now: datetime) -> bool:
    """Whether a plan's last period has passed without a start, or with one held up to its end."""
    is_over = bool(plan.periods) and now >= plan.periods[-1].end
    if not is_over or is_charging(state) or soc_percent >= plan.reaches_percent - SHOWN_PERCENT:
        return False
    if state.waits_for_others and state.register is not None:
        return True  # the rest of the home left too little
    # Nothing was commanded in it: the host was suspended, say.
    off_at = state.switches.off_at
    return off_at is None or off_at <= plan.periods[-1].start


def _same_course(old: Plan, new: Plan, now: datetime) -> bool:
    """Whether both plans are the same from now on."""
    return (
        old.vehicle == new.vehicle
        and old.departure == new.departure
        and old.want_percent == new.want_percent
        and old.need_percent == new.need_percent
        and abs(old.reaches_percent - new.reaches_percent) < SHOWN_PERCENT
        and (old.shortfall is None) == (new.shortfall is None)
        and _same_periods(_ahead(old, now), _ahead(new, now))
    )


def _ahead(plan: Plan, now: datetime) -> list[Period]:
    return [replace(p, start=max(now, p.start)) for p in plan.periods if p.end > now]


def _same_periods(old: list[Period], new: list[Period]) -> bool:
    return len(old) == len(new) and all(
        abs(a.start - b.start) < SAME_INSTANT
        and abs(a.end - b.end) < SAME_INSTANT
        and (a.amps, a.band, a.estimated) == (b.amps, b.band, b.estimated)
        and isclose(a.cost * b.kwh, b.cost * a.kwh, rel_tol=1e-6, abs_tol=1e-9)
        for a, b in zip(old, new, strict=True)
    )


def _warn_of_shortfall(
    state: PointState, plan: Plan, situation: Situation, file: HouseholdFile
) -> tuple[PointState, tuple[Action, ...]]:
    """Warn of the first departure whose need is out of reach, be it a later one."""
    short = shortfall_that_counts(plan)
    missed: Plan | LaterNight | None = plan if short else None
    missed = missed or next(
        (
            night
            for night in plan.later
            if night.need_percent - night.reaches_percent >= NEED_TOLERANCE_PERCENT
            and not _may_be_met(night, situation, file)
        ),
        None,
    )
    if missed is None:
        return clear_alerts(state, ClearedBy.NEED_IN_REACH), ()
    if state.wishes.skip_until is not None or state.wishes.away_until is not None:
        # Whoever asks to skip, or is away, is told in the answer what will be missing.
        return clear_alerts(state, ClearedBy.SKIPPED), ()
    model = charge_model(file, plan.vehicle)
    lacking = model.stored_kwh(missed.need_percent - missed.reaches_percent)
    return raise_alert(
        state,
        OUT_OF_REACH,
        vehicle=plan.vehicle,
        need_percent=missed.need_percent,
        by="" if short else f" by {clock_text(missed.departure, file.zone, '%a %d %b %H:%M')}",
        reaches_percent=missed.reaches_percent,
        missing_kwh=short.kwh if short else lacking / model.full_power_efficiency,
    )


def _speaks_for_meter(state: PointState, house: House) -> bool:
    """Whether a charge point reports what concerns the tariff of its meter."""
    if house.file.charge_points[state.charge_point].tariff is not None:
        return True
    return state.charge_point == house.file.points_on_home_meter[0]


def _may_be_met(night: LaterNight, situation: Situation, file: HouseholdFile) -> bool:
    """Whether a later need is out of reach with a part of the main fuse, but not with all of it."""
    departure = next((d for d in situation.later if d.instant == night.departure), None)
    if departure is None or not shares_by_plan(file):
        return False
    left = all_that_is_left(file, night.returns, departure.instant, departure.vehicle)
    alone = replace(
        situation, now=night.returns, soc_percent=night.soc_percent, departure=departure, later=(),
        allotted=left,
    )  # fmt: skip
    at_best = reaches_at_best_percent(file, alone)
    return night.need_percent - at_best < NEED_TOLERANCE_PERCENT


def _check_prices(
    state: PointState, known: RateKnowledge | None, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    """Warn that the prices have ended, once for the household; clear it when new ones come."""
    if known is None or not _speaks_for_meter(state, house):
        return state, ()
    if known.now == "known" and PRICES_ENDED in state.alerts:
        note = Note("prices-came-again", {"tariff": known.tariff})
        return clear_alerts(state, ClearedBy.NEW_PRICES), (note,)
    # A gap before prices that are known again is no end.
    stopped = known.now == "estimated" and known.resumes is None
    if not stopped or known.until is None:
        return state, ()
    ended = known.until.astimezone(house.file.zone)
    return raise_alert(state, PRICES_ENDED, what=known.what, tariff=known.tariff, ended=ended)
