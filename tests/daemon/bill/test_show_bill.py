"""A bill next to our own costs, some of which rest on estimated rates."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from adapters.ledger.ledger import open_ledger
from daemon.bill.comparison import BillComparison
from daemon.bill.show_bill import half_hour_lines
from planners.bill.hours import MISSING, MORE, OTHER_LOAD, HalfHourComparison
from tests.daemon.sites import household_file
from tests.daemon.worlds import HOUR, POINT, utc
from tests.support.commands import Ran

FIRST_PRICE = utc("2026-06-03T00:00")


def metered_beyond_the_prices(directory: Path) -> Path:
    """Make a home whose prices end in the middle of four metered hours."""
    text = household_file(directory).read_text("utf-8")
    bands = text[text.index("    bands:") : text.index("charge_points:")]
    file = household_file(
        directory, (bands, "    prices: {file: prices.csv, step_minutes: 60}\n\n")
    )
    starts = [FIRST_PRICE + hour * HOUR for hour in range(24)]
    rows = [f"{start.isoformat()},0.10" for start in starts]
    (directory / "prices.csv").write_text("\n".join(["start,rate", *rows]))
    with open_ledger(directory / "ledger.sqlite3") as ledger:
        for count in range(25):
            at = FIRST_PRICE + 22 * HOUR + count * timedelta(minutes=10)
            ledger.add_reading(POINT, at, register_wh=1_000_000 + 1000 * count, watts=6000.0)
    return file


def test_costs_at_estimated_rates_are_marked(tmp_path: Path, run: Callable[..., Ran]) -> None:
    """Half of the energy came after the last price."""
    file = metered_beyond_the_prices(tmp_path)
    bill = tmp_path / "bill.csv"
    bill.write_text("band,kwh,cost\nprice,24,2.76\n")
    month = ("month", str(file), "2026-06", "--bill", str(bill))
    text = run(*month).out
    assert "~ 12.00 kWh of ours are at estimated rates." in text
    assert "2.76~" in " ".join(text.split())
    [row] = csv.DictReader(io.StringIO(run(*month, "--format", "csv").out))
    assert (row["ours_kwh"], row["estimated_rate_kwh"]) == ("24.000", "12.000")


def difference(number: int, ours_wh: int | None, cause: str) -> HalfHourComparison:
    """Make a half-hour in which the bill has 1 kWh more, at a rate of 0.30."""
    start = FIRST_PRICE + number * HOUR / 2
    more = Decimal(1000)
    return HalfHourComparison(
        start, start + HOUR / 2, ours_wh, 0, (ours_wh or 0) + more, cause,
        apart_wh=more, cost=Decimal("0.30"),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("causes", "last"),
    [
        ([MISSING, OTHER_LOAD], ""),
        ([MISSING, OTHER_LOAD, MORE], "home and what we did not read, it differs by NZD 0.30"),
        ([OTHER_LOAD, MORE], "rest of the home, it differs by NZD 0.30"),
        ([MISSING, MORE], "rest of the home, it differs by NZD 0.60"),
    ],
)  # fmt: skip
def test_what_a_whole_home_used_unread_is_not_counted_as_charging(
    causes: list[str], last: str
) -> None:
    """Only where the bill is of the charging alone does an unread half-hour cost what it says."""
    lines = [difference(n, None if it == MISSING else 0, it) for n, it in enumerate(causes)]
    said = list(half_hour_lines(BillComparison(tuple(lines)), ZoneInfo("UTC"), "NZD"))
    assert last in said[-1]
    assert any(each.startswith("Apart from") for each in said) == bool(last)
