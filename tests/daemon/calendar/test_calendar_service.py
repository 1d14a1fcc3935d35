"""A whole service with a calendar: events become departures, and what is wrong with it is told."""

from __future__ import annotations

import os
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from adapters.calendar_file import process
from adapters.calendar_file.process import read_apart
from config.household.loading import load_household
from daemon.calendar.readings import CalendarReading, as_of
from daemon.calendar.saved import load_readings, load_with_kept, saved_file
from daemon.fetching.last_time import LastTime, read_last_time, stamp_of, write_last_time
from daemon.presentation.output import rich_text
from daemon.remote.time_options import TimeOptions
from daemon.service.house_loading import load_house
from daemon.service.household_watch import HouseholdWatch
from daemon.why.command import whys_of
from daemon.why.show_why import show_why
from tests.daemon.sites import Site, household_file
from tests.daemon.worlds import EVENING, HOUR, MINUTE

if TYPE_CHECKING:
    from pathlib import Path

    from adapters.ledger.ledger import Ledger

pytestmark = pytest.mark.usefixtures("no_log")

DECLARED = "calendars:\n  family: {file: family.ics, words: car}\n\nbus:"
FETCHED = DECLARED.replace("words", 'url: "https://example.org/family.ics", words')


def event(start: str, title: str = "Car: airport 90 %", *more: str) -> str:
    lines = ["BEGIN:VEVENT", f"UID:{start}", f"DTSTART:{start}", f"SUMMARY:{title}", *more]
    return "\n".join([*lines, "END:VEVENT", ""])


class Home:
    """A site with a calendar beside its household file."""

    def __init__(self, folder: Path, ledger: Ledger, declared: str = DECLARED) -> None:
        self.file = folder / "family.ics"
        self.house = household_file(folder, ("bus:", declared))
        self.ledger = ledger
        self._writes = 0

    def begin(self, at: datetime = EVENING) -> Site:
        self.site = Site(self.house, self.ledger, at)
        self.site.begin()
        return self.site

    def write(self, *events: str) -> None:
        self.write_text("".join(["BEGIN:VCALENDAR\nVERSION:2.0\n", *events, "END:VCALENDAR\n"]))

    def write_text(self, text: str) -> None:
        self.file.write_text(text, "utf-8")
        self._writes += 1
        changed = EVENING.timestamp() + self._writes
        os.utime(self.file, (changed, changed))

    @property
    def plan(self) -> dict[str, object]:
        return dict(self.site.bus.on("plan")[-1])

    def leaves(self) -> object:
        return self.plan["departure"]

    @property
    def alerts(self) -> list[str]:
        return list(self.site.bus.on("status")[-1]["alerts"])


def test_an_event_moves_the_departure_while_the_vehicle_is_plugged_in(
    tmp_path: Path, ledger: Ledger
) -> None:
    """Plan and status name the event; moved and then cancelled, the plan follows each time."""
    home = Home(tmp_path, ledger)
    home.write(event("20260603T184000Z"))
    site = home.begin()
    site.read()
    site.plug_in(50.0)
    assert home.leaves() == "2026-06-03T18:40:00Z"
    assert (home.plan["need_percent"], home.plan["event"]) == (90.0, "Car: airport 90 %")
    assert site.bus.on("status")[-1]["calendar_at"] == "2026-06-03T06:30:01Z"
    home.write(event("20260603T193000Z"))
    site.pass_time(MINUTE)
    assert home.leaves() == "2026-06-03T19:30:00Z"
    home.write(event("20260603T193000Z", "Car: airport 90 %", "STATUS:CANCELLED"))
    site.pass_time(MINUTE)
    assert home.leaves() == "2026-06-03T19:20:00Z"
    assert "event" not in home.plan
    house = load_house(home.house)
    whys = whys_of(home.house, house, ledger, (None, None), site.clock.now() + MINUTE)
    told = " ".join(rich_text(show_why(house, whys)).split())
    assert told.count("Planned again because the calendar said something new") == 2
    assert "('Car: airport 90 %' of the calendar)" in told


