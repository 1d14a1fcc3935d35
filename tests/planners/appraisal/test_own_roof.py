"""A year of charging beside the home's own roofs: energy by source, and what it costs."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import numpy as np
import pytest

from planners.appraisal.appraisal import Appraisal, ChoiceYear
from planners.appraisal.appraising import appraise
from planners.appraisal.home_case import cases_of
from planners.year.driving_days import driving_of
from planners.year.trip_draws import draw_trips
from tests.planners.appraised import cheap_night, choice, choices_file, flat, point, roofs

SETTABLE = point(switching="current")
SUMMER = ("2027-01-04", "2027-01-06", "2027-01-08", "2027-01-11", "2027-01-13")
DRIVING: dict[str, Any] = {
    "trips": [{"date": day, "distance": "150 km"} for day in SUMMER],
    "leaves": "07:20",
    "returns": "18:10",
}
HOME = [{"kwh_per_day": 9.6}]
WANTED: dict[str, Any] = {"need_percent": 50.0, "want_percent": 80.0}
SOLD: dict[str, Any] = {"export_rate": Decimal("0.08")}


def appraised(*choices: dict[str, Any], **keys: object) -> Appraisal:
    declared: dict[str, object] = {"driving": DRIVING, "home_use": HOME, "generation": roofs()}
    parts: dict[str, Any] = declared | keys
    return appraise(choices_file(*choices, **parts), {})


@pytest.fixture(scope="module")
def compared() -> Appraisal:
    """Five trips in a summer fortnight, with the days between them at home."""
    return appraised(
        choice("No roof", cheap_night(), charge_point=SETTABLE, has_roof=False, **WANTED),
        choice(
            "At night",
            cheap_night(**SOLD),
            charge_point=SETTABLE | {"plugged_in": "21:00-06:00"},
            **WANTED,
        ),
        choice("By day", cheap_night(**SOLD), charge_point=SETTABLE, **WANTED),
    )


def year(compared: Appraisal, name: str) -> ChoiceYear:
    return next(each for each in compared.choices if each.name == name)


def test_charging_by_day_takes_from_the_roof_at_what_export_would_earn(
    compared: Appraisal,
) -> None:
    """Roof and grid add up to what is metered, and their costs to the cost of the year."""
    by_day = year(compared, "By day")
    roof = by_day.roof
    assert roof is not None
    assert roof.kwh > 30
    assert roof.kwh + by_day.grid_kwh == pytest.approx(by_day.energy_kwh)
    assert roof.cost == pytest.approx(0.08 * roof.kwh)
    assert roof.grid_cost + roof.cost == pytest.approx(by_day.cost)
    assert [line.band for line in by_day.by_band][-1] == "roof"
    assert sum(line.kwh for line in by_day.by_band) == pytest.approx(by_day.energy_kwh)
    # The sun shines in the dear hours: from the grid they would have cost their own rate.
    assert roof.all_grid_cost == pytest.approx(roof.grid_cost + 0.32 * roof.kwh)
    assert by_day.nights_short == 0


def test_plugged_in_hours_keep_charging_out_of_the_sun(compared: Appraisal) -> None:
    """At night all is from the grid, at the night's rate, as without a roof."""
    at_night, without = year(compared, "At night"), year(compared, "No roof")
    assert at_night.roof_kwh == pytest.approx(0, abs=1e-6)
    assert at_night.cost == pytest.approx(0.12 * at_night.energy_kwh)
    assert (at_night.energy_kwh, at_night.cost) == pytest.approx(
        (without.energy_kwh, without.cost), abs=1e-3
    )
    assert without.roof is None
    assert without.all_grid_cost == without.cost


def test_it_pays_to_charge_by_day_where_export_earns_less_than_the_night_costs(
    compared: Appraisal,
) -> None:
    """The difference is the roof's energy at 0.12 less 0.08, but for what is bought by day."""
    by_day, at_night = year(compared, "By day"), year(compared, "At night")
    assert compared.cheapest == "By day"
    assert at_night.year_cost - by_day.year_cost == pytest.approx(at_night.cost - by_day.cost)
    assert 0 < at_night.cost - by_day.cost <= 0.04 * by_day.roof_kwh + 1e-6


def test_the_roof_itself_counts_as_a_difference_of_the_home(compared: Appraisal) -> None:
    """What the home need not buy, and what export earns without the vehicle."""
    roof = year(compared, "By day").roof
    assert roof is not None
    assert roof.gives_kwh == pytest.approx(6 * 1350, rel=0.001)
    used_kwh = roof.gives_kwh - roof.surplus_kwh
    assert 0.3 * 365 * 9.6 < used_kwh < 0.6 * 365 * 9.6
    difference = year(compared, "By day").home_cost_difference
    export = 0.08 * roof.surplus_kwh
    assert roof.earns == pytest.approx(export - roof.cost)
    # The home uses it by day at 0.32; near dawn in summer also at the night's 0.12.
    assert 0.12 * used_kwh < -difference - export < 0.32 * used_kwh + 1e-6


def test_what_was_assumed_is_said(compared: Appraisal) -> None:
    said = " ".join(compared.assumptions)
    for words in (
        "The roofs give 8,1",
        "(an offer)",
        "(seed 1)",
        "count on 80 %",
        "plugged in only in the plugged_in hours in At night (21:00-06:00)",
        "in steps of 30 minutes",
    ):
        assert words in said
    assert "no export_rate is declared" not in said


