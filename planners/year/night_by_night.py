"""Simulate years night by night.

A night begins with the energy that the night before and the day's trip left. As each night is a
separate problem, all nights of many years are solved in one call, each from a rough estimate of the
energy before it. A night whose true energy turns out different is solved again from that, until
every night begins where the one before it ended. That takes at most as many rounds as there are
nights, because each round corrects the first wrong night for good.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from planners.power.charging import SAME_KWH, metered_to
from planners.power.charging_curve import ChargingCurve
from planners.solver.problem import NEED_TOLERANCE_KWH
from planners.year.results import YearResults

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from planners.year.night_rules import ChargingRule
    from planners.year.rates import YearRates
    from planners.year.sun import NightsSun, YearSun
    from planners.year.windows import NightGroup, PlanningStage

MOST_TICKS = 1_500_000
"""The most ticks solved in one call, to bound the memory: some 12 MB an array."""


def simulate(
    year: YearRates,
    groups: tuple[NightGroup, ...],
    rule: ChargingRule,
    trips_kwh: NDArray[np.float64],
    report: Callable[[int], None] = lambda _years: None,
) -> YearResults:
    """Simulate charging through years of trips.

    Parameters
    ----------
    year : YearRates
        Actual rates.
    groups : tuple of NightGroup
        The nights.
    rule : ChargingRule
        How the vehicle charges.
    trips_kwh : ndarray of float, shape (years, nights)
        Battery energy of the trip before each night [kWh]; the vehicle begins with its want.
    report : callable
        Called now and then with the number of years finished since the last call.

    Returns
    -------
    YearResults
        One entry per year of trips.
    """
    ticks = sum(group.inside.size for group in groups)
    size = max(1, MOST_TICKS // max(1, ticks))
    parts: list[YearResults] = []
    for start in range(0, len(trips_kwh), size):
        some = trips_kwh[start : start + size]
        parts.append(_account(year, rule, some, _Chain.settled(year, groups, rule, some)))
        report(len(some))
    return YearResults.joined(parts)


@dataclass(slots=True, eq=False)
class _Chain:
    """Years whose nights are being fitted together; shape (years, nights)."""

    groups: tuple[NightGroup, ...]
    rule: ChargingRule
    trips_kwh: NDArray[np.float64]
    stored: NDArray[np.float64]
    after: NDArray[np.float64]
    metered: list[NDArray[np.float64]]
    roof: list[NDArray[np.float64]]
    sun: YearSun | None

    @classmethod
    def settled(
        cls,
        year: YearRates,
        groups: tuple[NightGroup, ...],
        rule: ChargingRule,
        trips_kwh: NDArray[np.float64],
    ) -> _Chain:
        """Solve until every night begins where the one before it ended."""
        stored = _expected_before(groups, rule, trips_kwh)
        # Nights without a tick are in no group: they change nothing.
        metered = [np.zeros((len(trips_kwh), *group.inside.shape)) for group in groups]
        roof = [np.zeros_like(each) for each in metered]
        chain = cls(groups, rule, trips_kwh, stored, stored.copy(), metered, roof, year.sun)
        if chain.sun is not None:
            chain.solve_in_order()
            return chain
        wrong = np.ones_like(stored, dtype=np.bool_)
        while wrong.any():
            chain.solve(wrong)
            begins = chain.begins
            wrong = np.abs(begins - chain.stored) > SAME_KWH
            chain.after = np.where(wrong, chain.after + begins - chain.stored, chain.after)
            chain.stored = np.where(wrong, begins, chain.stored)
        return chain

    def solve_in_order(self) -> None:
        """Solve each night once, from the true energy before it: each takes long beside the sun."""
        for night in range(self.trips_kwh.shape[1]):
            self.stored[:, night] = self.after[:, night] = self.begins[:, night]
            one = np.zeros_like(self.stored, dtype=np.bool_)
            one[:, night] = True
            self.solve(one)

    @property
    def begins(self) -> NDArray[np.float64]:
        """Battery energy before each night, from that after the one before [kWh]."""
        before = np.concatenate((self._start, self.leaves_with[:, :-1]), axis=1)
        return np.maximum(0.0, before - self.trips_kwh)

    @property
    def leaves_with(self) -> NDArray[np.float64]:
        """Battery energy at each departure, once what is missing is bought elsewhere [kWh]."""
        return np.maximum(self.after, self.rule.need_kwh) if self.rule.tops_up else self.after

    @property
    def elsewhere(self) -> NDArray[np.float64]:
        """Energy of trips beyond what the battery held [kWh]."""
        before = np.concatenate((self._start, self.leaves_with[:, :-1]), axis=1)
        return np.maximum(0.0, self.trips_kwh - before)

    @property
    def _start(self) -> NDArray[np.float64]:
        return np.full((len(self.trips_kwh), 1), self.rule.want_kwh)

    def solve(self, wrong: NDArray[np.bool_]) -> None:
        """Solve the nights that are wrong."""
        for group, metered, roof in zip(self.groups, self.metered, self.roof, strict=True):
            years, rows = np.nonzero(wrong[:, group.nights])
            if len(years):
                nights = group.nights[rows]
                sun = None if self.sun is None else self.sun.at(group.ticks[rows])
                stored = self.stored[years, nights]
                drawn, own, after = _charge(group, self.rule, rows, stored, sun)
                metered[years, rows], roof[years, rows] = drawn, own
                self.after[years, nights] = after


def _charge(
    group: NightGroup,
    rule: ChargingRule,
    rows: NDArray[np.intp],
    stored: NDArray[np.float64],
    sun: NightsSun | None,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Charge through nights of one group; return what is metered, from roofs, and stored after."""
    metered, roof = np.zeros((2, len(rows), group.inside.shape[1]))
    stored = stored.copy()
    for stage in group.stages:
        has = np.flatnonzero(stage.row[rows] >= 0)
        for some in _chunks(has, metered.shape[1]):
            beside = None if sun is None else sun.only(some)
            drawn, own, gained = _charge_stage(
                stage, rule, stage.row[rows[some]], stored[some], beside
            )
            metered[some] += drawn
            roof[some] += own
            stored[some] += gained
    return metered, roof, stored


