"""What is read of a calendar: times, zones, exceptions, vehicles; and what is not."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from adapters.calendar_file.process import read_apart
from adapters.calendar_file.reading import read_calendar
from adapters.calendar_file.task import CalendarAnswer
from tests.adapters.calendar_file.calendars import FAMILY, NOW, calendar, event, task

OWN_ZONE = (
    "BEGIN:VTIMEZONE\r\nTZID:Our office\r\nBEGIN:STANDARD\r\nDTSTART:19700101T000000\r\n"
    "TZOFFSETFROM:+0300\r\nTZOFFSETTO:+0300\r\nEND:STANDARD\r\nEND:VTIMEZONE\r\n"
)


def leaves(answer: CalendarAnswer) -> list[str]:
    return [f"{each.leaves:%m-%d %H:%M}" for each in answer.trips]


@pytest.mark.parametrize(
    ("lines", "utc"),
    [
        # Floating times are of the household's clock (RFC 5545, section 3.3.5, form 1).
        (["DTSTART:20261201T080000"], "12-01 07:00"),
        (["DTSTART:20261201T080000Z"], "12-01 08:00"),
        (["DTSTART;TZID=Pacific/Auckland:20261201T080000"], "11-30 19:00"),
        (["DTSTART;TZID=W. Europe Standard Time:20261201T080000"], "12-01 07:00"),
        (["DTSTART;TZID=Our office:20261201T080000"], "12-01 05:00"),
        # RFC 5545, section 3.3.5: a time that the clock skips has the offset before the gap, and
        # one that it shows twice is the first of the two. Berlin, 28 March and 31 October 2027.
        (["DTSTART;TZID=Europe/Berlin:20270328T023000"], "03-28 01:30"),
        (["DTSTART:20270328T023000"], "03-28 01:30"),
        (["DTSTART;TZID=Europe/Berlin:20271031T023000"], "10-31 00:30"),
    ],
)
def test_times_and_zones(lines: list[str], utc: str) -> None:
    """Each form of a start is the instant that the RFC says."""
    assert leaves(read_calendar(task(OWN_ZONE, event(*lines)))) == [utc]


def test_a_zone_that_is_not_known() -> None:
    """The household's clock is taken, and a remark names the event and its line."""
    answer = read_calendar(task(event("DTSTART;TZID=Nowhere/Here:20261201T080000")))
    assert leaves(answer) == ["12-01 07:00"]
    [remark] = answer.remarks
    assert remark == (
        "line 3: 'Car hatchback': its time zone 'Nowhere/Here' is not known: the household's is"
        " taken"
    )


def test_a_series_keeps_its_local_time_when_the_clock_changes() -> None:
    """A daily event at 08:00 in Berlin is an hour earlier in UTC once summer time has begun."""
    rule = "RRULE:FREQ=DAILY;COUNT=3"
    answer = read_calendar(task(event("DTSTART;TZID=Europe/Berlin:20270327T080000", rule)))
    assert leaves(answer) == ["03-27 07:00", "03-28 06:00", "03-29 06:00"]


def test_exceptions_of_a_series() -> None:
    """One is left out, one moved, one cancelled, one renamed; one more is added."""
    start = "DTSTART:20261201T080000Z"
    answer = read_calendar(
        task(
            event(
                start, "DTEND:20261201T090000Z", "RRULE:FREQ=DAILY;COUNT=6",
                "EXDATE:20261202T080000Z", "RDATE:20261220T080000Z",
            ),
            event("RECURRENCE-ID:20261203T080000Z", "DTSTART:20261203T100000Z"),
            event("RECURRENCE-ID:20261204T080000Z", "DTSTART:20261204T080000Z", "STATUS:CANCELLED"),
            event(
                "RECURRENCE-ID:20261205T080000Z", "DTSTART:20261205T080000Z", title="Surgery",
            ),
            event("DTSTART:20261207T080000Z", "STATUS:CANCELLED", uid="2"),
        )
    )  # fmt: skip
    assert leaves(answer) == ["12-01 08:00", "12-03 10:00", "12-06 08:00", "12-20 08:00"]
    assert answer.trips[0].returns == datetime(2026, 12, 1, 9, tzinfo=UTC)
    assert answer.remarks == ()
    assert b"Surgery" not in answer.kept


def test_whole_days() -> None:
    """A date without an end is one day (RFC 5545, section 3.6.1); an end is the day after."""
    answer = read_calendar(
        task(
            event("DTSTART;VALUE=DATE:20261205"),
            event("DTSTART;VALUE=DATE:20261210", "DTEND;VALUE=DATE:20261213", uid="2"),
            event("DTSTART;VALUE=DATE:20261220", "DURATION:P2D", uid="3", title="Bus 300 km"),
        )
    )
    days = [(each.first, each.end, each.is_trip) for each in answer.days]
    assert days == [
        (date(2026, 12, 5), date(2026, 12, 6), False),
        (date(2026, 12, 10), date(2026, 12, 13), False),
        (date(2026, 12, 20), date(2026, 12, 22), True),
    ]


