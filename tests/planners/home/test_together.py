"""The vehicles of a home planned together: cheaper than with fixed shares, and never too much."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import timedelta
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from config.household.household_file import HouseholdFile
from planners.home.together import HomePlan, plan_together, state_together
from planners.local_time.conversion import instant_of, minute_of
from planners.local_time.wished_departures import next_departure
from planners.plan.horizon import Situation
from planners.plan.plan import Plan
from planners.plan.planning import draft_plan
from planners.power.allowed_currents import AmpsSpan
from planners.power.home_load import home_load
from planners.power.phases import limits_of
from planners.rates.prices import prices_of
from tests.planners.households import band, bands
from tests.planners.joint.reference import cheapest_together
from tests.planners.planned import EVERY_DAY, utc
from tests.support.waiting import patience

EVENING = "2026-06-03T06:30:00"
"""A Wednesday, 18:30 by the household's clock; the cheap hours begin at 21:00."""

NIGHT, DAY = "0.10", "0.30"
TARIFF = bands(band("night", NIGHT, hours=["21:00-07:00"]), band("day", DAY))
PEAKS = bands(
    band("night", NIGHT, hours=["21:00-02:00"]),
    band("late", "0.14", hours=["02:00-06:00"]),
    band("peak", "0.45", hours=["17:00-21:00"]),
    band("day", DAY),
)
ROUNDS = 4


@dataclass(frozen=True)
class TwoCars:
    """Kowhai Cottage with two charge points of 32 A behind one fuse, and a test's changes."""

    fuse: float | list[float] | None = 40.0
    points: dict[str, dict[str, Any]] = field(default_factory=dict)
    needs: tuple[float, float] = (80.0, 80.0)
    leaves: tuple[str, str] = ("07:20", "07:20")
    load: list[dict[str, Any]] = field(default_factory=list)
    tariff: dict[str, Any] = field(default_factory=lambda: TARIFF)
    own_tariffs: tuple[dict[str, Any], ...] = ()
    priorities: tuple[int | None, int | None] = (None, None)
    phases: tuple[int, int] = (1, 1)
    unbalance: float | None = None
    max_kw: float | None = None

    def file(self) -> HouseholdFile:
        """Return the household file."""
        point = {"charging_mode": 3, "max_amps": 32.0, "switching": "current"}
        cars = {"driveway": "hatchback", "carport": "van"}
        home: dict[str, Any] = {"name": "Kowhai", "timezone": "Pacific/Auckland", "currency": "NZD"}
        if self.fuse is not None:
            home |= {"main_fuse_amps": self.fuse, "known_load": self.load}
        if self.unbalance is not None:
            home["max_unbalance_amps"] = self.unbalance
        if self.max_kw is not None:
            home["max_power_kw"] = self.max_kw
        return HouseholdFile.model_validate(
            {
                "household": home,
                "tariffs": [self.tariff, *self.own_tariffs],
                "charge_points": {name: point | self.points.get(name, {}) for name in cars},
                "vehicles": {
                    car: {
                        "charge_point": name,
                        "usable_kwh": 52.0,
                        "priority": rank,
                        "phases": count,
                    }
                    for (name, car), rank, count in zip(
                        cars.items(), self.priorities, self.phases, strict=True
                    )
                },
                "departures": [
                    {"vehicle": car, "days": EVERY_DAY, "at": at, "need_percent": need}
                    for car, at, need in zip(cars.values(), self.leaves, self.needs, strict=True)
                ],
                "bus": {"broker": "mqtt://127.0.0.1:1883"},
                "ledger": {"path": "ledger.sqlite3"},
            },
            context={"directory": Path(__file__).parent},
        )

    def situations(self, *socs: float | None, at: str = EVENING) -> list[Situation]:
        """Return the situation of each car; None for one that is away."""
        file, now = self.file(), utc(at)
        found = []
        for car, soc in zip(file.vehicles, socs, strict=True):
            departure = next_departure(file, car, now)
            assert departure is not None
            if soc is not None:
                found.append(Situation(now, soc, departure))
        return found


