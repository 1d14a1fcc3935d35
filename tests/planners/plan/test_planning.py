"""Plans of whole households: the example of design section 8, and each rule of section 4."""

from __future__ import annotations

import os
import random
from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from itertools import pairwise
from math import log
from pathlib import Path

import pytest

from config.files.errors import TariffError
from config.files.price_series import PricePoint
from config.household.loading import load_household
from planners.local_time.departures import DepartureAt
from planners.local_time.wished_departures import next_departure
from planners.plan.horizon import Situation, departures_known
from planners.plan.plan import Plan
from planners.plan.planning import at_once_instead, draft_plan, make_plan
from planners.plan.remaining import lag_percent
from planners.rates.prices import prices_of
from tests.planners.households import band, bands, series
from tests.planners.planned import (
    NIGHT_RATE,
    PEAK_RATE,
    THREE_BANDS,
    DemoHousehold,
    minutes,
    runs_of,
    spans_of,
    utc,
)

KOWHAI = Path(__file__).parents[3] / "config" / "examples" / "kowhai.yaml"
EVENING = "2026-06-03T06:30:00"
"""A Wednesday, 18:30 by the household's clock."""

PLANS = int(os.environ.get("LULLWATT_PROBLEMS", "240")) // 20
"""How many random households; `make prove` asks for many more."""

FLAT = bands(band("all", "0.20"))
HALF_HOURS = {"tick_minutes": 30}


def prices_from(start: str, *rates: str) -> dict[str, list[PricePoint]]:
    """Half-hourly prices of the tariff `Series`."""
    first = utc(start)
    return {
        "Series": [PricePoint(first + minutes(30 * i), Decimal(r)) for i, r in enumerate(rates)]
    }


HALF_HOURLY = series(step_minutes=30)


# --- the plan of the design -------------------------------------------------------------------


def test_the_demo_household_gets_the_plan_of_the_design() -> None:
    """Design, section 8: 26.0 kWh for 5.02 from 09:00Z to 12:31:57Z; at once 10.19, timer 5.02."""
    file = load_household(KOWHAI)
    departure = next_departure(file, "hatchback", utc(EVENING))
    assert departure is not None
    made = make_plan(file, prices_of(file, {}), Situation(utc(EVENING), 35.0, departure))
    document = made.to_json()
    assert document["energy_kwh"] == 26.0
    assert round(document["cost"], 2) == 5.02
    (period,) = document["periods"]
    assert (period["start"], period["end"]) == ("2026-06-03T09:00:00Z", "2026-06-03T12:31:57Z")
    assert (period["amps"], period["kwh"], period["band"]) == (32.0, 26.0, "night")
    assert round(period["cost"], 2) == 5.02
    at_once, timer = document["baselines"]["at_once"], document["baselines"]["timer"]
    assert (at_once["energy_kwh"], round(at_once["cost"], 2)) == (26.0, 10.19)
    assert (timer["energy_kwh"], round(timer["cost"], 2)) == (26.0, 5.02)
    assert (document["starts"], document["shortfall_kwh"]) == (1, 0.0)
    assert (document["made_at"], document["departure"]) == (
        "2026-06-03T06:30:00Z",
        "2026-06-03T19:20:00Z",
    )


# --- periods ----------------------------------------------------------------------------------


def random_plans(count: int) -> list[DemoHousehold]:
    """Draw households in which every rule matters."""
    rng = random.Random("periods")
    return [
        DemoHousehold(
            home={"tick_minutes": rng.choice([5, 10, 15, 30])},
            tariffs=[THREE_BANDS],
            point={
                "max_amps": rng.choice([10.0, 16.0, 32.0]),
                "min_run_minutes": rng.choice([0, 20]),
                "min_rest_minutes": rng.choice([0, 15]),
                "start_cost": Decimal(rng.choice(["0", "0.05"])),
            },
            car={
                "standby_watts": rng.choice([0.0, 250.0]),
                "taper": rng.choice([None, ((70.0, 100.0), (100.0, 20.0))]),
                "prefer": rng.choice(["early", "late"]),
            },
            leaves={
                "at": f"0{rng.randint(4, 9)}:{rng.randint(0, 59):02d}",
                "need_percent": 60.0,
                "want_percent": 95.0,
                "max_rate": rng.choice([None, Decimal("0.36"), Decimal("0.20")]),
            },
        )
        for _ in range(count)
    ]


