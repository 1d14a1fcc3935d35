"""Many nights in one call: against HiGHS and enumeration night by night, and its ties."""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import groupby, product

import numpy as np
import pytest
from numpy.typing import NDArray

from planners.many_nights import blocks as night_blocks
from planners.many_nights.arrays import Nights, NightsSolution
from planners.many_nights.many_nights import solve_nights
from planners.power.charging import ChargeModel
from planners.solver.problem import TIE
from tests.planners.solver.reference import (
    Case,
    Optimum,
    cheapest_by_enumeration,
    cheapest_by_highs,
)


def lossless(tick_kwh: float) -> ChargeModel:
    return ChargeModel(amps=tick_kwh, phases=1, volts=1000, usable_kwh=1000, efficiency=1.0)


def random_nights(rng: random.Random, most_ticks: int, *, gaps: bool = False) -> Nights:
    """Return nights of varied rates, windows, needs and wants; a lossless battery, empty before."""
    count, ticks = rng.randint(1, 8), rng.randint(1, most_ticks)
    tick_kwh = rng.choice([0.1917, 0.6133, 3.68])
    kinds = rng.choices(["whole", "market", "negative"], k=count)
    rates, may, need, want = [], [], [], []
    for kind in kinds:
        mean = {"whole": 2.0, "market": 0.25, "negative": -0.02}[kind]
        figures = [rng.gauss(mean, 0.1 if kind != "whole" else 1) for _ in range(ticks)]
        rates.append([round(rate, 0 if kind == "whole" else 4) for rate in figures])
        first, last = sorted(rng.choices(range(ticks + 1), k=2))
        opened = [rng.random() < 0.75 for _ in range(ticks)] if gaps else [True] * ticks
        may.append([first <= i < last and opened[i] for i in range(ticks)])
        need.append(rng.choice([0.0, rng.uniform(0, 0.9), 0.3]) * ticks * tick_kwh)
        want.append(need[-1] + rng.choice([0.0, rng.uniform(0, 0.5)]) * ticks * tick_kwh)
    return Nights(
        rates_per_kwh=np.array(rates),
        may_charge=np.array(may),
        stored_kwh=np.zeros(count),
        need_kwh=np.array(need),
        want_kwh=np.array(want),
        max_rate_per_kwh=np.array(rng.choices([0.0, 0.1, 0.2, 2.0], k=count)),
        model=lossless(tick_kwh),
        tick_hours=1.0,
        start_cost=rng.choice([0.0, 0.01, 0.2]),
        min_run=rng.choice([1, 1, 2, 3, 5]),
        min_rest=rng.choice([0, 1, 2, 4]),
    )


def case_of(nights: Nights, night: int) -> tuple[Case, list[bool]]:
    """Return one night from its first to its last tick in which it may charge, and those ticks."""
    may = nights.may_charge[night].tolist()
    first = may.index(True) if any(may) else 0
    last = len(may) - may[::-1].index(True) if any(may) else 0
    case = Case(
        rates=tuple(np.where(may, nights.rates_per_kwh[night], 0.0)[first:last].tolist()),
        tick_kwh=nights.model.full_kw * nights.tick_hours,
        need_kwh=float(nights.need_kwh[night]),
        want_kwh=float(nights.want_kwh[night]),
        max_rate=float(nights.max_rate_per_kwh[night]),
        start_cost=nights.start_cost,
        min_run=nights.min_run,
        min_rest=nights.min_rest,
    )
    return case, may[first:last]


def optimum_of(nights: Nights, solution: NightsSolution, night: int) -> Optimum:
    """Price a lossless night by the statement of the problem."""
    kwh = solution.metered_kwh[night]
    past_kwh = max(0.0, float(kwh.sum() - nights.need_kwh[night]))
    starts = sum(on for on, _ in groupby((kwh > 0).tolist()))
    money = float(nights.rates_per_kwh[night] @ kwh) + nights.start_cost * starts
    money -= float(nights.max_rate_per_kwh[night]) * past_kwh
    if ends_short(nights, kwh, night, starts):
        money += case_of(nights, night)[0].short_run_cost
    return Optimum(max(0.0, float(nights.need_kwh[night] - kwh.sum())), money)


