"""Present values and payback, held against a published example and numpy-financial.

numpy-financial 1.0.0 is a reference in tests only. NIST Handbook 135 (Life-Cycle Costing Manual) is
the method: end-of-year discounting, and its example 7-1, read in a public source that quotes it.
"""

from __future__ import annotations

import math
from decimal import Decimal

import numpy_financial
import pytest

from config.choices.money_over_years import Grant, Maintenance
from planners.worth.lifetime import PARTS, Lifetime
from planners.worth.wording import about_money
from tests.planners.appraised import choice, choices_file


def flows(lifetime: Lifetime, amount: float) -> list[float]:
    """List what an amount of the first year is in each of some whole years, from the start on."""
    growth = 1 + lifetime.growth_percent.get("energy", 0) / 100
    return [0.0, *(amount * growth**year for year in range(int(lifetime.keep_years)))]


@pytest.mark.parametrize("interest", [0.0, 3.0, 12.5])
@pytest.mark.parametrize("growth", [-5.0, 0.0, 3.0])
def test_present_values_are_those_of_a_reference_library(interest: float, growth: float) -> None:
    """The net present value of the same payments, by numpy-financial; also if both are equal."""
    lifetime = Lifetime(15, interest, {"energy": growth})
    expected = numpy_financial.npv(interest / 100, flows(lifetime, 480))
    assert 480 * lifetime.factor("energy") == pytest.approx(expected, rel=1e-12)
    uniform = numpy_financial.npv(interest / 100, [0.0, *[1.0] * 15])
    assert lifetime.factor("elsewhere") == pytest.approx(uniform, rel=1e-12)


def test_factors_of_the_life_cycle_costing_manual() -> None:
    """NIST Handbook 135: 3 %, 20 years; SPV 0.554 and UPV 14.88 (from memory), UPV* its formula."""
    lifetime = Lifetime(20, 3.0, {"energy": 2.0})
    assert lifetime.discount(20) == pytest.approx(0.554, abs=5e-4)
    assert lifetime.factor("elsewhere") == pytest.approx(14.88, abs=5e-3)
    # (1 + e) / (d - e) (1 - ((1 + e) / (1 + d))^n); its first year's prices have grown once.
    published = 1.02 / 0.01 * (1 - (1.02 / 1.03) ** 20)
    assert 1.02 * lifetime.factor("energy") == pytest.approx(published, rel=1e-12)


def test_storm_windows_of_the_life_cycle_costing_manual() -> None:
    """NIST Handbook 135e2025, example 7-1: 27 944 without, 26 344 with an outlay of 2000.

    The handbook's factors for gas and electricity, 16.15 and 15.48 at 3 %, hold prices that grow
    unevenly. An even growth that gives the same factor must give the same life-cycle costs.
    """
    gas, power = (_growth_of(factor) for factor in (16.15, 15.48))
    of_gas, of_power = (Lifetime(20, 3.0, {"energy": growth}) for growth in (gas, power))

    def energy(therms: float, kwh: float) -> float:
        first = 1.05 * therms * (1 + gas / 100), 0.135 * kwh * (1 + power / 100)
        return first[0] * of_gas.factor("energy") + first[1] * of_power.factor("energy")

    assert energy(1500, 1200) == pytest.approx(27_944, abs=1)
    assert 2000 + energy(1300, 1100) == pytest.approx(26_344, abs=1)


def _growth_of(factor: float) -> float:
    """Find by bisection the growth [percent] with which the handbook's factor is as given."""
    low, high = -5.0, 10.0
    for _ in range(60):
        middle = (low + high) / 2
        found = (1 + middle / 100) * Lifetime(20, 3.0, {"energy": middle}).factor("energy")
        low, high = (middle, high) if found < factor else (low, middle)
    return low


@pytest.mark.parametrize("interest", [0.5, 4.0, 9.0])
def test_discounted_payback_is_when_the_sum_turns(interest: float) -> None:
    """At its whole years the sum is below and above 0; numpy-financial's nper lies in that year."""
    lifetime = Lifetime(30, interest)
    saved = [500 * by for by in lifetime.factors("energy")]
    found = lifetime.paid_back_after(1900, saved)
    assert found is not None
    periods = float(numpy_financial.nper(interest / 100, 500, -1900))
    assert math.floor(found) == math.floor(periods)
    assert found == pytest.approx(periods, abs=0.01)


def test_payback_without_interest_is_outlay_over_saving() -> None:
    """Simple payback; nothing to pay back takes no time; what is not covered is none."""
    lifetime = Lifetime(8)
    even = lifetime.factors("energy")
    assert lifetime.paid_back_after(900, [400 * by for by in even]) == pytest.approx(2.25)
    assert lifetime.paid_back_after(0, [0.0] * 8) == 0
    assert lifetime.paid_back_after(900, [100 * by for by in even]) is None
    # A repair in the fifth year takes it back below nothing: it is paid back only after that.
    repaired = [400.0, 400, 400, 400, -900, 400, 400, 400]
    assert lifetime.paid_back_after(900, repaired) == pytest.approx(5.5)


@pytest.mark.parametrize("years", [1, 2.5, 8])
def test_without_interest_and_growth_every_year_counts_alike(years: float) -> None:
    """Also a last year that is not whole, by its share."""
    lifetime = Lifetime(years)
    assert lifetime.is_plain
    assert [lifetime.factor(part) for part in PARTS] == pytest.approx([years] * 4, rel=1e-15)


def test_grants_and_maintenance_come_when_they_are_paid() -> None:
    """Discounted by hand: 40 a year growing by 10 %, 90 in the second year, 200 after a year."""
    lifetime = Lifetime(2.5, 5.0, {"maintenance": 10.0})
    grants = [Grant(amount=Decimal(100)), Grant(amount=Decimal(200), after_years=1)]
    paid = [Maintenance(amount=Decimal(40)), Maintenance(amount=Decimal(90), every_years=2)]
    assert lifetime.later(grants, paid) == pytest.approx(
        [
            40 / 1.05 - 200 / 1.05,
            40 * 1.1 / 1.05**2 + 90 * 1.1 / 1.05**2,
            0.5 * 40 * 1.1**2 / 1.05**2.5,
        ]
    )


@pytest.mark.parametrize(
    ("growth", "said"),
    [
        ({}, "Rates, standing charges and outlays stay the same for 8 years."),
        (
            dict.fromkeys(PARTS, 2.0),
            "The first year has the prices declared; then all grow by 2 % a year.",
        ),
        (dict.fromkeys(PARTS[1:], 2.0) | {"maintenance": 3.0}, "; energy stays the same."),
        ({"energy": 3.0}, "Then they grow: energy by 3 % a year; standing charges, charging"),
        ({each: n + 1.0 for n, each in enumerate(PARTS)}, "elsewhere by 3 % a year and maint"),
    ],
)
def test_what_grows_is_said(growth: dict[str, float], said: str) -> None:
    """Nothing, one part, all alike, or each by its own."""
    parts = {f"{part}_percent": by for part, by in growth.items()}
    file = choices_file(choice("one"), price_growth=parts)
    sentences = list(about_money(file, has_series=False, announced=False))
    assert said in sentences[0]
    assert sentences[1].startswith("Interest is not counted")