@pytest.mark.parametrize("case", range(PLANS))
def test_periods_hold_one_rate_each_and_sum_to_the_totals(case: int) -> None:
    """No period spans two rates, none overlaps; their energy and cost are the plan's."""
    given = random_plans(PLANS)[case]
    at = f"2026-06-{3 + case % 7:02d}T0{case % 9}:{case % 60:02d}:{7 * case % 60:02d}"
    plan = given.plan(5.0 + case, at)
    spans = prices_of(given.file(), {}).spans(plan.made_at, plan.departure)
    for period in plan.periods:
        (span,) = (s for s in spans if s.start < period.end and period.start < s.end)
        assert (span.band, span.estimated) == (period.band, period.estimated)
        assert period.cost == pytest.approx(float(span.rate) * period.kwh)
        assert period.start < period.end <= plan.departure
    if plan.periods and plan.periods[-1].end > plan.departure - minutes(15):
        assert any("is given up" in sentence for sentence in plan.why)
    for earlier, later in pairwise(plan.periods):
        assert earlier.end <= later.start
    assert plan.energy_kwh == pytest.approx(sum(p.kwh for p in plan.periods))
    assert plan.cost == pytest.approx(sum(p.cost for p in plan.periods))
    assert plan.starts == len(runs_of(plan))
    assert plan.reaches_percent <= max(plan.want_percent, plan.soc_percent) + 1e-6
    assert (plan.shortfall is None) == (plan.reaches_percent >= plan.need_percent - 1e-4)


def test_a_period_ends_where_the_rate_changes() -> None:
    """A run from night into peak is two periods, each with its band and its price."""
    plan = DemoHousehold(leaves={"at": "07:45"}).plan(0.0, "2026-06-03T14:00:00")
    assert [(p.band, f"{p.start:%H:%M}") for p in plan.periods] == [
        ("night", "14:00"),
        ("peak", "19:00"),
    ]
    assert len(runs_of(plan)) == plan.starts == 1


# --- ticks ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "zone", ["Pacific/Auckland", "Asia/Kathmandu", "Pacific/Chatham", "Australia/Lord_Howe"]
)
def test_half_hours_of_the_local_clock_are_ticks(zone: str) -> None:
    """A price that changes at :30 local falls on a half-hour tick in any zone's offset."""
    tariff = bands(band("cheap", "0.10", hours=["23:30-02:00"]), band("rest", "0.30"))
    given = DemoHousehold({"timezone": zone, "tick_minutes": 30}, [tariff])
    plan = given.plan(70.0, "2026-06-03T08:50:00")
    assert f"{plan.periods[0].start.astimezone(given.file().zone):%H:%M}" == "23:30"
    assert plan.cost == pytest.approx(0.10 * 52 * 0.1 / 0.9)


def test_ticks_are_cut_finer_where_a_rate_changes_off_tick() -> None:
    """A band that begins at 23:33 is used from 23:33, whatever the household's tick is."""
    tariff = bands(band("late", "0.10", hours=["23:33-05:00"]), band("rest", "0.30"))
    for tick in (5, 15, 30, 60):
        plan = DemoHousehold({"tick_minutes": tick}, [tariff]).plan(60.0, EVENING)
        assert plan.periods[0].start == utc("2026-06-03T11:33:00")
        assert plan.cost == pytest.approx(0.10 * 52 * 0.2 / 0.9)


def test_the_plan_is_done_by_the_margin() -> None:
    """With the cheap band at the very end, charging ends the margin before the departure."""
    tariff = bands(band("last", "0.10", hours=["05:00-07:20"]), band("rest", "0.30"))
    for margin, end in ((45, "2026-06-03T18:35:00"), (0, "2026-06-03T19:20:00")):
        leaves = {"need_percent": 20.0, "want_percent": 80.0, "max_rate": Decimal("0.2")}
        given = DemoHousehold(tariffs=[tariff], leaves={**leaves, "margin_minutes": margin})
        assert given.plan(40.0, EVENING).periods[-1].end == utc(end)


# --- the fragment before the first tick -------------------------------------------------------


def test_the_fragment_is_used_where_charging_may_begin_at_once() -> None:
    """At a flat rate a plan made between two ticks begins now, and buys no more for it."""
    plan = DemoHousehold(tariffs=[FLAT]).plan(60.0, "2026-06-03T06:32:40")
    assert plan.periods[0].start == utc("2026-06-03T06:32:40")
    assert plan.energy_kwh == pytest.approx(52 * 0.2 / 0.9)
    assert (len(plan.periods), plan.starts) == (1, 1)


def test_the_fragment_is_left_where_the_first_tick_is_off() -> None:
    """Nothing is charged in dear minutes if the plan would not continue."""
    assert spans_of(DemoHousehold().plan(60.0, "2026-06-03T08:57:30"))[0][0] == "09:00:00"


def test_the_fragment_is_left_where_it_is_dearer_than_every_tick_used() -> None:
    """Two dear minutes before the cheap band stay unused, whether the first tick is on or not."""
    tariff = bands(band("cheap", "0.10", hours=["21:00-07:00"]), band("dear", "0.30"))
    plan = DemoHousehold(HALF_HOURS, [tariff]).plan(70.0, "2026-06-03T08:58:00")
    assert spans_of(plan)[0][0] == "09:00:00"


def test_the_fragment_as_dear_as_the_dearest_tick_is_used() -> None:
    """A night that must use dear ticks from its start uses the dear fragment too."""
    tariff = bands(band("dear", "0.30", hours=["17:00-21:00"]), band("cheap", "0.10"))
    plan = DemoHousehold(tariffs=[tariff], leaves={"at": "23:15"}).plan(20.0, "2026-06-03T08:42:30")
    assert spans_of(plan)[0][0] == "08:42:30"
    assert plan.periods[0].band == "dear"


