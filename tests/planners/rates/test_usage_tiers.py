"""Rates that change with use: what charging costs is the bill with it less the bill without it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from itertools import accumulate, pairwise
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planners.accounts.accounts import account, energy_until
from planners.accounts.register import RegisterReading
from planners.rates.prices import Prices, prices_of
from planners.rates.tiered_spans import spans_by_use, use_counted_from
from tests.planners.households import band, bands, household
from tests.planners.planned import DemoHousehold

if TYPE_CHECKING:
    from collections.abc import Sequence

AUCKLAND = ZoneInfo("Pacific/Auckland")
MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)


def tier(rate: str, up_to_kwh: str | None = None) -> dict[str, Any]:
    found: dict[str, Any] = {"rate": Decimal(rate)}
    return found if up_to_kwh is None else {**found, "up_to_kwh": Decimal(up_to_kwh)}


def tiered(name: str, *tiers: dict[str, Any], **keys: object) -> dict[str, Any]:
    return {"name": name, "tiers": list(tiers), **keys}


def prices(
    *rows: dict[str, Any], per: str = "month", usual_kwh: str = "0", **keys: object
) -> Prices:
    use = {"tiers_per": per, "usual_kwh": Decimal(usual_kwh)}
    return prices_of(household("Pacific/Auckland", [bands(*rows, **use, **keys)]), {})


def local(day: int, hour: int = 0, month: int = 6) -> datetime:
    return datetime(2026, month, day, hour, tzinfo=AUCKLAND).astimezone(UTC)


def metered(start: datetime, watt_hours: Sequence[int]) -> list[RegisterReading]:
    """Make readings of a register that rises by these amounts, one an hour from `start`."""
    rises = accumulate(watt_hours, initial=1_000)
    return [RegisterReading(start + i * HOUR, wh) for i, wh in enumerate(rises)]


def cost(
    found: Prices, start: datetime, end: datetime, *meters: Sequence[RegisterReading]
) -> list[Decimal]:
    """Price each meter's energy by the tiers that all meters together reach."""
    curves = [energy_until(readings, 50.0, gap_minutes=60) for readings in meters]
    spans = spans_by_use(found, start, end, lambda at: sum(curve(at) for curve in curves))
    return [account(readings, spans, 50.0, gap_minutes=60).cost for readings in meters]


STEPS = (tier("0.20", "120"), tier("0.30", "300"), tier("0.45"))