def _planned(home: TwoCars, situations: list[Situation]) -> tuple[HomePlan, list[Plan]]:
    """Plan together, and then each car with what it is allotted."""
    file = home.file()
    prices = prices_of(file, {})
    *_, found = islice(plan_together(file, prices, situations), ROUNDS)
    plans = []
    for situation in situations:
        point = file.vehicles[situation.departure.vehicle].charge_point
        allotted = replace(situation, allotted=found.allotted[point])
        plans.append(draft_plan(file, prices, allotted).plan)
    return found, plans


def _by_shares(home: TwoCars, situations: list[Situation]) -> list[Plan]:
    file = home.file()
    return [draft_plan(file, prices_of(file, {}), situation).plan for situation in situations]


def _cost(plans: list[Plan]) -> float:
    return sum(plan.cost for plan in plans)


def test_one_car_at_home_takes_all_of_the_fuse() -> None:
    """Behind 40 A it draws 32 A, not the 20 A of its share, and finishes in the cheap hours."""
    home = TwoCars(fuse=40.0, needs=(100.0, 80.0))
    alone = home.situations(5.0, None)
    _, (plan,) = _planned(home, alone)
    (shared,) = _by_shares(home, alone)
    assert max(period.amps for period in plan.periods) == 32.0
    assert plan.energy_kwh == pytest.approx(shared.energy_kwh)
    assert plan.cost == pytest.approx(float(NIGHT) * plan.energy_kwh)
    assert shared.cost > 1.1 * plan.cost


def test_a_fuller_car_leaves_its_part_to_an_emptier_one() -> None:
    """70 % beside 10 %: together they buy in the cheap hours what a share of 20 A can't."""
    home = TwoCars(fuse=40.0, needs=(100.0, 80.0))
    cars = home.situations(5.0, 70.0)
    found, plans = _planned(home, cars)
    assert _cost(plans) == pytest.approx(float(NIGHT) * sum(plan.energy_kwh for plan in plans))
    assert _cost(_by_shares(home, cars)) > 1.1 * _cost(plans)
    assert found.gap_share < 0.001


def test_one_car_behind_a_small_fuse_misses_nothing() -> None:
    """Behind 16 A the share is 8 A, which is short; alone it draws 16 A and is not."""
    home = TwoCars(fuse=16.0)
    alone = home.situations(30.0, None)
    assert _by_shares(home, alone)[0].shortfall is not None
    _, (plan,) = _planned(home, alone)
    assert plan.shortfall is None


def test_two_cars_that_leave_at_different_times_miss_nothing() -> None:
    """Behind 25 A each share is 12 A; the one that leaves first takes more of it first."""
    home = TwoCars(fuse=25.0, leaves=("00:20", "07:20"))
    cars = home.situations(40.0, 30.0)
    assert _by_shares(home, cars)[0].shortfall is not None
    _, plans = _planned(home, cars)
    assert [plan.shortfall for plan in plans] == [None, None]


def test_relays_take_turns() -> None:
    """The home leaves 25 of 40 A all night: one of two relays of 16 A may be on at a time."""
    relay = {"switching": "on_off", "max_amps": 16.0}
    home = TwoCars(
        points={"driveway": relay, "carport": relay},
        needs=(60.0, 60.0),
        load=[{"amps": 15.0, "hours": ["18:00-08:00"]}],
    )
    cars = home.situations(35.0, 35.0)
    assert _by_shares(home, cars)[1].shortfall is not None
    _, plans = _planned(home, cars)
    assert [plan.shortfall for plan in plans] == [None, None]
    assert _cost(plans) == pytest.approx(float(NIGHT) * sum(plan.energy_kwh for plan in plans))


RELAY = {"switching": "on_off", "max_amps": 16.0}
THREE = {"phases": 3}
WHOLE = TwoCars([63.0] * 3, {"driveway": THREE}, (70.0, 70.0), phases=(3, 1), max_kw=11.0)
SIX: dict[str, tuple[TwoCars, tuple[float | None, float | None]]] = {
    "one of two at home behind 40 A": (TwoCars(tariff=PEAKS, needs=(100.0, 80.0)), (5.0, None)),
    "70 % beside 20 % behind 40 A": (TwoCars(tariff=PEAKS, needs=(100.0, 100.0)), (70.0, 5.0)),
    "both behind 25 A": (TwoCars(25.0, tariff=PEAKS, leaves=("00:20", "07:20")), (40.0, 30.0)),
    "one of two at home behind 16 A": (TwoCars(16.0, tariff=PEAKS), (30.0, None)),
    "a relay beside a settable current": (
        TwoCars(25.0, {"driveway": RELAY}, (60.0, 60.0), tariff=PEAKS),
        (30.0, 30.0),
    ),
    "three phases beside one within 11 kW": (replace(WHOLE, tariff=PEAKS), (30.0, 30.0)),
    "two relays that take turns": (
        TwoCars(25.0, {"driveway": RELAY, "carport": RELAY}, (55.0, 60.0), tariff=PEAKS),
        (35.0, 35.0),
    ),
}