def test_the_fragment_adds_to_a_plan_that_is_short() -> None:
    """If the need can't be met, every minute up to the departure is used, however dear."""
    plan = DemoHousehold().plan(10.0, "2026-06-03T17:02:10")
    assert runs_of(plan) == [(utc("2026-06-03T17:02:10"), utc("2026-06-03T19:20:00"))]
    assert plan.energy_kwh == pytest.approx(7.36 * (2 + 15 / 60 + 170 / 3600))
    dear = bands(band("dear", "0.90", hours=["17:00-21:00"]), band("cheap", "0.10"))
    plan = DemoHousehold(HALF_HOURS, [dear], leaves={"at": "23:15"}).plan(
        5.0, "2026-06-03T08:50:00"
    )
    assert runs_of(plan) == [(utc("2026-06-03T08:50:00"), utc("2026-06-03T11:15:00"))]
    assert plan.periods[0].band == "dear"


def test_the_fragment_adds_what_is_wanted_at_its_rate() -> None:
    """If time runs out before the want, a cheap fragment adds energy."""
    given = DemoHousehold(
        leaves={"need_percent": 20.0, "want_percent": 80.0, "max_rate": Decimal("0.2")}
    )
    plan = given.plan(10.0, "2026-06-03T17:02:10")
    assert runs_of(plan) == [(utc("2026-06-03T17:02:10"), utc("2026-06-03T19:00:00"))]
    assert plan.energy_kwh == pytest.approx(7.36 * (1 + 3470 / 3600))


def test_a_run_that_the_fragment_makes_needless_is_no_start() -> None:
    """Starts are counted from the periods when the fragment replaces a last short run."""
    given = DemoHousehold(
        HALF_HOURS, [HALF_HOURLY], leaves={"at": "21:00", "margin_minutes": 0},
        series=prices_from("2026-06-03T06:00:00", "0.1", "0.1", "0.1", "0.9", "0.1", "0.1"),
    )  # fmt: skip
    # 1.25 ticks of energy: two ticks, or the fragment of a half and most of a tick.
    plan = given.plan(80.0 - 1.25 * 3.68 * 0.9 / 0.52, "2026-06-03T06:15:00")
    assert len(plan.periods) >= 1
    assert plan.starts == len(runs_of(plan)) == 1


# --- need, want, max_rate ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("max_rate", "reaches"),
    [("0.10", 60.0), (f"{NIGHT_RATE}", 80.0), ("0.1931", 60.0), (None, 80.0)],
)
def test_what_is_wanted_is_bought_at_max_rate_or_less(max_rate: str | None, reaches: float) -> None:
    """The need is bought at any price; the want at `max_rate` or less, or any price without one."""
    limit = None if max_rate is None else Decimal(max_rate)
    given = DemoHousehold(leaves={"need_percent": 60.0, "want_percent": 80.0, "max_rate": limit})
    plan = given.plan(35.0, EVENING)
    assert plan.reaches_percent == pytest.approx(reaches)
    assert plan.shortfall is None


def test_the_need_is_met_at_any_price() -> None:
    """With two cheap hours and a need of six, dear hours are bought for the need alone."""
    tariff = bands(band("cheap", "0.10", hours=["01:00-03:00"]), band("dear", "0.80"))
    leaves = {"need_percent": 60.0, "want_percent": 100.0, "max_rate": Decimal("0.20")}
    plan = DemoHousehold(tariffs=[tariff], leaves=leaves).plan(20.0, EVENING)
    bought = {
        name: sum(p.kwh for p in plan.periods if p.band == name) for name in ("cheap", "dear")
    }
    assert bought["cheap"] == pytest.approx(2 * 7.36)
    assert bought["dear"] == pytest.approx(52 * 0.4 / 0.9 - 2 * 7.36)
    assert plan.reaches_percent == pytest.approx(60.0)


def test_nothing_is_charged_where_nothing_is_wanted() -> None:
    """A battery above its want is left alone, and the plan says so."""
    plan = DemoHousehold().plan(91.0, EVENING)
    assert (plan.periods, plan.cost, plan.starts) == ((), 0.0, 0)
    assert plan.reaches_percent == 91.0
    assert plan.shortfall is None
    assert (plan.at_once.energy_kwh, plan.timer.energy_kwh) == (0, 0)


# --- preferences and hardware -----------------------------------------------------------------


def test_prefer_late_moves_charging_to_the_end_of_the_cheap_hours() -> None:
    """Among equal plans the later one, and the same cost to the last digit that counts."""
    early = DemoHousehold().plan(60.0, EVENING)
    late = DemoHousehold(car={"prefer": "late"}).plan(60.0, EVENING)
    assert late.cost == pytest.approx(early.cost, abs=1e-9)
    assert early.periods[0].start == utc("2026-06-03T09:00:00")
    # 18.8 ticks of 5 minutes: the last tick before 07:00 is the one that is cut short.
    assert utc("2026-06-03T18:55:00") < late.periods[-1].end <= utc("2026-06-03T19:00:00")


