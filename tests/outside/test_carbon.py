"""Carbon against published figures: arithmetic of worked examples, limits, a real fortnight.

The fortnight is that of German hours in January 2018, with its prices; sources are in
`tests/data/german_carbon_2018.txt` and at the head of `tests/data/day_ahead_2018.csv`.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import pytest

from config.files.forecast_series import MOST_GRAMS, IntensityPoint, load_intensities
from config.home.carbon import Carbon
from daemon.check.carbon import COAL_GRAMS
from planners.carbon.caused import caused
from planners.carbon.outlook import CarbonOutlook
from planners.local_time.wished_departures import next_departure
from planners.plan.horizon import Situation, horizon_of
from planners.plan.planning import draft_plan
from planners.rates.prices import prices_of
from planners.solver.exact import solve
from planners.solver.solution import objective
from tests.outside.day_ahead_2018 import price_points
from tests.planners.planned import DemoHousehold
from tests.planners.solver.reference_several import cheapest

if TYPE_CHECKING:
    from collections.abc import Sequence

    from config.household.household_file import HouseholdFile
    from planners.plan.plan import Period
    from planners.rates.prices import Prices

SERIES = Path(__file__).parents[1] / "data" / "german_carbon_2018.csv"

POUND_GRAMS = 453.59237
"""An international avoirdupois pound, exactly."""

START = datetime(2026, 6, 1, tzinfo=UTC)


def kg_of(kwh: int, grams_per_kwh: float) -> float:
    """Return what some energy causes at one intensity, by our own sums."""
    carbon = Carbon(kind="average")
    outlook = CarbonOutlook(carbon, ZoneInfo("UTC"), (IntensityPoint(START, grams_per_kwh),))
    end = START + timedelta(minutes=60)

    def wh_between(start: datetime, until: datetime) -> int:
        return round((until - start) / (end - START) * 1000 * kwh)

    return float(caused(outlook, START, end, wh_between).kg)


@pytest.mark.parametrize(
    ("kwh", "grams", "kg"),
    [
        # US EPA, "Greenhouse Gases Equivalencies Calculator - Calculations and References", home
        # electricity use, figures of 2018 from memory (a snapshot of 19 January 2021 is public):
        # 11,880 kWh a home x 1,021.6 lb/MWh delivered / 2,204.6 lb/t = 5.505 t.
        (11_880, 1.0216 * POUND_GRAMS, 5505),
        # The same page, electricity reductions, marginal, from memory: 1,562.4 lb/MWh x 4.536e-4
        # t/lb x 0.001 = 7.09e-4 t/kWh.
        (1000, 1.5624 * POUND_GRAMS, 709),
        # Carbon Trust, "Conversion factors" (carbontrust.co.uk, KnowledgeCentre), as stored on the
        # web: 1,000 kWh at 0.185 kg/kWh (of gas) are 185 kg.
        (1000, 185.0, 185),
        # UK government conversion factors 2024, electricity generated, from memory: 0.20705
        # kg/kWh.
        (1000, 207.05, 207),
    ],
)
def test_worked_examples(kwh: int, grams: float, kg: float) -> None:
    """Energy times intensity, in pounds a megawatt-hour as in grams a kilowatt-hour."""
    assert kg_of(kwh, grams) == pytest.approx(kg, abs=0.6)


def test_no_kind_of_power_is_beyond_the_limits() -> None:
    """Medians of IPCC AR5 WG III (2014), Annex III, table A.III.2; lignite from memory."""
    medians = {"coal": 820, "gas": 490, "biomass": 230, "solar": 48, "geothermal": 38,
               "hydro": 24, "nuclear": 12, "wind at sea": 12, "wind on land": 11}  # fmt: skip
    assert max(medians.values()) == COAL_GRAMS
    assert MOST_GRAMS > 2 * 1150  # the oldest plants for lignite cause about 1,150 g/kWh
    fortnight = [point.value for point in load_intensities(SERIES)]
    assert len(fortnight) == 14 * 24
    assert medians["wind on land"] < min(fortnight) < max(fortnight) < COAL_GRAMS


def household(price: float) -> HouseholdFile:
    tariff = {
        "name": "Day-ahead",
        "prices": {"file": "prices.csv", "step_minutes": 60, "multiply": 0.001},
    }
    return DemoHousehold(
        home={"timezone": "Europe/Berlin", "currency": "EUR"},
        tariffs=(tariff,),
        leaves={"at": "07:15", "need_percent": 80.0},
        carbon={"kind": "average", "price_per_tonne": price},
    ).file()


def rates(file: HouseholdFile) -> Prices:
    assert file.carbon is not None
    prices = prices_of(file, {"Day-ahead": price_points()})
    return prices.with_carbon(CarbonOutlook(file.carbon, file.zone, load_intensities(SERIES)))


def test_a_real_fortnight() -> None:
    """Each night of 19:00 to 07:00, half a battery: what a price of carbon costs and spares.

    With 20 and with 100 EUR a tonne, money and carbon together are never more than those of the
    cheapest nights, and each price spares more than the lower one. The plan of every third night
    costs what HiGHS finds.
    """
    totals = []
    for price in (0.0, 20.0, 100.0):
        file = household(price)
        prices = rates(file)
        assert prices.carbon is not None
        cost = kg = 0.0
        for day in range(13):
            now = datetime(2018, 1, 8 + day, 18, tzinfo=UTC)
            departure = next_departure(file, "hatchback", now)
            assert departure is not None
            situation = Situation(now, 30.0, departure)
            plan = draft_plan(file, prices, situation).plan
            found = caused_by(plan.periods)
            assert not price or plan.carbon_kg == pytest.approx(found, abs=1e-3)
            cost, kg = cost + plan.cost, kg + found
            if price and day % 3 == 0:
                problem = horizon_of(file, prices, situation).problem
                best = cheapest(problem).money
                assert objective(problem, solve(problem)) == pytest.approx(best, abs=1e-5)
        totals.append((price, cost, kg))
    (_, least, most_kg), *priced = totals
    for price, cost, kg in priced:
        assert cost + price * kg / 1000 <= least + price * most_kg / 1000 + 0.005
    assert totals[2][2] < totals[1][2] < most_kg
    assert least < totals[1][1] < totals[2][1]


def caused_by(periods: Sequence[Period]) -> float:
    """Add up a plan's carbon hour by hour, straight from the file [kg CO2e]."""
    by_hour = {point.start: point.value for point in load_intensities(SERIES)}
    kg = Decimal(0)
    for period in periods:
        for hour, grams in by_hour.items():
            until = min(period.end, hour + timedelta(hours=1))
            seconds = (until - max(period.start, hour)).total_seconds()
            if seconds > 0:
                kwh = period.amps * 0.23 * seconds / 3600
                kg += Decimal(kwh * grams / 1000)
    return float(kg)
