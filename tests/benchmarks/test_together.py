"""The benchmark of joint plans has its rows; no time is judged."""

from __future__ import annotations

from tests.benchmarks.together import Reach, rows_of


def test_each_number_of_vehicles_has_its_rows() -> None:
    """A first plan, its gap, and the gap in time: for a night on which two are in the way."""
    found = rows_of(Reach(2, 0.001, 0.0), 1)
    assert [row.what.removeprefix("2 vehicles: ") for row in found] == [
        "first plan, median",
        "first plan, slowest",
        "gap of the first plan, median",
        "gap after 0 s, median",
        "gap after 0 s, largest",
        "last plan, median",
    ]
    assert all(row.measured for row in found)
