"""What `check` says of calendars: source, rule, what comes of it, and what is wrong."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from adapters.calendar_file import process
from daemon.calendar.explain import calendar_cautions, calendar_lines
from daemon.fetching.last_time import LastTime, write_last_time
from daemon.service.house_loading import load_house
from tests.daemon.sites import household_file

NOW = datetime(2026, 11, 30, 4, tzinfo=UTC)
START = "DTSTART;TZID=Pacific/Auckland:"


def said(folder: Path, declared: str, *events: str) -> tuple[list[str], list[str]]:
    """Return the lines and the cautions for a household with a calendar."""
    path = household_file(folder, ("bus:", f"calendars:\n  family: {{{declared}}}\n\nbus:"))
    parts = (f"BEGIN:VEVENT\nUID:{n}\n{each}\nEND:VEVENT\n" for n, each in enumerate(events))
    text = "".join(["BEGIN:VCALENDAR\nVERSION:2.0\n", *parts, "END:VCALENDAR\n"])
    (folder / "family.ics").write_text(text, "utf-8")
    file = load_house(path, NOW).file
    return list(calendar_lines(file, NOW)), list(calendar_cautions(file, NOW))


def test_a_calendar_in_plain_words(tmp_path: Path) -> None:
    """Where it is, what counts, and which departures come of it."""
    lines, cautions = said(
        tmp_path,
        "file: family.ics, words: [car, auto]",
        f"{START}20261202T063000\nDTEND:20261202T030000Z\nSUMMARY:Car: sea 90 %",
        "DTSTART;VALUE=DATE:20261224\nDTEND;VALUE=DATE:20261227\nSUMMARY:Car",
        "DTSTART;VALUE=DATE:20261231\nSUMMARY:Auto ruht",
        f"{START}20261203T063000\nSUMMARY:Doctor",
    )
    assert lines[:4] == [
        "",
        "Calendars:",
        f"  family: the file {tmp_path / 'family.ics'}, read again when it changes.",
        "    Of it, events with 'car' or 'auto' count; all others are forgotten at once.",
    ]
    assert lines[4].startswith(
        "    It says 1 departure and 2 events of whole days in a year (as of"
    )
    assert lines[5:] == [
        "  'Car: sea 90 %': hatchback leaves Wed 02 Dec 06:30 with 90 %, back Wed 02 Dec 16:00.",
        "  'Car': no departure of this file for hatchback, 24 December 2026 to 26 December 2026.",
        "  'Auto ruht': no departure of this file for hatchback, 31 December 2026.",
    ]
    assert cautions == []


def test_what_is_wrong_with_events(tmp_path: Path) -> None:
    """Each is named, with its line."""
    _lines, cautions = said(
        tmp_path,
        "file: family.ics, words: car",
        "DTSTART:someday\nSUMMARY:Car: odd",
        f"{START}20261202T063000\nSUMMARY:Car to the end of the world 1900 km",
    )
    odd, far = cautions
    assert odd == (
        "The calendar family, line 3: 'Car: odd': it can't be understood: DTSTART: Expected"
        " time, got: someday."
    )
    assert far == (
        "hatchback: the trip 'Car to the end of the world 1900 km' uses 313.5 kWh, more than the"
        " battery's 52 kWh: it must charge on the way."
    )


def test_a_private_calendar(tmp_path: Path) -> None:
    """Of its address only the host is shown, and why the last try failed."""
    (tmp_path / "address").write_text("https://example.org/private-4711/family.ics\n")
    (tmp_path / "address").chmod(0o600)
    failed = LastTime(NOW, failure="example.org does not answer.", good_at=NOW.replace(day=29))
    write_last_time(tmp_path / "family.ics", failed)
    lines, cautions = said(tmp_path, "file: family.ics, url_file: address, words: car")
    assert lines[2] == (
        "  family: `lullwatt fetch-calendars` fetches it from example.org into"
        f" {tmp_path / 'family.ics'} (the last try failed: example.org does not answer)."
    )
    (caution,) = cautions
    assert caution == (
        "The calendar family could not be fetched (example.org does not answer); its copy of Sun 29"
        " Nov 17:00 counts."
    )
    assert "4711" not in str(lines + cautions)


def test_without_the_extra(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It says what to install, once, and explains all else."""
    monkeypatch.setattr(process, "is_available", lambda: False)
    lines, cautions = said(tmp_path, "file: family.ics, words: car", f"{START}20261202T063000")
    needs = "reading it needs the extra calendar: pip install 'lullwatt[calendar]'"
    assert lines[4] == f"    It can't be read: {needs}."
    assert cautions == [f"The calendar family can't be read ({needs}); nothing of it is known."]
