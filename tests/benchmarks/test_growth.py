"""The benchmark of growth has its rows; no figure is judged."""

from __future__ import annotations

from tests.benchmarks import growth


def test_the_table_has_its_rows() -> None:
    """Years are measured with each command, and the exponent stands beside the figures."""
    sizes = growth.Sizes(years=(1, 2), readings=1)
    found = {row.what: row.measured for row in growth.of_years(sizes, lambda _: None)}
    assert list(found) == [
        "1, 2 years: opened to be written",
        "1, 2 years: lullwatt nights",
        "1, 2 years: lullwatt month",
    ]
    assert all("; exponent " in measured for measured in found.values())