def sawtooth(**point: object) -> DemoHousehold:
    """Make a household whose price changes every half hour, and whose departure is at 01:00."""
    return DemoHousehold(
        HALF_HOURS, [HALF_HOURLY], {"switching": "on_off", **point}, None,
        {"at": "01:00", "margin_minutes": 0},
        prices_from("2026-06-03T06:30:00", *(["0.10", "0.20"] * 30)),
    )  # fmt: skip


def test_runs_and_rests_last_as_long_as_the_charge_point_needs() -> None:
    """Single half hours by price alone; whole hours with `min_run`, long rests with `min_rest`."""
    free = sawtooth().plan(56.0, EVENING)
    assert {end - start for start, end in runs_of(free)[:-1]} == {minutes(30)}
    held = sawtooth(min_run_minutes=60).plan(56.0, EVENING)
    assert all(end - start >= minutes(60) for start, end in runs_of(held)[:-1])
    rested = sawtooth(min_rest_minutes=240).plan(56.0, EVENING)
    assert all(b[0] - a[1] >= minutes(240) for a, b in pairwise(runs_of(rested)))
    assert free.cost < min(held.cost, rested.cost)


def test_a_start_is_made_only_where_it_saves_more_than_it_costs() -> None:
    """Half an hour saves 0.37 here: a start at 0.30 is worth it, one at 0.40 is not."""
    half_hour = 3.68
    assert 0.30 < (0.20 - 0.10) * half_hour < 0.40
    energy = 80.0 - 4 * half_hour * 0.9 / 0.52
    cheap_starts = sawtooth(start_cost=Decimal("0.30")).plan(energy, EVENING)
    dear_starts = sawtooth(start_cost=Decimal("0.80")).plan(energy, EVENING)
    assert cheap_starts.starts > dear_starts.starts == 1
    assert cheap_starts.cost < dear_starts.cost


def test_a_run_in_progress_continues_without_a_start() -> None:
    """The cost of a start neither stops a run in progress nor is paid for continuing it."""
    dear = sawtooth(start_cost=Decimal(5))
    plan = dear.plan(70.0, EVENING, on=True, since="2026-06-03T06:00:00")
    assert plan.periods[0].start == utc(EVENING)
    assert plan.starts == 0
    assert dear.plan(70.0, EVENING).starts == 1


@pytest.mark.parametrize(
    ("minutes_on", "stops_at"), [(1, "08:44"), (13, "08:44"), (15, None), (40, None)]
)
def test_a_run_too_short_to_stop_continues_through_the_fragment(
    minutes_on: int, stops_at: str | None
) -> None:
    """`min_run` of 15 minutes: a run in a dear hour lasts them, in whole ticks, then stops."""
    at = utc("2026-06-03T07:32:00")
    since = (at - minutes(minutes_on)).replace(tzinfo=None).isoformat()
    given = DemoHousehold(point={"min_run_minutes": 15})
    plan = given.plan(40.0, "2026-06-03T07:32:00", on=True, since=since)
    dear = [p for p in plan.periods if p.band == "peak"]
    if stops_at is None:
        assert dear == []
    else:
        (only,) = dear
        assert only.start == at
        assert minutes(15) <= only.end - at + minutes(minutes_on) < minutes(20)


@pytest.mark.parametrize("at", ["07:22:33", "07:24:00", "07:25:00", "07:25:10", "07:26:59"])
def test_a_run_that_must_stay_on_does_so_at_the_lowest_current_to_the_second(at: str) -> None:
    """`min_run` of 5 minutes, begun at 07:22 in a dear hour: 6 A until 07:27, whatever the tick."""
    given = DemoHousehold(point={"min_run_minutes": 5, "switching": "current"})
    plan = given.plan(40.0, f"2026-06-03T{at}", on=True, since="2026-06-03T07:22:00")
    dear = [period for period in plan.periods if period.band == "peak"]
    assert {period.amps for period in dear} == {6.0}
    assert dear[0].start == utc(f"2026-06-03T{at}")
    assert dear[-1].end == utc("2026-06-03T07:27:00")


def test_a_rest_too_short_to_end_continues() -> None:
    """`min_rest` of 20 minutes: charging begins at the first tick after them, not before."""
    given = DemoHousehold(tariffs=[FLAT], point={"min_rest_minutes": 20})
    plan = given.plan(60.0, "2026-06-03T06:32:00", since="2026-06-03T06:23:00")
    assert plan.periods[0].start == utc("2026-06-03T06:45:00")


def test_a_rest_that_ends_with_the_fragment_keeps_it_unused() -> None:
    """A rest of five minutes that ends exactly at the first tick keeps the fragment unused."""
    given = DemoHousehold(tariffs=[FLAT], point={"min_rest_minutes": 5})
    plan = given.plan(60.0, "2026-06-03T06:32:00", since="2026-06-03T06:29:00")
    assert plan.periods[0].start == utc("2026-06-03T06:35:00")
    rested = given.plan(60.0, "2026-06-03T06:32:00", since="2026-06-03T06:27:00")
    assert rested.periods[0].start == utc("2026-06-03T06:32:00")


