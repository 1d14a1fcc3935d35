"""Laws that the plans of many nights keep, and inputs that are refused."""

from __future__ import annotations

from dataclasses import fields, replace
from itertools import groupby

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from planners.many_nights.arrays import Nights, NightsSolution
from planners.many_nights.ladders import climb_whole, cut_at
from planners.many_nights.many_nights import solve_nights
from planners.power.charging import ChargeModel, ladder

CONSTANT = ChargeModel(amps=32, phases=1, volts=230, usable_kwh=52, efficiency=0.9)
TAPERED = ChargeModel(
    amps=32, phases=1, volts=230, usable_kwh=52, efficiency=0.9, standby_kw=0.3,
    taper=((60, 100), (80, 60), (95, 4)),
)  # fmt: skip
PER_NIGHT = (
    "rates_per_kwh", "may_charge", "stored_kwh", "need_kwh", "want_kwh", "max_rate_per_kwh",
)  # fmt: skip


@st.composite
def many_nights(draw: st.DrawFn) -> Nights:
    """Draw nights of a tapered or an untapered vehicle, with windows that may have gaps."""
    count, ticks = draw(st.integers(1, 6)), draw(st.integers(1, 24))
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    may = np.ones((count, ticks), dtype=np.bool_)
    opened, shut = np.sort(rng.integers(0, ticks + 1, (2, count, 1)), axis=0)
    may &= (np.arange(ticks) >= opened) & (np.arange(ticks) < shut)
    may &= rng.random((count, ticks)) < draw(st.sampled_from([0.8, 1.0]))
    stored = rng.uniform(5, 40, count)
    need = stored + rng.uniform(-0.2, 1, count) * 0.5 * ticks
    return Nights(
        rates_per_kwh=rng.choice([-0.05, 0.08, 0.1, 0.2, 0.31], (count, ticks)),
        may_charge=may,
        stored_kwh=stored,
        need_kwh=need,
        want_kwh=need + rng.choice([0, 0, 1.3, 7], count),
        max_rate_per_kwh=rng.choice([0, 0.1, 0.25], count),
        model=draw(st.sampled_from([CONSTANT, TAPERED])),
        tick_hours=0.25,
        start_cost=draw(st.sampled_from([0.0, 0.02, 0.2])),
        min_run=draw(st.integers(1, 5)),
        min_rest=draw(st.integers(0, 4)),
        prefer_late=draw(st.booleans()),
    )


def picked(nights: Nights, order: NDArray[np.intp]) -> Nights:
    return replace(nights, **{name: getattr(nights, name)[order] for name in PER_NIGHT})


@given(many_nights())
def test_energy_is_what_the_vehicle_takes(nights: Nights) -> None:
    """Each tick draws the power of its battery, and only the last is cut, at need or want."""
    solution = solve_nights(nights)
    model, hours = nights.model, nights.tick_hours
    for night, shares in enumerate(solution.share):
        stored, metered = float(nights.stored_kwh[night]), np.zeros(len(shares))
        used = np.flatnonzero(shares)
        for tick in used:
            metered_kw = model.metered_kw(stored)
            metered[tick] = shares[tick] * hours * metered_kw
            stored += float(shares[tick]) * hours * model.gained_kw(metered_kw)
        gained = stored - nights.stored_kwh[night]
        assert solution.metered_kwh[night] == pytest.approx(metered, abs=1e-9)
        assert solution.gained_kwh[night] == pytest.approx(gained, abs=1e-9)
        assert (shares[used[:-1]] == 1).all()
        if shares.max() > 0 and shares[used[-1]] < 1:
            targets = nights.need_kwh[night], nights.want_kwh[night]
            assert min(abs(stored - target) for target in targets) < 1e-9
        assert stored <= max(nights.want_kwh[night], nights.stored_kwh[night]) + 1e-9


@given(many_nights())
def test_cost_and_starts_are_those_of_the_plan(nights: Nights) -> None:
    """Cost is rate times metered energy, and a start is a tick on after one that is off."""
    solution = solve_nights(nights)
    for night, shares in enumerate(solution.share):
        cost = float(nights.rates_per_kwh[night] @ solution.metered_kwh[night])
        assert solution.cost[night] == pytest.approx(cost, abs=1e-9)
        assert solution.starts[night] == sum(on for on, _ in groupby((shares > 0).tolist()))


@given(many_nights())
def test_runs_and_rests_last_as_long_as_they_must(nights: Nights) -> None:
    """A run is too short only at the night's end or as the only one; no rest is too short."""
    solution = solve_nights(nights)
    assert not solution.share[~nights.may_charge].any()
    for shares, may in zip(solution.share, nights.may_charge, strict=True):
        end = int(np.flatnonzero(may).max(initial=-1)) + 1
        stretches = [(on, len(list(same))) for on, same in groupby((shares[:end] > 0).tolist())]
        for on, length in stretches[1:-1]:
            assert on or length >= nights.min_rest
        if sum(on for on, _ in stretches) > 1:
            assert all(length >= nights.min_run for on, length in stretches[:-1] if on)


@given(many_nights())
def test_the_order_of_nights_changes_nothing(nights: Nights) -> None:
    """Nights in another order have the same plans in that order."""
    order = np.arange(len(nights.stored_kwh))[::-1]
    backwards, solution = solve_nights(picked(nights, order)), solve_nights(nights)
    for field in fields(NightsSolution):
        there = getattr(solution, field.name)[order]
        assert getattr(backwards, field.name) == pytest.approx(there, abs=1e-9)