@pytest.mark.parametrize(("home", "socs"), SIX.values(), ids=SIX)
def test_each_car_within_its_allotment_reaches_the_joint_optimum(
    home: TwoCars, socs: tuple[float | None, float | None]
) -> None:
    """HiGHS solves both cars' problems as one: to 0.1 %, or a tick's energy at the night rate."""
    cars = home.situations(*socs)
    file = home.file()
    stated = state_together(file, prices_of(file, {}), cars)
    assert stated is not None
    optimum = cheapest_together(stated.joint, seconds=patience(60))
    assert optimum is not None
    assert optimum.is_known
    found, plans = _planned(home, cars)
    assert [plan.shortfall for plan in plans] == [None] * len(cars)
    tick_kwh = 32.0 * 230.0 / 1000 * 5 / 60
    allowed = max(0.001 * optimum.money, tick_kwh * float(NIGHT))
    assert optimum.money - 1e-4 * optimum.money <= _cost(plans) <= optimum.money + allowed
    assert _cost(plans) - found.gap <= optimum.money + allowed


def test_two_cars_that_need_too_much_share_the_shortage_and_give_up_the_margin() -> None:
    """Behind 16 A all night is too short for both: no minute before the departure is left idle."""
    home = TwoCars(fuse=16.0)
    cars = home.situations(30.0, 40.0)
    _, plans = _planned(home, cars)
    departure = utc("2026-06-03T19:20:00")
    most = 16.0 * 230.0 / 1000 * (departure - utc(EVENING)) / timedelta(hours=1)
    assert sum(plan.energy_kwh for plan in plans) == pytest.approx(most)
    missed = [plan.shortfall.kwh for plan in plans if plan.shortfall is not None]
    assert missed == pytest.approx([sum(missed) / 2] * 2, abs=0.31)


ODD_LOAD: list[dict[str, Any]] = [{"amps": 7.0, "hours": ["22:13-01:26"]}]


def test_two_cars_that_need_too_much_lose_no_minute_of_the_ticks_that_are_cut() -> None:
    """The load begins and ends inside ticks, and both leave inside one: each minute is used."""
    home = TwoCars(fuse=16.0, leaves=("07:18", "07:18"), load=ODD_LOAD)
    cars = home.situations(20.0, 30.0)
    _, plans = _planned(home, cars)
    departure = utc("2026-06-03T19:18:00")
    amp_hours = 16.0 * (departure - utc(EVENING)) / timedelta(hours=1) - 7.0 * 193 / 60
    drawn = sum(plan.energy_kwh for plan in plans)
    assert drawn == pytest.approx(amp_hours * 230.0 / 1000)


@pytest.mark.parametrize(
    ("home", "rests"),
    [
        (TwoCars(), 8),
        (TwoCars(load=ODD_LOAD), 0),
        (TwoCars(leaves=("07:18", "06:41")), 0),
    ],
    ids=["one rests until an odd minute", "a load at odd minutes", "departures at odd minutes"],
)
def test_ticks_are_not_cut_to_minutes(home: TwoCars, rests: int) -> None:
    """A plan of two vehicles in ticks of a minute took some seconds."""
    one, other = home.situations(30.0, 30.0, at="2026-06-03T06:33:27")
    other = replace(other, now=other.now + timedelta(minutes=rests))
    file = home.file()
    stated = state_together(file, prices_of(file, {}), [one, other])
    assert stated is not None
    assert [each.window.tick_minutes for each in stated.horizons] == [5, 5]


