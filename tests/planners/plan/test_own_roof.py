"""Plans beside the home's own roof: what they count on, what that costs, and how they say it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from config.files.forecast_series import ForecastPoint
from config.household.household_file import HouseholdFile
from planners.generation.outlook import Outlook
from planners.local_time.conversion import instant_of, minute_of
from planners.local_time.wished_departures import departures_to_plan
from planners.plan.horizon import Situation
from planners.plan.planning import make_plan
from planners.plan.remaining import remaining_plan
from planners.rates.prices import Prices, prices_of
from tests.planners.households import band, bands
from tests.planners.planned import DemoHousehold, utc

if TYPE_CHECKING:
    from collections.abc import Sequence

    from planners.plan.plan import Period, Plan

MORNING = utc("2026-12-04T18:00")
"""Saturday 07:00 at Kowhai Cottage."""

TWO_RATES = bands(
    band("night", "0.20", hours=["23:00-07:00"]), band("day", "0.40"), export_rate=Decimal("0.08")
)
AT_FOUR = {"at": "16:00", "need_percent": 50.0, "want_percent": 90.0, "max_rate": Decimal("0.10")}
KNOWN_LOAD = [{"amps": 2, "hours": ["00:00-24:00"]}]
NOON_KW = (1.0, 2.5, 4.0, 4.5, 4.0, 3.0)
"""What is expected from 09:00 on, hour by hour."""


def file_with(
    generation: dict[str, Any] | None = None,
    tariff: dict[str, Any] | None = None,
    leaves: dict[str, Any] | None = None,
    point: dict[str, Any] | None = None,
) -> HouseholdFile:
    return DemoHousehold(
        home={"main_fuse_amps": [63.0], "known_load": KNOWN_LOAD},
        tariffs=(tariff or TWO_RATES,), leaves=AT_FOUR | (leaves or {}), point=point,
        generation={"forecast": {}} | (generation or {}),
    ).file()  # fmt: skip


def sunny(file: HouseholdFile, kw: Sequence[float] = NOON_KW) -> Prices:
    points = tuple(
        ForecastPoint(MORNING + timedelta(hours=hour), power) for hour, power in enumerate(kw, 2)
    )
    assert file.generation is not None
    return prices_of(file, {}, sun=Outlook(file.generation, file.zone, points))


def planned(
    file: HouseholdFile,
    prices: Prices,
    soc: float = 40.0,
    nights: int = 1,
    **more: Any,  # noqa: ANN401
) -> Plan:
    until = MORNING + timedelta(days=4)
    found = departures_to_plan(file, "hatchback", MORNING, until)[:nights]
    situation = Situation(MORNING, soc, found[0], later=found[1:], **more)
    return make_plan(file, prices, situation)


def cost_by_minute(periods: Sequence[Period], prices: Prices) -> float:
    """Price the currents again, minute by minute, with nothing of the planner's slots."""
    total = 0.0
    assert prices.sun is not None
    assert prices.export is not None
    for period in periods:
        first = minute_of(period.start)
        for minute in range(first, minute_of(period.end) + 1):
            at = instant_of(minute)
            seconds = (min(period.end, at + timedelta(minutes=1)) - max(period.start, at)).seconds
            kw = period.amps * 0.23
            roof = 0.8 * float(prices.sun.expected_kw(minute, minute + 1)[0])
            left = max(0.0, roof - 2 * 0.23)
            bought = max(0.0, kw - left)
            rate, export = (float(each.rate_at(at).rate) for each in (prices, prices.export))
            total += (bought * rate + (kw - bought) * export) * seconds / 3600
    return total