def ends_short(nights: Nights, kwh: NDArray[np.float64], night: int, starts: int) -> bool:
    """Whether the last run goes on to the end of the time, and is too short for that."""
    may = np.flatnonzero(nights.may_charge[night])
    on = (kwh > 0).tolist()[: may[-1] + 1] if len(may) else []
    run = on[::-1].index(False) if False in on else len(on)
    targets = (nights.need_kwh[night], nights.want_kwh[night])
    is_whole = starts == 1 and any(abs(kwh.sum() - target) < 1e-6 for target in targets)
    return 0 < run < nights.min_run and not is_whole


def assert_optimal(ours: Optimum, theirs: Optimum, case: Case) -> None:
    assert ours.short_kwh == pytest.approx(theirs.short_kwh, abs=1e-6), case
    assert ours.money == pytest.approx(theirs.money, abs=2e-6), case


def test_each_night_costs_what_highs_finds(monkeypatch: pytest.MonkeyPatch) -> None:
    """On random nights, in blocks of any size, no plan is cheaper (reference solver HiGHS)."""
    rng = random.Random("many nights")
    for _ in range(60):
        monkeypatch.setattr(night_blocks, "BLOCK_STATES", rng.choice([1, 60, 16_384]))
        nights = random_nights(rng, most_ticks=22)
        solution = solve_nights(nights)
        for night in range(len(nights.need_kwh)):
            case, _may = case_of(nights, night)
            if case.rates:
                ours = optimum_of(nights, solution, night)
                assert_optimal(ours, cheapest_by_highs(case), case)


def test_each_night_costs_what_enumeration_finds() -> None:
    """On tiny nights, trying every choice of ticks finds nothing cheaper."""
    rng = random.Random("many tiny nights")
    for _ in range(60):
        nights = random_nights(rng, most_ticks=8)
        solution = solve_nights(nights)
        for night in range(len(nights.need_kwh)):
            case, _may = case_of(nights, night)
            assert_optimal(optimum_of(nights, solution, night), cheapest_by_enumeration(case), case)


def cheapest_with_gaps(case: Case, may: list[bool]) -> Optimum:
    """Try every choice of the ticks in which it may charge; a gap ends a run like any tick off."""
    found = []
    for target_kwh in (case.need_kwh, case.want_kwh):
        rungs = int(np.ceil(target_kwh / case.tick_kwh - 1e-9))
        for choice in product(*[(False, True) if tick else (False,) for tick in may]):
            stretches = [(on, len(list(same))) for on, same in groupby(choice)]
            runs = [length for on, length in stretches[:-1] if on]
            rests = [length for on, length in stretches[1:-1] if not on]
            if (
                sum(choice) <= rungs
                and all(length >= min(case.min_run, rungs) for length in runs)
                and all(length >= case.min_rest for length in rests)
            ):
                ends_on, length = stretches[-1] if stretches else (False, 0)
                is_short = ends_on and length < min(case.min_run, rungs)
                short, money = _priced(case, choice, target_kwh)
                found.append((short, money + is_short * case.short_run_cost))
    least = min(short for short, _ in found)
    return Optimum(least, min(money for short, money in found if short <= least + 1e-9))


def _priced(case: Case, choice: tuple[bool, ...], target_kwh: float) -> tuple[float, float]:
    bought = np.minimum(case.tick_kwh * np.cumsum(choice), target_kwh)
    total_kwh = float(bought.max(initial=0.0))
    money = float(np.array(case.rates) @ np.diff(bought, prepend=0.0))
    money += case.start_cost * sum(on for on, _ in groupby(choice))
    money -= case.max_rate * max(0.0, total_kwh - case.need_kwh)
    return max(0.0, case.need_kwh - total_kwh), money


def test_gaps_are_kept_and_come_as_near_to_the_need_as_can_be() -> None:
    """If runs may not fit between gaps, enumeration finds nothing nearer or cheaper."""
    rng = random.Random("gaps")
    for _ in range(120):
        nights = random_nights(rng, most_ticks=9, gaps=True)
        solution = solve_nights(nights)
        assert not solution.share[~nights.may_charge].any()
        for night in range(len(nights.need_kwh)):
            case, may = case_of(nights, night)
            assert_optimal(optimum_of(nights, solution, night), cheapest_with_gaps(case, may), case)


