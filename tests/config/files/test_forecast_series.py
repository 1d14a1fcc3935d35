"""Forecasts in CSV: units, several of them, every fault with its place."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from config.files.errors import FileError
from config.files.forecast_series import (
    ForecastPoint,
    IntensityPoint,
    load_forecast,
    load_intensities,
)

NINE = datetime(2026, 6, 3, 9, tzinfo=UTC)
HEADER = "expected the header start,kw or start,watts, perhaps after issued"
INSTANT = "expected an instant such as 2026-06-03T18:30:00+12:00"
FIVE = datetime(2026, 6, 3, 5, tzinfo=UTC)


def load(tmp_path: Path, text: str) -> tuple[ForecastPoint, ...]:
    path = tmp_path / "sun.csv"
    path.write_text(text, encoding="utf-8")
    return load_forecast(path)


@pytest.mark.parametrize(
    "text",
    [
        "start,kw\n2026-06-03T09:00:00Z,1.25\n",
        "start,watts\n2026-06-03T21:00:00+12:00,1250\n",
        "start;kw\n2026-06-03T09:00:00Z;1,25\n",
        "\ufeffstart,watts\r\n2026-06-03T09:00:00Z,1250\r\n",
    ],
)
def test_kilowatts_and_watts(tmp_path: Path, text: str) -> None:
    """Both units, any offset, a decimal comma, the marks of a spreadsheet."""
    assert load(tmp_path, text) == (ForecastPoint(NINE, 1.25),)


def test_of_several_forecasts_the_newest_counts(tmp_path: Path) -> None:
    """In whatever order they stand; an instant of issue may have seconds."""
    rows = [
        "2026-06-03T05:00:17Z,2026-06-03T09:00:00Z,2",
        "2026-06-02T05:00:00Z,2026-06-03T09:00:00Z,1",
    ]
    for order in (rows, rows[::-1]):
        points = load(tmp_path, "\n".join(["issued,start,kw", *order]))
        assert points == (ForecastPoint(NINE, 2.0, FIVE),)


@pytest.mark.parametrize(
    ("text", "faults"),
    [
        ("", [f"1:1: {HEADER}, got an empty file"]),
        ("time,kw\n", [f'1:1: {HEADER}, got "time,kw"']),
        (
            "start,kw\n2026-06-03T09:00:00Z,-1\n2026-06-03T10:00:00Z,1001\n2026-06-03T11:00:00,1\n",
            [
                '2:22: kw: expected a power from 0 to 1000, got "-1"',
                '3:22: kw: expected a power from 0 to 1000, got "1001"',
                f'4:1: start: {INSTANT}, got "2026-06-03T11:00:00" without Z or an offset',
            ],
        ),
        (
            "issued,start,watts\nnoon,2026-06-03T09:00:00Z,1\n2026-06-03T09:00:00Z,nan\n",
            [
                f'2:1: issued: {INSTANT}, got "noon"',
                "3:1: expected 3 columns, issued, start, watts, got 2",
            ],
        ),
        (
            "start,kw\n2026-06-03T09:00:00Z,1\n2026-06-03T09:00:00Z,2\n",
            ["3:22: kw: expected one value for each start, got another one"],
        ),
    ],
)  # fmt: skip
def test_faults(tmp_path: Path, text: str, faults: list[str]) -> None:
    """All at once, each with line and column."""
    with pytest.raises(FileError) as error:
        load(tmp_path, text)
    assert [str(each).split("sun.csv:")[1] for each in error.value.faults] == faults


def test_carbon_intensities(tmp_path: Path) -> None:
    """Read like forecasts, with a column and a range of their own."""
    path = tmp_path / "carbon.csv"
    path.write_text("issued;start;grams_per_kwh\n2026-06-03T05:00:00Z;2026-06-03T09:00:00Z;96,5\n")
    assert load_intensities(path) == (IntensityPoint(NINE, 96.5, FIVE),)
    for text, fault in (
        ("start,kw\n", "1:1: expected the header start,grams_per_kwh, perhaps after issued"),
        ("start,grams_per_kwh\n2026-06-03T09:00:00Z,-1\n", "2:22: grams_per_kwh: expected an in"),
        ("start,grams_per_kwh\n2026-06-03T09:00:00,1\n", "2:1: start: expected an instant"),
        (
            "start,grams_per_kwh\n2026-06-03T09:00:00Z,1\n2026-06-03T09:00:00Z,2\n",
            "3:22: grams_per_kwh: expected one value for each start, got another one",
        ),
    ):
        path.write_text(text)
        with pytest.raises(FileError, match=re.escape(f"carbon.csv:{fault}")):
            load_intensities(path)


def test_a_huge_file_is_refused(tmp_path: Path) -> None:
    """Before it is read."""
    with pytest.raises(FileError, match="expected"):
        load(tmp_path, "start,kw\n" + "2026-06-03T09:00:00Z,1.000000\n" * 90_000)