def test_three_phases_carry_three_times_the_energy() -> None:
    """16 A on three phases, both ends having them, is 11.04 kW; on one it is 3.68 kW."""
    three = DemoHousehold(point={"max_amps": 16.0, "phases": 3}, car={"phases": 3}).plan(
        60.0, EVENING
    )
    one = DemoHousehold(point={"max_amps": 16.0, "phases": 3}, car={"phases": 1}).plan(
        60.0, EVENING
    )
    for plan, kw in ((three, 11.04), (one, 3.68)):
        (period,) = plan.periods
        assert period.kwh == pytest.approx(kw * (period.end - period.start) / minutes(60))
        assert plan.energy_kwh == pytest.approx(52 * 0.2 / 0.9)


def test_standby_lengthens_the_charge_and_is_paid_for() -> None:
    """The vehicle's standby is metered, and never reaches the battery."""
    plan = DemoHousehold(car={"standby_watts": 300.0}).plan(60.0, EVENING)
    hours = 10.4 / (0.9 * 7.36 - 0.3)
    assert plan.energy_kwh == pytest.approx(7.36 * hours)
    assert plan.reaches_percent == pytest.approx(80.0)


def test_a_taper_takes_longer_for_the_same_energy() -> None:
    """Above 80 percent the power falls to a quarter at 100: same energy, more time."""
    flat = DemoHousehold(leaves={"need_percent": 100.0})
    tapered = DemoHousehold(
        car={"taper": ((80.0, 100.0), (100.0, 25.0))}, leaves={"need_percent": 100.0}
    )
    quick, slow = flat.plan(70.0, EVENING), tapered.plan(70.0, EVENING)
    assert slow.energy_kwh == pytest.approx(quick.energy_kwh)
    length = [sum((end - start for start, end in runs_of(p)), timedelta()) for p in (quick, slow)]
    # The mean of 1/share over the taper is ln(4)/0.75 = 1.848; common calculus, no source.
    in_taper = 10.4 / (0.9 * 7.36)
    longer = (length[1] - length[0]) / minutes(60)
    assert longer == pytest.approx(in_taper * (1.8484 - 1), rel=0.05)


def test_negative_rates_are_bought_up_to_the_want_and_not_beyond() -> None:
    """Negative rates fill the battery to the want in the hours that pay best."""
    rates = ["0.30", "-0.05", "-0.10", "0.30"] * 8
    given = DemoHousehold(
        HALF_HOURS, [HALF_HOURLY], leaves={"at": "01:00"},
        series=prices_from("2026-06-03T06:30:00", *rates),
    )  # fmt: skip
    plan = given.plan(70.0, EVENING)
    assert plan.cost < 0
    assert plan.reaches_percent == pytest.approx(80.0)
    assert all(p.cost / p.kwh == pytest.approx(-0.10) for p in plan.periods)


# --- estimates --------------------------------------------------------------------------------


def test_periods_that_rest_on_estimates_are_marked() -> None:
    """Past the end of a series rates are estimates, and the plan says which periods use them."""
    rates = ["0.10", "0.30"] * 30
    given = DemoHousehold(
        HALF_HOURS, [HALF_HOURLY], series=prices_from("2026-06-02T06:30:00", *rates[:58])
    )
    plan = given.plan(40.0, EVENING)
    document = plan.to_json()
    known_until = utc("2026-06-03T11:30:00")
    assert {p.start >= known_until for p in plan.periods} == {True, False}
    assert plan.rests_on_estimates
    assert document["rests_on_estimates"] is True
    for period, row in zip(plan.periods, document["periods"], strict=True):
        assert period.estimated == row.get("estimated", False) == (period.start >= known_until)


def test_without_any_rate_there_is_no_plan() -> None:
    """A tariff that begins after the plan is an error that says so."""
    later = {**THREE_BANDS, "valid_from": utc("2026-07-01T00:00:00").date()}
    with pytest.raises(TariffError, match="the first is valid from 2026-07-01"):
        DemoHousehold(tariffs=[later]).plan(40.0, EVENING)


# --- needs that can't be met ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("soc", "at", "changes"),
    [
        pytest.param(10.0, "2026-06-03T17:00:00", {}, id="on a tick"),
        pytest.param(10.0, "2026-06-03T17:02:10", {}, id="between ticks"),
        pytest.param(30.0, "2026-06-03T17:00:00", {}, id="barely out of reach"),
        pytest.param(36.0, "2026-06-03T18:03:00", HALF_HOURS, id="long ticks, long fragment"),
        pytest.param(35.0, "2026-06-03T17:59:10", {"tick_minutes": 60}, id="hours"),
    ],
)
@pytest.mark.parametrize("standby", [0.0, 400.0])
def test_the_amps_that_would_do_do_and_one_less_does_not(
    soc: float, at: str, changes: dict[str, object], standby: float
) -> None:
    """Planning again at `amps_that_would_do` meets the need; at one ampere less it does not."""
    given = DemoHousehold(
        home=changes, car={"standby_watts": standby}, leaves={"need_percent": 60.0}
    )
    plan = given.plan(soc, at)
    assert plan.shortfall is not None
    amps = plan.shortfall.amps_that_would_do
    assert amps is not None
    assert 32 < amps <= 80
    assert given.with_amps(amps).plan(soc, at).shortfall is None
    assert given.with_amps(amps - 1).plan(soc, at).shortfall is not None


