"""Announcements in CSV are read as they mean; each fault is named with its place."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from config.files.announcements import load_announcements
from config.files.errors import FileError

KINDS = {"usual": False, "costly": False, "picked": True}


def test_days_and_picked_hours(tmp_path: Path) -> None:
    """In any order, with or without hours; a header alone is a good beginning."""
    path = tmp_path / "days.csv"
    path.write_text(
        "date,kind,hours\n2026-12-02,picked,01:00-04:00 13:00-14:00\n2026-12-01,costly\n"
    )
    first, second = load_announcements(path, KINDS)
    assert (first.day, first.kind, first.hours) == (date(2026, 12, 1), "costly", ())
    assert (second.kind, " ".join(map(str, second.hours))) == ("picked", "01:00-04:00 13:00-14:00")
    path.write_text("date;kind\n")
    assert load_announcements(path, KINDS) == ()


def test_faults(tmp_path: Path) -> None:
    """A date that does not exist, another kind, hours missing or too many, two kinds for a date."""
    path = tmp_path / "days.csv"
    path.write_text(
        "date,kind,hours\n2026-02-30,usual\n2026-12-01,blue\n2026-12-02,picked\n"
        "2026-12-03,usual,01:00-02:00\n2026-12-04,picked,1 am\n2026-12-05\n"
        "2026-12-06,usual\n2026-12-06,costly\n"
    )
    with pytest.raises(FileError) as caught:
        load_announcements(path, KINDS)
    assert [(fault.line, fault.column, fault.message) for fault in caught.value.faults] == [
        (2, 1, 'date: expected a date such as 2026-12-24, got "2026-02-30"'),
        (3, 12, 'kind: expected one of usual, costly, picked, got "blue"'),
        (4, 12, "hours: expected hours such as 01:00-05:00 for the kind picked"),
        (5, 18, "hours: expected nothing for the kind usual"),
        (6, 19, 'hours: expected hours such as 01:00-05:00, got "1"'),
        (7, 1, "expected 2 or 3 columns, date, kind, hours, got 1"),
        (9, 12, "kind: expected usual as in line 8 for the same date"),
    ]
    path.write_text("day,kind\n")
    with pytest.raises(FileError, match="1:1: expected the header date,kind or date,kind,hours"):
        load_announcements(path, KINDS)