def test_one_that_leaves_within_a_tick_takes_what_the_plans_leave() -> None:
    """It goes on until its departure: it is not stopped because it has no tick to plan."""
    home = TwoCars(leaves=("00:20", "07:20"))
    found, _ = _planned(home, home.situations(30.0, 30.0, at="2026-06-03T12:02:00"))
    first = {name: spans[0] for name, spans in found.allotted.items()}
    assert {name: span.amps for name, span in first.items()} == {"driveway": 8.0, "carport": 32.0}
    assert first["driveway"].start == utc("2026-06-03T12:02:00")


def test_of_two_cars_that_need_too_much_the_first_priority_is_served() -> None:
    """The van's need is met, and the hatchback misses all that is missing."""
    home = TwoCars(fuse=16.0, priorities=(2, 1))
    _, (hatchback, van) = _planned(home, home.situations(30.0, 40.0))
    assert van.shortfall is None
    assert hatchback.shortfall is not None


def test_while_a_need_is_missed_the_other_car_has_no_current_to_wait_for() -> None:
    """Nothing is allotted to the van but what it needs, also in its margin."""
    home = TwoCars(fuse=24.0, needs=(100.0, 60.0), leaves=("05:00", "07:20"), priorities=(2, 1))
    found, (hatchback, van) = _planned(home, home.situations(5.0, 10.0))
    assert hatchback.shortfall is not None
    assert van.shortfall is None
    allotted = found.allotted["carport"]
    hours = [(span.end - span.start) / timedelta(hours=1) for span in allotted]
    amp_hours = sum(span.amps * length for span, length in zip(allotted, hours, strict=True))
    assert amp_hours * 0.23 == pytest.approx(van.energy_kwh, abs=0.1)  # a minute at 24 A
    assert allotted[-1].end == utc("2026-06-03T19:20:00")


@pytest.mark.parametrize(("first", "minutes"), [(1, 0), (2, 15), (3, 15)])
def test_a_margin_is_given_up_for_a_need_that_does_not_come_after(first: int, minutes: int) -> None:
    """The van is done 15 minutes early or not, and leaves the hatchback as much more of 24 A."""
    home = TwoCars(fuse=24.0, needs=(100.0, 50.0), leaves=("05:00", "05:45"), priorities=(2, first))
    _, plans = _planned(home, home.situations(5.0, 10.0))
    hours = (utc("2026-06-03T17:30:00") - utc(EVENING)) / timedelta(hours=1) + minutes / 60
    assert sum(plan.energy_kwh for plan in plans) == pytest.approx(24.0 * 0.23 * hours, abs=0.01)


def test_a_plan_ends_its_ticks_where_its_allotment_changes() -> None:
    """At seven past, as the joint plan's ticks of one minute may: not at the next five minutes."""
    home = TwoCars(fuse=25.0)
    (car, _), file = home.situations(45.0, 30.0), home.file()
    change, end = utc("2026-06-03T09:07:00"), utc("2026-06-03T19:20:00")
    allotted = (AmpsSpan(car.now, change, 0.0), AmpsSpan(change, end, 25.0))
    plan = draft_plan(file, prices_of(file, {}), replace(car, allotted=allotted)).plan
    assert plan.periods[0].start == change


ON_L2 = {"connected_to": ["L2"]}
ROTATED = {"phases": 3, "connected_to": ["L2", "L3", "L1"]}


def test_charge_points_on_different_phases_do_not_share() -> None:
    """Behind 25 A each draws 25 A, where on one phase the second would pay more."""
    home = TwoCars(fuse=25.0, points={"carport": ON_L2})
    cars = home.situations(30.0, 30.0)
    found, plans = _planned(home, cars)
    assert found.gap == 0.0
    assert [max(period.amps for period in plan.periods) for plan in plans] == [25.0, 25.0]
    assert [plan.cost for plan in _by_shares(home, cars)] == [plan.cost for plan in plans]


def test_a_car_with_one_phase_loads_the_first_of_a_rotated_charge_point() -> None:
    """It is on L2, beside the other on L1; a car with three phases is on L1 too, and shares."""
    home = TwoCars(fuse=25.0, points={"carport": ROTATED})
    assert _by_shares(home, home.situations(30.0, 30.0))[0].periods[0].amps == 25.0
    three = replace(home, phases=(1, 3))
    assert _by_shares(three, three.situations(30.0, 30.0))[0].periods[0].amps == 12.0