def test_a_rest_in_progress_counts_against_the_amps_that_would_do() -> None:
    """Minutes in which the charge point must rest can't be charged in at any current."""
    given = DemoHousehold(point={"min_rest_minutes": 60}, leaves={"need_percent": 60.0})
    since = "2026-06-03T17:00:00"
    plan = given.plan(40.0, since, since=since)
    assert plan.shortfall is not None
    amps = plan.shortfall.amps_that_would_do
    assert amps is not None
    assert given.with_amps(amps).plan(40.0, since, since=since).shortfall is None
    assert given.with_amps(amps - 1).plan(40.0, since, since=since).shortfall is not None
    assert given.plan(40.0, since).shortfall is None, "without the rest there is time"


def test_a_shortfall_says_how_much_and_until_when() -> None:
    """The missing energy at the meter, and when an unbroken charge would be done."""
    plan = DemoHousehold(car={"standby_watts": 400.0}).plan(10.0, "2026-06-03T17:00:00")
    gained_kw = 0.9 * 7.36 - 0.4
    assert plan.shortfall is not None
    missing = 52 * 0.7 - gained_kw * (2 + 20 / 60)
    assert plan.shortfall.kwh == pytest.approx(missing / gained_kw * 7.36)
    assert plan.reaches_percent == pytest.approx(10 + 100 * gained_kw * (2 + 20 / 60) / 52)
    ready = utc("2026-06-03T17:00:00") + timedelta(hours=52 * 0.7 / gained_kw)
    assert plan.shortfall.earliest_ready is not None
    assert abs(plan.shortfall.earliest_ready - ready) < timedelta(seconds=1)
    document = plan.to_json()
    assert document["shortfall_kwh"] == round(plan.shortfall.kwh, 3)
    assert datetime.fromisoformat(document["earliest_ready"]) <= ready


def test_no_current_and_no_time_would_do_where_standby_eats_it_all() -> None:
    """A vehicle that loses more than it takes gets no plan and no false promise."""
    given = DemoHousehold(point={"max_amps": 6.0}, car={"standby_watts": 1500.0})
    plan = given.plan(40.0, EVENING)
    assert plan.periods == ()
    assert plan.shortfall is not None
    assert plan.shortfall.earliest_ready is None
    assert plan.shortfall.amps_that_would_do is not None
    assert given.with_amps(plan.shortfall.amps_that_would_do).plan(40.0, EVENING).shortfall is None


def test_a_departure_past_its_margin_is_planned_as_out_of_reach() -> None:
    """Ten minutes before leaving, the margin is given up, and the need is short all the same."""
    plan = DemoHousehold().plan(40.0, "2026-06-03T19:10:00")
    assert plan.departure == utc("2026-06-03T19:20:00")
    assert runs_of(plan) == [(utc("2026-06-03T19:10:00"), plan.departure)]
    assert plan.shortfall is not None
    assert plan.shortfall.kwh == pytest.approx(52 * 0.4 / 0.9 - 7.36 / 6)
    assert plan.shortfall.amps_that_would_do is None
    assert plan.at_once.cost == plan.cost
    assert DemoHousehold().plan(80.0, "2026-06-03T19:10:00").shortfall is None


def test_peak_is_bought_only_after_the_night_is_full() -> None:
    """A need longer than the night takes all of it, and the rest from the peak."""
    plan = DemoHousehold(point={"max_amps": 10.0}).plan(30.0, EVENING)
    by_band = {
        name: sum(p.kwh for p in plan.periods if p.band == name) for name in ("night", "peak")
    }
    assert by_band["night"] == pytest.approx(23.0)
    assert by_band["peak"] == pytest.approx(52 * 0.5 / 0.9 - 23.0)
    assert plan.cost == pytest.approx(23.0 * NIGHT_RATE + by_band["peak"] * PEAK_RATE)


def test_a_far_departure_is_planned_in_its_last_week() -> None:
    """Months ahead the plan is the same as a week before, apart from its date."""
    file = DemoHousehold().file()
    ready_by = utc("2026-12-23T18:05")
    departure = DepartureAt("hatchback", ready_by + minutes(15), ready_by, 80.0, 80.0, None)
    prices = prices_of(file, {})
    far = make_plan(file, prices, Situation(utc("2026-06-03T06:30"), 35, departure))
    near = make_plan(file, prices, Situation(ready_by - timedelta(days=7), 35, departure))
    assert far.made_at == utc("2026-06-03T06:30")
    assert far.periods == near.periods
    assert far.periods[0].start >= ready_by - timedelta(days=7)


# --- a run in progress that nothing asks for any more -------------------------------------------

TWO_BANDS = bands(
    band("night", "0.10", hours=["21:00-07:00"]), band("day", "0.40"), name="Two-band"
)


