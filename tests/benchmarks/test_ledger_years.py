"""The benchmark of a ledger of years has all its rows; no figure is judged."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from adapters.ledger.ledger import open_ledger
from planners.local_time.departures import night_bounds
from tests.benchmarks import ledger_years
from tests.benchmarks.ledger_filling import (
    DAY,
    DAYS,
    LAST_NIGHT,
    NIGHT_WH,
    POINT,
    body_of,
    fill,
)
from tests.benchmarks.ledger_years import Sizes

TINY = Sizes(nights=470, readings=24, writes=2, steps=2)


def test_the_table_has_its_rows() -> None:
    """Opening, reading, copying and removing are measured, each with a figure."""
    found = {row.what: row.measured for row in ledger_years.rows(TINY, lambda _: None)}
    for what in (
        "opened to be written, looked over", "a month's readings, night by night",
        "lullwatt backup, rows counted", "a reading kept, median and 99th percentile",
        "then copied, the copy packed",
    ):  # fmt: skip
        assert found[f"470 nights: {what}"]


@pytest.mark.parametrize("back", [0, 3])
def test_its_nights_agree_with_its_readings(tmp_path: Path, back: int) -> None:
    """In the filled ledger the register rises by the energy of the night's record."""
    path = tmp_path / "ledger.sqlite3"
    fill(path, nights=5, readings=100)
    night = LAST_NIGHT - back * DAY
    with open_ledger(path) as ledger:
        [record] = ledger.nights(night, night, POINT)
        read = ledger.register_readings(POINT, *night_bounds(night, DAYS))
    assert record["energy_kwh"] == Decimal(NIGHT_WH) / 1000
    assert read[-1].register_wh - read[0].register_wh == NIGHT_WH
    assert len(body_of(night)) == len(record)
