"""What came from the roof and what from the grid, by the readings of a grid meter."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.home.generation import ROOF
from planners.accounts.accounts import account
from planners.accounts.by_source import GRID_INTERVAL, GridInterval, roof_share
from planners.accounts.register import RegisterReading
from planners.accounts.same_energy import at_once, cheapest_hours, night_slots
from planners.power.allowed_currents import AmpsSpan
from planners.power.charging import ChargeModel
from planners.rates.prices import RateSpan
from tests.planners.planned import utc

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from planners.accounts.same_energy import NightSlot

START = utc("2026-06-03T02:00:00")
MINUTE = timedelta(minutes=1)


def steadily(*wh: int) -> Callable[[datetime], int]:
    """Draw so much in each interval, evenly."""

    def until(instant: datetime) -> int:
        done, rest = divmod(max(instant - START, timedelta(0)), GRID_INTERVAL)
        part = wh[done] * (rest / GRID_INTERVAL) if done < len(wh) else 0.0
        return sum(wh[:done]) + int(part)

    return until


def grid(*flows: tuple[int, int]) -> list[GridInterval]:
    """Import and export of intervals in a row."""
    return [GridInterval(START + place * GRID_INTERVAL, *flow) for place, flow in enumerate(flows)]


@pytest.mark.parametrize(
    ("car_wh", "import_wh", "export_wh", "roof_wh"),
    [
        (300, 0, 200, 300),  # the roof gives it all, and more
        (300, 120, 0, 180),  # the home uses its own first, so the grid gives what it imports
        (300, 500, 0, 0),  # the rest of the home imports too
        (300, 90, 40, 210),  # clouds: it imported and exported within the interval
        (0, 0, 900, 0),
    ],
)
def test_one_vehicle(car_wh: int, import_wh: int, export_wh: int, roof_wh: int) -> None:
    """By hand: the grid's part is the smaller of the vehicle's energy and the home's import."""
    share = roof_share(grid((import_wh, export_wh)), (), steadily(car_wh))
    assert share.until(START + GRID_INTERVAL) == roof_wh
    assert share.surplus_wh(START, START + GRID_INTERVAL) == roof_wh + export_wh


def test_two_vehicles_share_by_energy() -> None:
    """Of 300 and 100 Wh, 100 are imported: three quarters of the roof's 300 are the first's."""
    flows = grid((100, 0))
    first, second = steadily(300), steadily(100)
    assert roof_share(flows, (), first, [second]).until(START + GRID_INTERVAL) == 225
    assert roof_share(flows, (), second, [first]).until(START + GRID_INTERVAL) == 75


def test_time_without_readings_counts_as_from_the_grid() -> None:
    """The middle of three intervals is missing."""
    first, _, third = grid((0, 10), (0, 10), (0, 10))
    share = roof_share([first, third], (), steadily(100, 200, 300))
    assert share.until(START + 3 * GRID_INTERVAL) == 400
    assert share.until(START + 2 * GRID_INTERVAL) == 100
    assert share.surplus_wh(START + GRID_INTERVAL, START + 2 * GRID_INTERVAL) == 0


def test_within_an_interval() -> None:
    """Half of the vehicle's energy has half of the roof's."""
    share = roof_share(grid((0, 0), (100, 0)), (), steadily(100, 300))
    assert share.until(START + GRID_INTERVAL + 150 * timedelta(seconds=1)) == 200
    assert share.until(START) == 0
    assert share.until(START - MINUTE) == 0


@given(
    st.lists(st.tuples(*[st.integers(0, 1000)] * 4), min_size=1, max_size=8),
    st.lists(st.integers(0, 2400), min_size=2, max_size=6),
)
def test_no_more_than_there_was(flows: list[tuple[int, int, int, int]], cuts: list[int]) -> None:
    """The roof's parts never fall, exceed the vehicle's energy, or in sum what the roof gave."""
    intervals = grid(*((taken, given_) for _, _, taken, given_ in flows))
    cars = [steadily(*(flow[place] for flow in flows)) for place in range(2)]
    shares = [roof_share(intervals, (), cars[place], [cars[1 - place]]) for place in range(2)]
    instants = sorted(START + timedelta(seconds=cut) for cut in cuts)
    for share, car in zip(shares, cars, strict=True):
        for begins, ends in pairwise(instants):
            part = share.until(ends) - share.until(begins)
            assert 0 <= part <= car(ends) - car(begins)
    end = START + len(flows) * GRID_INTERVAL
    at_most = sum(max(0, one + other - taken) for one, other, taken, _ in flows)
    assert at_most - 2 * len(flows) <= sum(share.until(end) for share in shares) <= at_most


# --- what it costs ------------------------------------------------------------------------------

IMPORT, EXPORT = Decimal("0.30"), Decimal("0.08")


def rate(minutes: float, rate: Decimal, band: str) -> RateSpan:
    end = START + minutes * MINUTE
    return RateSpan(START, end, rate, band, "A tariff", estimated=False)


def test_each_part_at_its_own_rate() -> None:
    """300 Wh of which 120 are imported: 0.12 x 0.30 and 0.18 x 0.08, by hand 0.0504."""
    readings = [RegisterReading(START + n * MINUTE, 1000 + 60 * n) for n in range(6)]
    share = roof_share(grid((120, 0)), [rate(60, EXPORT, "export")], steadily(300))
    found = account(readings, [rate(60, IMPORT, "day")], max_kw=7.36, roof=share)
    assert [(line.band, line.rate, line.wh) for line in found.by_band] == [
        ("day", IMPORT, 120),
        (ROOF, EXPORT, 180),
    ]
    assert (found.energy_wh, found.roof_wh) == (300, 180)
    assert found.cost == Decimal("0.0504")
    assert found.all_grid_cost == Decimal("0.0900")


def two_slots(export: Decimal) -> tuple[NightSlot, NightSlot]:
    """Five minutes with 400 Wh of surplus, then five without; 613.333 Wh each at full power."""
    share = roof_share(grid((0, 300), (900, 0)), [rate(60, export, "export")], steadily(100, 200))
    end = START + 2 * GRID_INTERVAL
    spans, currents = [rate(10, IMPORT, "day")], [AmpsSpan(START, end, 32.0)]
    first, second = night_slots(spans, currents, (START, end), [], steadily(100, 200), roof=share)
    return first, second


def test_the_cheapest_hours_are_those_of_the_roof() -> None:
    """300 Wh fit in the surplus of the first slot; 500 leave 100 to the grid."""
    slots = two_slots(EXPORT)
    assert [slot.surplus_wh for slot in slots] == [400, 0]
    model = ChargeModel(32.0, 1, 230.0, 60.0, 1.0)
    assert cheapest_hours(slots, model, 300).cost == Decimal("0.024")
    assert cheapest_hours(slots, model, 500).cost == Decimal("0.032") + Decimal("0.030")
    # Charging at once for 700 Wh takes the first slot whole, and 86.667 Wh of the second.
    assert at_once(slots, model, 0.0, 700).cost == Decimal("0.032") + Decimal("0.090")


def test_where_export_pays_more_than_the_grid_costs() -> None:
    """At 0.50 for export the second slot is the cheaper one: 500 Wh cost 0.15 there."""
    model = ChargeModel(32.0, 1, 230.0, 60.0, 1.0)
    assert cheapest_hours(two_slots(Decimal("0.50")), model, 500).cost == Decimal("0.150")
