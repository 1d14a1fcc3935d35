"""Plan all vehicles of a home together whenever one of them changes, and allot the currents.

The controllers of the charge points ask for their allotment when they plan (`House.allot`). The
joint plan is made again when something that it rests on has changed: who is there, needs, wishes,
the file or the rates; and every quarter of an hour, because charging is never quite as planned.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import timedelta
from itertools import islice
from typing import TYPE_CHECKING, Any

from config.files.errors import TariffError
from config.tariffs.calendar_words import listed
from daemon.control.learning import FAULTS
from daemon.control.leaving_late import would_leave_late
from daemon.control.replanning import situation_of
from daemon.control.state import Allotment, charges_now, departure_of, rests_until, vehicle_of
from daemon.control.unreported_soc import unreported_soc
from daemon.sharing.claims import Claim, claim_after
from planners.home.allotments import all_that_is_left, allotted_amps, amps_left, spans_of
from planners.home.together import gap_sentence, plan_together
from planners.local_time.conversion import minute_of

if TYPE_CHECKING:
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from daemon.control.state import House, PointState
    from planners.home.together import HomePlan
    from planners.plan.horizon import Situation
    from planners.power.allowed_currents import AmpsSpan

PLANNED_AGAIN_AFTER = timedelta(minutes=15)
"""A joint plan of several vehicles is made again after this."""

WITHOUT_PLAN = timedelta(hours=24)
"""For how long a current is allotted to those that charge without a plan."""

MOST_TOGETHER = 20
"""More vehicles than this, at home at a time, have fixed shares: planning them takes too long."""

ROUNDS = 6
"""Rounds by which a joint plan is improved, divided by the number of vehicles."""


Spans = tuple["AmpsSpan", ...]


@dataclass(frozen=True, slots=True, eq=False)
class Sharing:
    """How the charge points share the main fuse.

    Attributes
    ----------
    claims : mapping of str to Claim
        What the hardware of each may draw.
    allotted : mapping of str to tuple of AmpsSpan
        What the joint plan allots to each; a charge point without an entry has its fixed share.
    gap_share : float
        The most that any other joint plan could save, as a part of what its energy costs; infinity
        if not known.
    is_short : bool
        Whether a need is missed.
    together : mapping of str to str
        The vehicles that are planned together, by charge point.
    rests_on : mapping of str to tuple
        What the joint plan rests on, for each charge point.
    house : House or None
        The household file and the rates that it rests on.
    due : datetime or None
        When it is to be made again even if nothing changes.
    """

    claims: Mapping[str, Claim] = field(default_factory=dict)
    allotted: Mapping[str, Spans] = field(default_factory=dict)
    gap_share: float = 0.0
    is_short: bool = False
    together: Mapping[str, str] = field(default_factory=dict)
    rests_on: Mapping[str, tuple[Any, ...]] = field(default_factory=dict)
    house: House | None = None
    due: datetime | None = None


def with_claim(sharing: Sharing, state: PointState, now: datetime, file: HouseholdFile) -> Sharing:
    """Return the sharing after a step of one charge point's controller.

    Parameters
    ----------
    sharing : Sharing
        Before the step.
    state : PointState
        The charge point after it.
    now : datetime
        UTC.
    file : HouseholdFile
        The household.

    Returns
    -------
    Sharing
        With what its hardware may draw now.
    """
    point = state.charge_point
    claim = claim_after(sharing.claims.get(point, Claim()), state, now, file)
    return replace(sharing, claims={**sharing.claims, point: claim})


def claims_beside(sharing: Sharing, charge_point: str) -> dict[str, Spans]:
    """Return what the other charge points claim, for `House.others`."""
    return {name: each.spans for name, each in sharing.claims.items() if name != charge_point}


def planned_together(
    sharing: Sharing, states: Mapping[str, PointState], now: datetime, house: House
) -> Sharing:
    """Make the joint plan again if something that it rests on has changed.

    Parameters
    ----------
    sharing : Sharing
        The sharing in force.
    states : mapping of str to PointState
        All charge points.
    now : datetime
        UTC.
    house : House
        The household file and the rates.

    Returns
    -------
    Sharing
        The same object if its plan is still good.
    """
    rests_on = {name: _rests_on(state, now, house) for name, state in states.items()}
    is_due = sharing.due is not None and now >= sharing.due
    if sharing.house is house and rests_on == sharing.rests_on and not is_due:
        return sharing
    made = replace(sharing, rests_on=rests_on, house=house)
    unplanned = [name for name, state in states.items() if _takes_what_is_left(state, now, house)]
    situations = [
        situation
        for name, state in states.items()
        if name not in unplanned and (situation := _situation(state, now, house)) is not None
    ]
    made = replace(made, allotted={}, gap_share=0.0, together={}, due=None)
    if len(situations) + len(unplanned) > MOST_TOGETHER:
        return made
    if len(situations) == 1 and not unplanned:
        return replace(made, allotted=_alone(house.file, situations[0], now))
    try:
        plan = _joint_plan(house, situations, unplanned)
    except TariffError:
        plan = None  # no rate is known: each charge point says so
    if plan is not None:
        due = now + PLANNED_AGAIN_AFTER
        cars = [each.departure.vehicle for each in situations]
        return replace(
            made,
            allotted=plan.allotted,
            gap_share=plan.gap_share,
            is_short=plan.is_short,
            together={house.file.vehicles[car].charge_point: car for car in cars},
            due=due,
        )
    if unplanned:
        allotted = _without_plan(house.file, unplanned, now)
        return replace(made, allotted=allotted, due=now + WITHOUT_PLAN / 2)
    return made


def allotment_of(sharing: Sharing, charge_point: str) -> Allotment:
    """Return what a charge point is allotted, and why.

    Parameters
    ----------
    sharing : Sharing
        The sharing in force.
    charge_point : str
        Its name in the household file.

    Returns
    -------
    Allotment
        For `House.allot`.
    """
    others = [car for point, car in sharing.together.items() if point != charge_point]
    is_planned = charge_point in sharing.together and bool(others)
    spans = sharing.allotted.get(charge_point, ())
    if is_planned:
        good = gap_sentence(sharing.gap_share, is_short=sharing.is_short)
        return Allotment(spans, (f"Planned together with {listed(others)}: {good}",))
    if others and spans:
        return Allotment(spans, (f"It takes what the plans of {listed(others)} leave.",))
    return Allotment(spans)


def allotment_changed(old: Sharing, new: Sharing, charge_point: str, now: datetime) -> bool:
    """Whether a charge point is allotted other currents than before, from now on.

    Parameters
    ----------
    old, new : Sharing
        Before and after `planned_together`.
    charge_point : str
        Its name in the household file.
    now : datetime
        UTC.

    Returns
    -------
    bool
        What has passed does not count.
    """
    return _ahead(old.allotted, charge_point, now) != _ahead(new.allotted, charge_point, now)


def _ahead(
    allotted: Mapping[str, Spans], charge_point: str, now: datetime
) -> list[AmpsSpan] | None:
    spans = allotted.get(charge_point)
    if spans is None:
        return None
    return [replace(span, start=max(span.start, now)) for span in spans if span.end > now]


def _joint_plan(house: House, situations: list[Situation], unplanned: list[str]) -> HomePlan | None:
    """Return the best joint plan of a few rounds; None if there is nobody to plan for."""
    rounds = 1 + ROUNDS // max(1, len(situations))
    plan = None
    for better in islice(
        plan_together(house.file, house.prices, situations, tuple(unplanned), is_quick=True), rounds
    ):
        plan = better
    return plan


def _alone(file: HouseholdFile, situation: Situation, now: datetime) -> dict[str, Spans]:
    """Allot all that the home leaves to the only vehicle that is there."""
    car, until = situation.departure.vehicle, situation.departures[-1].instant
    return {file.vehicles[car].charge_point: all_that_is_left(file, now, until, car)}


def _without_plan(file: HouseholdFile, unplanned: list[str], now: datetime) -> dict[str, Spans]:
    """Allot all that the home leaves to those that charge without a plan, and the rest nothing."""
    first, minutes = minute_of(now), WITHOUT_PLAN // timedelta(minutes=1)
    left = amps_left(file, first, minutes, 1)
    nothing: dict[str, Any] = {}
    return {
        name: spans_of(amps, first, 1, first)
        for name, amps in allotted_amps(file, nothing, left, unplanned).items()
    }


def _is_there(state: PointState) -> bool:
    return state.plugged_in and not state.stopped_itself and state.pilot not in FAULTS


def _takes_what_is_left(state: PointState, now: datetime, house: House) -> bool:
    """Whether it charges whatever the rates are, and so takes what the others' plans leave."""
    if not _is_there(state):
        return False
    if charges_now(state, house.file, now) or would_leave_late(state, house.file, now) is not None:
        return True
    departure = departure_of(state, house.file, now)
    # In the margin before a departure nothing is planned, but a need may still be unmet.
    return departure is not None and departure.ready_by <= now


def _situation(state: PointState, now: datetime, house: House) -> Situation | None:
    """Give the situation of a vehicle to plan for; None if there is nothing to plan."""
    departure = departure_of(state, house.file, now)
    if not _is_there(state) or departure is None:
        return None
    if state.soc is None:
        soc = unreported_soc(state, departure.vehicle, now, house.file)
        state = replace(state, soc=soc)
    # Only the next departures are planned together: all that are known would take too long.
    return replace(situation_of(state, departure, now, house), later=())


def _said_of_soc(state: PointState) -> tuple[str, float | None] | None:
    """Return where the state of charge comes from, and what a person said it was."""
    soc = state.soc
    if soc is None:
        return None
    return soc.source, soc.percent if soc.source == "person" else None


def _rests_on(state: PointState, now: datetime, house: House) -> tuple[Any, ...]:
    """List what the joint plan rests on, at one charge point."""
    if not _is_there(state):
        return ()
    departure = departure_of(state, house.file, now)
    return (
        vehicle_of(state, house.file),
        departure,
        state.wishes,
        _takes_what_is_left(state, now, house),
        rests_until(state, house.file, now) is not None,
        state.current_watch.excess,
        _said_of_soc(state),
    )
