"""What is planned as a calendar: read back by icalendar, it says the same."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import icalendar

from adapters.calendar_file.components import components_of
from adapters.calendar_file.task import OWN_UID
from adapters.calendar_file.writing import WrittenEvent, calendar_text
from daemon.calendar.export import ChargingHours, charging_hours, departures_ahead, written_events
from daemon.control.state import Wishes
from planners.local_time.wished_departures import Wish
from tests.daemon.page.test_view import at_home
from tests.daemon.worlds import EVENING, HOUR, LEAVES, POINT

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import pytest

    from tests.support.commands import Ran

DAY = timedelta(days=1)


def test_departures_and_charging_hours_come_back() -> None:
    """Each event has its instants; the hours at two rates in a row are one event."""
    world = at_home()
    plan = world.state.plan
    assert plan is not None
    file = world.house.file
    wishes = Wishes(departures=(Wish("1", "hatchback", EVENING + 40 * HOUR, 95.0),))
    ahead = departures_ahead(file, {POINT: wishes}, world.now, world.now + 2 * DAY)
    hours = tuple(charging_hours(POINT, plan.to_json(), wishes, world.now))
    text = calendar_text("Kowhai Cottage", written_events(file, ahead, hours), world.now)
    read = icalendar.Calendar.from_ical(text)
    assert str(read["X-WR-CALNAME"]) == "Kowhai Cottage"
    events: dict[str, Any] = {}
    for each in read.walk("VEVENT"):
        events.setdefault(str(each["SUMMARY"]), each)
    assert events["hatchback leaves with 60 %"]["DTSTART"].dt >= LEAVES
    assert events["hatchback leaves with 95 %"]["DTSTART"].dt == EVENING + 40 * HOUR
    charging = events["Charging hatchback"]
    assert charging["DTSTART"].dt == plan.periods[0].start
    assert charging["DTEND"].dt == plan.periods[-1].end.replace(microsecond=0)
    assert str(charging["DESCRIPTION"]) == (
        "26.00 kWh for NZD 5.02, for the departure on Thu 04 Jun 07:20"
    )
    assert all(str(each["UID"]).endswith(OWN_UID) for each in read.walk("VEVENT"))
    uids = [str(each["UID"]) for each in read.walk("VEVENT")]
    assert len(set(uids)) == len(uids)


def test_a_new_plan_moves_the_same_event() -> None:
    """Its identifier is that of the departure: a calendar that has it shows one, not two."""
    hours = ChargingHours(
        POINT, "hatchback", EVENING, EVENING + HOUR, LEAVES, 1, 7.0, 1.4, "NZD"
    )  # fmt: skip
    file = at_home().house.file
    later = ChargingHours(
        POINT, "hatchback", EVENING + HOUR, EVENING + 2 * HOUR, LEAVES, 1, 7.0, 1.4, "NZD"
    )  # fmt: skip
    (one,), (other,) = (tuple(written_events(file, (), (each,))) for each in (hours, later))
    assert one.uid == other.uid
    assert one.start != other.start


def test_what_a_person_paused_is_not_planned() -> None:
    """Hours before the end of a pause, or of a time away, are left out."""
    world = at_home()
    assert world.state.plan is not None
    plan = world.state.plan.to_json()
    paused = Wishes(skip_until=LEAVES)
    assert next(charging_hours(POINT, plan, Wishes(), world.now)).departure == LEAVES
    assert next(charging_hours(POINT, plan, paused, world.now)).departure > LEAVES
    assert not list(charging_hours(POINT, None, None, world.now))


def test_text_is_escaped_and_folded() -> None:
    """RFC 5545, sections 3.1 and 3.3.11: 75 octets a line, never within a character."""
    at = datetime(2026, 6, 3, 9, tzinfo=UTC)
    title = "Ünterwegs, weit; weg \\ " + "ü" * 60 + "\nEND:VEVENT"
    text = calendar_text("x", [WrittenEvent("1", at, None, title)], at)
    assert all(len(line.encode()) <= 75 for line in text.split("\r\n"))
    (event,) = icalendar.Calendar.from_ical(text).walk("VEVENT")
    assert str(event["SUMMARY"]) == title
    (part,) = components_of(text.encode())[1]
    assert part.text("SUMMARY") == title


def test_the_command_before_the_daemon_has_run(
    run: Callable[..., Ran], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without a ledger it lists departures, of the file and of the calendar."""
    from tests.config.test_examples import EXAMPLES  # noqa: PLC0415 - of this test alone

    for name in ("family-calendar.yaml", "family.ics"):
        (tmp_path / name).write_bytes((EXAMPLES / name).read_bytes())
    monkeypatch.chdir(tmp_path)
    at = ("--at", "2026-12-01T20:00:00+13:00")
    ran = run("departures", "family-calendar.yaml", "--days", "4", *at)
    assert (ran.code, ran.err) == (0, "")
    lines = ran.out.splitlines()
    assert lines[0] == "Departures:"
    assert [line.partition("  hatch")[0].strip() for line in lines[1:-1]] == [
        "Wed 02 Dec 06:30", "Thu 03 Dec 07:20", "Fri 04 Dec 07:20", "Sat 05 Dec 09:00",
    ]  # fmt: skip
    assert lines[1].endswith(
        "90 % needed, back Wed 02 Dec 16:00 ('Car: airport 90 %' of the calendar)"
    )
    assert lines[-1] == "No charging is planned."
    (tmp_path / "family.ics").write_text("<html>")
    says = (
        "The calendar family can't be read (expected a calendar (BEGIN:VCALENDAR on the first"
        " line)); nothing of it is known.\n"
    )
    for command in (("departures",), ("plan", "--soc", "40")):
        ran = run(*command, "family-calendar.yaml", *at)
        assert (ran.code, ran.err) == (0, says)
    (tmp_path / "family.ics").write_bytes((EXAMPLES / "family.ics").read_bytes())
    ics = run("departures", "family-calendar.yaml", "--format", "ics", *at).out
    assert ics.count("BEGIN:VEVENT") > 10