def test_which_vehicle() -> None:
    """By its name or a word of it, both, or none: then a remark asks for it."""
    start = "DTSTART:20261201T080000Z"
    answer = read_calendar(
        task(
            event(start, title="Car: hatchback to the sea 90%", uid="1"),
            event(start, title="Moving with the bus", uid="2"),
            event(start, "CATEGORIES:Friends,Car", title="Hatchback and van 50 %", uid="3"),
            event(start, title="Car wash", uid="4"),
            event(start, title="Dentist", uid="5"),
            event(start, title="Hatchback eggs for the cartoon", uid="6"),
        )
    )
    found = {(each.vehicle, each.title, each.need_percent) for each in answer.trips}
    assert found == {
        ("hatchback", "Car: hatchback to the sea 90%", 90.0),
        ("van", "Moving with the bus", None),
        ("hatchback", "Hatchback and van 50 %", 50.0),
        ("van", "Hatchback and van 50 %", 50.0),
    }
    assert answer.remarks == (
        "line 19: 'Car wash': it does not say which vehicle; name one in its title",
    )


def test_what_is_kept_says_nothing_of_others() -> None:
    """Only matching events are kept, without who, where and what else; they read the same again."""
    answer = read_calendar(
        task(
            OWN_ZONE,
            event(
                "DTSTART;TZID=Our office:20261201T080000", "DTEND;TZID=Our office:20261201T090000",
                "LOCATION:Secret street 1", "DESCRIPTION:A long story", "ATTENDEE:mailto:a@b.c",
                "BEGIN:VALARM", "TRIGGER:-PT15M", "SUMMARY:Wake up", "END:VALARM",
                title="Car: hatchback, " + "ü" * 60 + " 70 %",
            ),
            event("DTSTART:20261201T080000Z", title="Doctor", uid="2"),
        )
    )  # fmt: skip
    kept = answer.kept
    for secret in (b"Secret", b"story", b"mailto", b"Doctor", b"Wake"):
        assert secret not in kept
    assert all(len(line) <= 75 for line in kept.split(b"\r\n"))
    again = read_calendar(task(raw=kept))
    assert (again.trips, again.remarks) == (answer.trips, ())
    assert leaves(again) == ["12-01 05:00"]


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        (["DTSTART:2026-12-01"], "it can't be understood"),
        (["DTSTART:20261201T080000Z", "RRULE:FREQ=SOMETIMES"], "it can't be understood"),
        ([], "it can't be understood: it has no start"),
        (["DTSTART:20261201T080000Z"] * 2, "it can't be understood: expected one DTSTART"),
        (["DTSTART;TZID=" + "A" * 9000 + ":20261201T080000"], "it can't be understood: its time"),
        (["DTSTART:20261101T080000Z", "RRULE:FREQ=HOURLY"], "it repeats more than 400 times"),
    ],
)
def test_what_can_t_be_read_names_its_event(lines: list[str], says: str) -> None:
    """A bad event is named with its line; those beside it count."""
    good = event("DTSTART:20261201T080000Z", uid="2")
    answer = read_calendar(task(event(*lines, title="Car: odd"), good))
    assert leaves(answer) == ["12-01 08:00"]
    [remark] = answer.remarks
    assert remark.startswith(f"line 3: 'Car: odd': {says}")


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b"", "expected a calendar"),
        (b"<html>", "expected a calendar"),
        (calendar(event())[:-20], "it is cut off"),
        (calendar(event(title="\xff")).replace("\xff".encode(), b"\xff"), "expected UTF-8"),
        (b"BEGIN:VCALENDAR\nEND:VCALENDAR\nEND:VCALENDAR\n", "line 3: expected BEGIN"),
    ],
)
def test_what_is_no_calendar(raw: bytes, says: str) -> None:
    """It is refused as a whole, in words."""
    assert says in str(read_calendar(task(raw=raw)).fault)


def test_our_own_export_is_not_read() -> None:
    """Planned departures that came back through the family's calendar add no new ones."""
    assert read_calendar(task(event("DTSTART:20261201T080000Z", uid="x@lullwatt"))).trips == ()


def test_a_fold_within_a_character() -> None:
    """A line may be folded between the octets of a character (RFC 5545, section 3.1)."""
    raw = calendar(event("DTSTART:20261201T080000Z", title="Car hatchback über"))
    cut = raw.index("ü".encode()) + 1
    answer = read_calendar(task(raw=raw[:cut] + b"\r\n " + raw[cut:]))
    assert [each.title for each in answer.trips] == ["Car hatchback über"]


def test_hostile_rules_end_in_a_process_of_their_own() -> None:
    """A rule of every second since 1970, and one that never comes: named, and the rest counts."""
    answer = read_apart(
        task(
            event("DTSTART:19700101T000000Z", "RRULE:FREQ=SECONDLY", title="Car: seconds"),
            event(
                "DTSTART:19700101T000000Z", "RRULE:FREQ=SECONDLY;BYMONTH=2;BYMONTHDAY=30",
                title="Car: never", uid="2",
            ),
            event("DTSTART:20261201T080000Z", uid="3"),
        )
    )  # fmt: skip
    assert leaves(answer) == ["12-01 08:00"]
    assert [each.partition("': ")[2] for each in answer.remarks] == [
        "its repetition takes too long to work out"
    ] * 2


def test_thousands_of_events_of_others() -> None:
    """They are cut away before anything reads them: 15,000 events, of which one counts."""
    others = (event("DTSTART:x", title=f"Party {n}", uid=str(n)) for n in range(15_000))
    mine = event("DTSTART:20261201T080000Z", uid="mine")
    answer = read_calendar(task(*others, mine, rules=FAMILY, now=NOW))
    assert leaves(answer) == ["12-01 08:00"]
    assert len(answer.kept) < 500
