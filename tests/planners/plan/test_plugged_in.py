"""Plans for hardware that can't tell whether a vehicle is there: only in the file's hours."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from planners.local_time.departures import assumed_plugged_in
from planners.plan.horizon import Situation, departures_known
from planners.plan.planning import make_plan
from planners.rates.prices import prices_of
from tests.planners.households import band, bands
from tests.planners.planned import DemoHousehold, minutes, spans_of, utc

if TYPE_CHECKING:
    from planners.plan.plan import Plan

SUNNY = bands(
    band("sun", "0.10", hours=["10:00-16:00"]), band("dear", "0.50", hours=["17:00-21:00"]),
    band("rest", "0.20"),
)  # fmt: skip
MORNING = "2026-06-02T22:00:00"
"""Wednesday 10:00 by the household's clock, in the cheapest hours and with nobody plugged in."""


def at_night(hours: str = "19:00-08:00", **changes: object) -> DemoHousehold:
    """Make a household whose vehicle counts as plugged in at night; cheap hours are by day."""
    given = DemoHousehold(tariffs=[SUNNY], point={"plugged_in": hours})
    return replace(given, **changes)  # type: ignore[arg-type]


def planned_together(given: DemoHousehold, soc: float, at: str, *, by_hours: bool = True) -> Plan:
    """Plan for all departures that are known."""
    file, now = given.file(), utc(at)
    prices = prices_of(file, {})
    departure, *later = departures_known(file, prices, "hatchback", now)
    return make_plan(
        file, prices, Situation(now, soc, departure, later=tuple(later), by_hours=by_hours)
    )


def test_a_plan_made_by_day_charges_only_when_the_vehicle_counts_as_plugged_in() -> None:
    """From 21:00 local, after the dear hours; not in the cheap hours, when it is away."""
    plan = at_night().plan(50.0, MORNING)
    assert spans_of(plan)[0][0] == "09:00:00"
    assert plan.reaches_percent == pytest.approx(80.0)


def test_the_plan_says_which_hours_it_counts_on() -> None:
    """The reader sees why the cheapest hours of the day are not used."""
    hours = "hatchback counts as plugged in only from 19:00 to 08:00 (plugged_in)"
    assert f"{hours}: charging is planned only then." in at_night().plan(50.0, MORNING).why
    evening = at_night().plan(50.0, "2026-06-03T08:00:00")  # from 20:00 on it stays plugged in
    assert not any("plugged_in" in sentence for sentence in evening.why)


def test_no_reason_mentions_rates_of_hours_without_the_vehicle() -> None:
    """Kept out of the dear hours, of which only 19:00 to 21:00 were open to it."""
    sentences = " ".join(at_night("21:00-08:00").plan(50.0, MORNING).why)
    assert "Keeps out of" not in sentences
    assert "Every hour before the departure costs the same." in sentences


def test_the_baselines_keep_to_the_same_hours() -> None:
    """At once begins at 19:00 in the dear hours; a timer is set for the cheapest hours there."""
    plan = at_night().plan(50.0, MORNING)
    assert plan.at_once.energy_kwh == pytest.approx(plan.energy_kwh)
    assert plan.at_once.cost > 2 * plan.cost
    assert plan.timer.energy_kwh == pytest.approx(plan.energy_kwh)
    assert plan.timer.cost == pytest.approx(plan.cost)


def test_a_need_that_those_hours_cant_meet_is_out_of_reach() -> None:
    """An hour from 06:00 to 07:00 gives 7.36 kWh, though the plan begins the morning before."""
    plan = at_night("06:00-07:00").plan(50.0, MORNING)
    assert plan.energy_kwh == pytest.approx(7.36)
    assert plan.shortfall is not None
    assert plan.shortfall.earliest_ready is not None
    assert plan.shortfall.earliest_ready > plan.departure


def test_a_plan_over_several_days_leaves_the_days_out() -> None:
    """No departure at the weekend: Saturday's and Sunday's cheap hours are not used either."""
    given = at_night(leaves={"days": ["mon"], "need_percent": 80.0})
    plan = given.plan(10.0, "2026-06-05T08:00:00")  # Friday 20:00
    file = given.file()
    point = file.charge_points["driveway"]
    assert plan.reaches_percent == pytest.approx(80.0)
    for period in plan.periods:
        assert assumed_plugged_in(point, period.start, file.zone)
        assert assumed_plugged_in(point, period.end - minutes(1), file.zone)


def test_hours_follow_the_local_clock_when_it_changes() -> None:
    """2026-09-26: 21:00 is 09:00 UTC before the clock goes forward, 08:00 UTC the day after."""
    given = at_night("21:00-23:00", leaves={"days": ["mon"], "need_percent": 80.0})
    plan = given.plan(55.0, "2026-09-25T23:00:00")
    starts = {f"{period.start:%d %H:%M}" for period in plan.periods}
    assert starts <= {"26 09:00", "27 08:00"}
    assert starts


def test_a_later_night_begins_no_sooner_than_the_hours_do() -> None:
    """Back at 15:00 in cheap hours, but the hours start at 19:00."""
    trips = {"returns": "15:00", "uses_kwh": 15.0, "need_percent": 60.0}
    plan = planned_together(at_night(leaves=trips), 60.0, "2026-06-03T08:00:00")
    assert plan.later
    assert all(f"{p.start:%H:%M}" >= "09:00" for night in plan.later for p in night.periods)


def test_hardware_that_reports_the_vehicle_makes_the_hours_void() -> None:
    """A pilot state says that it is there, whatever the file assumes."""
    plan = planned_together(at_night(), 50.0, MORNING, by_hours=False)
    assert spans_of(plan)[0][0] == "22:00:00"


@pytest.mark.parametrize("min_run", [0, 45])
def test_a_run_ends_where_the_hours_end(min_run: int) -> None:
    """A shortest run that would go on past 08:00 begins sooner, or not at all."""
    given = at_night("06:30-07:00", point=None)
    given = replace(given, point={"plugged_in": "06:30-07:00", "min_run_minutes": min_run})
    plan = given.plan(50.0, MORNING)
    assert [period for period in plan.periods if f"{period.end:%H:%M}" > "19:00"] == []
    assert bool(plan.periods) == (min_run == 0)
