"""A year's energy priced by bill lines, against a plain loop with running sums."""

from __future__ import annotations

from calendar import monthrange
from collections import defaultdict
from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from planners.appraisal.choice_case import Case, case_of
from planners.year.driving_days import driving_of
from tests.planners.appraised import Keys, cheap_night, choice, choices_file

if TYPE_CHECKING:
    from datetime import datetime

    from numpy.typing import NDArray

AUCKLAND = ZoneInfo("Pacific/Auckland")
USUAL = 9.5
ENDS = (8.0, 12.0, 20.0)
DAY_RATES, NIGHT_RATES = (0.20, 0.26, 0.31, 0.40), (0.10, 0.14, 0.19, 0.22)
TAX = 1.15


def tiers(rates: tuple[float, ...], times: float) -> list[Keys]:
    rows: list[Keys] = [{"rate": Decimal(str(rate))} for rate in rates]
    for row, end in zip(rows, ENDS, strict=False):
        row["up_to_kwh"] = Decimal(str(end * times))
    return rows


def tiered(per: str, times: float) -> Case:
    """Two bands of four tiers each, with tax, in a zone whose clock changes."""
    tariff = {
        "name": "Tiers", "tiers_per": per, "usual_kwh": Decimal(str(USUAL * times)),
        "tax_percent": Decimal(15),
        "bands": [
            {"name": "night", "tiers": tiers(NIGHT_RATES, times), "hours": ["23:00-06:00"]},
            {"name": "day", "tiers": tiers(DAY_RATES, times)},
        ],
    }  # fmt: skip
    file = choices_file(choice("tiers", tariff))
    return case_of(file, file.choices[0], driving_of(file), ())


def local(case: Case, tick: int) -> datetime:
    instant = case.year.start + tick * timedelta(minutes=30)
    return instant.astimezone(AUCKLAND)


def by_hand(
    case: Case, kwh: NDArray[np.float64], per: str, times: float, usual: float
) -> dict[tuple[str, float], tuple[float, float]]:
    """Sum energy and cost by band and rate; each tick fills the tiers of its period in turn."""
    used: defaultdict[str, float] = defaultdict(float)
    energy: defaultdict[tuple[str, float], float] = defaultdict(float)
    for tick, drawn in enumerate(kwh.tolist()):
        at = local(case, tick)
        period = f"{at:%Y-%m-%d}" if per == "day" else f"{at:%Y-%m}"
        if per == "days_of_month":
            times = float(monthrange(at.year, at.month)[1])
        night = at.hour >= 23 or at.hour < 6
        below = usual * times + used[period]
        used[period] += drawn
        above = usual * times + used[period]
        edges = [0.0, *(end * times for end in ENDS), float("inf")]
        for place, rate in enumerate(NIGHT_RATES if night else DAY_RATES):
            part = min(above, edges[place + 1]) - max(below, edges[place])
            energy["night" if night else "day", rate] += max(0.0, part)
    return {key: (kwh, kwh * key[1] * TAX) for key, kwh in energy.items()}


@pytest.mark.parametrize(("per", "times"), [("day", 1.0), ("month", 30.0), ("days_of_month", 1.0)])
@pytest.mark.parametrize("beside_home", [True, False])
def test_tiers_are_filled_tick_by_tick(per: str, times: float, *, beside_home: bool) -> None:
    """Random energies in random ticks of the year; use begins again each local day or month."""
    case = tiered(per, times)
    rng = np.random.default_rng(5)
    kwh = rng.uniform(0, 3.6, len(case.year.rates)) * (rng.random(len(case.year.rates)) < 0.2)
    energy, cost = case.year.priced(kwh, beside_home=beside_home)
    hand = by_hand(case, kwh, per, times, USUAL if beside_home else 0.0)
    assert len(case.year.lines) == 8
    for line, got_kwh, got_cost in zip(case.year.lines, energy, cost, strict=True):
        assert line.rate is not None
        want_kwh, want_cost = hand.get((line.band, round(float(line.rate) / TAX, 9)), (0.0, 0.0))
        assert got_kwh == pytest.approx(want_kwh, abs=1e-6)
        assert got_cost == pytest.approx(want_cost, abs=1e-6)
    assert energy.sum() == pytest.approx(kwh.sum())


@pytest.mark.parametrize(("per", "times"), [("day", 1.0), ("month", 30.0)])
def test_charging_costs_the_bill_with_it_less_the_bill_without(per: str, times: float) -> None:
    """Where the home has used its usual amount before, in each day or month that is whole.

    At night rates alone, so that it is the tiers that make the difference.
    """
    case = tiered(per, times)
    year = case.year
    rng = np.random.default_rng(6)
    ticks = np.arange(len(year.rates))
    at_night = np.array([local(case, tick).hour < 6 for tick in ticks.tolist()])
    # The usual amount in the first night tick of each period, and charging in those after it.
    marks = [f"{local(case, n):%Y-%m-%d}"[: 10 if per == "day" else 7] for n in ticks.tolist()]
    firsts = {mark: n for n, mark in reversed(list(enumerate(marks))) if at_night[n]}
    home = np.zeros(len(ticks))
    home[list(firsts.values())] = USUAL * times
    whole = np.array([mark in firsts for mark in marks])
    car = rng.uniform(0, 2, len(ticks)) * at_night * whole
    car[home > 0] = 0.0
    both = year.priced(home + car, beside_home=False)[1].sum()
    without = year.priced(home, beside_home=False)[1].sum()
    assert year.priced(car)[1].sum() == pytest.approx(both - without)
    assert year.priced(car)[1].sum() > car.sum() * NIGHT_RATES[1] * TAX


def test_a_dearer_cheapest_band_is_dearer_in_all_its_tiers() -> None:
    """Each kWh in the cheapest band costs so much more, and energy by day costs the same."""
    case = tiered("day", 1.0)
    kwh = np.full(len(case.year.rates), 0.7)
    before, after = case.year.priced(kwh), case.year.with_added(0.05).priced(kwh)
    assert after[0] == pytest.approx(before[0])
    dearer = np.array([line.band == "night" for line in case.year.lines])
    assert after[1] - before[1] == pytest.approx(0.05 * before[0] * dearer)


def test_rates_are_those_of_the_local_clock_in_every_tick() -> None:
    """A cheap night from 23:00 to 06:00, in a year with two changes of the clock."""
    file = choices_file(choice("night", cheap_night()))
    case = case_of(file, file.choices[0], driving_of(file), ())
    for tick, rate in enumerate(case.year.rates.tolist()):
        at = local(case, tick)
        assert rate == (0.12 if at.hour >= 23 or at.hour < 6 else 0.32)