def test_the_roof_is_used_at_what_export_would_have_paid() -> None:
    """What is wanted comes from the roof alone; the cost is that of each minute, priced again."""
    file = file_with()
    prices = sunny(file)
    plan = planned(file, prices)
    left = [max(0.0, 0.8 * kw - 0.46) for kw in NOON_KW[1:]]
    assert plan.roof_kwh == pytest.approx(sum(left), rel=0.03)
    assert plan.roof_cost == pytest.approx(plan.roof_kwh * 0.08)
    assert plan.energy_kwh - plan.roof_kwh < 0.15  # currents are rounded up to a tenth
    assert plan.cost == pytest.approx(cost_by_minute(plan.periods, prices), abs=0.002)
    assert "kWh come from the roof at 0.0800, which export would have paid;" in " ".join(plan.why)
    sources = plan.to_json()["by_source"]
    assert sources["roof"]["energy_kwh"] + sources["grid"]["energy_kwh"] == pytest.approx(
        plan.energy_kwh, abs=0.001
    )


def test_what_is_left_of_it_is_priced_alike() -> None:
    """At noon, with half of it charged, the rest costs what its minutes cost."""
    file = file_with()
    prices = sunny(file)
    plan = planned(file, prices)
    noon = MORNING + timedelta(hours=5, minutes=20)
    found = departures_to_plan(file, "hatchback", noon, noon + timedelta(days=2))
    left = remaining_plan(plan, file, prices, Situation(noon, 55.0, found[0], on=True))
    assert left.as_of == noon
    assert 0 < left.roof_kwh < plan.roof_kwh
    assert left.cost == pytest.approx(cost_by_minute(left.periods, prices), abs=0.002)


@pytest.mark.parametrize(
    ("kw", "generation", "cheapest"),
    [
        (NOON_KW, {"trust_percent": 100}, "day"),
        (NOON_KW, {}, "night"),
        ([0.3] * 6, {"trust_percent": 100}, "night"),
        (NOON_KW, {"trust_percent": 0}, "night"),
        (NOON_KW, {"trust_percent": 20}, "night"),
    ],
    ids=["certain", "clear", "dull", "not trusted", "hardly trusted"],
)
def test_a_need_waits_for_the_sun_only_if_that_is_certain(
    kw: Sequence[float], generation: dict[str, Any], cheapest: str
) -> None:
    """With a cheap night before it, the need is bought there; only what is wanted may wait."""
    file = file_with(generation, leaves={"want_percent": 50.0, "max_rate": None})
    prices, evening = sunny(file, kw), MORNING - timedelta(hours=12)
    found = departures_to_plan(file, "hatchback", evening, evening + timedelta(days=1))
    assert found[0].instant == utc("2026-12-05T03:00")
    plan = make_plan(file, prices, Situation(evening, 40.0, found[0]))
    assert plan.shortfall is None
    assert {period.band for period in plan.periods} == {cheapest}


@pytest.mark.parametrize("switching", ["current", "on_off"])
def test_what_is_wanted_waits_for_the_sun_and_the_need_does_not(switching: str) -> None:
    """Past the last hours in which the grid would meet the need, no need is left to the sun."""
    file = file_with(point={"switching": switching, "max_amps": 10.0})
    prices, evening = sunny(file), MORNING - timedelta(hours=12)
    found = departures_to_plan(file, "hatchback", evening, evening + timedelta(days=1))
    plan = make_plan(file, prices, Situation(evening, 40.0, found[0]))
    by_band: dict[str, float] = {}
    for period in plan.periods:
        by_band[period.band] = by_band.get(period.band, 0.0) + period.kwh
    assert by_band["night"] == pytest.approx(52 * 0.1 / 0.9, abs=0.2), "up to a tick"
    assert by_band["day"] > 1
    assert plan.roof_kwh > 0.6 * by_band["day"]
    said = "The need does not wait for the sun past Sat 07:00: the grid's cheaper hours end there."
    assert said in plan.why


def test_a_night_after_the_sun_may_still_meet_the_need() -> None:
    """Then the sun comes first, and what it does not give is bought in the night."""
    file = file_with(leaves={"at": "07:20", "need_percent": 90.0, "max_rate": None})
    now = MORNING + timedelta(hours=1)
    found = departures_to_plan(file, "hatchback", now, now + timedelta(days=2))
    plan = make_plan(file, sunny(file), Situation(now, 40.0, found[0]))
    assert plan.roof_kwh > 5
    assert {period.band for period in plan.periods} == {"day", "night"}


