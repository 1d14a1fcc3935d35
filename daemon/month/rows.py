"""Write a month as JSON, and several homes' months as CSV, JSON or a table."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from rich.console import Group
from rich.table import Table
from rich.text import Text

from config.calendar.words import MONTHS
from config.fields.currencies import minor_units
from daemon.month.capacity import capacity_summary, capacity_values
from daemon.month.components import component_values
from daemon.month.minimum_bills import minimum_values
from daemon.month.wording import ROUNDING, why_short
from daemon.night_log.carbon import carbon_values
from daemon.night_log.night_rows import band_values, night_values
from daemon.night_log.notes import ESTIMATED_RATE
from daemon.presentation.csv_text import csv_text
from planners.accounts.accounts import exact_kwh
from planners.accounts.money import round_money
from planners.plan.plan import instant_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import RenderableType

    from daemon.night_log.month import Month

SIX = Decimal("0.000001")
SUMMARY = (
    "household", "month", "currency", "nights", "nights_short", "nights_estimated", "energy_kwh",
    "metered_kwh", "estimated_kwh", "cost", "cost_exact", "standing_charge", "cost_per_kwh",
    "distance", "distance_unit", "cost_per_distance", "saved_against_at_once",
    "saved_against_timer", "hindsight_would_save", "alerts", "estimated_rate_kwh",
    "capacity_charge", "capacity_charge_without_charging",
)  # fmt: skip
TOTAL = "total"


@dataclass(frozen=True, slots=True)
class ManyHomes:
    """The same month of several homes."""

    months: tuple[Month, ...]

    def rows(self) -> list[dict[str, Any]]:
        """Make a row of sums for each home."""
        return [summary(month) for month in self.months]

    def totals(self) -> list[dict[str, Any]]:
        """Add the homes up by currency; distances only if all have the same unit."""
        currencies = dict.fromkeys(month.currency for month in self.months)
        return [
            _total([month for month in self.months if month.currency == currency])
            for currency in currencies
        ]


def summary(month: Month) -> dict[str, Any]:
    """Make the sums of a month as JSON values.

    Parameters
    ----------
    month : Month
        The month.

    Returns
    -------
    dict
        Money is rounded half-even at the minor unit, except `cost_exact`; None if unknown.
    """
    units = minor_units(month.currency)

    def money(amount: Decimal | None) -> Decimal | None:
        return None if amount is None else round_money(amount, units)

    return {
        "household": month.household,
        "month": f"{month.year}-{month.month:02d}",
        "currency": month.currency,
        "nights": len(month.nights),
        "nights_short": len(month.nights_short),
        "nights_estimated": len(month.nights_estimated),
        "energy_kwh": exact_kwh(month.energy_wh),
        "metered_kwh": exact_kwh(month.energy_wh - month.estimated_wh),
        "estimated_kwh": exact_kwh(month.estimated_wh),
        "cost": month.cost_rounded,
        "cost_exact": month.cost,
        "standing_charge": money(month.standing_charge),
        "cost_per_kwh": None if month.cost_per_kwh is None else round(month.cost_per_kwh, 4),
        "distance": None if month.distance is None else round(month.distance, 1),
        "distance_unit": month.distance_unit,
        "cost_per_distance": _six(month.cost_per_distance),
        "saved_against_at_once": money(month.saved_against_at_once),
        "saved_against_timer": money(month.saved_against_timer),
        "hindsight_would_save": money(month.hindsight_would_save),
        "alerts": len(month.alerts),
        "estimated_rate_kwh": exact_kwh(month.estimated_rate_wh),
        "roof_kwh": exact_kwh(month.roof_wh),
        "all_grid_cost": money(month.all_grid_cost),
        **capacity_summary([month.capacity], month.currency),
    }


def month_values(month: Month) -> dict[str, Any]:
    """Make the JSON document of a month: its sums, bands, nights and alerts."""
    return summary(month) | {
        "timezone": month.timezone,
        "as_of": instant_text(month.as_of),
        "rounding": ROUNDING,
        "capacity": capacity_values(month),
        "minimum_bills": minimum_values(month),
        "by_component": component_values(month),
        "carbon": [
            carbon_values(each) | {"carbon_unknown_kwh": exact_kwh(each.unknown_wh)}
            for each in month.carbon
        ],
        "by_band": band_values(month.by_band),
        "by_vehicle": [
            {
                "vehicle": each.vehicle,
                "nights": each.nights,
                "nights_short": each.nights_short,
                "energy_kwh": exact_kwh(each.wh),
                "cost": round_money(each.cost, minor_units(month.currency)),
                "cost_exact": each.cost,
            }
            for each in month.by_vehicle
        ],
        "short": [
            {
                "night": row.night.isoformat(),
                "charge_point": row.charge_point,
                "why": why_short(month, row),
            }
            for row in month.nights_short
        ],
        "alerts": [
            {
                "at": instant_text(alert.at),
                "charge_point": alert.charge_point,
                "code": alert.code,
                "message": alert.message,
            }
            for alert in month.alerts
        ],
        "per_night": [night_values(row, month.currency) for row in month.nights],
    }


def homes_values(homes: ManyHomes) -> dict[str, Any]:
    """Make the JSON document of several homes."""
    return {"homes": homes.rows(), "totals": homes.totals()}


def homes_csv(homes: ManyHomes) -> str:
    """Write a row for each home, and a total for each currency."""
    return csv_text(SUMMARY, [*homes.rows(), *homes.totals()])


def show_homes(homes: ManyHomes) -> RenderableType:
    """Lay out a row for each home, and a total for each currency."""
    first = homes.months[0]
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="dim")
    table.add_column("home")
    for name in ("nights", "short", "kWh", "estimated", "cost", "standing", "at once", "timer"):
        table.add_column(name, justify="right")
    table.add_column("")
    for row in [*homes.rows(), *homes.totals()]:
        table.add_row(*_cells(row), style="bold" if row["household"] == TOTAL else "")
    return Group(
        Text(f"{len(homes.months)} homes, {MONTHS[first.month - 1]} {first.year}", style="bold"),
        "",
        table,
        "",
        Text(
            "At once, timer: how much more this rule would have cost; a minus sign means less."
            f" {ESTIMATED_RATE} beside a cost: partly at estimated rates. Totals are rounded once."
        ),
    )


def _cells(row: dict[str, Any]) -> list[str]:
    return [
        row["household"],
        str(row["nights"]),
        str(row["nights_short"]),
        f"{row['energy_kwh']:.2f}",
        f"{row['estimated_kwh']:.2f}",
        *(
            "" if row[key] is None else f"{row[key]:f}{_mark(row, key)}"
            for key in ("cost", "standing_charge", "saved_against_at_once", "saved_against_timer")
        ),
        row["currency"],
    ]


def _mark(row: dict[str, Any], key: str) -> str:
    return ESTIMATED_RATE if key == "cost" and row["estimated_rate_kwh"] else ""


def _total(months: Sequence[Month]) -> dict[str, Any]:
    """Add up the unrounded months of one currency, and round once."""
    units = minor_units(months[0].currency)
    energy_wh = sum(month.energy_wh for month in months)
    estimated_wh = sum(month.estimated_wh for month in months)
    cost = sum((month.cost for month in months), Decimal(0))
    unit, distance = _distance(months)

    def money(amounts: list[Decimal | None]) -> Decimal | None:
        known = [amount for amount in amounts if amount is not None]
        return round_money(sum(known, Decimal(0)), units) if known else None

    return {
        "household": TOTAL,
        "month": f"{months[0].year}-{months[0].month:02d}",
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
        "cost_per_distance": _six(cost / Decimal(repr(distance)) if distance else None),
        "saved_against_at_once": money([month.saved_against_at_once for month in months]),
        "saved_against_timer": money([month.saved_against_timer for month in months]),
        "hindsight_would_save": money([month.hindsight_would_save for month in months]),
        "alerts": sum(len(month.alerts) for month in months),
        "estimated_rate_kwh": exact_kwh(sum(month.estimated_rate_wh for month in months)),
        **capacity_summary([month.capacity for month in months], months[0].currency),
    }


def _distance(months: Sequence[Month]) -> tuple[str | None, float | None]:
    """Add distances up, if all homes that charged have one in the same unit."""
    driven = [month for month in months if month.energy_wh]
    units = {month.distance_unit for month in driven}
    known = [month.distance for month in driven if month.distance is not None]
    if len(units) != 1 or len(known) < len(driven):
        return None, None
    return units.pop(), sum(known)


def _six(amount: Decimal | None) -> Decimal | None:
    return None if amount is None else amount.quantize(SIX)