def test_each_phase_has_its_own_fuse_and_load() -> None:
    """L2 has 20 A, of which the rest of the home draws 8 A; L1 has 32 A."""
    home = TwoCars(
        fuse=[32.0, 20.0, 32.0],
        points={"carport": ON_L2},
        load=[{"amps": 8.0, "hours": ["18:00-08:00"], "connected_to": ["L2"]}],
    )
    cars = home.situations(30.0, 30.0)
    for plans in (_planned(home, cars)[1], _by_shares(home, cars)):
        assert [max(period.amps for period in plan.periods) for plan in plans] == [32.0, 12.0]


def test_the_unbalance_holds_whichever_cars_charge() -> None:
    """Two cars on L1 and L2 could balance each other; if one stops, the other must keep 20 A."""
    home = TwoCars(fuse=63.0, points={"carport": ON_L2}, unbalance=20.0)
    cars = home.situations(30.0, 30.0)
    for plans in (_planned(home, cars)[1], _by_shares(home, cars)):
        assert [max(period.amps for period in plan.periods) for plan in plans] == [20.0, 20.0]
    three = TwoCars(fuse=63.0, points={"carport": {"phases": 3}}, phases=(1, 3), unbalance=20.0)
    _, plans = _planned(three, three.situations(None, 30.0))
    assert max(period.amps for period in plans[0].periods) == 32.0


def test_the_phases_of_a_joint_plan_are_never_exceeded() -> None:
    """A car on three phases beside one on L2 alone, behind a fuse that is less on L2."""
    home = TwoCars(
        fuse=[40.0, 32.0, 40.0],
        points={"driveway": {"phases": 3}, "carport": ON_L2},
        phases=(3, 1),
        needs=(100.0, 100.0),
    )
    found, plans = _planned(home, home.situations(5.0, 10.0))
    edges = {edge for plan in plans for each in plan.periods for edge in (each.start, each.end)}
    drawn = [sum(p.amps for plan in plans if (p := plan.period_at(edge))) for edge in edges]
    assert max(drawn) == 32.0
    assert [plan.shortfall for plan in plans] == [None, None]
    assert found.gap_share < 0.01


def _highest_kw(plans: list[Plan]) -> float:
    edges = {edge for plan in plans for each in plan.periods for edge in (each.start, each.end)}
    phases = (3, 1)
    return max(
        sum(
            period.amps * count * 230 / 1000
            for plan, count in zip(plans, phases, strict=True)
            if (period := plan.period_at(edge))
        )
        for edge in edges
    )


def test_the_power_of_the_home_is_never_exceeded() -> None:
    """11 kW carry a car on three phases with 15 A, or both with less, and the known load."""
    cars = WHOLE.situations(5.0, 5.0)
    found, plans = _planned(WHOLE, cars)
    assert 10.5 < _highest_kw(plans) <= 11.0 + 1e-6
    assert 9.0 < _highest_kw(_by_shares(WHOLE, cars)) <= 11.0
    assert found.gap_share < 0.01
    load = [{"amps": 10.0, "hours": ["18:00-08:00"], "connected_to": ["L2", "L3"]}]
    loaded = replace(WHOLE, load=load)
    assert _highest_kw(_by_shares(loaded, cars)) <= 11.0 - 4.6


def test_one_car_takes_all_of_the_power() -> None:
    """Alone within 5 kW a car on three phases has 7.2 A, and one on a single phase 21.7 A."""
    home = replace(WHOLE, max_kw=5.0)
    for socs, amps in (((5.0, None), 7.2), ((None, 5.0), 21.7)):
        [plan] = _planned(home, home.situations(*socs))[1]
        assert max(each.amps for each in plan.periods) == amps


def test_phases_that_are_not_declared_count_as_those_of_the_charge_point() -> None:
    """A vehicle may draw on all of them, though plans count on one."""
    file = WHOLE.file()
    van = file.vehicles["hatchback"].model_copy()
    van.model_fields_set.discard("phases")
    file = file.model_copy(update={"vehicles": {**file.vehicles, "hatchback": van}})
    [limit] = [each for each in limits_of(file) if each.kind == "power"]
    assert limit.points == {"driveway": 3.0, "carport": 1.0}