def test_the_need_is_met_whatever_the_sky_does() -> None:
    """A period draws its current in any weather: without sun it costs more, and lacks nothing."""
    file = file_with(leaves={"want_percent": 50.0, "max_rate": None})
    plan = planned(file, sunny(file))
    drawn = sum(
        period.amps * 0.23 * (period.end - period.start).total_seconds() / 3600
        for period in plan.periods
    )
    assert drawn == pytest.approx(plan.energy_kwh, rel=1e-3)
    assert 40 + 100 * drawn * 0.9 / 52 >= 50 - 0.01


def test_the_home_uses_the_sun_first() -> None:
    """Without its known load more is left."""
    file = file_with()
    alone = file.household.model_copy(update={"known_load": ()})
    bare = file.model_copy(update={"household": alone})
    more = planned(bare, sunny(bare)).roof_kwh - planned(file, sunny(file)).roof_kwh
    assert more == pytest.approx(0.46 * 6, abs=0.5)


def test_export_that_pays_more_than_the_grid_is_left_to_the_grid() -> None:
    """The concave case: with 0.50 for export, the need is bought in the dark."""
    file = file_with(tariff=TWO_RATES | {"export_rate": Decimal("0.50")},
                     leaves={"want_percent": 50.0, "max_rate": None})  # fmt: skip
    plan = planned(file, sunny(file))
    assert plan.roof_kwh == pytest.approx(0, abs=1e-6)


def test_without_an_export_rate_the_sun_is_free() -> None:
    """And a rate that is not known counts as nothing too."""
    for tariff in (
        {key: value for key, value in TWO_RATES.items() if key != "export_rate"},
        TWO_RATES | {"export_rate": {"prices": {"file": "sold.csv"}}},
    ):
        file = file_with(tariff=tariff)
        plan = planned(file, sunny(file))
        assert plan.roof_kwh > 10
        assert plan.roof_cost == 0
        assert "which export would not have paid for" in " ".join(plan.why)


def test_several_nights_and_an_on_off_point() -> None:
    """Both are planned with the sun, and each night's cost is that of its minutes."""
    file = file_with(
        leaves={"returns": "18:00", "uses_kwh": 6.0},
        point={"switching": "on_off", "max_amps": 10.0},
    )
    two_days = [*NOON_KW, *([0.0] * 18), *NOON_KW]
    prices = sunny(file, two_days)
    plan = planned(file, prices, nights=2)
    assert len(plan.later) == 1
    for periods, cost in ((plan.periods, plan.cost), (plan.later[0].periods, plan.later[0].cost)):
        assert periods
        assert cost == pytest.approx(cost_by_minute(periods, prices), abs=0.002)
        assert sum(period.roof_kwh for period in periods) > 3


def test_the_sun_raises_no_peak_of_a_capacity_charge() -> None:
    """At NZD 4 for each kW a plan from the roof stays as it is; a relay imports, and is capped."""
    charge = {"per": "month", "interval_minutes": 15, "rate_per_kw": Decimal(4)}
    charged = TWO_RATES | {"capacity_charge": charge}
    files = [file_with(tariff=tariff) for tariff in (TWO_RATES, charged)]
    free, capped = (planned(file, sunny(file)) for file in files)
    assert capped.periods == free.periods
    relay = file_with(tariff=charged, point={"switching": "on_off"}, leaves={"max_rate": None})
    plan = planned(relay, sunny(relay))
    (kept,) = [sentence for sentence in plan.why if "capacity charge" in sentence]
    assert kept.startswith("Kept to ")
    assert plan.roof_kwh > 0


def test_without_a_roof_nothing_changes() -> None:
    """A forecast of nothing gives the very plan of a home without any."""
    file = file_with()
    bare = file.model_copy(update={"generation": None})
    dark, none = planned(file, sunny(file, [0.0] * 6)), planned(bare, prices_of(bare, {}))
    assert dark.periods == none.periods
    assert dark.to_json() | {"why": []} == none.to_json() | {"why": []}
    assert np.isclose(dark.cost, none.cost)
    assert replace(dark, why=()) == replace(none, why=())