@given(many_nights())
def test_a_night_alone_has_the_plan_it_has_among_others(nights: Nights) -> None:
    """Other nights in the same call change nothing in a night."""
    together = solve_nights(nights)
    for night in range(len(nights.stored_kwh)):
        alone = solve_nights(picked(nights, np.array([night])))
        for field in fields(NightsSolution):
            there = getattr(together, field.name)[[night]]
            assert getattr(alone, field.name) == pytest.approx(there, abs=1e-9)


@given(many_nights(), st.floats(0.01, 0.5))
def test_adding_to_every_rate_adds_to_the_cost(nights: Nights, more: float) -> None:
    """With the energy fixed, raising all rates by c raises the least cost by c x energy."""
    fixed = replace(nights, model=CONSTANT, want_kwh=nights.need_kwh)
    raised = replace(fixed, rates_per_kwh=fixed.rates_per_kwh + more)
    before, after = solve_nights(fixed), solve_nights(raised)
    energy_kwh = before.metered_kwh.sum(axis=1)
    assert after.metered_kwh.sum(axis=1) == pytest.approx(energy_kwh, abs=1e-9)
    money = before.cost + fixed.start_cost * before.starts + more * energy_kwh
    assert after.cost + fixed.start_cost * after.starts == pytest.approx(money, abs=1e-6)


@given(many_nights())
def test_ladders_are_those_of_a_single_night(nights: Nights) -> None:
    """Night by night, the ladder to the want is the one of `planners.power.charging`."""
    ticks = nights.rates_per_kwh.shape[1]
    model, hours = nights.model, nights.tick_hours
    climb = climb_whole(model, nights.stored_kwh, nights.want_kwh, hours, ticks)
    ladders = cut_at(climb, nights.want_kwh)
    for night, (stored, want) in enumerate(zip(nights.stored_kwh, nights.want_kwh, strict=True)):
        one = ladder(model, float(stored), float(want), hours, ticks)
        rungs = int(ladders.rungs[night])
        assert rungs == one.rungs
        assert ladders.share[:rungs, night] == pytest.approx(one.share)
        assert ladders.metered_kwh[:rungs, night] == pytest.approx(one.metered_kwh)
        assert ladders.gained_kwh[:rungs, night] == pytest.approx(one.gained_kwh)
        assert not ladders.metered_kwh[rungs:, night].any()


def plain(count: int, ticks: int) -> Nights:
    return Nights(
        rates_per_kwh=np.full((count, ticks), 0.2),
        may_charge=np.ones((count, ticks), dtype=np.bool_),
        stored_kwh=np.full(count, 10.0),
        need_kwh=np.full(count, 20.0),
        want_kwh=np.full(count, 30.0),
        max_rate_per_kwh=np.full(count, 0.3),
        model=CONSTANT,
        tick_hours=0.5,
    )


@pytest.mark.parametrize(("count", "ticks"), [(0, 0), (0, 4), (3, 0)])
def test_without_nights_or_ticks_nothing_is_planned(count: int, ticks: int) -> None:
    """An empty year, or nights without a tick, give empty plans, not an error."""
    solution = solve_nights(plain(count, ticks))
    assert solution.share.shape == solution.metered_kwh.shape == (count, ticks)
    assert solution.cost.tolist() == solution.gained_kwh.tolist() == [0.0] * count
    assert solution.starts.tolist() == [0] * count


def test_a_vehicle_that_takes_nothing_is_left_alone() -> None:
    """If standby takes all the power, no tick is bought."""
    idle = replace(CONSTANT, standby_kw=10.0)
    assert not solve_nights(replace(plain(2, 4), model=idle)).share.any()


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"rates_per_kwh": np.full((2, 3), np.nan)}, "rates_per_kwh: expected finite"),
        ({"rates_per_kwh": np.full((2, 3), np.inf)}, "rates_per_kwh: expected finite"),
        ({"rates_per_kwh": np.zeros(3)}, r"rates_per_kwh: expected shape \(nights, ticks\)"),
        ({"may_charge": np.ones((3, 2), bool)}, r"may_charge: expected shape \(2, 3\), got \(3, 2"),
        ({"may_charge": np.ones((2, 3))}, "may_charge: expected bool, got float64"),
        ({"stored_kwh": np.zeros(3)}, r"stored_kwh: expected shape \(2,\), got \(3,\)"),
        ({"need_kwh": np.array([1.0, np.nan])}, "need_kwh: expected finite"),
        ({"want_kwh": np.zeros((2, 3))}, "want_kwh: expected shape"),
        ({"want_kwh": np.array([30.0, 19.0])}, "want_kwh: expected no less than need_kwh"),
        ({"max_rate_per_kwh": np.full(2, np.inf)}, "max_rate_per_kwh: expected finite"),
        ({"tick_hours": 0.0}, "tick_hours: expected more than 0, got 0.0"),
        ({"start_cost": -0.1}, "start_cost: expected 0 or more, got -0.1"),
        ({"min_run": 0}, "min_run, min_rest: expected at least 1 and 0 ticks, got 0 and 0"),
        ({"min_rest": -1}, "min_run, min_rest: expected at least 1 and 0 ticks, got 1 and -1"),
    ],
)
def test_what_makes_no_sense_is_refused_by_name(wrong: dict[str, object], says: str) -> None:
    """Wrong shapes, nan, and figures out of range are named."""
    with pytest.raises(ValueError, match=says):
        replace(plain(2, 3), **wrong)  # type: ignore[arg-type]  # wrong on purpose