@pytest.mark.parametrize(
    ("usual_kwh", "charged_wh", "expected"),
    [
        ("0", 100_000, "20"),  # 100 x 0.20
        ("0", 120_000, "24"),
        ("0", 200_000, "48"),  # 120 x 0.20 + 80 x 0.30
        ("250", 40_000, "12"),  # 40 x 0.30
        ("250", 80_000, "28.5"),  # 50 x 0.30 + 30 x 0.45
        ("300", 10_000, "4.5"),
        ("500", 10_000, "4.5"),
    ],
)
def test_charging_comes_on_top_of_the_usual_use(
    usual_kwh: str, charged_wh: int, expected: str
) -> None:
    """The kWh of a month fill what the home's usual use leaves of the tiers."""
    found = prices(tiered("all", *STEPS), usual_kwh=usual_kwh)
    readings = metered(local(3), [charged_wh // 10] * 10)
    assert cost(found, local(3), local(4), readings) == [Decimal(expected)]


@pytest.mark.parametrize(
    ("month", "expected"),
    [
        (2, "67.6"),  # 28 days: 10 x 28 - 2 x 28 = 224 at 0.20, the other 76 at 0.30
        (3, "65.2"),  # 31 days: 248 at 0.20, the other 52 at 0.30
    ],
)
def test_tiers_for_each_day_of_a_month(month: int, expected: str) -> None:
    """300 kWh in a few days: 10 kWh for each day of the month at 0.20, 15 more at 0.30.

    A quantity for each day, times the days of the bill, is how the baseline allowances of
    California are reckoned (from memory). The home uses 2 kWh a day.
    """
    blocks = tiered("all", tier("0.20", "10"), tier("0.30", "25"), tier("0.45"))
    found = prices(blocks, per="days_of_month", usual_kwh="2")
    start, end = local(3, month=month), local(10, month=month)
    readings = metered(start, [5_000] * 60)
    assert cost(found, start, end, readings) == [Decimal(expected)]
    assert found.rate_at(start).rate == Decimal("0.20")


def test_a_plan_has_the_rate_of_the_next_kwh_and_says_so() -> None:
    """A plan is made at the rate after the usual use, tax included, and one sentence says that."""
    use = {"tiers_per": "month", "usual_kwh": Decimal(250), "tax_percent": Decimal(10)}
    plan = DemoHousehold(tariffs=[bands(tiered("all", *STEPS), **use)]).plan(
        40.0, "2026-06-03T06:30"
    )
    assert plan.cost == pytest.approx(plan.energy_kwh * 0.33)
    sentence = (
        "Rates change with use: the plan takes those of the next kWh after the usual 250 kWh a"
        " month."
    )
    assert sentence in plan.why


def test_a_tier_is_left_at_the_instant_at_which_the_meter_reaches_its_end() -> None:
    """10 kWh an hour from 22:00 on, 15 kWh left in the first tier: it ends at 23:30.

    To the second, since a meter counts whole watt-hours, and here one takes 0.36 s.
    """
    found = prices(tiered("all", tier("0.1", "20"), tier("0.2")), per="day", usual_kwh="5")
    readings = metered(local(3, 22), [10_000, 10_000])
    spans = spans_by_use(found, local(3, 12), local(4), energy_until(readings, 50.0, 60))
    assert [span.rate for span in spans] == [Decimal("0.1"), Decimal("0.2")]
    assert abs(spans[0].end - (local(3, 23) + 30 * MINUTE)) < timedelta(seconds=1)
    assert (spans[0].start, spans[1].start, spans[1].end) == (
        local(3, 12),
        spans[0].end,
        local(4),
    )


def test_a_day_begins_its_count_at_midnight() -> None:
    """The second tier of one local day is no reason for the second tier on the next."""
    found = prices(tiered("all", tier("0.1", "8"), tier("0.2")), per="day")
    readings = metered(local(3, 22), [6_000] * 4)
    # 8 of 12 kWh at 0.1 before midnight, and 8 of 12 after it.
    assert cost(found, local(3, 12), local(4, 12), readings) == [Decimal("3.2")]


def test_a_month_counts_what_was_charged_in_its_earlier_nights() -> None:
    """A night is priced in the tier that the nights before it have led to; June ends in one."""
    found = prices(tiered("all", tier("0.1", "30"), tier("0.2")))
    readings = metered(local(29, 22), [5_000] * 8 + [0] * 16 + [5_000] * 8)
    first = cost(found, local(29, 12), local(30, 12), readings)
    second = cost(found, local(30, 12), local(1, 12, month=7), readings)
    assert first == [Decimal(30) * Decimal("0.1") + Decimal(10) * Decimal("0.2")]
    # Two hours are June's, in its second tier; six are July's, all of them in its first.
    assert second == [Decimal(10) * Decimal("0.2") + Decimal(30) * Decimal("0.1")]
    assert use_counted_from(found, local(30, 12), local(1, 12, month=7)) == local(1)


def test_a_new_tariff_begins_to_count() -> None:
    """Charging on the old tariff fills no tier of the new one."""
    old = bands(band("all", "0.5"), name="Old")
    use = {"tiers_per": "month", "usual_kwh": Decimal(0), "name": "New"}
    new = bands(tiered("all", tier("0.1", "30"), tier("0.2")), **use)
    new["valid_from"] = local(10).astimezone(AUCKLAND).date()
    found = prices_of(household("Pacific/Auckland", [old, new]), {})
    readings = metered(local(9, 20), [10_000] * 8)
    assert cost(found, local(9, 12), local(10, 12), readings) == [
        Decimal(40) * Decimal("0.5") + Decimal(30) * Decimal("0.1") + Decimal(10) * Decimal("0.2")
    ]
    assert use_counted_from(found, local(9, 12), local(10, 12)) == local(10)
    assert use_counted_from(found, local(8, 12), local(9, 12)) is None


def test_all_charge_points_fill_the_same_tiers() -> None:
    """Two charge points at once share what is left of a tier as they share the energy."""
    found = prices(tiered("all", tier("0.1", "30"), tier("0.2")))
    one, other = metered(local(3), [10_000] * 4), metered(local(3), [5_000] * 4)
    # 30 of 60 kWh in the first tier, after two hours: half of each.
    assert cost(found, local(3), local(4), one, other) == [Decimal(6), Decimal(3)]


# --- the law ----------------------------------------------------------------------------------

rates = st.decimals(Decimal("0.01"), Decimal(1), places=3)
ends = st.sets(st.integers(1, 400), min_size=1, max_size=4)


def bill(used_wh: int, ends_kwh: Sequence[int], costs: Sequence[Decimal]) -> Decimal:
    """Price the energy of a period, kWh by kWh from the first tier on."""
    total, before = Decimal(0), 0
    for end, rate in zip([*(1000 * end for end in ends_kwh), used_wh], costs, strict=True):
        part = max(0, min(end, used_wh) - before)
        total += part * rate / 1000
        before = max(before, min(end, used_wh))
    return total


@settings(deadline=None)
@given(
    st.data(),
    ends,
    st.integers(0, 350),
    st.lists(st.integers(0, 9_000), min_size=1, max_size=60),
    st.lists(st.integers(0, 9_000), min_size=1, max_size=60),
)
def test_a_month_costs_its_bill_less_the_bill_without_charging(
    data: st.DataObject, ends_kwh: set[int], usual: int, one: list[int], other: list[int]
) -> None:
    """However charging is spread over nights and charge points, the costs add up to the bill."""
    places = sorted(ends_kwh)
    costs = data.draw(st.lists(rates, min_size=len(places) + 1, max_size=len(places) + 1))
    rows = [tier(str(rate), str(end)) for rate, end in zip(costs, places, strict=False)]
    found = prices(tiered("all", *rows, tier(str(costs[-1]))), usual_kwh=str(usual))
    begins = [local(1) + data.draw(st.integers(0, 24 * 24)) * HOUR for _ in range(2)]
    meters = [metered(start, rises) for start, rises in zip(begins, [one, other], strict=True)]
    noons = [local(1), *(local(day, 12) for day in range(1, 31)), local(1, month=7)]
    total = sum(sum(cost(found, start, end, *meters)) for start, end in pairwise(noons))
    charged = sum(one) + sum(other)
    with_charging = bill(1000 * usual + charged, places, costs)
    without = bill(1000 * usual, places, costs)
    # Where a tier ends between two meters' whole watt-hours, either may have the odd one.
    assert abs(total - (with_charging - without)) <= Decimal("0.001") * 2 * (len(places) + 31)
