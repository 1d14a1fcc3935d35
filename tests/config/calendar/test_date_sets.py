"""Sets of dates hold the dates that they name, and a tariff's bands follow them."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from config.calendar.date_sets import DateSet, ReadDateSet
from config.files.date_list import load_dates
from config.files.errors import FileError
from config.household.loading import load_household
from config.tariffs.bands import band_table, clashes
from config.tariffs.tariff import Tariff
from tests.config.cottage import edited, faults_of

EPOCH = date(1970, 1, 1)
SUMMER = {"name": "summer", "dates": ["05-15 to 09-14"]}
CHRISTMAS = {"name": "christmas", "dates": ["12-24 to 12-26", "2026-12-31"]}


def held(dates: DateSet, first: date, count: int) -> list[str]:
    days = np.arange((first - EPOCH).days, (first - EPOCH).days + count)
    return [f"{EPOCH + timedelta(int(day)):%m-%d}" for day in days[dates.holds(days)]]


@pytest.mark.parametrize(
    ("keys", "first", "count", "expected"),
    [
        ({"dates": ["12-24", "2026-12-31"]}, date(2026, 12, 1), 400, ["12-24", "12-31", "12-24"]),
        ({"dates": ["12-31 to 01-02"]}, date(2026, 1, 1), 365, ["01-01", "01-02", "12-31"]),
        ({"dates": ["2026-12-31 to 2027-01-01"]}, date(2026, 1, 1), 600, ["12-31", "01-01"]),
        ({"dates": ["02-29"]}, date(2026, 1, 1), 1100, ["02-29"]),
        # 2026 has 53 weeks: 28 December 2026 is the Monday of the last one.
        ({"weeks": [53]}, date(2026, 12, 20), 10, ["12-28", "12-29"]),
        ({"weeks": ["52 to 1"]}, date(2026, 1, 2), 9, ["01-02", "01-03", "01-04"]),
        # Good Friday and Easter Monday 2026: 3 and 6 April.
        ({"easter": [-2, 1]}, date(2026, 1, 1), 365, ["04-03", "04-06"]),
    ],
)  # fmt: skip
def test_dates_of_a_set(keys: dict[str, Any], first: date, count: int, expected: list[str]) -> None:
    """Dates of one year or of all, spans over the new year, ISO weeks, days from Easter."""
    assert held(DateSet(name="s", **keys), first, count) == expected


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("dates", "02-30"), ("dates", "2027-02-29"), ("dates", "24.12."), ("dates", "12-24-12-26"),
        ("dates", "2026-12-24 to 12-26"), ("dates", "2026-12-24 to 2026-12-20"),
        ("weeks", 54), ("weeks", 0), ("weeks", "44-13"), ("weeks", True), ("easter", 101),
    ],
)  # fmt: skip
def test_bad_dates(key: str, value: object) -> None:
    """No date that does not exist, no span backwards, no week 54."""
    with pytest.raises(ValidationError, match="expected"):
        DateSet.model_validate({"name": "s", key: [value]})


def tariff(*bands: dict[str, Any], **more: object) -> Tariff:
    named = [{"name": f"band {i}", "rate": 1, **band} for i, band in enumerate(bands)]
    return Tariff.model_validate({"name": "t", "bands": named, **more})


def test_special_days_are_no_weekdays() -> None:
    """Once a band lists them, they are a kind of day of their own; the first declared counts."""
    easter = {"name": "easter", "easter": [0]}
    made = tariff(
        {"hours": ["00:00-24:00"], "days": ["sun", "christmas"]},
        {"hours": ["00:00-12:00"], "days": ["easter"]},
        {},
        special_days=[CHRISTMAS, easter],
    )
    assert made.calendar.shape == (12, 10, 1440)
    assert band_table(made)[3, :, 0].tolist() == [2, 2, 2, 2, 2, 2, 0, 2, 0, 1]
    assert clashes(made) == ()


def test_seasons_are_no_months() -> None:
    """A date in a season is in no month; months that are wholly in a season need no band."""
    halves = [SUMMER, {"name": "winter", "dates": ["09-15 to 05-14"]}]
    made = tariff(
        {"hours": ["00:00-24:00"], "months": ["summer"]},
        {"hours": ["00:00-24:00"], "months": ["winter"]},
        seasons=halves,
    )
    assert clashes(made) == ()
    (gap,) = clashes(tariff({"hours": ["00:00-24:00"], "months": ["summer"]}, seasons=[SUMMER]))
    assert gap.example == "Saturday 2028-01-01 at 00:00"
    (overlap,) = clashes(
        tariff(
            {"hours": ["00:00-24:00"]},
            {"hours": ["06:00-08:00"], "months": ["summer"]},
            seasons=[SUMMER],
        )
    )
    assert overlap.example == "Monday 2028-05-15 at 06:00"
    assert overlap.extent == "06:00 to 08:00 every day in summer"


def test_months_have_names() -> None:
    """Jan to dec stand for 1 to 12."""
    (band, _rest) = tariff({"hours": ["00:00-24:00"], "months": ["jun", 7, "dec"]}, {}).bands or ()
    assert band.months == (6, 7, 12)


BAND = "    bands:\n"
SPECIAL = "    special_days:\n      - {name: christmas, dates: [12-24]}\n    bands:\n"
PEAK = "days: [mon, tue]}"


@pytest.mark.parametrize(
    ("edits", "fault"),
    [
        ({BAND: SPECIAL}, 'name: expected a band that lists "christmas" under days, got none'),
        (
            {BAND: SPECIAL, PEAK: "days: [christmas, chirstmas]}"},
            'or the name of one of special_days, got "chirstmas"',
        ),
        (
            {BAND: SPECIAL.replace("christmas", "sun"), PEAK: "days: [sun]}"},
            'name: expected a name that nothing else has, got "sun"',
        ),
        (
            {BAND: SPECIAL.replace(", dates: [12-24]", "")},
            "expected dates, weeks, easter or file, got none",
        ),
        (
            {BAND: SPECIAL.replace("12-24", "24 December")},
            'or a span such as "12-24 to 01-06", got "24 December"',
        ),
    ],
)  # fmt: skip
def test_faults_of_special_days(edits: dict[str, str], fault: str, tmp_path: Path) -> None:
    """A name that no band lists, a name mistyped, a name of a weekday, no dates, a bad date."""
    path = tmp_path / "house.yaml"
    path.write_text(edited(edits), encoding="utf-8")
    (found,) = faults_of(path)
    assert found.partition(" ")[2].endswith(fault)


def test_a_file_of_dates(tmp_path: Path) -> None:
    """Single dates and spans, in any order; empty lines are skipped."""
    path = tmp_path / "free.csv"
    path.write_text("from,to\n2026-12-21,2027-01-03\n\n2026-11-02\n2026-10-05,\n")
    spans = load_dates(path)
    assert [f"{first} {last:%d}" for first, last in spans] == [
        "2026-10-05 05", "2026-11-02 02", "2026-12-21 03",
    ]  # fmt: skip
    read = ReadDateSet(name="s", file=path, read=spans)
    assert len(held(read, date(2026, 9, 1), 200)) == 16


def test_faults_of_a_file_of_dates(tmp_path: Path) -> None:
    """Each is named with its line and column, also through the household file."""
    path = tmp_path / "free.csv"
    path.write_text("from,to\n2026-12-21,2026-12-20\n2026-02-30\n1,2,3\n")
    with pytest.raises(FileError) as caught:
        load_dates(path)
    assert [(fault.line, fault.column, fault.message) for fault in caught.value.faults] == [
        (2, 12, "to: expected no date before 2026-12-21, got 2026-12-20"),
        (3, 1, 'from: expected a date such as 2026-12-24, got "2026-02-30"'),
        (4, 1, "expected at most 2 columns, from and to, got 3"),
    ]
    path.write_text("date\n")
    house = tmp_path / "house.yaml"
    with_file = SPECIAL.replace("dates: [12-24]", "file: free.csv")
    house.write_text(edited({BAND: with_file, PEAK: "days: [christmas]}"}))
    with pytest.raises(FileError, match=r"free\.csv:1:1: expected the header from,to, got"):
        load_household(house)
