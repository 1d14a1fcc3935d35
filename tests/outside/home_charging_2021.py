"""Power drawn by two home chargers through 2021, simulated, in quarters of an hour.

Source, licence and what was left out: `tests/data/home_charging_2021.txt`.
"""

from __future__ import annotations

import csv
import gzip
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

FILE = Path(__file__).parents[1] / "data" / "home_charging_2021.csv.gz"
QUARTER = timedelta(minutes=15)
YEAR_BEGINS = datetime(2020, 12, 31, 23, tzinfo=UTC)
"""Midnight of the data's own clock, which is Central European winter time all through the year."""


@cache
def drawn(charger_kw: str) -> dict[datetime, float]:
    """Return each quarter of an hour with power, by its start [W]."""
    text = gzip.decompress(FILE.read_bytes()).decode("ascii")
    return {
        datetime.fromtimestamp(int(row["unix_seconds"]), UTC): float(row["watts"])
        for row in csv.DictReader(text.splitlines())
        if row["charger_kw"] == charger_kw
    }


@cache
def year(charger_kw: str) -> tuple[tuple[datetime, float], ...]:
    """Return the power of all 35,040 quarters of an hour, with a 0 at the year's end [W]."""
    watts = drawn(charger_kw)
    instants = (YEAR_BEGINS + i * QUARTER for i in range(365 * 96 + 1))
    return tuple((at, watts.get(at, 0.0)) for at in instants)


def sessions(charger_kw: str) -> int:
    """Count the unbroken runs of quarters of an hour with power."""
    watts = drawn(charger_kw)
    return sum(at - QUARTER not in watts for at in watts)
