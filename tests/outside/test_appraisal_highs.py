"""Three months of one choice, computed again night by night with HiGHS.

The clock goes forward in them. Figures must agree to a thousandth of a kWh and of a penny over all
nights together: both ways are exact, and differ by what HiGHS allows a binary to be off.
"""

from __future__ import annotations

import random
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from planners.appraisal.appraising import appraise
from tests.outside.second_appraiser import Account, Rules, Trip, live
from tests.planners.appraised import choice, choices_file, point, socket

LONDON = ZoneInfo("Europe/London")
FIRST, NIGHTS = date(2027, 1, 25), 90
DAY, MARGIN = timedelta(days=1), timedelta(minutes=15)
KWH_PER_KM = 0.18
RATES = {"night": 0.071, "evening": 0.359, "day": 0.269}
TARIFF = {
    "name": "Three rates",
    "bands": [
        {"name": "night", "rate": Decimal("0.071"), "hours": ["00:30-04:30"]},
        {"name": "evening", "rate": Decimal("0.359"), "hours": ["16:00-19:30"]},
        {"name": "day", "rate": Decimal("0.269")},
    ],
}


def band_at(local: datetime) -> tuple[str, float]:
    """Look up the same tariff by the clock."""
    clock = f"{local:%H:%M}"
    if "00:30" <= clock < "04:30":
        return "night", RATES["night"]
    if "16:00" <= clock < "19:30":
        return "evening", RATES["evening"]
    return "day", RATES["day"]


def days_away() -> list[tuple[date, str, str, int]]:
    """Draw each day's times and distance [km]; one day in thirty is a very long one."""
    rng = random.Random("days away")
    found = []
    for n in range(NIGHTS):
        km = 330 if n % 30 == 17 else rng.randint(10, 130)
        leaves = rng.choice(["06:45", "07:20", "08:10"])
        returns = rng.choice(["16:05", "18:10", "19:40", "22:30"])
        found.append((FIRST + n * DAY, leaves, returns, km))
    return found


def declared(days: list[tuple[date, str, str, int]]) -> dict[str, Any]:
    return {
        "trips": [
            {"date": day, "leaves": leaves, "returns": returns, "distance": f"{km} km"}
            for day, leaves, returns, km in days
        ]
    }


def second_opinion(days: list[tuple[date, str, str, int]], rules: Rules) -> Account:
    def at(day: date, clock: str) -> datetime:
        return datetime.fromisoformat(f"{day}T{clock}")

    trips = [Trip(at(d, out), at(d, back), km * KWH_PER_KM) for d, out, back, km in days]
    leaves = [*(trip.leaves for trip in trips[1:]), trips[-1].returns + DAY]
    return live(LONDON, trips, [instant - MARGIN for instant in leaves], band_at, rules)


# A run of an hour and a half and a rest of an hour, in ticks of half an hour.
STEADY = {"start_cost": Decimal("0.04"), "min_run_minutes": 90, "min_rest_minutes": 60}


@pytest.mark.parametrize(
    ("charge_point", "kw", "max_rate", "rules"),
    [
        (socket(**STEADY), 2.3, Decimal("0.2"), {"start_cost": 0.04, "min_run": 3, "min_rest": 2}),
        (point(**STEADY), 7.36, Decimal("0.2"), {"start_cost": 0.04, "min_run": 3, "min_rest": 2}),
    ],
)
def test_nights_cost_what_highs_says(
    charge_point: dict[str, Any], kw: float, max_rate: Decimal, rules: dict[str, Any]
) -> None:
    """Energy and cost by band, nights short, and what the battery ends with."""
    days = days_away()
    file = choices_file(
        choice(
            "One", TARIFF, charge_point=charge_point, need_percent=55.0, want_percent=85.0,
            max_rate=max_rate,
        ),
        driving=declared(days),
        vehicle={"kwh_per_100km": 100 * KWH_PER_KM, "charging_efficiency_percent": 88.0},
        timezone="Europe/London", currency="GBP",
    )  # fmt: skip
    second = second_opinion(
        days, Rules(30, kw / 2, 0.88, 0.55 * 52, 0.85 * 52, float(max_rate), **rules)
    )
    [ours] = appraise(file, {}).choices
    bought = {band for band, kwh in second.kwh.items() if kwh > 0}
    assert {each.band for each in ours.by_band} == bought
    for line in ours.by_band:
        assert line.kwh == pytest.approx(second.kwh[line.band], abs=1e-3)
        assert line.cost == pytest.approx(second.cost[line.band], abs=1e-3)
    assert ours.energy_kwh == pytest.approx(sum(second.kwh.values()), abs=1e-3)
    assert ours.cost == pytest.approx(sum(second.cost.values()), abs=1e-3)
    assert ours.nights == NIGHTS
    assert ours.nights_short == sum(kwh > 0 for kwh in second.short_kwh)
    assert ours.shortfall_kwh == pytest.approx(sum(second.short_kwh), abs=1e-3)
    assert ours.worst_shortfall_kwh == pytest.approx(max(second.short_kwh), abs=1e-3)
    assert ours.ends_below_kwh == pytest.approx(0.85 * 52 - second.ends_kwh, abs=1e-3)
    assert ours.charged_elsewhere_kwh == pytest.approx(second.elsewhere_kwh, abs=1e-3)
    # On the longest days the battery does not suffice, and a socket's night after them neither.
    assert ours.charged_elsewhere_kwh > 0
    assert ours.nights_short > 0 or kw > 3
    # Both the cheap band and another are needed, so that there was something to choose.
    assert len(ours.by_band) > 1