def running(at: str, since: str, **point: object) -> Plan:
    """Plan for a charge in progress at 60 %, with night rates from 21:00, which is 09:00 UTC."""
    return DemoHousehold(tariffs=(TWO_BANDS,), point=point).plan(60.0, at, on=True, since=since)


@pytest.mark.parametrize("since", ["2026-06-03T08:22:00", "2026-06-03T08:18:00"])
@pytest.mark.parametrize("switching", ["current", "on_off"])
def test_a_run_that_is_not_worth_its_shortest_time_is_followed_by_another(
    since: str, switching: str
) -> None:
    """Begun in dear hours, by a clock that was wrong, say: the cheap hours still serve the want."""
    wish = {"need_percent": 60.0, "want_percent": 80.0, "max_rate": Decimal("0.30")}
    given = DemoHousehold(
        tariffs=(TWO_BANDS,), point={"min_run_minutes": 5, "switching": switching}, leaves=wish
    )
    plan = given.plan(74.8, "2026-06-03T08:22:00", on=True, since=since)
    assert [period.start for period in plan.periods] == [utc("2026-06-03T09:00:00")]
    assert plan.reaches_percent == pytest.approx(80.0)


@pytest.mark.parametrize(("begun", "starts"), [("08:22", "09:00"), ("08:54", "08:54")])
def test_a_run_in_dear_hours_goes_on_if_the_next_may_start_too_late(
    begun: str, starts: str
) -> None:
    """That is as late as after a run of 30 minutes; then too little is left of the cheap hours."""
    wish = {"need_percent": 60.0, "want_percent": 80.0, "max_rate": Decimal("0.30")}
    given = DemoHousehold(
        tariffs=(TWO_BANDS,),
        point={"min_run_minutes": 30, "switching": "on_off"},
        leaves=wish | {"at": "21:40", "margin_minutes": 0},
    )
    now = f"2026-06-03T{begun}:00"
    plan = given.plan(74.0, now, on=True, since=now)
    assert plan.periods[0].start == utc(f"2026-06-03T{starts}:00")
    assert plan.reaches_percent == pytest.approx(80.0)


@pytest.mark.parametrize("soc", [50.0, 56.7, 59.9])
def test_a_run_that_must_stay_on_in_dear_hours_leaves_the_cheap_ones_to_the_want(
    soc: float,
) -> None:
    """Four dear minutes serve the need; the want is bought in the cheap hours all the same."""
    wish = {"need_percent": 60.0, "want_percent": 80.0, "max_rate": Decimal("0.30")}
    given = DemoHousehold(
        tariffs=(TWO_BANDS,), point={"min_run_minutes": 5, "switching": "current"}, leaves=wish
    )
    plan = given.plan(soc, "2026-06-03T08:22:00", on=True, since="2026-06-03T08:21:00")
    assert plan.reaches_percent == pytest.approx(80.0, abs=0.1)


@pytest.mark.parametrize("since", ["2026-06-03T08:30:00", "2026-06-03T08:56:00"])
def test_a_run_stops_for_the_minutes_before_cheap_hours(since: str) -> None:
    """Three minutes at 0.40 cost more than a stop: charging goes on when 0.10 begins."""
    plan = running("2026-06-03T08:57:00", since)
    assert spans_of(plan) == [("09:00:00", "10:34:12")]
    assert plan.starts == 1


def test_a_run_goes_on_if_a_start_costs_more() -> None:
    """A stop of three minutes saves NZD 0.11, and another start costs NZD 0.20."""
    plan = running("2026-06-03T08:57:00", "2026-06-03T08:30:00", start_cost=Decimal("0.20"))
    assert plan.periods[0].start == utc("2026-06-03T08:57:00")
    assert plan.starts == 0


def test_a_run_goes_on_until_its_shortest_time() -> None:
    """A relay that must stay on for 15 minutes stays on through the three minutes."""
    plan = running("2026-06-03T08:57:00", "2026-06-03T08:50:00", min_run_minutes=15)
    assert plan.periods[0].start == utc("2026-06-03T08:57:00")


def test_a_run_that_may_stop_at_any_time_stops_at_once() -> None:
    """Without a shortest run, one begun half a minute ago does not go on for a tick."""
    plan = running("2026-06-03T07:02:00", "2026-06-03T07:01:30")
    assert plan.periods[0].start == utc("2026-06-03T09:00:00")


# At 07:25 ticks of 5 minutes fit, and the dear one is used whole.
@pytest.mark.parametrize("minute", [m for m in range(21, 40) if m != 25])
@pytest.mark.parametrize("switching", ["on_off", "current"])
def test_a_departure_at_any_minute_uses_the_cheapest_time_up_to_it(
    minute: int, switching: str
) -> None:
    """0.66 kWh before a departure at an odd minute, with ticks of 5: the last minutes are cheap.

    By hand: 11 minutes of 3.68 kW, from the end backwards, as the rate falls at 07:15.
    """
    rows = bands(band("dear", "0.40", hours=["05:00-07:15"]), band("low", "0.10"))
    given = DemoHousehold(
        home={"tick_minutes": 5},
        tariffs=[rows],
        point={"max_amps": 16.0, "switching": switching},
        leaves={"at": f"07:{minute}", "margin_minutes": 0, "need_percent": 51.0},
    )
    soc = 51 - 100 * 11 / 60 * 3.68 * 0.9 / 52
    plan = given.plan(soc, "2026-06-03T19:01:00")
    low = min(11, minute - 15)
    assert plan.cost == pytest.approx(3.68 / 60 * (0.10 * low + 0.40 * (11 - low)), abs=1e-4)
    assert plan.energy_kwh == pytest.approx(3.68 * 11 / 60)


