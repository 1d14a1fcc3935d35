"""Collect the figures of each choice from its simulated year."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from config.fields.distance import KM_PER_MILE
from config.home.generation import ROOF
from planners.appraisal.appraisal import BandYear, BatteryYears, ChoiceYear, RoofShare, VehicleYear
from planners.appraisal.ranking import elsewhere_kwh, home_alone, payback_years, year_parts
from planners.power.charging_curve import ChargingCurve
from planners.solver.problem import NEED_TOLERANCE_KWH
from planners.year.sharing import HomeResults

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from planners.appraisal.choice_case import Case
    from planners.appraisal.comparison import Comparison
    from planners.appraisal.spreads import ChoiceSpreads
    from planners.year.driving_days import DrivingYear
    from planners.year.night_rules import ChargingRule
    from planners.year.results import YearResults

YEAR_PARTS: Final = ("energy", "standing_charge", "elsewhere", "ageing")
"""What grows at a rate of its own, in the order of `planners.appraisal.ranking.YearParts`."""

LEAST_AMOUNT = 1e-6
"""Smaller amounts are what rounding leaves [kWh, currency]."""


def choice_years(
    comparison: Comparison, driving: DrivingYear, spreads: Sequence[ChoiceSpreads]
) -> tuple[ChoiceYear, ...]:
    """Collect the figures of every choice.

    Parameters
    ----------
    comparison : Comparison
        The choices and their results.
    driving : DrivingYear
        The trips.
    spreads : sequence of ChoiceSpreads
        How each choice's figures vary over drawn years; empty if no years are drawn.

    Returns
    -------
    tuple of ChoiceYear
        In the order of the file.
    """
    return tuple(
        _choice_year(comparison, place, driving.kwh_per_km, spreads[place] if spreads else None)
        for place in range(len(comparison.cases))
    )


def _choice_year(
    comparison: Comparison, place: int, kwh_per_km: float | None, spreads: ChoiceSpreads | None
) -> ChoiceYear:
    case, result, ranking = comparison.cases[place], comparison.years[place], comparison.ranking
    first = comparison.cases[0]
    energy, cost = float(result.energy_kwh[0]), float(result.cost[0])
    saves = _or_nothing(float(ranking.year_costs[0, 0] - ranking.year_costs[place, 0]))
    per_km = _per_km(cost, comparison, result, kwh_per_km)
    reach_kwh, cheap_kwh = _usual_night_kwh(case)
    short = result.short_kwh[0]
    elsewhere = float(elsewhere_kwh(case, result)[0])
    rate = comparison.elsewhere_rate
    return ChoiceYear(
        name=case.choice.name,
        tariff=case.choice.bought_at.name,
        planner=case.choice.planner,
        energy_kwh=energy,
        cost=cost,
        by_band=_by_band(case, result),
        standing_charge=case.standing_charge,
        standing_charge_difference=case.standing_charge - first.standing_charge,
        home_cost_difference=case.home_cost - first.home_cost,
        year_cost=float(ranking.year_costs[place, 0]),
        cost_per_kwh=cost / energy if energy > 0 else None,
        cost_per_km=per_km,
        cost_per_mile=None if per_km is None else per_km * KM_PER_MILE,
        cheapest_band_share=min(1.0, float(result.cheapest_kwh[0]) / energy) if energy > 0 else 0.0,
        nights=len(short),
        nights_short=int(result.nights_short[0]),
        shortfall_kwh=float(short.sum()),
        worst_shortfall_kwh=float(short.max()),
        charged_elsewhere_kwh=float(result.elsewhere_kwh[0]),
        battery=_battery(case, result, comparison.lifetime.keep_years),
        ageing_cost=float(case.ageing(result, comparison.lifetime.keep_years)[0]),
        topped_up_kwh=float(result.topped_kwh[0].sum()),
        nights_topped_up=int(np.count_nonzero(result.topped_kwh[0] > NEED_TOLERANCE_KWH)),
        shared_elsewhere_kwh=float(result.shared_kwh[0]),
        short_at_end_kwh=elsewhere - float(result.elsewhere_kwh[0]),
        elsewhere_cost=None if rate is None else rate * elsewhere,
        ends_below_kwh=_or_nothing(case.ends_below_kwh(result)),
        longest_day_km=None if kwh_per_km is None else reach_kwh / kwh_per_km,
        cheap_hours_km=None if kwh_per_km is None or cheap_kwh is None else cheap_kwh / kwh_per_km,
        estimated_kwh=float(result.estimated_kwh[0]),
        outlay=case.outlay,
        outlay_note=case.choice.outlay_note or "",
        total_over_years=float(ranking.totals[place, 0]),
        saves_per_year=saves,
        payback_years=payback_years(case.outlay_left - first.outlay_left, saves),
        grants=case.choice.grants,
        maintenance=case.choice.maintenance,
        discounted_payback_years=_discounted_payback(comparison, place),
        spreads={} if spreads is None else spreads.spreads,
        cheapest_in=0 if spreads is None else spreads.cheapest_in,
        vehicles=_vehicles(comparison.names, result),
        capacity_charge_difference=float(result.capacity_charge[0]) - first.home_capacity_charge,
        minimum_bill_difference=_or_nothing(float(result.top_up[0]) - first.home_top_up),
        kept_amps=case.kept_amps,
        roof=_roof(case, result),
    )


def _discounted_payback(comparison: Comparison, place: int) -> float | None:
    """Return from when on what is saved against the first choice covers the outlay, in years."""
    lifetime = comparison.lifetime
    now, other = (_worth_by_year(comparison, at) for at in (0, place))
    outlays = [
        case.outlay
        - sum(float(grant.amount) for grant in case.choice.grants if not grant.after_years)
        for case in (comparison.cases[0], comparison.cases[place])
    ]
    saved = [one - two for one, two in zip(now, other, strict=True)]
    return lifetime.paid_back_after(outlays[1] - outlays[0], saved)


def _worth_by_year(comparison: Comparison, place: int) -> list[float]:
    """Return what each year of a choice costs, worth today [currency]."""
    case, lifetime = comparison.cases[place], comparison.lifetime
    alone = home_alone(comparison.cases[0])
    years, rate = comparison.years[place], comparison.elsewhere_rate
    parts = year_parts(case, years, alone, rate, lifetime)
    later = lifetime.later(case.choice.grants, case.choice.maintenance)
    grown = zip(*(lifetime.factors(part) for part in YEAR_PARTS), strict=True)
    costs = [float(part[0]) for part in parts]
    return [
        other + sum(cost * by for cost, by in zip(costs, factors, strict=True))
        for other, factors in zip(later, grown, strict=True)
    ]


def _battery(case: Case, result: YearResults, years: float) -> BatteryYears | None:
    if case.battery is None:
        return None
    mean = float(result.mean_kwh[0])
    loss = case.battery.loss(mean, years)
    return BatteryYears(
        mean_percent=100 * mean / case.battery.usable_kwh,
        loss_percent=100 * loss.whole,
        by_time_percent=100 * loss.by_time,
        by_use_percent=100 * loss.by_use,
    )


def _roof(case: Case, result: YearResults) -> RoofShare | None:
    if case.roof is None:
        return None
    return RoofShare(
        gives_kwh=case.roof.gives_kwh,
        surplus_kwh=case.roof.surplus_kwh,
        per_kwp_kwh=case.roof.per_kwp_kwh,
        kwh=float(result.roof_kwh[0]),
        cost=float(result.roof_cost[0]),
        grid_cost=float(result.line_cost[0].sum()),
        all_grid_cost=float(result.all_grid_cost[0]),
        earns=case.roof.export_earns - float(result.roof_cost[0]),
    )


def _vehicles(names: Sequence[str], result: YearResults) -> tuple[VehicleYear, ...]:
    if not isinstance(result, HomeResults):
        return ()
    return tuple(
        VehicleYear(
            vehicle=name,
            energy_kwh=float(each.energy_kwh[0]),
            nights=each.short_kwh.shape[1],
            nights_short=int(each.nights_short[0]),
            charged_elsewhere_kwh=float(each.elsewhere_kwh[0]),
        )
        for name, each in zip(names, result.vehicles, strict=True)
    )


def _per_km(
    cost: float, comparison: Comparison, result: YearResults, kwh_per_km: float | None
) -> float | None:
    """Cost per distance driven on energy charged at home [currency per km]."""
    if kwh_per_km is None:
        return None
    driven_kwh = float(comparison.trips_kwh.sum() - result.elsewhere_kwh[0])
    return cost / driven_kwh * kwh_per_km if driven_kwh > 0 else None


def _by_band(case: Case, result: YearResults) -> tuple[BandYear, ...]:
    rows = zip(case.year.lines, result.line_kwh[0], result.line_cost[0], strict=True)
    lines = [BandYear(line.band, line.rate, float(kwh), float(cost)) for line, kwh, cost in rows]
    if case.year.sun is not None:
        kwh, cost = float(result.roof_kwh[0]), float(result.roof_cost[0])
        lines.append(BandYear(ROOF, None, kwh, cost))
    return tuple(line for line in lines if line.kwh > LEAST_AMOUNT)


def _or_nothing(amount: float) -> float:
    """Return the amount, or 0 if it is only what rounding left [kWh or currency]."""
    return amount if abs(amount) > LEAST_AMOUNT else 0.0


def _usual_night_kwh(case: Case) -> tuple[float, float | None]:
    """Return the battery energy that one usual night can recharge, up to the want.

    Parameters
    ----------
    case : Case
        A choice.

    Returns
    -------
    tuple of float and (float or None)
        In all hours of the night, and in those of the cheapest band alone, None for a price series
        [kWh]. A usual night has the most frequent length; of a stay of several days it is the last
        night, from the hour of the return to the departure.
    """
    windows, day = case.windows, round(24 / case.rule.tick_hours)
    stays = windows.end - windows.first
    nights = np.where(stays > day, (stays - 1) % day + 1, stays)
    lengths, counts = np.unique(nights, return_counts=True)
    usual = int(lengths[counts.argmax()])
    powered = np.ones_like(case.year.estimated) if windows.powered is None else windows.powered
    possible = _usual_ticks(powered, windows.end[nights == usual], usual)
    if case.year.is_series:
        return _recharged_kwh(case.rule, possible), None
    ends = windows.end[nights == usual]
    cheap = _usual_ticks(case.year.cheapest & powered, ends, usual)
    return _recharged_kwh(case.rule, possible), _recharged_kwh(case.rule, cheap)


def _usual_ticks(counts: NDArray[np.bool_], ends: NDArray[np.intp], length: int) -> int:
    """Return how many ticks of a usual night count, nights ending where `ends` says."""
    upto = np.concatenate(([0], np.cumsum(counts)))
    return int(np.median(upto[ends] - upto[ends - length]))


def _recharged_kwh(rule: ChargingRule, ticks: int) -> float:
    """Return the battery energy that so many ticks add up to the want [kWh]."""
    want = np.array([rule.want_kwh])
    start = ChargingCurve.of(rule.model).after(want, -ticks * rule.tick_hours)
    return float(rule.want_kwh - start[0])