def test_the_break_even_of_the_outlay_is_where_both_cost_the_same(compared: Appraisal) -> None:
    by_day, at_night = year(compared, "By day"), year(compared, "At night")
    assert compared.break_even is not None
    assert compared.break_even.outlay.at == pytest.approx(
        at_night.total_over_years - by_day.total_over_years
    )
    rate = compared.break_even.rate
    assert rate.rival == "At night"
    # With dearer nights the sun only wins by more.
    assert rate.at is not None
    assert rate.at < 0.12


def test_a_meter_of_the_charge_points_own_has_no_roof_behind_it() -> None:
    """The sun charges nothing there, and nothing is paid for export; the report says so."""
    own = {"name": "Own", "bands": [{"name": "all", "rate": Decimal("0.20")}]}
    found = appraised(choice("Own meter", flat(), charging_tariff=own, charge_point=SETTABLE))
    [only] = found.choices
    assert only.roof is not None
    assert only.roof_kwh == 0
    assert only.cost == pytest.approx(0.20 * only.energy_kwh)
    said = " ".join(found.assumptions)
    assert "Own meter: the charge points are on a meter of their own" in said
    assert "Own meter: no export_rate is declared" in said


HOME_BY_DAY: dict[str, Any] = {
    "trips": [{"date": f"2027-01-0{day}", "distance": "150 km"} for day in range(4, 9)],
    "leaves": "16:00",
    "returns": "20:30",
}
"""Away from late afternoon to dusk, so that each day's sun follows the night."""


def test_no_need_is_left_to_the_sun_past_the_cheap_night() -> None:
    """What is needed is bought at night, unless the sun is trusted fully; the rest waits for it.

    A trip of 24.75 kWh from 41.6 kWh leaves 9.15 kWh missing from the need after each of the days,
    10.2 kWh at the meter.
    """
    wanted = WANTED | {"max_rate": Decimal("0.10")}
    sums = []
    for trust in (80.0, 100.0):
        found = appraised(
            choice("One", cheap_night(**SOLD), charge_point=SETTABLE, **wanted),
            driving=HOME_BY_DAY,
            generation=roofs(trust_percent=trust),
        )
        sums.append((found.choices[0].grid_kwh, found.choices[0].nights_short))
    (careful, short), (trusting, _) = sums
    assert short == 0
    assert careful >= 5 * 9.15 / 0.9 - 1e-3
    assert trusting < careful - 20


def test_a_choice_may_have_other_times_away() -> None:
    """The same trips in the evening instead of by day: the sun of each day is there to charge."""
    found = appraised(
        choice("Away by day", cheap_night(**SOLD), charge_point=SETTABLE, **WANTED),
        choice(
            "Away at night",
            cheap_night(**SOLD),
            charge_point=SETTABLE,
            leaves="18:00",
            returns="06:30",
            **WANTED,
        ),
        driving=HOME_BY_DAY | {"leaves": "07:20", "returns": "18:10"},
    )
    by_day, at_night = found.choices
    assert at_night.nights == by_day.nights == 5
    assert at_night.roof_kwh > by_day.roof_kwh + 40
    assert (
        "Away at night: the vehicle leaves at 18:00 and returns at 06:30, as this choice says."
        in found.assumptions
    )


def test_charging_at_once_takes_what_sun_there_is() -> None:
    """By rule, not by plan: the evening's sun counts for it all the same."""
    found = appraised(
        choice("At once", flat(**SOLD), charge_point=SETTABLE, planner="at_once", **WANTED),
        driving=DRIVING | {"returns": "12:00"},
    )
    [only] = found.choices
    assert only.roof is not None
    assert only.roof_kwh > 20
    assert only.all_grid_cost == pytest.approx(0.28 * only.energy_kwh)
    assert only.cost == pytest.approx(0.28 * only.grid_kwh + 0.08 * only.roof_kwh)


def test_without_export_pay_the_sun_is_free_and_a_relay_takes_the_grid_along() -> None:
    """A relay draws 7.36 kW or nothing: a part of that is the surplus, the rest from the grid."""
    found = appraised(
        choice("Free", flat(), charge_point=point(), **WANTED), generation=roofs(), home_use=[]
    )
    [only] = found.choices
    assert only.roof is not None
    assert (only.roof.cost, only.roof.gives_kwh) == pytest.approx((0, only.roof.surplus_kwh))
    assert only.cost == pytest.approx(0.28 * only.grid_kwh)
    assert 0.2 * only.energy_kwh < only.roof_kwh < 0.9 * only.energy_kwh
    assert "No home_use is declared, so all" in " ".join(found.assumptions)


def test_years_drawn_beside_the_sun_are_those_simulated_alone() -> None:
    """Each drawn year by itself, with its own trips; the range holds the two of them."""
    made = choice("By day", cheap_night(**SOLD), charge_point=SETTABLE, **WANTED)
    driving = DRIVING | {"draws": 2, "spread_percent": 30.0}
    file = choices_file(made, driving=driving, home_use=HOME, generation=roofs())
    (found,) = appraise(file, {}).choices
    trips = np.array([trip.kwh for trip in driving_of(file).trips])
    (case,) = cases_of(file, {None: driving_of(file)}, {})
    alone = [case.simulate(each[None, :]) for each in draw_trips(trips, 30.0, 2, file.driving.seed)]
    low, high = sorted(float(each.cost[0]) for each in alone)
    spread = found.spreads["cost"]
    assert (spread.low, spread.high) == pytest.approx((low, high))
    assert low < high
