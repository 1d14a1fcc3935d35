"""The benchmark of an appraisal has all its rows; no figure is judged."""

from __future__ import annotations

from tests.benchmarks import appraising
from tests.benchmarks.appraising import Sizes

TINY = Sizes(draws=(0, 1, 3), tick_minutes=60, timeout_seconds=60)


def test_the_table_has_its_rows() -> None:
    """Time without and with draws, how it grows, and memory, each with a figure."""
    found = {row.what: row.measured for row in appraising.rows(TINY, lambda _: None)}
    for what in (
        "a year of 4 choices, and what would change it", "the same with 3 drawn years",
        "growth with the draws", "most memory, 3 draws",
    ):  # fmt: skip
        assert found[what]


def test_the_choices_are_four_at_five_minutes() -> None:
    """The benchmark measures the case that the reach names."""
    file = appraising.declared(7)
    assert (len(file.choices), file.appraisal.tick_minutes, file.driving.draws) == (4, 5, 7)
