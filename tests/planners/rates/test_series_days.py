"""Price files of whole local days: 92, 96 and 100 quarters, 23 to 25 hours, and odder days."""

from __future__ import annotations

import json
from collections import Counter
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from config.files.price_series import PricePoint, load_prices
from planners.local_time.conversion import local_date
from planners.rates.prices import prices_of
from tests.planners.households import household, series

MINUTE = timedelta(minutes=1)
DAY = timedelta(days=1)
DATA = Path(__file__).parents[2] / "data" / "outside_time.json"
CASES: dict[str, Any] = json.loads(DATA.read_text(encoding="utf-8"))
DAYS = [(zone, date.fromisoformat(day), n) for zone, day, n in CASES["half_hours_in_local_day"]]
"""Zone, local date and its half hours, from IANA's time zone database (named in the data file)."""


def midnight(zone: str, day: date) -> datetime:
    return datetime.combine(day, time(), tzinfo=ZoneInfo(zone)).astimezone(UTC)


def rows_of(zone: str, start: datetime, end: datetime, step: int, how: str) -> list[str]:
    """Write each step as suppliers do: in local time with its offset, in UTC, or now so, now so."""
    rows = []
    for i in range(int((end - start) / MINUTE) // step):
        instant = start + i * step * MINUTE
        shown = instant.astimezone(ZoneInfo(zone)).isoformat()
        if how == "Z" or (how == "both" and i % 3):
            shown = instant.isoformat().replace("+00:00", "Z")
        rows.append(f"{shown};{'-' if i % 7 == 3 else ''}0,{i:04d}")
    return rows


def write(path: Path, rows: list[str]) -> tuple[PricePoint, ...]:
    path.write_bytes("\r\n".join(["\ufeffstart;rate", *rows, ""]).encode())
    return load_prices(path)


def test_the_table_has_the_days_that_matter() -> None:
    """Days of 23, 24 and 25 hours, by the hour of two, and half hours either way."""
    assert {n / 2 for _, _, n in DAYS} == {22, 23, 23.5, 24, 24.5, 25, 26}


@pytest.mark.parametrize("how", ["offset", "Z", "both"])
@pytest.mark.parametrize("step", [15, 30, 60])
@pytest.mark.parametrize("given", [True, False])
@pytest.mark.parametrize(("zone", "day", "half_hours"), DAYS)
def test_a_local_day_has_all_its_rows(
    zone: str, day: date, half_hours: int, tmp_path: Path, *, step: int, how: str, given: bool
) -> None:
    """Each row is a price of its own, on its local day; the spans cover it without hole or overlap.

    A day of 23 hours has 92 quarters, one of 25 has 100. The file runs from the midnight before to
    the one after the next day, shuffled, with a byte order mark, CRLF and decimal commas.
    """
    start, end = midnight(zone, day), midnight(zone, day + DAY)
    rows = rows_of(zone, start - DAY, end + DAY, step, how)
    points = write(tmp_path / "prices.csv", [*rows[::2], *rows[::-2], *rows])
    assert len(points) == len(rows)
    on_days = Counter(local_date(point.start, ZoneInfo(zone)) for point in points)
    rows_due = -(-half_hours * 30 // step)  # half a row, where the day has half an hour of it
    assert on_days[day] in {rows_due, half_hours * 30 // step}

    tariff = series(step_minutes=step if given else None)
    prices = prices_of(household(zone, [tariff]), {"Series": points})
    spans = prices.spans(start, end)
    assert (spans[0].start, spans[-1].end) == (start, end)
    assert all(before.end == after.start for before, after in pairwise(spans))
    assert sum(((span.end - span.start) / MINUTE for span in spans), 0.0) == 30 * half_hours
    assert not any(span.estimated for span in spans)
    by_start = {point.start: point.rate for point in points}
    inside = [span for span in spans if span.start > start]
    assert all(by_start[span.start] == span.rate for span in inside)
    assert prices.known_until(start) == start - DAY + len(rows) * step * MINUTE


@pytest.mark.parametrize(
    ("zone", "day", "quarters"),
    [
        ("Europe/Berlin", date(2026, 3, 29), 92),
        ("Europe/Berlin", date(2026, 6, 3), 96),
        ("Europe/Berlin", date(2026, 10, 25), 100),
        ("Pacific/Auckland", date(2026, 9, 27), 92),
        ("Pacific/Auckland", date(2026, 4, 5), 100),
        ("Australia/Lord_Howe", date(2026, 10, 4), 94),
        ("Australia/Lord_Howe", date(2026, 4, 5), 98),
    ],
)
def test_quarters_of_a_day(zone: str, day: date, quarters: int, tmp_path: Path) -> None:
    """92, 96 and 100 quarters a day; 94 and 98 where the clock moves by half an hour.

    The days are those of IANA 2026f (`clock_changes` in the data file), and an ordinary one.
    """
    rows = rows_of(zone, midnight(zone, day), midnight(zone, day + DAY), 15, "offset")
    points = write(tmp_path / "prices.csv", rows)
    assert len(points) == quarters
    assert len({point.start for point in points}) == quarters
    prices = prices_of(household(zone, [series(step_minutes=None)]), {"Series": points})
    grid = prices.grid(points[0].start, quarters, 15)
    assert [float(point.rate) for point in points] == grid.rates.tolist()
