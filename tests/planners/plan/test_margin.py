"""A need that is out of reach takes the margin, and charging goes on until the departure itself."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from planners.local_time.conversion import MINUTE
from planners.local_time.wished_departures import Wish, next_departure
from planners.plan.horizon import Situation, departures_known
from planners.plan.planning import make_plan
from planners.rates.prices import prices_of
from tests.planners.households import band, bands
from tests.planners.planned import DemoHousehold, spans_of, utc

if TYPE_CHECKING:
    from planners.plan.plan import Plan

EVENING = "2026-06-03T06:30:00"
NIGHT = bands(band("night", "0.20", hours=["21:00-07:00"]), band("day", "0.40"))
SOCKET: dict[str, Any] = {"charging_mode": 2, "max_amps": 10.0, "switching": "on_off"}
WEAK = DemoHousehold(tariffs=[NIGHT], point=SOCKET, leaves={"need_percent": 80.0})
"""The socket gives 2.07 kW to the battery, a little less than 4 % an hour; it leaves at 07:20."""


def test_out_of_reach_it_charges_until_the_departure_itself() -> None:
    """From 18:30 to 07:20 without a pause, and the reader is told."""
    plan = WEAK.plan(10.0, EVENING)
    assert (spans_of(plan)[0][0], spans_of(plan)[-1][1]) == ("06:30:00", "19:20:00")
    assert plan.shortfall is not None
    said = "Charging goes on until the departure itself: the margin of 15 minutes is given up."
    assert said in plan.why


def test_a_need_that_only_the_margin_makes_possible_is_met() -> None:
    """At 61 % it takes until 07:17."""
    gained = 100 * 2.07 * (12 + 47 / 60) / 52
    plan = WEAK.plan(80.0 - gained, EVENING)
    assert plan.shortfall is None
    assert plan.reaches_percent == pytest.approx(80.0)
    assert "19:05:00" < spans_of(plan)[-1][1] <= "19:20:00"
    assert "80 % can't be reached with the margin of 15 minutes: it is given up." in plan.why


def test_a_need_within_reach_keeps_its_margin() -> None:
    """Five minutes of charging less than possible: all done by 07:05."""
    gained = 100 * 2.07 * (12.5) / 52
    plan = WEAK.plan(80.0 - gained, EVENING)
    assert plan.reaches_percent == pytest.approx(80.0)
    assert spans_of(plan)[-1][1] <= "19:05:00"
    assert not any("margin" in sentence for sentence in plan.why)


def test_a_want_out_of_reach_keeps_the_margin() -> None:
    """What is wanted beyond the need is not worth the margin."""
    given = replace(WEAK, leaves={"need_percent": 50.0, "want_percent": 80.0})
    plan = given.plan(25.0, EVENING)
    assert plan.reaches_percent < 80.0
    assert spans_of(plan)[-1][1] == "19:05:00"


@pytest.mark.parametrize("leaves", ["07:20", "07:22", "07:19"])
def test_the_last_minutes_before_a_departure_are_used(leaves: str) -> None:
    """Also those that are no whole tick."""
    given = replace(WEAK, leaves={"need_percent": 80.0, "at": leaves})
    plan = given.plan(10.0, EVENING)
    assert spans_of(plan)[-1][1] == f"19:{leaves[3:]}:00"


@pytest.mark.parametrize("now", ["19:06:10", "19:16:00", "19:19:30"])
def test_a_run_goes_on_within_the_margin(now: str) -> None:
    """Planned again in the last minutes, for example after a restart, nothing stops."""
    at = f"2026-06-03T{now}"
    plan = WEAK.plan(46.0, at, on=True, since="2026-06-03T06:30:00")
    assert spans_of(plan) == [(now, "19:20:00")]


def test_no_run_starts_for_the_rest_of_a_tick() -> None:
    """Four minutes before the departure, an outlet that is off stays off."""
    assert WEAK.plan(46.0, "2026-06-03T19:16:00").periods == ()


def wished(soc: float, **asked: float) -> Plan:
    """Plan for 15:00 on a day with a departure at 07:20, as a person asks an hour before."""
    wish = Wish("1", "hatchback", utc("2026-06-04T03:00:00"), **asked)
    file = replace(WEAK, leaves={"need_percent": 5.0}).file()
    now = wish.by - 60 * MINUTE
    departure = next_departure(file, "hatchback", now, [wish])
    assert departure is not None
    assert departure.ready_by == wish.by - 15 * MINUTE
    return make_plan(file, prices_of(file, {}), Situation(now, soc, departure))


def test_a_wish_has_the_usual_margin() -> None:
    """A need within reach is met a quarter of an hour before."""
    plan = wished(30.0, need_percent=32.0)
    assert plan.shortfall is None
    assert plan.periods[-1].end <= plan.departure - 15 * MINUTE


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"want_percent": 80.0}, "Charging goes on until the departure itself: the margin"),
        ({"need_percent": 80.0}, "Charging goes on until the departure itself: the margin"),
        ({"want_percent": 33.5}, "34 % can't be reached with the margin of 15 minutes"),
    ],
)
def test_the_margin_of_a_wish_is_given_up_for_what_is_asked(
    asked: dict[str, float], said: str
) -> None:
    """A person asks at any price: what is wanted is worth the margin, too."""
    plan = wished(30.0, **asked)
    assert plan.departure - plan.periods[-1].end < 15 * MINUTE
    assert any(sentence.startswith(said) for sentence in plan.why)


def test_a_departure_may_have_no_margin_to_give_up() -> None:
    """Its own instant is the deadline, and the plan says nothing of a margin."""
    plan = replace(WEAK, leaves={"need_percent": 80.0, "margin_minutes": 0}).plan(10.0, EVENING)
    assert spans_of(plan)[-1][1] == "19:20:00"
    assert not any("margin" in sentence for sentence in plan.why)


def test_the_nights_after_it_are_planned_too() -> None:
    """The later night keeps its own margin, as it is planned again when it comes."""
    leaves = {"need_percent": 80.0, "returns": "18:30", "uses_kwh": 5.0}
    file = replace(WEAK, leaves=leaves).file()
    now, prices = utc(EVENING), prices_of(file, {})
    departure, *later = departures_known(file, prices, "hatchback", now)
    plan = make_plan(file, prices, Situation(now, 10.0, departure, later=tuple(later)))
    assert plan.periods[-1].end == plan.departure
    assert plan.later
    assert next_departure(file, "hatchback", now) == departure


def test_a_settable_current_goes_on_to_the_departure_at_its_highest() -> None:
    """Six amperes at least, ten at most."""
    point = {"max_amps": 10.0, "switching": "current", "charging_mode": 2}
    plan = replace(WEAK, point=point, leaves={"need_percent": 80.0, "at": "07:22"}).plan(
        10, EVENING
    )
    assert spans_of(plan)[-1][1] == "19:22:00"
    assert {period.amps for period in plan.periods} == {10.0}


@pytest.mark.parametrize(("lacking_kwh", "is_short"), [(0.03, False), (0.06, True)])
def test_a_need_missed_by_rounding_is_met(lacking_kwh: float, *, is_short: bool) -> None:
    """Nothing is said to be missing that prints as 0.0 kWh."""
    leaves = {"at": "21:00", "margin_minutes": 0, "need_percent": 40.0}
    soc = 40 - 100 * (7.36 * 0.9 + lacking_kwh) / 52
    plan = DemoHousehold(leaves=leaves).plan(soc, "2026-06-03T08:00:00")
    assert (plan.shortfall is not None) is is_short
    assert any("be reached in time" in sentence for sentence in plan.why) is is_short


def test_charging_at_once_waits_while_the_charge_point_rests() -> None:
    """All time is needed, and it was switched off a moment ago: no rule has more of it."""
    given = DemoHousehold(point={"min_rest_minutes": 5}, leaves={"at": "21:03"})
    plan = given.plan(10.0, "2026-06-03T08:01:17", since="2026-06-03T08:01:00")
    assert plan.shortfall is not None
    assert plan.at_once.energy_kwh == pytest.approx(plan.energy_kwh)
    assert plan.at_once.cost == pytest.approx(plan.cost)
