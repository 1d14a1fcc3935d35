"""Write a month as JSON values."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

from config.fields.currencies import minor_units
from daemon.month.capacity import NO_CAPACITY, capacity_summary, capacity_values
from daemon.month.components import component_values
from daemon.month.minimum_bills import minimum_values
from daemon.month.wording import ROUNDING, why_short
from daemon.night_log.carbon import carbon_values
from daemon.night_log.night_rows import band_values, night_values
from planners.accounts.accounts import exact_kwh
from planners.accounts.money import round_money
from planners.plan.plan import instant_text

if TYPE_CHECKING:
    from daemon.night_log.month import Month

SIX = Decimal("0.000001")


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
        "cost_per_distance": six_places(month.cost_per_distance),
        "saved_against_at_once": money(month.saved_against_at_once),
        "saved_against_timer": money(month.saved_against_timer),
        "hindsight_would_save": money(month.hindsight_would_save),
        "alerts": month.alert_count,
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
        **_together(month),
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
        "untimed_alerts": [{"code": code, "count": count} for code, count in month.untimed_alerts],
        "remarks": [*month.remarks, *([NO_CAPACITY] if month.lacks_capacity else [])],
        "per_night": [night_values(row, month.currency) for row in month.nights],
    }


def _together(month: Month) -> dict[str, Decimal]:
    """Return the sum of all charges; nothing if one of them is not known."""
    if month.lacks_capacity:
        return {}
    return {"together": round_money(month.together, minor_units(month.currency))}


def six_places(amount: Decimal | None) -> Decimal | None:
    """Round an amount of money for a distance to a millionth."""
    return None if amount is None else amount.quantize(SIX)
