"""The raw file of the German day-ahead prices of 2018, turned into a series that Lullwatt reads.

Source, licence and quirks: `tests/data/day_ahead_2018_raw.txt`.
"""

from __future__ import annotations

import csv
import gzip
from datetime import datetime
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

FILE = Path(__file__).parents[1] / "data" / "day_ahead_2018_raw.csv.gz"
BERLIN = ZoneInfo("Europe/Berlin")
MISSING = "-"
ZONES = ("Germany/Austria/Luxembourg[€/MWh]", "Germany/Luxembourg[€/MWh]")
"""The bidding zone that Germany lay in until 30 September, and from 1 October."""


def raw_text() -> str:
    """Return the file as it was downloaded, with its byte order mark."""
    return gzip.decompress(FILE.read_bytes()).decode("utf-8")


@cache
def raw_rows() -> tuple[tuple[str, str, str, str], ...]:
    """Return date, time of day, and the prices in either bidding zone, as they are written."""
    rows = csv.DictReader(raw_text().removeprefix("\ufeff").splitlines(), delimiter=";")
    names = ("Date", "Time of day", *ZONES)
    return tuple((row[names[0]], row[names[1]], row[names[2]], row[names[3]]) for row in rows)


def series_csv() -> str:
    """Write the prices in Germany as a price series: ``start`` with its offset, and ``rate``."""
    lines, seen = ["start,rate"], set[datetime]()
    for day, time, *prices in raw_rows():
        local = datetime.strptime(f"{day} {time}", "%b %d, %Y %I:%M %p")  # noqa: DTZ007 - local
        # Of the hour that stands twice, the second one is in winter time.
        start = local.replace(tzinfo=BERLIN, fold=int(local in seen))
        seen.add(local)
        (price,) = (price for price in prices if price != MISSING)
        lines.append(f"{start.isoformat()},{price}")
    return "\n".join(lines) + "\n"
