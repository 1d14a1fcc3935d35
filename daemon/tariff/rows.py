"""Write the exact rates of some days for scripts, as CSV and as JSON values."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, Any

from daemon.presentation.csv_text import csv_text
from daemon.tariff.days import unknown_in
from daemon.tariff.export import export_rows
from planners.plan.plan import instant_text
from planners.rates.composed_rates import tax_factor

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date
    from decimal import Decimal
    from zoneinfo import ZoneInfo

    from config.household.household_file import HouseholdFile
    from config.tariffs.tariff import Tariff
    from daemon.tariff.days import Day
    from planners.rates.prices import Prices

COLUMNS = ("start_utc", "start_local", "end_utc", "tariff", "band", "rate", "estimated")


def _rows(days: Sequence[Day], zone: ZoneInfo) -> Iterator[dict[str, Any]]:
    """Make a row for each span of one rate; a new row begins at each local midnight.

    Parameters
    ----------
    days : sequence of Day
        In order.
    zone : ZoneInfo
        The household's zone.

    Yields
    ------
    dict
        The values of `COLUMNS`, with the exact rate, tax included [currency per kWh].
    """
    for span in (span for day in days for span in day.spans):
        yield {
            "start_utc": instant_text(span.start),
            "start_local": span.start.astimezone(zone).isoformat(timespec="seconds"),
            "end_utc": instant_text(span.end),
            "tariff": span.tariff,
            "band": span.band,
            "rate": span.rate,
            "estimated": span.estimated,
        }


def tariff_csv(days: Sequence[Day], zone: ZoneInfo) -> str:
    """Write the rates of some days as CSV."""
    rows = (row | {"rate": row["rate"].normalize()} for row in _rows(days, zone))
    return csv_text(COLUMNS, rows)


def document(file: HouseholdFile, prices: Prices, days: Sequence[Day]) -> dict[str, Any]:
    """Make the JSON document of some days.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    prices : Prices
        Its rates.
    days : sequence of Day
        In order.

    Returns
    -------
    dict
        JSON values, with rates and charges as Decimal, tax included. A standing charge applies from
        the day `from` until the day `to`. `export_rates` are there if the home has its own roofs.
    """
    sold = export_rows(prices, days[0].start, days[-1].end)
    return {
        "household": file.household.name,
        "timezone": file.household.timezone,
        "currency": file.household.currency,
        "charge_points": [
            name for name in file.charge_points if file.tariffs_at(name) == prices.tariffs
        ],
        "tax_included": True,
        "from": days[0].date.isoformat(),
        "days": len(days),
        "rates": list(_rows(days, file.zone)),
        **({} if sold is None else {"export_rates": sold}),
        "standing_charges": [
            {"from": begins.isoformat(), "to": ends.isoformat(), "per_day": charge}
            for begins, ends, charge in standing_charges(prices, days)
        ],
        "minimum_bills": list(_minimum_bills(days)),
        "capacity_charges": list(_capacity_charges(days)),
        "not_known": [
            {"start_utc": instant_text(gap.start), "end_utc": instant_text(gap.end), "why": gap.why}
            for gap in unknown_in(days)
        ],
    }


def _minimum_bills(days: Sequence[Day]) -> Iterator[dict[str, Any]]:
    """Write the minimum bill of each tariff of some days, tax included."""
    for tariff, day in _first_days(days):
        minimum = tariff.minimum_bill
        if minimum is not None:
            factor = tax_factor(tariff, day)
            yield {
                "tariff": tariff.name,
                "from": day.isoformat(),
                "least": minimum.amount * factor,
                "per": minimum.per,
                "of": minimum.of,
                "home_energy": minimum.home_energy * factor,
            }


def _first_days(days: Sequence[Day]) -> list[tuple[Tariff, date]]:
    """List the tariffs of some days, each with the first of its days."""
    found: dict[str, tuple[Tariff, date]] = {}
    for day in days:
        if day.tariff is not None:
            found.setdefault(day.tariff.name, (day.tariff, day.date))
    return list(found.values())


def _capacity_charges(days: Sequence[Day]) -> Iterator[dict[str, Any]]:
    """Write the charge for the highest power of each tariff of some days, tax included."""
    for tariff, day in _first_days(days):
        charge = tariff.capacity_charge
        if charge is None:
            continue
        factor, rate = tax_factor(tariff, day), charge.rate_per_kw
        steps = [
            {"up_to_kw": step.up_to_kw, "charge": step.charge * factor}
            for step in charge.steps or ()
        ]
        yield {
            "tariff": tariff.name,
            "from": day.isoformat(),
            "per": charge.per,
            "interval_minutes": charge.interval_minutes,
            "highest_days": charge.highest_days,
            "mean_of_months": charge.mean_of_months,
            "at_least_kw": charge.at_least_kw,
            "rate_per_kw": None if rate is None else rate * factor,
            "steps": steps or None,
        }


def standing_charges(prices: Prices, days: Sequence[Day]) -> list[tuple[date, date, Decimal]]:
    """List the standing charges of some days.

    Parameters
    ----------
    prices : Prices
        The household's rates.
    days : sequence of Day
        In order.

    Returns
    -------
    list of tuple
        First day, last day, and the charge of each day, tax included [currency].
    """
    charged = [day.date for day in days if day.tariff is not None]
    groups = [list(group) for _, group in groupby(charged, prices.standing_charge)]
    return [(group[0], group[-1], prices.standing_charge(group[0])) for group in groups]


def exact(amount: Decimal) -> str:
    """Write a number exactly, without needless zeros and without an exponent."""
    return f"{amount.normalize():f}"
