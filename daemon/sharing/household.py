"""Plan all vehicles of a home together whenever one of them changes, and allot the currents.

The controllers of the charge points ask for their allotment when they plan (`House.allot`). The
joint plan is made again when something that it rests on has changed: who is there, needs, wishes,
the file or the rates; every quarter of an hour, because charging is never quite as planned; and
when one of them gains so much less than planned that its plan must be made again.

Making it takes up to some seconds, so this room only says what to plan (`to_plan`), and takes up
the plan (`with_plan`) if what it rests on is still the same. Until then each charge point awaits
the plan: what is charging goes on, and nothing begins. A plan that is `LATE` is awaited no longer:
the charge points have their fixed shares until it comes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from config.calendar.words import listed
from daemon.control.leaving_late import would_leave_late
from daemon.control.replanning import is_delayed, situation_of
from daemon.control.state import (
    FAULTS,
    NEARLY_PERCENT,
    Allotment,
    charges_now,
    counted_soc_percent,
    departure_of,
    is_charging,
    rests_until,
    vehicle_of,
)
from daemon.control.unreported_soc import unreported_soc
from daemon.sharing.claims import Claim, claim_after
from daemon.sharing.planning_task import PlanningTask
from planners.home.allotments import all_that_is_left, allotted_amps, spans_of
from planners.home.together import gap_sentence
from planners.local_time.conversion import minute_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from daemon.control.state import House, PointState
    from daemon.sharing.planning_task import JointPlanMade
    from planners.home.capacity_together import KeptTogether
    from planners.local_time.departures import DepartureAt
    from planners.plan.horizon import Situation
    from planners.power.allowed_currents import AmpsSpan

PLANNED_AGAIN_AFTER = timedelta(minutes=15)
"""A joint plan of several vehicles is made again after this."""

DELAYED_AT_MOST_EVERY = timedelta(minutes=1)
"""Or after this, if the home's load has delayed one of them."""

WITHOUT_PLAN = timedelta(hours=24)
"""For how long a current is allotted to those that charge without a plan."""

MOST_TOGETHER = 20
"""More vehicles than this, at home at a time, have fixed shares: planning them takes too long."""

