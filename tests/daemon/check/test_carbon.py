"""What `check` says of the grid's carbon: what is known, until when, and what looks wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from daemon.check.explain import explain_unwrapped
from daemon.service.house_loading import load_house
from tests.daemon.worlds import KOWHAI, utc

NOW = utc("2026-12-04T05:30")
CSV = "carbon-intensities.csv"


def lines(directory: Path, *changes: tuple[str, str], rows: list[str] | None = None) -> list[str]:
    """Check the example with its text changed, and perhaps with other intensities."""
    text = KOWHAI.with_name("carbon.yaml").read_text("utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (directory / "house.yaml").write_text(text, "utf-8")
    series = KOWHAI.with_name(CSV).read_text("utf-8")
    (directory / CSV).write_text("\n".join(rows) if rows else series, "utf-8")
    return list(explain_unwrapped(load_house(directory / "house.yaml", NOW), NOW))


def part_of(all_lines: list[str]) -> list[str]:
    first = all_lines.index("Carbon of the grid:")
    return all_lines[first + 1 : all_lines.index("", first)]


def test_what_is_known_and_until_when(tmp_path: Path) -> None:
    """Of the example: both sources, three days, and its price."""
    source, kind, known, beyond, price = part_of(lines(tmp_path))
    assert source.endswith(f"{CSV} and the topic lullwatt/kowhai-cottage/carbon.")
    assert "(average); energy of an own roof causes none" in kind
    assert known == (
        "  They are known from Thu 03 Dec 12:00 until Sun 06 Dec 12:00: 40 to 169 g CO2e per kWh."
    )
    assert "the mean of the same half-hour" in beyond
    assert "NZD 120.00 for a tonne of CO2e, 0.0120 per kWh at 100 g/kWh" in price


def test_gaps_are_named(tmp_path: Path) -> None:
    """Two hours of Saturday morning are missing."""
    rows = KOWHAI.with_name(CSV).read_text("utf-8").splitlines()
    kept = [row for row in rows if not "2026-12-05T04" <= row[:13] < "2026-12-05T06"]
    found = part_of(lines(tmp_path, rows=kept))
    assert "  In between 2 h are unknown, the first from Sat 05 Dec 04:00 on." in found


@pytest.mark.parametrize(
    ("changes", "rows", "caution"),
    [
        (
            [("  file: carbon-intensities.csv", "  #")],
            None,
            "No carbon intensity is known: plans count none, and accounts can tell none.",
        ),
        (
            [],
            ["start,grams_per_kwh", "2026-12-04T14:00:00Z,900"],
            "The highest carbon intensity is 900 g/kWh, more than a grid of coal alone (820)",
        ),
    ],
    ids=["nothing known", "too high"],
)
def test_cautions(
    tmp_path: Path, changes: list[tuple[str, str]], rows: list[str] | None, caution: str
) -> None:
    """Nothing is known, or what is known can hardly be true."""
    found = lines(tmp_path, *changes, rows=rows)
    assert any(line.startswith(f"  - {caution}") for line in found)


def test_without_a_price_it_says_so(tmp_path: Path) -> None:
    """And on the margin it says what counts."""
    changes = [("price_per_tonne: 120", "price_per_tonne: 0"), ("kind: average", "kind: marginal")]
    found = part_of(lines(tmp_path, *changes))
    assert "(marginal); energy of an own roof counts" in found[1]
    assert found[-1] == "  It has no price: plans do not count it, and accounts tell it."
