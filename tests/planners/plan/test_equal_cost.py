"""A want that costs no more to meet now than later is met now."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from planners.plan.horizon import Situation, departures_known
from planners.plan.planning import make_plan
from planners.rates.prices import prices_of
from tests.planners.households import band, bands
from tests.planners.planned import DemoHousehold, utc

if TYPE_CHECKING:
    from planners.plan.plan import Plan

EVENING = "2026-06-03T06:30:00"


def planned(
    rate: str,
    max_rate: str,
    *,
    nights: int = 3,
    start_cost: str = "0",
    weekend: str | None = None,
    min_run: int = 0,
) -> Plan:
    """Plan from 72 %, with a cheap band at night and 80 % wanted at `max_rate` or less."""
    cheap = band("cheap", rate, hours=["00:00-03:00"])
    rows = [cheap, band("rest", "0.38")]
    if weekend is not None:
        rows[0]["days"] = ["mon", "tue", "wed", "thu"]
        rows.append(band("late", weekend, hours=["00:00-03:00"], days=["fri", "sat", "sun"]))
    given = DemoHousehold(
        tariffs=[bands(*rows)],
        point={"start_cost": Decimal(start_cost), "min_run_minutes": min_run},
        leaves={
            "need_percent": 50.0, "want_percent": 80.0, "max_rate": Decimal(max_rate),
            "returns": "17:30", "uses_kwh": 5.0,
        },
    )  # fmt: skip
    file, now = given.file(), utc(EVENING)
    prices = prices_of(file, {})
    departure, *later = departures_known(file, prices, "hatchback", now, nights)
    return make_plan(file, prices, Situation(now, 72.0, departure, later=tuple(later)))


@pytest.mark.parametrize(
    ("rate", "max_rate"), [("0.00", "0.00"), ("0.00", "0.10"), ("0.09", "0.10"), ("0.10", "0.10")]
)
def test_a_want_that_is_as_cheap_every_night_is_met_every_night(rate: str, max_rate: str) -> None:
    """Free energy, and energy at the same rate: nothing is left for the last of the nights."""
    plan = planned(rate, max_rate)
    assert plan.reaches_percent == pytest.approx(80.0)
    assert [night.reaches_percent for night in plan.later] == pytest.approx([80.0, 80.0])
    assert not any("Stops at" in sentence or "saves" in sentence for sentence in plan.why)


def test_it_costs_as_little_as_the_plan_that_leaves_it() -> None:
    """The same energy in all, at the same rate."""
    plan = planned("0.09", "0.10")
    cost = plan.cost + sum(night.cost for night in plan.later)
    used = (80.0 - 72.0) / 100 * 52 + 2 * 5.0
    assert cost == pytest.approx(0.09 * used / 0.9)


def test_a_want_that_is_cheaper_later_waits() -> None:
    """From Friday on the hours cost less, and the plan says why it stops."""
    plan = planned("0.09", "0.10", weekend="0.02")
    assert plan.reaches_percent < 80.0
    assert "the rest costs less on a later night" in " ".join(plan.why)


def test_a_start_that_costs_something_is_saved() -> None:
    """Each night's start costs more than nothing: one later night is cheaper than three."""
    plan = planned("0.09", "0.10", start_cost="0.05")
    assert plan.reaches_percent == pytest.approx(72.0)
    assert "the rest costs less on a later night" in " ".join(plan.why)


def test_one_night_alone_is_as_before() -> None:
    """It meets its want."""
    assert planned("0.00", "0.00", nights=1).reaches_percent == pytest.approx(80.0)


def test_no_want_is_bought_before_a_need_that_later_hours_meet_for_less() -> None:
    """Its 80 % cost 0.09 tonight; from Friday on the same energy is needed and free."""
    given = DemoHousehold(
        tariffs=[
            bands(
                band("paid", "0.09", hours=["00:00-03:00"], days=["mon", "tue", "wed", "thu"]),
                band("free", "0.00", hours=["00:00-03:00"], days=["fri", "sat", "sun"]),
                band("rest", "0.38"),
            )
        ],
        leaves={
            "need_percent": 50.0, "want_percent": 80.0, "max_rate": Decimal("0.10"),
            "returns": "17:30", "uses_kwh": 4.0,
        },
    )  # fmt: skip
    file, now = given.file(), utc(EVENING)
    prices = prices_of(file, {})
    departure, *later = departures_known(file, prices, "hatchback", now, 2)
    plan = make_plan(file, prices, Situation(now, 50.0, departure, later=tuple(later)))
    assert plan.energy_kwh == pytest.approx(0.0)
    assert plan.later[0].reaches_percent == pytest.approx(80.0)
    assert plan.later[0].cost == pytest.approx(0.0)
    assert "Stops at 50 % of the 80 % wanted: the rest costs less on a later night." in plan.why
