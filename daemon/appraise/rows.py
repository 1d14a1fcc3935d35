"""Write an appraisal as JSON values and as CSV.

Money is rounded to four decimals, energy to the watt-hour, distance to a hundredth.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from daemon.appraise.hinges import points_of
from daemon.presentation.csv_text import csv_text
from planners.worth.lifetime import PARTS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.presentation.csv_text import CsvStyle
    from planners.appraisal.appraisal import (
        Appraisal,
        BandYear,
        BreakEven,
        BreakEvens,
        ChoiceYear,
        Hinge,
        Spread,
    )

MONEY, ENERGY, PLAIN = 4, 3, 2
"""Decimals."""
FIGURES = {
    "energy_kwh": ENERGY,
    "cost": MONEY,
    "standing_charge": MONEY,
    "standing_charge_difference": MONEY,
    "home_cost_difference": MONEY,
    "year_cost": MONEY,
    "cost_per_kwh": MONEY,
    "cost_per_km": MONEY,
    "cost_per_mile": MONEY,
    "cheapest_band_share": MONEY,
    "nights": 0,
    "nights_short": 0,
    "shortfall_kwh": ENERGY,
    "worst_shortfall_kwh": ENERGY,
    "charged_elsewhere_kwh": ENERGY,
    "ends_below_kwh": ENERGY,
    "longest_day_km": PLAIN,
    "cheap_hours_km": PLAIN,
    "estimated_kwh": ENERGY,
    "outlay": MONEY,
    "total_over_years": MONEY,
    "saves_per_year": MONEY,
    "payback_years": PLAIN,
    "short_at_end_kwh": ENERGY,
    "elsewhere_cost": MONEY,
    "capacity_charge_difference": MONEY,
    "minimum_bill_difference": MONEY,
    "kept_amps": PLAIN,
    "roof_kwh": ENERGY,
    "grid_kwh": ENERGY,
    "roof_cost": MONEY,
    "all_grid_cost": MONEY,
    "granted": MONEY,
    "maintenance_per_year": MONEY,
    "discounted_payback_years": PLAIN,
    "ageing_cost": MONEY,
    "topped_up_kwh": ENERGY,
    "nights_topped_up": 0,
    "shared_elsewhere_kwh": ENERGY,
}
"""The figures of a choice, and the decimals of each."""
_COUNTS = {"nights", "nights_short", "nights_topped_up"}


def document(appraisal: Appraisal) -> dict[str, Any]:
    """Make the JSON document of an appraisal.

    Parameters
    ----------
    appraisal : Appraisal
        The appraisal.

    Returns
    -------
    dict
        None if unknown, and for a payback that never comes. A choice's ``range`` holds the low and
        the high end of the figures that vary between the years drawn. ``delivers_less`` says
        whether part of its saving against the first choice is energy that is missing, or charged
        elsewhere.
    """
    return {
        "name": appraisal.name,
        "year": appraisal.year,
        "timezone": appraisal.timezone,
        "currency": appraisal.currency,
        "keep_years": appraisal.keep_years,
        "interest_percent": appraisal.lifetime.interest_percent,
        "price_growth": {
            f"{part}_percent": appraisal.lifetime.growth_percent.get(part, 0.0) for part in PARTS
        },
        "elsewhere_rate": _rounded(appraisal.elsewhere_rate, MONEY),
        "distance_km": _rounded(appraisal.distance_km, PLAIN),
        "distance_unit": appraisal.distance_unit,
        "trips": appraisal.trips,
        "trips_kwh": _rounded(appraisal.trips_kwh, ENERGY),
        "draws": appraisal.draws,
        "seed": appraisal.seed,
        "spread_percent": appraisal.spread_percent,
        "choices": [_choice(choice, appraisal) for choice in appraisal.choices],
        "cheapest": appraisal.cheapest,
        "break_even": None if appraisal.break_even is None else _evens(appraisal),
        "curve": [
            {
                _scale(appraisal): _rounded(at, PLAIN),
                "total_over_years": [_rounded(total, MONEY) for total in totals],
            }
            for at, totals in appraisal.curve
        ],
        "hinges": [_hinge(hinge) for hinge in appraisal.hinges],
        "inputs": [{"input": each.what, "declared": each.said} for each in appraisal.inputs],
        "assumptions": list(appraisal.assumptions),
        "cautions": list(appraisal.cautions),
    }


def appraisal_csv(appraisal: Appraisal, style: CsvStyle | None = None) -> str:
    """Write a row for each choice as CSV.

    Parameters
    ----------
    appraisal : Appraisal
        The appraisal.
    style : CsvStyle, optional
        How CSV is written.

    Returns
    -------
    str
        With ``_low`` and ``_high`` columns for the figures that have a range.
    """
    ranged = [key for key in FIGURES if any(key in choice.spreads for choice in appraisal.choices)]
    ends = [f"{key}_{end}" for key in ranged for end in ("low", "high")]
    columns = [
        "name",
        "tariff",
        "planner",
        "currency",
        "keep_years",
        *FIGURES,
        "delivers_less",
        "outlay_note",
    ]
    rows = [_row(appraisal, choice, ranged) for choice in appraisal.choices]
    return csv_text([*columns, "cheapest", "cheapest_in", *ends], rows, style)


def _row(appraisal: Appraisal, choice: ChoiceYear, ranged: list[str]) -> Mapping[str, Any]:
    row = _choice(choice, appraisal) | {
        "currency": appraisal.currency,
        "keep_years": appraisal.keep_years,
        "cheapest": choice.name == appraisal.cheapest,
    }
    for key in ranged:
        low, high = row["range"].get(key, [None, None])
        row |= {f"{key}_low": low, f"{key}_high": high}
    return row


def _choice(choice: ChoiceYear, appraisal: Appraisal) -> dict[str, Any]:
    figures = {key: _figure(getattr(choice, key), key) for key in FIGURES}
    return {
        "name": choice.name,
        "tariff": choice.tariff,
        "planner": choice.planner,
        **figures,
        "by_band": [_band(band) for band in choice.by_band],
        "delivers_less": choice.delivers_less_than(appraisal.choices[0]),
        "outlay_note": choice.outlay_note,
        **_vehicles(choice),
        **_roof(choice),
        **_battery(choice),
        "cheapest_in": choice.cheapest_in,
        "range": {key: _ends(spread, key) for key, spread in choice.spreads.items()},
        "range_error": {
            key: [_figure(spread.low_error, key), _figure(spread.high_error, key)]
            for key, spread in choice.spreads.items()
        },
    }


def _roof(choice: ChoiceYear) -> dict[str, Any]:
    if choice.roof is None:
        return {}
    return {
        "roof": {
            "gives_kwh": _rounded(choice.roof.gives_kwh, ENERGY),
            "per_kwp_kwh": _rounded(choice.roof.per_kwp_kwh, ENERGY),
            "surplus_kwh": _rounded(choice.roof.surplus_kwh, ENERGY),
            "grid_cost": _rounded(choice.roof.grid_cost, MONEY),
            "export_earns": _rounded(choice.roof.earns, MONEY),
        }
    }


def _battery(choice: ChoiceYear) -> dict[str, Any]:
    if choice.battery is None:
        return {}
    keys = ("mean_percent", "loss_percent", "by_time_percent", "by_use_percent")
    return {"battery": {key: _rounded(getattr(choice.battery, key), PLAIN) for key in keys}}


def _vehicles(choice: ChoiceYear) -> dict[str, Any]:
    if not choice.vehicles:
        return {}
    return {
        "vehicles": [
            {
                "vehicle": each.vehicle,
                "energy_kwh": _rounded(each.energy_kwh, ENERGY),
                "nights": each.nights,
                "nights_short": each.nights_short,
                "charged_elsewhere_kwh": _rounded(each.charged_elsewhere_kwh, ENERGY),
            }
            for each in choice.vehicles
        ]
    }


def _ends(spread: Spread, key: str) -> list[float | int | None]:
    return [_figure(spread.low, key), _figure(spread.high, key)]


def _figure(value: float | None, key: str) -> float | int | None:
    rounded = _rounded(value, FIGURES.get(key, MONEY))
    whole = key in _COUNTS and rounded is not None and rounded == int(rounded)
    return int(rounded) if whole and rounded is not None else rounded


def _band(band: BandYear) -> dict[str, Any]:
    return {
        "band": band.band,
        "rate": band.rate,
        "kwh": _rounded(band.kwh, ENERGY),
        "cost": _rounded(band.cost, MONEY),
    }


def _evens(appraisal: Appraisal) -> dict[str, Any]:
    even: BreakEvens | None = appraisal.break_even
    if even is None:
        return {}
    return {
        "distance_per_year": [
            {
                "unit": "kWh" if appraisal.distance_km is None else "km",
                **_even(change, PLAIN),
                "by_shortage": change.by_shortage,
                "by_elsewhere": change.by_elsewhere,
            }
            for change in even.distance_per_year
        ],
        "rate": {"band": even.rate_band, **_even(even.rate, MONEY)},
        "outlay": _even(even.outlay, MONEY),
    }


def _even(even: BreakEven, decimals: int) -> dict[str, Any]:
    return {
        "now": _rounded(even.now, decimals),
        "at": _rounded(even.at, decimals),
        "rival": even.rival,
    }


def _hinge(hinge: Hinge) -> dict[str, Any]:
    return {
        "input": hinge.what,
        "now": _rounded(hinge.now, MONEY),
        "tried": [
            {
                "value": _rounded(point.value, MONEY),
                "cheapest": point.cheapest,
                "saves_over_years": _rounded(point.saves, MONEY),
                "ahead": _rounded(point.ahead, MONEY),
            }
            for point in points_of(hinge)
        ],
        "searched": [_rounded(hinge.least, MONEY), _rounded(hinge.most, MONEY)],
        "breaks": [{"at": _rounded(each.at, MONEY), "rival": each.rival} for each in hinge.breaks],
    }


def _scale(appraisal: Appraisal) -> str:
    return "trips_kwh" if appraisal.distance_km is None else "distance_km"


def _rounded(value: float | None, decimals: int) -> float | None:
    """Round; None if unknown or infinite, because JSON has no infinity."""
    if value is None or not math.isfinite(value):
        return None
    return round(value, decimals) + 0.0
