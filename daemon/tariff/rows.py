"""A tariff's days for scripts: rows of CSV, and one JSON document. Rates are exact."""

from __future__ import annotations

import csv
import io
from itertools import groupby
from typing import TYPE_CHECKING, Any

from daemon.tariff.days import unknown_in
from planners.plan.plan import instant_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date
    from decimal import Decimal
    from zoneinfo import ZoneInfo

    from config import HouseholdFile
    from daemon.tariff.days import Day
    from planners.rates.prices import Prices

COLUMNS = ("start_utc", "start_local", "end_utc", "tariff", "band", "rate", "estimated")


def rows(days: Sequence[Day], zone: ZoneInfo) -> Iterator[tuple[str, ...]]:
    """Make the rows of rates: one for each span, and a new one at each local midnight.

    Parameters
    ----------
    days : sequence of Day
        In order.
    zone : ZoneInfo
        The household's zone.

    Yields
    ------
    tuple of str
        As `COLUMNS` says; the rate with tax, exact [currency per kWh].
    """
    for span in (span for day in days for span in day.spans):
        yield (
            instant_text(span.start),
            span.start.astimezone(zone).isoformat(timespec="seconds"),
            instant_text(span.end),
            span.tariff,
            span.band,
            exact(span.rate),
            "true" if span.estimated else "false",
        )


def csv_text(days: Sequence[Day], zone: ZoneInfo) -> str:
    """Write the rows as CSV by RFC 4180: a header, CRLF, quotes where they are needed."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    writer.writerows(rows(days, zone))
    return out.getvalue()


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
        JSON values, with rates and charges as Decimal, tax included. The last day of a standing
        charge is `to`.
    """
    return {
        "household": file.household.name,
        "timezone": file.household.timezone,
        "currency": file.household.currency,
        "tax_included": True,
        "from": days[0].date.isoformat(),
        "days": len(days),
        "rates": [
            dict(zip(COLUMNS, row, strict=True)) | {"rate": span.rate, "estimated": span.estimated}
            for day in days
            for row, span in zip(rows([day], file.zone), day.spans, strict=True)
        ],
        "standing_charges": [
            {"from": begins.isoformat(), "to": ends.isoformat(), "per_day": charge}
            for begins, ends, charge in standing_charges(prices, days)
        ],
        "not_known": [
            {"start_utc": instant_text(it.start), "end_utc": instant_text(it.end), "why": it.why}
            for it in unknown_in(days)
        ],
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