def test_a_departure_that_is_far_off_is_planned_later() -> None:
    """Its ticks would be others: the near one is planned as if it were alone."""
    home = TwoCars()
    near, other = home.situations(30.0, 30.0)
    away = timedelta(days=9)
    far = replace(
        other.departure,
        instant=other.departure.instant + away,
        ready_by=other.departure.ready_by + away,
    )
    found, _ = _planned(home, [near, replace(other, departure=far)])
    alone, _ = _planned(home, [near])
    assert found.allotted == alone.allotted


def test_one_that_waits_for_the_end_of_a_time_away_is_planned_later() -> None:
    """It begins three days before its departure in two weeks; tonight's plan ends tomorrow."""
    home = TwoCars()
    near, far = home.situations(40.0, 40.0)
    away = timedelta(days=13)
    leaves = replace(
        far.departure, instant=far.departure.instant + away, ready_by=far.departure.ready_by + away
    )
    far = replace(far, now=leaves.ready_by - timedelta(days=3), departure=leaves)
    stated = state_together(home.file(), prices_of(home.file(), {}), [near, far])
    assert stated is not None
    assert [each.charge_point for each in stated.horizons] == ["driveway"]


def test_many_ticks_are_not_divided_for_another_cars_departure() -> None:
    """One leaves at seven past the hour, the other in five days: minutes would be 7,000."""
    home = TwoCars(leaves=("07:07", "07:20"))
    near, other = home.situations(30.0, 90.0)
    away = timedelta(days=5)
    later = replace(
        other.departure,
        instant=other.departure.instant + away,
        ready_by=other.departure.ready_by + away,
    )
    found, _ = _planned(home, [near, replace(other, departure=later)])
    changes = [span.start.minute for span in found.allotted["driveway"][1:]]
    assert all(minute % home.file().household.tick_minutes == 0 for minute in changes)


def test_without_a_main_fuse_each_is_planned_alone() -> None:
    """Nothing is shared, and nothing could be cheaper."""
    home = TwoCars(fuse=None)
    cars = home.situations(30.0, 30.0)
    found, plans = _planned(home, cars)
    assert found.gap == 0.0
    assert _cost(plans) == pytest.approx(_cost(_by_shares(home, cars)))


socs = st.one_of(st.none(), st.integers(5, 90).map(float))
points = st.sampled_from(
    [{}, {"max_amps": 16.0}, {"switching": "on_off", "max_amps": 10.0}, {"min_run_minutes": 15}]
)


@settings(max_examples=settings().max_examples // 4)
@given(
    fuse=st.sampled_from([25.0, 32.0, 40.0, 63.0]),
    chosen=st.tuples(points, points),
    socs=st.tuples(socs, socs).filter(any),
    minute=st.integers(0, 59),
    load=st.sampled_from([[], [{"amps": 9.0, "hours": ["22:10-01:25"]}]]),
)
def test_allotments_never_exceed_what_is_left(
    fuse: float,
    chosen: tuple[dict[str, Any], dict[str, Any]],
    socs: tuple[float | None, float | None],
    minute: int,
    load: list[dict[str, Any]],
) -> None:
    """In every minute, all charge points together, and each car's plan within its own."""
    both = dict(zip(("driveway", "carport"), chosen, strict=True))
    home = TwoCars(fuse=fuse, points=both, leaves=("05:40", "07:20"), load=load)
    cars = home.situations(*socs, at=f"2026-06-03T06:{minute:02}:20")
    found, plans = _planned(home, cars)
    file = home.file()
    spans = list(found.allotted.values())
    first, last = minute_of(spans[0][0].start), minute_of(spans[0][-1].end)
    total = np.zeros(last - first)
    for each in spans:
        assert (minute_of(each[0].start), minute_of(each[-1].end)) == (first, last)
        for span in each:
            total[minute_of(span.start) - first : minute_of(span.end) - first] += span.amps
    assert (total <= fuse - home_load(file, first, last) + 1e-6).all()
    edges = {
        edge for plan in plans for period in plan.periods for edge in (period.start, period.end)
    }
    for edge in edges:
        drawn = sum(period.amps for plan in plans if (period := plan.period_at(edge)))
        at = minute_of(edge)
        assert drawn <= fuse - home_load(file, at, at + 1)[0] + 1e-6, instant_of(at)
