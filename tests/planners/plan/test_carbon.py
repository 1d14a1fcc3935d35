"""Plans that count a price of carbon: what they cost, what they cause, and how they say it."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pytest

from config.files.forecast_series import ForecastPoint, IntensityPoint
from config.home.carbon import Carbon
from planners.carbon.outlook import CarbonOutlook
from planners.generation.outlook import Outlook
from planners.home.together import gap_sentence, plan_together
from planners.local_time.conversion import instant_of, minute_of
from planners.local_time.wished_departures import departures_to_plan
from planners.plan.horizon import Situation, horizon_of
from planners.plan.planning import at_once_instead, draft_plan, explained, make_plan
from planners.plan.remaining import remaining_plan
from planners.rates.prices import Prices, prices_of
from planners.solver.exact import solve
from planners.solver.solution import objective
from tests.planners.home.test_together import TwoCars
from tests.planners.households import band, bands
from tests.planners.planned import THREE_BANDS, DemoHousehold, utc
from tests.planners.solver.reference_several import cheapest

if TYPE_CHECKING:
    from collections.abc import Sequence

    from config.household.household_file import HouseholdFile
    from planners.plan.plan import Plan

EVENING = utc("2026-06-03T06:30")
"""Wednesday 18:30 at Kowhai Cottage; the hatchback leaves at 07:20."""

HALF_HOUR = timedelta(minutes=30)
TWO_NIGHT_RATES = bands(
    band("late", "0.168", hours=["23:00-03:00"]),
    band("early", "0.172", hours=["03:00-07:00"]),
    band("day", "0.305"),
)
FLAT = bands(band("always", "0.2"))


def household(price: float = 120.0, kind: str = "average", **parts: Any) -> HouseholdFile:  # noqa: ANN401
    tariffs = parts.pop("tariffs", (TWO_NIGHT_RATES,))
    carbon = {"kind": kind, "price_per_tonne": price}
    return DemoHousehold(tariffs=tariffs, carbon=carbon, **parts).file()


def known(
    file: HouseholdFile, grams: Sequence[float], step: timedelta = HALF_HOUR, days: int = 1
) -> Prices:
    """Return the rates, and intensities from 18:30 on, the same each day."""
    assert file.carbon is not None
    points = [
        IntensityPoint(EVENING + day * timedelta(days=1) + n * step, value)
        for day in range(days)
        for n, value in enumerate(grams)
    ]
    return prices_of(file, {}).with_carbon(CarbonOutlook(file.carbon, file.zone, tuple(points)))


def situation_of(file: HouseholdFile, soc: float = 40.0, nights: int = 1) -> Situation:
    found = departures_to_plan(file, "hatchback", EVENING, EVENING + timedelta(days=5))[:nights]
    return Situation(EVENING, soc, found[0], later=found[1:])


CLEAN_AT_FOUR = [150.0] * 17 + [50.0] * 8 + [150.0] * 23
"""From 18:30 on in half-hours: clean from 03:00 until 07:00."""


def by_minute(plan: Plan, prices: Prices) -> tuple[float, float]:
    """Return cost and kg of the currents, minute by minute, with nothing of the planner's slots."""
    cost = kg = 0.0
    assert prices.carbon is not None
    for period in plan.periods:
        for minute in range(minute_of(period.start), minute_of(period.end) + 1):
            at = instant_of(minute)
            seconds = (min(period.end, at + timedelta(minutes=1)) - max(period.start, at)).seconds
            kwh = period.amps * 0.23 * seconds / 3600
            cost += kwh * float(prices.rate_at(at).rate)
            kg += kwh * float(prices.carbon.grams(minute, minute + 1)[0][0]) / 1000
    return cost, kg


