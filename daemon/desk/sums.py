"""Make rows of sums: of a home's months, and of homes by currency. Pure."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

from config.fields.currencies import minor_units
from daemon.month.capacity import capacity_summary
from daemon.month.rows import six_places, summary
from planners.accounts.accounts import exact_kwh
from planners.accounts.money import round_money

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from daemon.desk.homes import HomeMonths
    from daemon.night_log.month import Month

SUMMARY = (
    "household", "month", "currency", "nights", "nights_short", "nights_estimated", "energy_kwh",
    "metered_kwh", "estimated_kwh", "cost", "cost_exact", "standing_charge", "cost_per_kwh",
    "distance", "distance_unit", "cost_per_distance", "saved_against_at_once",
    "saved_against_timer", "hindsight_would_save", "alerts", "estimated_rate_kwh",
    "capacity_charge", "capacity_charge_without_charging", "estimated_percent", "tariff", "file",
    "remark", "fault", "best_tariff", "saves_per_year", "roof_kwh", "all_grid_cost",
)  # fmt: skip
TOTAL = "total"
BESIDE = ("tariff", "file", "remark", "fault", "best_tariff", "saves_per_year")
"""What only the row of a home says."""


def home_row(home: HomeMonths, months: Sequence[Month]) -> dict[str, Any]:
    """Make the row of a home over one or more of its months, or of why it can't be read."""
    beside = {
        "tariff": home.tariff,
        "file": str(home.file),
        "remark": "; ".join(home.remarks),
        "fault": home.fault,
        "best_tariff": home.better and home.better.tariff,
        "saves_per_year": home.better and round(home.better.saves_per_year, 2) + 0.0,
    }
    if home.fault is not None:
        return dict.fromkeys(SUMMARY) | {"household": home.name} | beside
    return row_of(months, home.name) | beside


def total_rows(homes: Iterable[Sequence[Month]]) -> list[dict[str, Any]]:
    """Add homes up by currency."""
    by_currency: dict[str, list[Month]] = {}
    for months in homes:
        for month in months:
            by_currency.setdefault(month.currency, []).append(month)
    none = dict.fromkeys(BESIDE)
    return [row_of(months, TOTAL) | none for months in by_currency.values()]


def row_of(months: Sequence[Month], household: str) -> dict[str, Any]:
    """Add up unrounded months of one currency, and round once.

    Parameters
    ----------
    months : sequence of Month
        At least one, in order of time; of one home or of several.
    household : str
        What to call their sum.

    Returns
    -------
    dict
        The values of `daemon.month.rows.summary`, and which percentage of the energy is estimated.
        Distances are added only if all have the same unit.
    """
    wh = sum(month.energy_wh for month in months)
    estimated = sum(month.estimated_wh for month in months)
    share = {"estimated_percent": round(100 * estimated / wh, 1) if wh else None}
    row = summary(months[0]) if len(months) == 1 else _sum(months)
    return row | {"household": household} | share


def _sum(months: Sequence[Month]) -> dict[str, Any]:
    units = minor_units(months[0].currency)
    energy_wh = sum(month.energy_wh for month in months)
    estimated_wh = sum(month.estimated_wh for month in months)
    cost = sum((month.cost for month in months), Decimal(0))
    unit, distance = _distance(months)

    def money(amounts: list[Decimal | None]) -> Decimal | None:
        known = [amount for amount in amounts if amount is not None]
        return round_money(sum(known, Decimal(0)), units) if known else None

    return {
        "month": _span(months),
        "currency": months[0].currency,
        "nights": sum(len(month.nights) for month in months),
        "nights_short": sum(len(month.nights_short) for month in months),
        "nights_estimated": sum(len(month.nights_estimated) for month in months),
        "energy_kwh": exact_kwh(energy_wh),
        "metered_kwh": exact_kwh(energy_wh - estimated_wh),
        "estimated_kwh": exact_kwh(estimated_wh),
        "cost": round_money(cost, units),
        "cost_exact": cost,
        "standing_charge": money([month.standing_charge for month in months]),
        "cost_per_kwh": round(cost * 1000 / energy_wh, 4) if energy_wh else None,
        "distance": None if distance is None else round(distance, 1),
        "distance_unit": unit,
        "cost_per_distance": six_places(cost / Decimal(repr(distance)) if distance else None),
        "saved_against_at_once": money([month.saved_against_at_once for month in months]),
        "saved_against_timer": money([month.saved_against_timer for month in months]),
        "hindsight_would_save": money([month.hindsight_would_save for month in months]),
        "alerts": sum(month.alert_count for month in months),
        "estimated_rate_kwh": exact_kwh(sum(month.estimated_rate_wh for month in months)),
        "roof_kwh": exact_kwh(sum(month.roof_wh for month in months)),
        "all_grid_cost": money([month.all_grid_cost for month in months]),
        **capacity_summary([month.capacity for month in months], months[0].currency),
    }


def _span(months: Sequence[Month]) -> str:
    """Name the months that were added up."""
    names = sorted({f"{month.year}-{month.month:02d}" for month in months})
    return names[0] if len(names) == 1 else f"{names[0]} to {names[-1]}"


def _distance(months: Sequence[Month]) -> tuple[str | None, float | None]:
    """Add distances up, if all homes that charged have one in the same unit."""
    driven = [month for month in months if month.energy_wh]
    units = {month.distance_unit for month in driven}
    known = [month.distance for month in driven if month.distance is not None]
    if len(units) != 1 or len(known) < len(driven):
        return None, None
    return units.pop(), sum(known)
