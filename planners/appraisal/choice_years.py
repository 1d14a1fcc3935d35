"""The figures of each choice, out of the year that was lived."""

from __future__ import annotations

from typing import TYPE_CHECKING

from config.fields.distance import KM_PER_MILE
from planners.appraisal.appraisal import BandYear, ChoiceYear
from planners.appraisal.ranking import payback_years
from planners.appraisal.reach_of_night import reach_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from planners.appraisal.choice_case import Case
    from planners.appraisal.compared import Compared
    from planners.appraisal.spreads import Varies
    from planners.year.driving_days import Driving
    from planners.year.years import Years

LEAST_AMOUNT = 1e-6
"""Energy and money that are not worth a line [kWh, currency]."""


def choice_years(
    compared: Compared, driving: Driving, varies: Sequence[Varies]
) -> tuple[ChoiceYear, ...]:
    """Give the figures of every choice.

    Parameters
    ----------
    compared : Compared
        The choices and how they came out.
    driving : Driving
        The trips.
    varies : sequence of Varies
        How each varies over drawn years; empty without draws.

    Returns
    -------
    tuple of ChoiceYear
        In the order of the file.
    """
    return tuple(
        _choice_year(compared, place, driving.kwh_per_km, varies[place] if varies else None)
        for place in range(len(compared.cases))
    )


def _choice_year(
    compared: Compared, place: int, kwh_per_km: float | None, varies: Varies | None
) -> ChoiceYear:
    case, lived, ranking = compared.cases[place], compared.years[place], compared.ranking
    first = compared.cases[0]
    energy, cost = float(lived.energy_kwh[0]), float(lived.cost[0])
    saves = _or_nothing(float(ranking.year_costs[0, 0] - ranking.year_costs[place, 0]))
    per_km = _per_km(cost, compared, lived, kwh_per_km)
    reach_kwh, cheap_kwh = reach_of(case)
    short = lived.short_kwh[0]
    return ChoiceYear(
        name=case.choice.name,
        tariff=case.choice.tariff.name,
        planner=case.choice.planner,
        energy_kwh=energy,
        cost=cost,
        by_band=_by_band(case, lived),
        standing_charge=case.standing_charge,
        standing_charge_difference=case.standing_charge - first.standing_charge,
        home_cost_difference=case.home_cost - first.home_cost,
        year_cost=float(ranking.year_costs[place, 0]),
        cost_per_kwh=cost / energy if energy > 0 else None,
        cost_per_km=per_km,
        cost_per_mile=None if per_km is None else per_km * KM_PER_MILE,
        cheapest_band_share=min(1.0, float(lived.cheapest_kwh[0]) / energy) if energy > 0 else 0.0,
        nights=len(short),
        nights_short=int(lived.nights_short[0]),
        shortfall_kwh=float(short.sum()),
        worst_shortfall_kwh=float(short.max()),
        charged_elsewhere_kwh=float(lived.elsewhere_kwh[0]),
        ends_below_kwh=max(0.0, _or_nothing(case.way.want_kwh - float(lived.ends_kwh[0]))),
        longest_day_km=None if kwh_per_km is None else reach_kwh / kwh_per_km,
        cheap_hours_km=None if kwh_per_km is None or cheap_kwh is None else cheap_kwh / kwh_per_km,
        estimated_kwh=float(lived.estimated_kwh[0]),
        outlay=case.outlay,
        outlay_note=case.choice.outlay_note or "",
        total_over_years=float(ranking.totals[place, 0]),
        saves_per_year=saves,
        payback_years=payback_years(case.outlay - first.outlay, saves),
        spreads={} if varies is None else varies.spreads,
        cheapest_in=0 if varies is None else varies.cheapest_in,
    )


def _per_km(
    cost: float, compared: Compared, lived: Years, kwh_per_km: float | None
) -> float | None:
    """Cost per distance that was driven on what was charged at home [currency per km]."""
    if kwh_per_km is None:
        return None
    driven_kwh = float(compared.trips_kwh.sum() - lived.elsewhere_kwh[0])
    return cost / driven_kwh * kwh_per_km if driven_kwh > 0 else None


def _by_band(case: Case, lived: Years) -> tuple[BandYear, ...]:
    rows = zip(case.year.lines, lived.line_kwh[0], lived.line_cost[0], strict=True)
    return tuple(
        BandYear(line.band, line.rate, float(kwh), float(cost))
        for line, kwh, cost in rows
        if kwh > LEAST_AMOUNT
    )


def _or_nothing(amount: float) -> float:
    """Leave out what rounding left [kWh or currency]."""
    return amount if abs(amount) > LEAST_AMOUNT else 0.0
