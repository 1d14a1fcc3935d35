"""A plan as JSON."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from planners.plan.plan import instant_text
from tests.planners.planned import DemoHousehold, utc

EVENING = "2026-06-03T06:30:00"

FIELDS = [
    "charge_point", "vehicle", "currency", "tariff", "made_at", "departure", "soc_percent",
    "need_percent", "want_percent", "reaches_percent", "energy_kwh", "cost", "starts",
    "shortfall_kwh", "rests_on_estimates", "periods", "baselines", "why", "cautions",
]  # fmt: skip


def test_the_document_has_exactly_the_fields_of_the_design() -> None:
    """Design, section 8: these fields in this order, and no others if the need is met."""
    document = DemoHousehold().plan(35.0, EVENING).to_json()
    assert list(document) == FIELDS
    (period,) = document["periods"]
    assert list(period) == ["start", "end", "amps", "kwh", "cost", "band"]
    assert list(document["baselines"]) == ["at_once", "timer"]
    for baseline in document["baselines"].values():
        assert list(baseline) == ["energy_kwh", "cost"]


def test_a_need_out_of_reach_adds_two_fields() -> None:
    """Design, section 8: `earliest_ready` and `amps_that_would_do`, null where there is none."""
    document = DemoHousehold().plan(10.0, "2026-06-03T17:30:00").to_json()
    assert list(document) == [*FIELDS, "earliest_ready", "amps_that_would_do"]
    assert document["amps_that_would_do"] is None
    assert document["shortfall_kwh"] > 0
    hopeless = DemoHousehold(point={"max_amps": 10.0}, car={"standby_watts": 4000.0})
    assert hopeless.plan(10.0, EVENING).to_json()["earliest_ready"] is None


def test_an_estimated_period_says_so() -> None:
    """`estimated` appears in a period that rests on an estimate, and in no other."""
    plan = DemoHousehold().plan(35.0, EVENING)
    guessed = replace(plan, periods=(replace(plan.periods[0], estimated=True),)).to_json()
    assert guessed["rests_on_estimates"] is True
    assert guessed["periods"][0]["estimated"] is True


@pytest.mark.parametrize("soc", [0.0, 35.0, 33.333333, 80.0, 100.0])
def test_the_document_is_plain_json(soc: float) -> None:
    """It goes through JSON unchanged: no Decimal, no tuple, no NaN, no datetime."""
    document = DemoHousehold().plan(soc, "2026-06-03T06:31:22.123456").to_json()
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert isinstance(document["cost"], float)


def test_instants_are_written_after_rfc_3339_in_utc() -> None:
    """To the second, with Z."""
    assert (
        instant_text(datetime(2026, 6, 3, 6, 30, 0, 999_999, tzinfo=UTC)) == "2026-06-03T06:30:00Z"
    )


def test_a_plan_knows_the_period_of_an_instant() -> None:
    """Periods are half-open: the start is inside, the end is not."""
    plan = DemoHousehold().plan(35.0, EVENING)
    (period,) = plan.periods
    assert plan.period_at(period.start) is period
    assert plan.period_at(period.end) is None
    assert plan.period_at(utc(EVENING)) is None


def test_a_plan_is_named_by_its_vehicle_and_its_instant() -> None:
    """Commands can say which plan they follow."""
    assert DemoHousehold().plan(35.0, EVENING).name == "hatchback@2026-06-03T06:30:00Z"
