"""What follows from a household file is found once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from config.household.loading import load_household
from planners.local_time.remembering import MOST_FILES, MOST_REMEMBERED, remembered
from tests.benchmarks.households import many
from tests.planners.households import household

if TYPE_CHECKING:
    from pathlib import Path

    from config.household.household_file import HouseholdFile

asked: list[tuple[HouseholdFile, object]] = []


@remembered
def noted(file: HouseholdFile, of: object, *, more: int = 0) -> tuple[object, int]:
    asked.append((file, of))
    return of, more


def test_a_home_with_many_charge_points_remembers_each(tmp_path: Path) -> None:
    """Asked about 100 charge points in turn, again and again, it computes each once."""
    file = load_household(many(tmp_path, "mqtt://127.0.0.1:1883", 100))
    asked.clear()
    for _ in range(3):
        assert [noted(file, name)[0] for name in file.charge_points] == list(file.charge_points)
    assert len(asked) == 100


def test_little_is_kept_of_each_of_many_files() -> None:
    """Of a home with one charge point so many results, and of so many files any at all."""
    first = household()
    asked.clear()
    for number in (*range(MOST_REMEMBERED), 0, MOST_REMEMBERED, 0):
        assert noted(first, number, more=1) == (number, 1)
    assert len(asked) == MOST_REMEMBERED + 2
    for _ in range(MOST_FILES):
        noted(household(), 0)
    asked.clear()
    assert noted(first, MOST_REMEMBERED, more=1) == (MOST_REMEMBERED, 1)
    assert [file is first for file, _ in asked] == [True]
