"""Write a month's capacity charge: as lines of text, and as values of CSV and JSON. Pure."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from config.fields.currencies import minor_units
from daemon.presentation.figures import local_time
from planners.accounts.money import format_money, round_money
from planners.capacity.words import INTERVALS
from planners.plan.plan import instant_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from daemon.night_log.month import Month
    from planners.capacity.bill import CapacityBill, PeakDay


NO_CAPACITY = "its capacity charge is not known, and in no sum"


def capacity_lines(month: Month) -> Iterator[tuple[str, str]]:
    """Say what the highest power cost, what it would have without charging, and when it was.

    Parameters
    ----------
    month : Month
        The month.

    Yields
    ------
    tuple of str
        The name of a line, and its words; nothing without a capacity charge.
    """
    bill = month.capacity
    if month.lacks_capacity:
        yield (
            "capacity charge",
            "not known, and in no sum: an extract has nothing of the home's load",
        )
    if bill is None:
        return
    name = "capacity charge" if bill.per == "month" else f"of {bill.period.first.year} so far"
    amount = format_money(bill.charge, month.currency)
    without = format_money(bill.charge_without, month.currency)
    mean = f", the mean of {bill.of_periods} months" if bill.of_periods > 1 else ""
    yield (
        name,
        (
            f"{amount} for {bill.billed_kw:.2f} kW{mean}; {without} without charging,"
            f" for {bill.billed_without_kw:.2f} kW"
        ),
    )
    for number, peak in enumerate(bill.peaks):
        yield "" if number else f"highest {INTERVALS[bill.interval_minutes]}", _peak(month, peak)


def _peak(month: Month, peak: PeakDay) -> str:
    zone = ZoneInfo(month.timezone)
    at = local_time(peak.start, zone, "%a %d %b %H:%M")
    return (
        f"{at}: {peak.kw:.2f} kW, {peak.charging_kw:.2f} kW of it charging"
        f" (night of {peak.night(month.days):%a %d %b})"
    )


def capacity_summary(bills: list[CapacityBill | None], currency: str) -> dict[str, Any]:
    """Add up capacity charges of the month, with and without charging; None if there is none."""
    known = [bill for bill in bills if bill is not None and bill.per == "month"]
    sums = (
        sum((bill.charge for bill in known), Decimal(0)),
        sum((bill.charge_without for bill in known), Decimal(0)),
    )
    units = minor_units(currency)
    charge, without = (round_money(each, units) if known else None for each in sums)
    return {"capacity_charge": charge, "capacity_charge_without_charging": without}


def capacity_values(month: Month) -> dict[str, Any] | None:
    """Make the JSON values of a month's capacity charge; None if there is none."""
    bill = month.capacity
    if bill is None:
        return None
    units = minor_units(month.currency)
    return {
        "per": bill.per,
        "from": bill.period.first.isoformat(),
        "interval_minutes": bill.interval_minutes,
        "charge": round_money(bill.charge, units),
        "charge_without_charging": round_money(bill.charge_without, units),
        "billed_kw": bill.billed_kw,
        "billed_kw_without_charging": bill.billed_without_kw,
        "mean_of_months": bill.of_periods,
        "peaks": [
            {
                "day": peak.day.isoformat(),
                "start": instant_text(peak.start),
                "night": peak.night(month.days).isoformat(),
                "kw": round(peak.kw, 3),
                "charging_kw": round(peak.charging_kw, 3),
            }
            for peak in bill.peaks
        ],
    }