def test_a_calendar_that_breaks_keeps_what_it_said(tmp_path: Path, ledger: Ledger) -> None:
    """After two minutes an alert says so; also after a restart, and with other words."""
    home = Home(tmp_path, ledger)
    home.write(event("20260603T184000Z"))
    site = home.begin()
    site.read()
    site.plug_in(50.0)
    home.write_text("<html>Sign in</html>")
    site.pass_time(MINUTE)
    assert home.alerts == []
    site.pass_time(3 * MINUTE)
    assert home.alerts == ["calendar-old"]
    assert site.bus.on("alert")[-1]["message"] == (
        "The calendar family can't be read (expected a calendar (BEGIN:VCALENDAR on the first"
        " line)); its copy of Wed 03 Jun 18:30 counts."
    )
    home.file.unlink()
    household_file(tmp_path, ("bus:", DECLARED.replace("words: car", "words: [car, van]")))
    again = home.begin(site.clock.now())
    again.read()
    again.plug_in(50.0)
    assert home.leaves() == "2026-06-03T18:40:00Z"
    again.pass_time(3 * MINUTE)
    assert home.alerts == ["calendar-old"]
    home.write(event("20260603T190000Z"))
    again.pass_time(2 * MINUTE)
    assert home.leaves() == "2026-06-03T19:00:00Z"
    assert home.alerts == []


def test_a_copy_of_a_year_that_no_calendar_has(tmp_path: Path, ledger: Ledger) -> None:
    """A file system may give a time beyond year 9999: the calendar is then as of its reading."""
    home = Home(tmp_path, ledger)
    calendar = (load_household(home.house).calendars or {})["family"]
    for nanoseconds in (10**21, -(10**21)):
        reading = CalendarReading("", (nanoseconds, 1), EVENING)
        assert as_of(calendar, reading) == EVENING


def test_what_is_kept_may_be_nonsense(tmp_path: Path, ledger: Ledger) -> None:
    """Brackets without end, where a note or what was read should be, count as nothing."""
    home = Home(tmp_path, ledger)
    file = load_household(home.house)
    saved_file(file).write_text("[" * 100_000)
    home.file.with_name("family.ics.fetched").write_text("[" * 100_000)
    assert load_readings(file) == {}
    assert read_last_time(home.file) == LastTime()


def test_an_event_that_can_t_be_understood_is_told_once(tmp_path: Path, ledger: Ledger) -> None:
    """What can be understood of it counts, and the alert goes when the event is mended."""
    home = Home(tmp_path, ledger)
    home.write(event("20260603T184000Z", "Car: airport 180 %"))
    site = home.begin()
    site.read()
    site.plug_in(50.0)
    site.pass_time(MINUTE)
    assert home.alerts == ["calendar-event"]
    assert site.bus.on("alert")[-1]["message"] == (
        "An event of the calendar family, line 3: 'Car: airport 180 %': expected at most 100 %, got"
        " 180 %."
    )
    assert home.leaves() == "2026-06-03T18:40:00Z"
    home.write(event("20260603T184000Z"))
    site.pass_time(MINUTE)
    assert home.alerts == []


def test_a_copy_that_is_no_longer_fetched(tmp_path: Path, ledger: Ledger) -> None:
    """Three hours after the last good answer an alert says of when the copy is, and why."""
    home = Home(tmp_path, ledger, FETCHED)
    home.write(event("20260603T184000Z"))
    good = LastTime(EVENING, EVENING, "", {}, stamp_of(home.file), EVENING)
    write_last_time(home.file, good)
    site = home.begin()
    site.pass_time(2 * HOUR + 50 * MINUTE, every=10 * MINUTE)
    assert home.alerts == []
    write_last_time(
        home.file,
        LastTime(EVENING + 3 * HOUR, EVENING, "example.org does not answer.", {}, (), EVENING),
    )
    site.pass_time(20 * MINUTE, every=10 * MINUTE)
    assert home.alerts == ["calendar-old"]
    assert site.bus.on("alert")[-1]["message"] == (
        "The calendar family could not be fetched (example.org does not answer); its copy of Wed 03"
        " Jun 18:30 counts."
    )