LATE = timedelta(seconds=10)
"""A joint plan that takes longer is awaited no more."""


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
    kept : KeptTogether or None
        The power that the joint plan keeps to for a capacity charge, if any.
    together : mapping of str to str
        The vehicles that are planned together, by charge point.
    rests_on : mapping of str to tuple
        What the joint plan rests on, for each charge point.
    house : House or None
        The household file and the rates that it rests on.
    due : datetime or None
        When it is to be made again even if nothing changes.
    task : PlanningTask or None
        What is being planned, or was planned last; None if that takes no joint plan.
    has_plan : bool
        Whether a plan for the task has come.
    is_refined : bool
        Whether the plan in force is a better one, or better proven, than the first for its task.
    awaited_since : datetime or None
        Since when what is allotted rests on something else than what is planned.
    """

    claims: Mapping[str, Claim] = field(default_factory=dict)
    allotted: Mapping[str, Spans] = field(default_factory=dict)
    gap_share: float = 0.0
    is_short: bool = False
    kept: KeptTogether | None = None
    together: Mapping[str, str] = field(default_factory=dict)
    rests_on: Mapping[str, tuple[Any, ...]] = field(default_factory=dict)
    house: House | None = None
    due: datetime | None = None
    task: PlanningTask | None = None
    awaited_since: datetime | None = None
    has_plan: bool = False
    is_refined: bool = False

    def is_awaited(self, now: datetime) -> bool:
        """Whether a joint plan is being made, and is not late."""
        return self.awaited_since is not None and now < self.awaited_since + LATE

    @property
    def late_at(self) -> datetime | None:
        """When the plan that is being made is late; None if none is."""
        return None if self.awaited_since is None else self.awaited_since + LATE


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
    before = sharing.claims.get(point)
    claim = claim_after(before or Claim(), state, now, file)
    if claim == before:
        return sharing
    return replace(sharing, claims={**sharing.claims, point: claim})


def claims_beside(sharing: Sharing, charge_point: str) -> dict[str, Spans]:
    """Return what the other charge points claim, for `House.others`."""
    return {name: each.spans for name, each in sharing.claims.items() if name != charge_point}


def to_plan(
    sharing: Sharing, states: Mapping[str, PointState], now: datetime, house: House
) -> tuple[Sharing, PlanningTask | None]:
    """Say what must be planned together, if something that the plan rests on has changed.

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
    sharing : Sharing
        The same object if its plan is still good. If nobody or one vehicle alone is there, with
        what is allotted now.
    task : PlanningTask or None
        What to plan; `with_plan` takes up the plan.
    """
    rests_on = {name: _rests_on(state, now, house) for name, state in states.items()}
    is_same = sharing.house is house and rests_on == sharing.rests_on
    is_good = sharing.due is None or now < sharing.due
    if is_same and is_good and not _is_one_delayed(sharing, states, now, house):
        return sharing, None
    unplanned = [name for name, state in states.items() if _takes_what_is_left(state, now, house)]
    found = [
        (name, departure)
        for name, state in states.items()
        if (departure := _to_plan_for(state, now, house)) is not None
    ]
    planned = [name for name, _ in found if name not in unplanned]
    made = replace(
        sharing, rests_on=rests_on, house=house, due=None, task=None, has_plan=False,
        is_refined=False,
    )  # fmt: skip
    if planned and 1 < len(planned) + len(unplanned) <= MOST_TOGETHER:
        situations = tuple(_situation(states[name], each, now, house) for name, each in found)
        task = PlanningTask(house.file, house.prices, situations, tuple(unplanned))
        if is_same:  # the plan in force is good until the next one is there
            return replace(made, task=task, due=now + PLANNED_AGAIN_AFTER), task
        return replace(made, task=task, awaited_since=sharing.awaited_since or now), task
    made = replace(made, allotted={}, gap_share=0.0, kept=None, together={}, awaited_since=None)
    if len(planned) == 1 and not unplanned:
        [first, *_] = (_situation(states[name], each, now, house) for name, each in found)
        return replace(made, allotted=_alone(house.file, first, now)), None
    if unplanned and not planned:
        return _left_to(made, unplanned, now), None
    return made, None


def _is_one_delayed(
    sharing: Sharing, states: Mapping[str, PointState], now: datetime, house: House
) -> bool:
    """Whether one of those that are planned together is delayed, and the plan not quite new."""
    if not sharing.has_plan or sharing.due is None:
        return False
    is_new = now < sharing.due - PLANNED_AGAIN_AFTER + DELAYED_AT_MOST_EVERY
    planned = () if is_new else sharing.together
    return any(is_delayed(states[name], now, house) for name in planned if name in states)


def with_plan(sharing: Sharing, made: JointPlanMade, now: datetime) -> Sharing:
    """Take up a joint plan.

    Parameters
    ----------
    sharing : Sharing
        The sharing in force.
    made : JointPlanMade
        The plan, with what it was made from.
    now : datetime
        UTC.

    Returns
    -------
    Sharing
        The same object if something else is to be planned by now.
    """
    task, plan, house = made.task, made.plan, sharing.house
    if task is not sharing.task or house is None:
        return sharing
    was_awaited, is_first = sharing.awaited_since is not None, not sharing.has_plan
    sharing = replace(
        sharing,
        awaited_since=None,
        due=now + PLANNED_AGAIN_AFTER,
        has_plan=True,
        is_refined=not is_first,
    )
    if plan is None and not was_awaited:
        return sharing  # the plan before is as good as it was
    if plan is None:
        sharing = replace(sharing, allotted={}, gap_share=0.0, kept=None, together={})
        return _left_to(sharing, task.unplanned, now) if task.unplanned else sharing
    cars = [each.departure.vehicle for each in task.situations]
    together = {house.file.vehicles[car].charge_point: car for car in cars}
    return replace(
        sharing,
        allotted=plan.allotted,
        gap_share=plan.gap_share,
        is_short=plan.is_short,
        kept=plan.kept,
        together={name: car for name, car in together.items() if name not in task.unplanned},
    )


def _left_to(sharing: Sharing, unplanned: Sequence[str], now: datetime) -> Sharing:
    """Allot all that the home leaves to those that charge without a plan, and the rest nothing."""
    assert sharing.house is not None  # noqa: S101 - the callers have set it
    file = sharing.house.file
    first, minutes = minute_of(now), WITHOUT_PLAN // timedelta(minutes=1)
    amps = allotted_amps(
        file, {}, first_minute=first, ticks=minutes, tick_minutes=1, unplanned=unplanned
    )
    allotted = {name: spans_of(each, first, 1, first) for name, each in amps.items()}
    return replace(sharing, allotted=allotted, due=now + WITHOUT_PLAN / 2)


def allotment_of(sharing: Sharing, charge_point: str, now: datetime) -> Allotment:
    """Return what a charge point is allotted, and why.

    Parameters
    ----------
    sharing : Sharing
        The sharing in force.
    charge_point : str
        Its name in the household file.
    now : datetime
        UTC.

    Returns
    -------
    Allotment
        For `House.allot`.
    """
    spans = sharing.allotted.get(charge_point, ())
    if sharing.awaited_since is not None:
        is_awaited = sharing.is_awaited(now)
        return Allotment(spans if is_awaited else (), is_awaited=is_awaited)
    others = [car for point, car in sharing.together.items() if point != charge_point]
    if charge_point in sharing.together and others:
        carbon = sharing.house.prices.carbon if sharing.house is not None else None
        good = gap_sentence(sharing.gap_share, carbon, is_short=sharing.is_short)
        why = [f"Planned together with {listed(others)}: {good}"]
        if sharing.kept is not None and sharing.house is not None:
            why.append(sharing.kept.sentence(sharing.house.file.household.currency))
        return Allotment(spans, tuple(why), is_joint=True)
    if others and spans:
        why = [f"It takes what the plans of {listed(others)} leave."]
        return Allotment(spans, tuple(why), is_joint=True)
    return Allotment(spans)


def allotment_changed(old: Allotment, new: Allotment, now: datetime) -> bool:
    """Whether a charge point is allotted other currents than before, from now on.

    Parameters
    ----------
    old, new : Allotment
        Before and now.
    now : datetime
        UTC.

    Returns
    -------
    bool
        What has passed does not count.
    """
    return _ahead(old.spans, now) != _ahead(new.spans, now)


def _ahead(spans: Spans, now: datetime) -> list[AmpsSpan]:
    return [replace(span, start=max(span.start, now)) for span in spans if span.end > now]


def _alone(file: HouseholdFile, situation: Situation, now: datetime) -> dict[str, Spans]:
    """Allot all that the home leaves to the only vehicle that is there."""
    car, until = situation.departure.vehicle, situation.departures[-1].instant
    return {file.vehicles[car].charge_point: all_that_is_left(file, now, until, car)}


def _is_there(state: PointState) -> bool:
    return state.plugged_in and not state.stopped_itself and state.pilot not in FAULTS


def _takes_what_is_left(state: PointState, now: datetime, house: House) -> bool:
    """Whether it charges whatever the rates are, and so also takes what the plans leave."""
    if not _is_there(state):
        return False
    if charges_now(state, house.file, now) or would_leave_late(state, house.file, now) is not None:
        return True
    departure = departure_of(state, house.file, now)
    if departure is None or departure.ready_by > now:
        return False
    # In the margin before a departure nothing is planned, but a need may still be unmet.
    soc = counted_soc_percent(state, house.file, now)
    nearly = 0.0 if is_charging(state) else NEARLY_PERCENT
    return soc is None or soc < departure.need_percent - nearly


def _to_plan_for(state: PointState, now: datetime, house: House) -> DepartureAt | None:
    """Give the departure to plan a vehicle for; None if there is nothing to plan."""
    departure = departure_of(state, house.file, now) if _is_there(state) else None
    return None if departure is None or departure.ready_by <= now else departure


def _situation(state: PointState, departure: DepartureAt, now: datetime, house: House) -> Situation:
    """Give the situation of a vehicle to plan for."""
    if state.soc is None:
        soc = unreported_soc(state, departure.vehicle, now, house.file)
        state = replace(state, soc=soc)
    # Only the next departures are planned together: all that are known would take too long.
    return situation_of(state, departure, now, house, with_later=False)


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