@pytest.mark.parametrize("switching", ["on_off", "current"])
def test_without_a_price_plans_are_the_same(switching: str) -> None:
    """Bit for bit, over several nights, with start costs, rests and a state in progress."""
    parts: dict[str, Any] = {
        "tariffs": (THREE_BANDS,),
        "point": {"switching": switching, "min_run_minutes": 15, "min_rest_minutes": 10,
                  "start_cost": Decimal("0.02")},
        "car": {"daily_distance_km": 60.0, "kwh_per_100km": 16.0},
        "leaves": {"returns": "18:00", "want_percent": 90.0, "max_rate": Decimal("0.2")},
    }  # fmt: skip
    plain = DemoHousehold(**parts).file()
    free = household(0, **parts)
    situation = replace(
        situation_of(plain, nights=3), on=True, since=EVENING - timedelta(minutes=7),
        now=EVENING - timedelta(minutes=2),
    )  # fmt: skip
    plan = make_plan(plain, prices_of(plain, {}), situation)
    assert make_plan(free, known(free, CLEAN_AT_FOUR), situation) == plan
    assert plan.carbon_kind is None
    assert "carbon" not in plan.to_json()


def test_its_price_moves_the_charge_and_the_reasons_say_so() -> None:
    """0.1 kg less a kWh is worth 0.012, more than the 0.004 that the early hours cost more."""
    file = household()
    prices = known(file, CLEAN_AT_FOUR)
    plan = make_plan(file, prices, situation_of(file))
    plain = DemoHousehold(tariffs=(TWO_NIGHT_RATES,)).file()
    cheap = make_plan(plain, prices_of(plain, {}), situation_of(plain))
    assert [period.band for period in plan.periods] == ["early"]
    assert [period.band for period in cheap.periods] == ["late"]
    (cost, kg), (least, most_kg) = by_minute(plan, prices), by_minute(cheap, prices)
    assert (plan.cost, plan.carbon_kg) == pytest.approx((cost, kg), abs=3e-4)
    assert cost - least == pytest.approx(0.0924, abs=1e-3)  # 23.1 kWh x 0.004
    assert most_kg - kg == pytest.approx(2.311, abs=1e-3)  # 23.1 kWh x 0.1 kg
    assert plan.why[1] == (
        "Carbon at NZD 120.00 a tonne (average) moved the charge: it costs NZD 0.09 more than in"
        " the cheapest hours and causes 2.3 kg CO2e less. It causes 1.2 kg CO2e."
    )
    counted = plan.to_json()["carbon"]
    assert counted == {"kind": "average", "kg": pytest.approx(kg, abs=0.001),
                       "counted": pytest.approx(kg * 0.12, abs=1e-4)}  # fmt: skip
    half_way = plan.periods[0].start + timedelta(hours=1)
    left = remaining_plan(
        plan, file, prices, replace(situation_of(file, 52.7), now=half_way, on=True)
    )
    assert left.carbon_kg == pytest.approx(by_minute(left, prices)[1], abs=1e-3)
    assert 0 < left.carbon_kg < plan.carbon_kg


def test_a_price_too_low_changes_nothing_and_that_is_said() -> None:
    """10 a tonne is 0.001 per kWh here."""
    file = household(10)
    plan = make_plan(file, known(file, CLEAN_AT_FOUR), situation_of(file))
    assert [period.band for period in plan.periods] == ["late"]
    assert plan.why[1] == (
        "Carbon at NZD 10.00 a tonne (average) changes nothing in the plan. It causes 3.5 kg CO2e."
    )


def test_a_later_night_that_carbon_moves_is_not_called_this_one() -> None:
    """With half an hour left every minute is used, whatever carbon costs."""
    leaves = {"need_percent": 60.0, "returns": "18:00"}
    file = household(leaves=leaves, car={"daily_distance_km": 60.0, "kwh_per_100km": 16.0})
    prices = known(file, CLEAN_AT_FOUR, days=3)
    now = EVENING + timedelta(hours=12, minutes=20)
    departures = departures_to_plan(file, "hatchback", now, now + timedelta(days=3))
    plan = make_plan(file, prices, Situation(now, 40.0, departures[0], later=departures[1:2]))
    assert [period.band for period in plan.later[0].periods] == ["early"]
    assert plan.why[1] == (
        "Carbon at NZD 120.00 a tonne (average) changes nothing before this departure, only in"
        f" later nights. It causes {plan.carbon_kg:.1f} kg CO2e."
    )
    assert plan.carbon_kg < 1


def drawn(rng: random.Random) -> tuple[list[float], dict[str, Any]]:
    """Draw intensities, and what the equipment can do."""
    level = rng.choice((60.0, 300.0, 600.0))
    grams = [max(0.0, level * rng.uniform(0.2, 1.8)) for _ in range(48)]
    point = {
        "switching": rng.choice(("on_off", "current")),
        "start_cost": Decimal(rng.choice(("0", "0.02", "0.1"))),
        "min_run_minutes": rng.choice((0, 30)),
    }
    return grams, {"point": point}