def _charge_stage(
    stage: PlanningStage,
    rule: ChargingRule,
    places: NDArray[np.intp],
    stored: NDArray[np.float64],
    sun: NightsSun | None,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    share, metered = rule.charge(stage.rates[places], stage.may_charge[places], stored, sun)
    is_kept = stage.is_kept[places]
    share, metered = share * is_kept, metered * is_kept
    standby_kwh = rule.model.standby_kw * rule.tick_hours * share
    gained = np.maximum(0.0, rule.model.efficiency * metered - standby_kwh)
    own = np.zeros_like(metered) if sun is None else sun.roof_kwh(metered, share, rule.tick_hours)
    return metered, own, gained.sum(axis=1)


def _chunks(places: NDArray[np.intp], ticks: int) -> Iterator[NDArray[np.intp]]:
    size = max(1, MOST_TICKS // max(1, ticks))
    for start in range(0, len(places), size):
        yield places[start : start + size]


def _expected_before(
    groups: tuple[NightGroup, ...], rule: ChargingRule, trips_kwh: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Estimate roughly what is stored before each night [kWh], shape (years, nights)."""
    count = trips_kwh.shape[1]
    every, cheap = np.zeros((2, count))
    for group in groups:
        stage = group.stages[0]
        must, want = rule.usable(stage.rates, stage.may_charge)
        every[group.nights] = rule.tick_hours * np.count_nonzero(must, axis=1)
        cheap[group.nights] = rule.tick_hours * np.count_nonzero(want, axis=1)
    curve = ChargingCurve.of(rule.model)
    must_kwh = rule.must_kwh if rule.planner == "exact" else rule.want_kwh
    after = np.full(len(trips_kwh), rule.want_kwh)
    before = np.empty_like(trips_kwh)
    for night in range(count):
        stored = np.maximum(0.0, after - trips_kwh[:, night])
        before[:, night] = stored
        reached = np.minimum(must_kwh, curve.after(stored, every[night]))
        wanted = np.minimum(rule.want_kwh, curve.after(stored, cheap[night]))
        after = np.maximum(stored, np.maximum(reached, wanted))
    return before


@dataclass(frozen=True, slots=True, eq=False)
class ChargedYear:
    """One year of one vehicle.

    Attributes
    ----------
    metered_kwh : ndarray of float, shape (ticks,)
        Energy through the meter in each tick of the year [kWh].
    results : YearResults
        The same year, priced by itself.
    """

    metered_kwh: NDArray[np.float64]
    results: YearResults


def charged_year(
    year: YearRates,
    groups: tuple[NightGroup, ...],
    rule: ChargingRule,
    trips_kwh: NDArray[np.float64],
) -> ChargedYear:
    """Simulate one year, and keep what is charged in each tick.

    Parameters
    ----------
    year : YearRates
        Actual rates.
    groups : tuple of NightGroup
        The nights.
    rule : ChargingRule
        How the vehicle charges.
    trips_kwh : ndarray of float, shape (nights,)
        Battery energy of the trip before each night [kWh].

    Returns
    -------
    ChargedYear
        The year.
    """
    trips = trips_kwh[None, :]
    chain = _Chain.settled(year, groups, rule, trips)
    return ChargedYear(_in_ticks(year, chain, chain.metered, 0), _account(year, rule, trips, chain))


def _account(
    year: YearRates, rule: ChargingRule, trips_kwh: NDArray[np.float64], chain: _Chain
) -> YearResults:
    rows = [
        priced(
            year,
            _in_ticks(year, chain, chain.metered, place),
            None if year.sun is None else _in_ticks(year, chain, chain.roof, place),
        )
        for place in range(len(trips_kwh))
    ]
    priced_years = Priced(*(np.array(column) for column in zip(*rows, strict=True)))
    after = chain.leaves_with
    short, topped = rule.need_kwh - after, after - chain.after
    missing = metered_to(rule.model, np.full_like(short, rule.need_kwh)) - metered_to(
        rule.model, np.minimum(after, rule.need_kwh)
    )
    return YearResults(
        **priced_years._asdict(),
        short_kwh=np.where(short > NEED_TOLERANCE_KWH, missing, 0.0),
        elsewhere_kwh=chain.elsewhere.sum(axis=1) + topped.sum(axis=1),
        ends_kwh=after[:, -1],
        topped_kwh=topped,
        shared_kwh=np.zeros(len(trips_kwh)),
        mean_kwh=_mean_kwh(year, chain) if rule.minds_age else np.zeros(len(trips_kwh)),
    )


def _mean_kwh(year: YearRates, chain: _Chain) -> NDArray[np.float64]:
    """Return the mean energy in the battery of each year: at home tick by tick, away in between."""
    kwh_ticks, ticks = np.zeros(len(chain.trips_kwh)), 0
    for group, metered in zip(chain.groups, chain.metered, strict=True):
        before, after = chain.stored[:, group.nights], chain.after[:, group.nights]
        drawn = np.cumsum(metered, axis=2)
        share = drawn / np.maximum(drawn[:, :, -1:], SAME_KWH)
        stored = before[:, :, None] + share * (after - before)[:, :, None]
        kwh_ticks += (stored * group.inside).sum(axis=(1, 2))
        ticks += int(group.inside.sum())
    away = (chain.leaves_with[:, :-1] + chain.stored[:, 1:]) / 2
    away_mean = away.mean(axis=1) if away.shape[1] else chain.stored[:, 0]
    away_ticks = max(0, len(year.rates) - ticks)
    return np.asarray((kwh_ticks + away_ticks * away_mean) / (ticks + away_ticks), np.float64)


def _in_ticks(
    year: YearRates, chain: _Chain, by_group: list[NDArray[np.float64]], place: int
) -> NDArray[np.float64]:
    """Lay what the nights of one year have in each tick over the ticks of the year."""
    kwh = np.zeros(len(year.rates))
    for group, metered in zip(chain.groups, by_group, strict=True):
        # Nights do not overlap, so each tick is written once.
        kwh[group.ticks[group.inside]] = metered[place][group.inside]
    return kwh


class Priced(NamedTuple):
    """The energy of a year, or of several, priced: see `YearResults`."""

    line_kwh: NDArray[np.float64]
    line_cost: NDArray[np.float64]
    cheapest_kwh: NDArray[np.float64]
    estimated_kwh: NDArray[np.float64]
    capacity_charge: NDArray[np.float64]
    top_up: NDArray[np.float64]
    roof_kwh: NDArray[np.float64]
    roof_cost: NDArray[np.float64]
    all_grid_cost: NDArray[np.float64]


def priced(
    year: YearRates, kwh: NDArray[np.float64], roof_kwh: NDArray[np.float64] | None = None
) -> Priced:
    """Price the energy of each tick of a year.

    Parameters
    ----------
    year : YearRates
        Actual rates.
    kwh : ndarray of float, shape (ticks,)
        Energy through the meter of the charge point [kWh].
    roof_kwh : ndarray of float, shape (ticks,), optional
        The part of it that is from the home's own roofs [kWh].

    Returns
    -------
    Priced
        Without an axis of years.
    """
    grid = kwh if roof_kwh is None else kwh - roof_kwh
    line_kwh, line_cost = year.priced(grid)
    roof, roof_cost, all_grid = 0.0, 0.0, float(line_cost.sum())
    if roof_kwh is not None and year.sun is not None:
        roof, roof_cost = float(roof_kwh.sum()), float(roof_kwh @ year.sun.export_rates)
        all_grid = float(year.priced(kwh)[1].sum())
    sums = (
        grid[year.cheapest].sum(),
        grid[year.estimated].sum(),
        year.capacity_charge(grid),
        year.top_up(grid),
        roof,
        roof_cost,
        all_grid,
    )
    return Priced(line_kwh, line_cost, *(np.asarray(each, np.float64) for each in sums))