def test_charging_at_once_goes_on_to_the_very_departure() -> None:
    """From an odd second to an odd minute, nothing is left out: 20 min 10 s of 7.36 kW."""
    given = DemoHousehold(leaves={"at": "07:23", "need_percent": 95.0, "want_percent": 95.0})
    file, now = given.file(), utc("2026-06-03T19:02:50")
    departure = next_departure(file, "hatchback", now)
    assert departure is not None
    prices = prices_of(file, {})
    draft = at_once_instead(draft_plan(file, prices, Situation(now, 50.0, departure)), prices)
    assert draft.plan.energy_kwh == pytest.approx(7.36 * 1210 / 3600)
    assert draft.plan.periods[-1].end == departure.instant


def test_charging_at_once_allows_for_a_taper() -> None:
    """It ends as late as the taper makes it, or each reading would show that it lags."""
    given = DemoHousehold(
        car={"taper": [[80.0, 100.0], [100.0, 25.0]]}, leaves={"need_percent": 95.0}
    )
    file, now = given.file(), utc("2026-06-03T07:30:00")
    departure = next_departure(file, "hatchback", now)
    assert departure is not None
    prices = prices_of(file, {})
    draft = at_once_instead(draft_plan(file, prices, Situation(now, 35.0, departure)), prices)
    to_80 = 0.45 * 52 / (7.36 * 0.9)
    # From 80 to 95 %, full power P falls by 3.75 % of it a percent: 52 / (3.75 P) ln(1 / 0.4375).
    to_95 = 52 / (3.75 * 7.36 * 0.9) * log(1 / 0.4375)
    end = now + timedelta(hours=to_80 + to_95)
    assert abs(draft.plan.periods[-1].end - end) < minutes(3)
    assert lag_percent(draft.plan, file, now, 35.0) == pytest.approx(0.0, abs=0.05)


def test_a_charge_in_the_last_minutes_of_a_cheap_band_goes_on() -> None:
    """A plan made again within a tick does not stop what is worth its rate."""
    rows = bands(band("low", "0.10", hours=["21:00-00:00"]), band("day", "0.40"))
    given = DemoHousehold(
        tariffs=[rows],
        leaves={"need_percent": 40.0, "want_percent": 80.0, "max_rate": Decimal("0.2")},
    )
    plan = given.plan(50.0, "2026-06-03T11:57:00", on=True, since="2026-06-03T10:00:00")
    assert [(p.start.minute, p.end.minute) for p in plan.periods] == [(57, 0)]
    assert plan.energy_kwh == pytest.approx(7.36 / 20)


@pytest.mark.parametrize(
    ("amps", "soc"), [(16.0, 25.0), (16.0, 30.0), (20.0, 21.0), (20.0, 25.0), (32.0, 21.0)]
)
@pytest.mark.parametrize("leaves", ["11:06", "11:07"])
def test_a_need_within_reach_is_met_whatever_the_minute(
    amps: float, leaves: str, soc: float
) -> None:
    """Ticks of a minute and a shortest run leave few levels, and none of it may be lost by that.

    The ten hours of the night are enough for each, and cost its rate.
    """
    plan = DemoHousehold(
        point={"max_amps": amps, "min_run_minutes": 10},
        car={"usable_kwh": 71.4, "charging_efficiency_percent": 91.0},
        leaves={"at": leaves, "need_percent": 45.0},
    ).plan(soc, "2026-06-03T06:03:00")
    kwh = (45.0 - soc) / 100 * 71.4 / 0.91
    assert plan.shortfall is None
    assert plan.energy_kwh == pytest.approx(kwh, abs=0.01)
    assert plan.cost == pytest.approx(NIGHT_RATE * kwh, abs=0.01)


def test_departures_far_ahead_wait_if_rates_change_at_odd_minutes() -> None:
    """A week in minutes would take half a minute to plan: it begins with what fits."""
    odd = bands(band("night", "0.10", hours=["22:38-06:38"]), band("day"))
    home = DemoHousehold(
        tariffs=[odd],
        leaves={"returns": "17:30"},
        car={"kwh_per_100km": 18.0, "daily_distance_km": 45.0},
    )
    now = utc(EVENING)
    even = replace(home, tariffs=[THREE_BANDS])
    found, usual = (
        departures_known(each.file(), prices_of(each.file(), {}), "hatchback", now)
        for each in (home, even)
    )
    assert found == usual[: len(found)]
    assert 1 <= len(found) < len(usual)
    assert (found[-1].ready_by - now) / timedelta(minutes=2) <= 2500
