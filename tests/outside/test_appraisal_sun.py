"""Some nights beside a roof, computed again night by night with HiGHS.

The power of the roofs is taken over; the home's use, the clock, the battery and the plan are
computed here. The current can be set, from 6 to 32 A, tick by tick. Costs must agree to a cent a
night: the planner's levels may leave it some thousandths above the cheapest plan.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import highspy
import pytest

from planners.appraisal.appraising import appraise
from planners.generation.typical_year import TypicalYear, typical_year
from planners.local_time.conversion import minute_of
from tests.outside.second_appraiser import ticks_of
from tests.planners.appraised import cheap_night, choice, choices_file, point, roofs

ZONE = ZoneInfo("Pacific/Auckland")
DAYS = ("2027-02-01", "2027-02-03", "2027-02-06", "2027-02-08")
TRIP_KWH = 140 * 0.165
LOW_KWH, HIGH_KWH = 6 * 0.23 / 2, 32 * 0.23 / 2
EFFICIENCY, NEED, WANT, MAX_RATE, EXPORT = 0.9, 0.5 * 52, 0.8 * 52, 0.10, 0.07


def cheapest(
    rates: list[float], surplus: list[float], need: float, want: float
) -> tuple[float, float, float]:
    """Return cost, metered energy and roof's energy of the cheapest plan between two energies."""
    h = highspy.Highs()  # type: ignore[no-untyped-call]
    h.setOptionValue("threads", 1)
    h.setOptionValue("output_flag", False)  # noqa: FBT003 - its interface
    h.setOptionValue("mip_abs_gap", 1e-3)
    h.setOptionValue("mip_rel_gap", 0.0)
    on = [h.addBinary() for _ in rates]
    last = [h.addBinary() for _ in rates]
    kwh = [h.addVariable(0, HIGH_KWH) for _ in rates]
    roof = [h.addVariable(0, HIGH_KWH) for _ in rates]
    h.addConstr(sum(last) <= 1)
    for i, spare in enumerate(surplus):
        h.addConstr(kwh[i] <= HIGH_KWH * on[i])
        h.addConstr(last[i] <= on[i])
        h.addConstr(kwh[i] >= LOW_KWH * on[i] - LOW_KWH * last[i])
        h.addConstr(roof[i] <= kwh[i])
        h.addConstr(roof[i] <= spare * on[i])
        # The last tick is cut short: of its part of the surplus no more is used.
        part = spare / max(spare, LOW_KWH)
        h.addConstr(roof[i] <= part * kwh[i] + HIGH_KWH - HIGH_KWH * last[i])
        if i:
            h.addConstr(on[i] + sum(last[:i]) <= 1)
    total = sum(kwh)
    h.addConstr(total >= need)
    h.addConstr(total <= want)
    h.minimize(
        sum((rate - MAX_RATE) * each for rate, each in zip(rates, kwh, strict=True))
        - sum((rate - EXPORT) * each for rate, each in zip(rates, roof, strict=True))
    )
    assert h.getModelStatus() == highspy.HighsModelStatus.kOptimal
    metered, sun = sum(h.val(each) for each in kwh), sum(h.val(each) for each in roof)
    return float(h.getObjectiveValue()) + MAX_RATE * metered, metered, sun


def second_opinion(given: TypicalYear) -> tuple[float, float, float]:
    """Add up all nights; a home of 7.2 kWh a day takes 0.3 kW of what the roofs give."""
    stored, sums = WANT, [0.0, 0.0, 0.0]
    begins = [datetime.fromisoformat(f"{day}T07:20") for day in DAYS]
    ends = [*begins[1:], datetime.fromisoformat(f"{DAYS[-1]}T18:10") + timedelta(days=1)]
    margin = timedelta(minutes=15)
    for day, end in zip(DAYS, ends, strict=True):
        stored -= TRIP_KWH
        back = datetime.fromisoformat(f"{day}T18:10")
        ticks = ticks_of(ZONE, back, end - margin, 30)
        rates, surplus = [], []
        for tick in ticks:
            hour = tick.astimezone(ZONE).hour
            rates.append(0.12 if hour >= 23 or hour < 6 else 0.32)
            kw = float(given.means(minute_of(tick.astimezone(UTC)), 1, 30)[0]) - 0.3
            surplus.append(max(0.0, kw) / 2)
        need, want = ((energy - stored) / EFFICIENCY for energy in (NEED, WANT))
        found = cheapest(rates, surplus, max(0.0, need), want)
        stored += EFFICIENCY * found[1]
        sums = [one + other for one, other in zip(sums, found, strict=True)]
    return sums[0], sums[1], sums[2]


def test_nights_beside_the_sun_cost_what_highs_says() -> None:
    """What is wanted is worth 0.10: the sun at 0.07 is bought for it, the night at 0.12 is not."""
    declared = roofs(trust_percent=100.0)
    file = choices_file(
        choice(
            "One",
            cheap_night(export_rate=Decimal("0.07")),
            charge_point=point(switching="current", min_rest_minutes=0),
            need_percent=50.0,
            want_percent=80.0,
            max_rate=Decimal("0.10"),
        ),
        driving={
            "trips": [{"date": day, "distance": "140 km"} for day in DAYS],
            "leaves": "07:20",
            "returns": "18:10",
        },
        home_use=[{"kwh_per_day": 7.2}],
        generation=declared,
    )
    [ours] = appraise(file, {}).choices
    assert file.generation is not None
    cost, metered, roof = second_opinion(typical_year(file.generation, ZONE, 2027))
    assert ours.cost == pytest.approx(cost, abs=0.01 * len(DAYS))
    assert ours.energy_kwh == pytest.approx(metered, abs=0.5)
    assert ours.roof_kwh == pytest.approx(roof, abs=0.5)
    # Some of it is from the sun, and some from cheap nights.
    assert 20 < ours.roof_kwh < 0.95 * ours.energy_kwh