def test_a_copy_made_with_other_words_says_so(tmp_path: Path, ledger: Ledger) -> None:
    """It may lack events of the new words until it is fetched again; the known ones count."""
    home = Home(tmp_path, ledger, FETCHED)
    home.write("X-LULLWATT-RULES:0123456789abcdef\n", event("20260603T184000Z"))
    write_last_time(home.file, LastTime(EVENING, EVENING, "", {}, (), EVENING))
    site = home.begin()
    site.read()
    site.plug_in(50.0)
    site.pass_time(3 * MINUTE)
    assert home.plan["event"] == "Car: airport 90 %"
    assert home.alerts == ["calendar-old"]
    assert site.bus.on("alert")[-1]["message"] == (
        "The calendar family was fetched with other words, and may lack events until it is fetched"
        " again (lullwatt fetch-calendars)."
    )


def test_without_the_extra_everything_else_goes_on(
    tmp_path: Path, ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An alert says what to install; the departures of the file count."""
    monkeypatch.setattr(process, "find_spec", lambda _name: None)
    home = Home(tmp_path, ledger)
    home.write(event("20260603T184000Z"))
    site = home.begin()
    site.read()
    site.plug_in(50.0)
    site.pass_time(3 * MINUTE)
    assert home.leaves() == "2026-06-03T19:20:00Z"
    assert home.alerts == ["calendar-old"]
    assert "pip install 'lullwatt[calendar]'" in site.bus.on("alert")[-1]["message"]


def test_what_is_kept_holds_nothing_of_others(tmp_path: Path, ledger: Ledger) -> None:
    """Neither the file beside the ledger nor the bus has a word of an event without one."""
    home = Home(tmp_path, ledger)
    home.write(event("20260603T184000Z"), event("20260604T010000Z", "Doctor", "LOCATION:Ward 7"))
    site = home.begin()
    site.read()
    site.plug_in(50.0)
    kept = saved_file(site.file).read_text("utf-8")
    assert "Car: airport" in kept
    assert "Doctor" not in kept + str(site.bus.messages)
    assert "Ward" not in kept + str(site.bus.messages)


def test_a_rehearsal_leaves_what_is_kept_alone(tmp_path: Path, ledger: Ledger) -> None:
    """Its clock is another: neither does it store what it read, nor start with what is stored."""
    home = Home(tmp_path, ledger)
    home.write(event("20260603T184000Z"))
    file = home.begin().file
    saved_file(file).write_text("what the daemon keeps", "utf-8")
    watch = HouseholdWatch(home.house)
    task = watch.calendars_task(EVENING)
    assert task is not None
    assert watch.take_calendars(task.done(read_apart), EVENING)
    assert saved_file(file).read_text("utf-8") == "what the daemon keeps"


def test_that_days_departure_may_be_an_event(tmp_path: Path, ledger: Ledger) -> None:
    """`ask --by 2026-06-06` finds it by what the daemon keeps: the file has none on a Saturday."""
    home = Home(tmp_path, ledger)
    home.write(event("20260605T230000Z"))
    home.begin()
    times = TimeOptions(load_with_kept(home.house), "hatchback", EVENING)
    assert times.instant("--by", "2026-06-06") == "2026-06-05T23:00:00+00:00"


def test_a_new_day_looks_further_ahead(tmp_path: Path, ledger: Ledger) -> None:
    """A file that never changes is read again each day: its series go on."""
    home = Home(tmp_path, ledger)
    home.write(event("20260601T184000Z", "Car 70 %", "RRULE:FREQ=DAILY"))
    site = home.begin()
    last = max(each.leaves for each in site.service.house.file.events.trips)
    site.pass_time(timedelta(days=2), every=HOUR)
    later = max(each.leaves for each in site.service.house.file.events.trips)
    assert later - last == timedelta(days=1)