@pytest.mark.parametrize("seed", range(6))
def test_dearer_carbon_never_causes_more_of_it(seed: int) -> None:
    """And money with carbon is never more than that of the plan which counts none.

    Plans are carried out to the second: what a tick's edge costs is allowed for.
    """
    rng = random.Random(f"carbon {seed}")
    grams, parts = drawn(rng)
    found = []
    for price in (0.0, 40.0, 150.0, 600.0, 3000.0):
        file = household(price, **parts)
        prices = known(file, grams)
        plan = draft_plan(file, prices, situation_of(file, 55.0)).plan
        cost, kg = by_minute(plan, prices)
        starts = float(parts["point"]["start_cost"]) * plan.starts
        found.append((price, cost + starts, kg))
    _, least, most_kg = found[0]
    kgs = [kg for _, _, kg in found]
    assert all(later <= earlier + 0.01 for earlier, later in pairwise(kgs))
    for price, money, kg in found:
        assert money + price * kg / 1000 <= least + price * most_kg / 1000 + 1e-3
    assert kgs[-1] < most_kg


@pytest.mark.parametrize("seed", range(4))
def test_costs_what_highs_finds(seed: int) -> None:
    """The problem that a plan states has the price in its rates; HiGHS finds nothing better."""
    rng = random.Random(f"carbon highs {seed}")
    grams, parts = drawn(rng)
    file = household(rng.choice((50.0, 400.0)), **parts)
    prices, situation = known(file, grams), situation_of(file, 70.0)
    problem = horizon_of(file, prices, situation).problem
    tariffs = prices_of(file, {}).grid(EVENING, problem.ticks, 5).rates
    counted = (problem.rates_per_kwh - tariffs) / file.carbon.price_per_tonne * 1e6  # type: ignore[union-attr]
    expected = [grams[5 * tick // 30] for tick in range(problem.ticks)]
    assert counted.tolist() == pytest.approx(expected)
    assert objective(problem, solve(problem)) == pytest.approx(cheapest(problem).money, abs=1e-5)


def test_max_rate_is_compared_with_both_together() -> None:
    """0.2 and 0.12 x 0.05 are 0.206: bought at 0.21, not at 0.205; the reasons name it."""
    plans = []
    for limit in ("0.21", "0.205"):
        leaves = {"need_percent": 50.0, "want_percent": 80.0, "max_rate": Decimal(limit)}
        file = household(tariffs=(FLAT,), leaves=leaves)
        plans.append(make_plan(file, known(file, [50.0] * 48), situation_of(file)))
    assert [plan.reaches_percent for plan in plans] == pytest.approx([80.0, 50.0], abs=0.01)
    assert "0.205 NZD per kWh, carbon counted" in " ".join(plans[1].why)


def test_ticks_end_where_the_intensity_changes() -> None:
    """Values each quarter of an hour, and a household's tick of 30 minutes."""
    parts: dict[str, Any] = {"home": {"tick_minutes": 30}, "leaves": {"at": "07:15"}}
    file = household(tariffs=(FLAT,), **parts)
    grams = [50.0, 150.0] * 48
    horizon = horizon_of(file, known(file, grams, timedelta(minutes=15)), situation_of(file))
    assert horizon.window.tick_minutes == 15
    free = household(0, tariffs=(FLAT,), **parts)
    horizon = horizon_of(free, known(free, grams, timedelta(minutes=15)), situation_of(free))
    assert horizon.window.tick_minutes == 30


@pytest.mark.parametrize(("kind", "from_roof"), [("average", True), ("marginal", False)])
def test_sun_is_free_of_carbon_only_on_average(kind: str, *, from_roof: bool) -> None:
    """On the margin its export would have displaced the same: then the cheap night stays better.

    Export pays 0.21 and the night costs 0.2; 300 g/kWh at 120 a tonne are 0.036.
    """
    morning = utc("2026-12-04T15:00")
    tariff = bands(
        band("night", "0.2", hours=["23:00-07:00"]), band("day", "0.5"),
        export_rate=Decimal("0.21"),
    )  # fmt: skip
    file = DemoHousehold(
        home={"main_fuse_amps": [63.0], "known_load": [{"amps": 1, "hours": ["00:00-24:00"]}]},
        tariffs=(tariff,), leaves={"at": "16:00", "need_percent": 50.0},
        generation={"forecast": {}, "trust_percent": 100.0},
        carbon={"kind": kind, "price_per_tonne": 120.0},
    ).file()  # fmt: skip
    assert file.generation is not None
    assert file.carbon is not None
    hours = [morning + n * timedelta(hours=1) for n in range(13)]
    sun = tuple(ForecastPoint(at, 8.0 if 6 <= n < 10 else 0.0) for n, at in enumerate(hours))
    prices = prices_of(file, {}, sun=Outlook(file.generation, file.zone, sun)).with_carbon(
        CarbonOutlook(file.carbon, file.zone, (IntensityPoint(morning, 300.0),))
    )
    departure = departures_to_plan(file, "hatchback", morning, morning + timedelta(days=1))[0]
    plan = make_plan(file, prices, Situation(morning, 40.0, departure))
    assert (plan.roof_kwh > 4) is from_roof
    assert plan.carbon_kg == pytest.approx(0.0 if from_roof else 0.3 * plan.energy_kwh, abs=0.1)


def test_what_is_not_known_is_estimated_and_said() -> None:
    """Yesterday's clean hours stand in for tonight's; with nothing known carbon is not counted."""
    file = household()
    assert file.carbon is not None
    points = tuple(
        IntensityPoint(EVENING - timedelta(days=1) + n * HALF_HOUR, value)
        for n, value in enumerate(CLEAN_AT_FOUR)
    )
    prices = prices_of(file, {}).with_carbon(CarbonOutlook(file.carbon, file.zone, points))
    plan = make_plan(file, prices, situation_of(file))
    assert [period.band for period in plan.periods] == ["early"]
    assert any(reason.startswith("Its carbon rests on estimates") for reason in plan.why)
    nothing = make_plan(file, prices_of(file, {}), situation_of(file))
    assert [period.band for period in nothing.periods] == ["late"]
    assert nothing.cautions[0] == (
        "No carbon intensity of the grid is known: the plan counts no carbon."
    )


def test_comparisons_are_of_money_alone() -> None:
    """An hour later, charging at once, in the plan's hours: all without the price of carbon."""
    file = household(leaves={"at": "09:20"})
    prices = known(file, CLEAN_AT_FOUR)
    draft = draft_plan(file, prices, situation_of(file))
    reasons = " ".join(explained(draft).why)
    more = 23.1 * 0.004
    assert f"Charging on a timer would cost NZD {more:.2f} less." in reasons
    assert "An hour earlier the same charge would cost NZD 0.03 less" in reasons
    now = explained(at_once_instead(draft, prices)).why
    assert "In the cheapest hours, carbon counted, it would be 23.11 kWh for NZD 3.98" in now[1]


def test_two_cars_behind_one_fuse_count_it_together() -> None:
    """At one rate all night both wait for the clean hours."""
    made = TwoCars(needs=(60.0, 50.0)).file().model_dump(exclude_unset=True)
    carbon = Carbon(kind="average", price_per_tonne=120.0)
    file = type(TwoCars().file()).model_validate(made | {"carbon": carbon.model_dump()})
    prices = known(file, CLEAN_AT_FOUR)
    situations = [
        Situation(EVENING, soc, departures_to_plan(file, car, EVENING, EVENING + 48 * HALF_HOUR)[0])
        for car, soc in (("hatchback", 45.0), ("van", 40.0))
    ]
    home = next(plan_together(file, prices, situations))
    good = gap_sentence(home.gap_share, prices.carbon, is_short=home.is_short)
    assert good.endswith("proven to be the cheapest, carbon counted.")
    for situation in situations:
        point = file.vehicles[situation.departure.vehicle].charge_point
        own = replace(situation, is_joint=True, allotted=home.allotted[point])
        plan = draft_plan(file, prices, own).plan
        assert all(period.start >= EVENING + 17 * HALF_HOUR for period in plan.periods)
        assert plan.carbon_kg == pytest.approx(plan.energy_kwh * 0.05)
