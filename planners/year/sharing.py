"""Simulate years of several vehicles that share the current that a main fuse leaves.

Where all of them fit, each charges as if it were alone. Else three ways are tried in each year, and
the best is taken: in turns, the first vehicle first or the last one first (where the sum would be
too much, the later one waits), and at fixed parts of the current. The daemon shares tick by tick,
so that it does no worse than the best of these.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from typing_extensions import override

from planners.power.main_fuse import FUSE_DIGITS
from planners.year.night_by_night import ChargedYear, charged_year, priced
from planners.year.results import YearResults

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from numpy.typing import NDArray

    from planners.year.night_rules import ChargingRule
    from planners.year.rates import YearRates
    from planners.year.windows import NightGroup

SAME_KWH: Final = 1e-3
"""Energies of a year that differ by less are the same."""


@dataclass(frozen=True, slots=True, eq=False)
class SharingVehicle:
    """A vehicle at its own charge point.

    Attributes
    ----------
    groups : tuple of NightGroup
        Its nights.
    rule : ChargingRule
        How it charges at its full current.
    takes : float
        What it then takes of what all may take together [A per phase, or kW].
    at_part : ChargingRule or None
        How it charges at its fixed part of the current; None if its part is too little.
    """

    groups: tuple[NightGroup, ...]
    rule: ChargingRule
    takes: float
    at_part: ChargingRule | None


@dataclass(frozen=True, slots=True, eq=False)
class HomeResults(YearResults):
    """Results of simulated years of all vehicles of a home.

    The sums of energy and cost are those of all together, because a tariff may depend on the sum.

    Attributes
    ----------
    vehicles : tuple of YearResults
        Each vehicle's own, in their order; their costs are as if it were alone.
    """

    vehicles: tuple[YearResults, ...] = ()

    @override
    def only(self, place: int) -> HomeResults:
        """Return the results of one year alone."""
        columns = [column[place : place + 1] for column in self.columns]
        return _home_results(columns, [each.only(place) for each in self.vehicles])


def _home_results(
    columns: Iterable[NDArray[np.float64]], vehicles: Iterable[YearResults]
) -> HomeResults:
    names = (each.name for each in fields(YearResults))
    columns_by_name = dict(zip(names, columns, strict=True))
    return HomeResults(**columns_by_name, vehicles=tuple(vehicles))


def simulate_sharing(
    year: YearRates,
    vehicles: Sequence[SharingVehicle | None],
    most: float | None,
    trips_kwh: Sequence[NDArray[np.float64]],
    report: Callable[[int], None] = lambda _years: None,
) -> HomeResults:
    """Simulate years of several vehicles.

    Parameters
    ----------
    year : YearRates
        Actual rates.
    vehicles : sequence of SharingVehicle or None
        None for one without a charge point: all its energy is charged elsewhere.
    most : float or None
        What all may take together [A per phase, or kW]; None for no limit.
    trips_kwh : sequence of ndarray of float, each of shape (years, nights)
        Battery energy of each vehicle's trips [kWh].
    report : callable
        Called with the number of years finished since the last call.

    Returns
    -------
    HomeResults
        One entry per year.
    """
    years: list[HomeResults] = []
    for place in range(len(trips_kwh[0])):
        trips = [each[place] for each in trips_kwh]
        tried = [_joined(year, trips, charged) for charged in _ways(year, vehicles, most, trips)]
        years.append(min(tried, key=_merit))
        report(1)
    columns = zip(*(each.columns for each in years), strict=True)
    each_vehicle = zip(*(each.vehicles for each in years), strict=True)
    return _home_results(
        [np.concatenate(column) for column in columns],
        [YearResults.joined(parts) for parts in each_vehicle],
    )


Charged = list[ChargedYear | None]


def _ways(
    year: YearRates,
    vehicles: Sequence[SharingVehicle | None],
    most: float | None,
    trips: Sequence[NDArray[np.float64]],
) -> Iterator[Charged]:
    there = [place for place, each in enumerate(vehicles) if each is not None]
    sums = sum(each.takes for each in vehicles if each is not None)
    if most is None or round(sums - most, FUSE_DIGITS) <= 0:
        yield _in_turns(year, vehicles, np.inf, trips, there)
        return
    parts = [None if each is None else each.at_part for each in vehicles]
    if all(parts[place] is not None for place in there):
        yield [
            None
            if each is None or part is None
            else charged_year(year, each.groups, part, trips[place])
            for place, (each, part) in enumerate(zip(vehicles, parts, strict=True))
        ]
    yield _in_turns(year, vehicles, most, trips, there)
    yield _in_turns(year, vehicles, most, trips, there[::-1])


def _in_turns(
    year: YearRates,
    vehicles: Sequence[SharingVehicle | None],
    most: float,
    trips: Sequence[NDArray[np.float64]],
    order: Sequence[int],
) -> Charged:
    """Let each vehicle charge where those before it leave it enough."""
    drawn = np.zeros(len(year.rates))
    found: Charged = [None] * len(vehicles)
    for place in order:
        vehicle = vehicles[place]
        if vehicle is None:
            continue
        is_free = np.round(drawn + vehicle.takes - most, FUSE_DIGITS) <= 0
        groups = tuple(_where_free(group, is_free) for group in vehicle.groups)
        charged = charged_year(year, groups, vehicle.rule, trips[place])
        drawn += vehicle.takes * (charged.metered_kwh > 0)
        found[place] = charged
    return found


def _where_free(group: NightGroup, is_free: NDArray[np.bool_]) -> NightGroup:
    if is_free.all():
        return group
    stages = []
    for stage in group.stages:
        nights = np.flatnonzero(stage.row >= 0)
        free = np.empty_like(stage.may_charge)
        free[stage.row[nights]] = is_free[group.ticks[nights]]
        stages.append(replace(stage, may_charge=stage.may_charge & free))
    return replace(group, stages=tuple(stages))


def _joined(year: YearRates, trips: Sequence[NDArray[np.float64]], charged: Charged) -> HomeResults:
    """Add up the vehicles of one year, and price their sum."""
    vehicles = tuple(
        _elsewhere(year, trips[place]) if each is None else each.results
        for place, each in enumerate(charged)
    )
    kwh = np.zeros(len(year.rates))
    for each in charged:
        if each is not None:
            kwh += each.metered_kwh
    sums = priced(year, kwh)._asdict()
    return HomeResults(
        **{key: each[None] for key, each in sums.items()},
        short_kwh=np.concatenate([each.short_kwh for each in vehicles], axis=1),
        elsewhere_kwh=np.sum([each.elsewhere_kwh for each in vehicles], axis=0),
        ends_kwh=np.sum([each.ends_kwh for each in vehicles], axis=0),
        topped_kwh=np.concatenate([each.topped_kwh for each in vehicles], axis=1),
        shared_kwh=np.zeros(1),
        mean_kwh=np.zeros(1),
        vehicles=vehicles,
    )


def _elsewhere(year: YearRates, trips_kwh: NDArray[np.float64]) -> YearResults:
    """Return the year of a vehicle that only charges elsewhere: it lacks nothing at home."""
    lines = np.zeros((1, len(year.lines)))
    none = np.zeros(1)
    return YearResults(
        line_kwh=lines, line_cost=lines, cheapest_kwh=none, estimated_kwh=none,
        short_kwh=np.zeros((1, 0)), elsewhere_kwh=np.array([trips_kwh.sum()]),
        ends_kwh=np.full(1, np.inf), capacity_charge=none, top_up=none, roof_kwh=none,
        roof_cost=none, all_grid_cost=none, topped_kwh=np.zeros((1, 0)), shared_kwh=none,
        mean_kwh=none,
    )  # fmt: skip


def _merit(results: HomeResults) -> tuple[int, int, float]:
    """Rate a way to share: the fewest short nights, the least elsewhere, the least cost."""
    elsewhere = float(results.elsewhere_kwh[0] + results.short_kwh[0].sum())
    return (
        int(results.nights_short[0]),
        round(elsewhere / SAME_KWH),
        float(results.cost[0] + results.by_month[0]),
    )