def one_night(rates: list[float], ticks_needed: float, may: str = "", **rules: float) -> Nights:
    """Return a night of 1 kWh ticks whose want is its need."""
    return Nights(
        rates_per_kwh=np.array([rates], dtype=float),
        may_charge=np.array([[tick == "." for tick in may or "." * len(rates)]]),
        stored_kwh=np.zeros(1),
        need_kwh=np.array([ticks_needed], dtype=float),
        want_kwh=np.array([ticks_needed], dtype=float),
        max_rate_per_kwh=np.zeros(1),
        model=lossless(1.0),
        tick_hours=1.0,
        **rules,  # type: ignore[arg-type]  # the table below mixes ints and floats
    )


def drawn(nights: Nights) -> list[str]:
    return ["".join("#" if tick else "." for tick in row) for row in solve_nights(nights).share > 0]


@pytest.mark.parametrize(
    ("rates", "needed", "may", "rules", "drawings"),
    [
        pytest.param([5, 1, 1, 1, 5], 2, "", {}, (".##..", "..##."), id="equal ticks"),
        pytest.param([1, 2, 1, 2, 2], 2, "", {"start_cost": 1.5}, ("##...", "..##."), id="start"),
        pytest.param([1, 2, 1, 1, 2], 2, "", {}, ("..##.", "..##."), id="fewer starts"),
        pytest.param([1, 1, 1, 9, 1, 1, 1], 4, "", {}, ("###.#..", "..#.###"), id="equal splits"),
        pytest.param([1, 9, 9, 2, 2, 9], 2, "", {"min_run": 2}, ("...##.", "...##."), id="run"),
        pytest.param([9, 9, 1], 1, "", {"min_run": 3}, ("..#", "..#"), id="run longer than need"),
        pytest.param([1, 9, 1, 9, 3], 2, "", {"min_rest": 2}, ("#...#", "#...#"), id="rest"),
        pytest.param([1, 1, 2, 3, 1], 2, "xx..x", {}, ("..##.", "..##."), id="window"),
        pytest.param([1, 5, 5, 1, 5], 3, ".x...", {"min_run": 2}, ("..###", "..###"), id="island"),
        pytest.param([1] * 5, 3, "..x..", {"min_run": 3}, ("...##", "...##"), id="no run fits"),
        pytest.param([1] * 4, 3, "....", {"min_rest": 0}, ("###.", ".###"), id="no rest at all"),
        pytest.param([1, 1, 1], 9, "", {}, ("###", "###"), id="more than there is time for"),
        pytest.param([1, 1, 1], 0, "", {}, ("...", "..."), id="nothing wanted"),
        pytest.param([1, 1, 1], 1, "xxx", {}, ("...", "..."), id="nothing allowed"),
    ],
)
def test_rules_and_ties(
    rates: list[float], needed: float, may: str, rules: dict[str, float], drawings: tuple[str, str]
) -> None:
    """Each rule shapes the plan as stated, and ties go to fewer starts, then early or late."""
    nights = one_night(rates, needed, may, **rules)
    early, late = drawings
    assert drawn(nights) == [early]
    assert drawn(replace(nights, prefer_late=True)) == [late]


def test_a_start_that_saves_less_than_a_tie_is_not_made() -> None:
    """Two runs must be cheaper by more than the tie to be preferred to one."""
    assert drawn(one_night([1.0, 1.0 + TIE / 2, 1.0], 2)) == ["##."]
    assert drawn(one_night([1.0, 1.0 + 3 * TIE, 1.0], 2)) == ["#.#"]


def test_want_is_bought_at_just_max_rate() -> None:
    """Energy up to the want is bought at `max_rate` or less, and not above it."""
    nights = one_night([0.3, 0.2, 0.1, 0.2001], 1)
    wanting = replace(nights, want_kwh=np.array([4.0]), max_rate_per_kwh=np.array([0.2]))
    assert drawn(wanting) == [".##."]
    assert drawn(replace(wanting, prefer_late=True)) == [".##."]


def test_what_is_wanted_may_reach_a_need_that_fits_no_runs() -> None:
    """If no runs reach exactly the need, a run up to the want is better than falling short."""
    nights = one_night([1] * 9, 5, "...x...x.", min_run=3)
    assert drawn(nights) == ["###.....#"]
    assert drawn(replace(nights, want_kwh=np.array([6.0]))) == ["###.###.."]
