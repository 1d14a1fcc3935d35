"""When events repeat, against the worked examples of RFC 5545, section 3.8.5.3 (pages 123 to 132).

Each example is copied from the text of the RFC: start, rule, and the dates that it gives. The one
of every 3 hours has UNTIL=19970902T210000Z here: with the RFC's 170000Z, which is 13:00 in New
York, its own list would end at 12:00 (a mistake of the text; from memory, no erratum looked up).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from adapters.calendar_file.components import components_of
from adapters.calendar_file.expansion import occurrences

NEW_YORK = ZoneInfo("America/New_York")
MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip
ON_DAYS = """
19970902 FREQ=DAILY;COUNT=10
    (1997 EDT) September 2-11
19970902 FREQ=DAILY;UNTIL=19971224T000000Z
    (1997 EDT) September 2-30;October 1-25 (1997 EST) October 26-31;November 1-30;December 1-23
19970902 FREQ=DAILY;INTERVAL=10;COUNT=5
    (1997 EDT) September 2,12,22;October 2,12
19980101 FREQ=YEARLY;UNTIL=20000131T140000Z;BYMONTH=1;BYDAY=SU,MO,TU,WE,TH,FR,SA
    (1998 EST) January 1-31 (1999 EST) January 1-31 (2000 EST) January 1-31
19980101 FREQ=DAILY;UNTIL=20000131T140000Z;BYMONTH=1
    (1998 EST) January 1-31 (1999 EST) January 1-31 (2000 EST) January 1-31
19970902 FREQ=WEEKLY;COUNT=10
    (1997 EDT) September 2,9,16,23,30;October 7,14,21 (1997 EST) October 28;November 4
19970902 FREQ=WEEKLY;UNTIL=19971224T000000Z
    (1997 EDT) September 2,9,16,23,30;October 7,14,21
    (1997 EST) October 28;November 4,11,18,25;December 2,9,16,23
19970902 FREQ=WEEKLY;INTERVAL=2;WKST=SU
    (1997 EDT) September 2,16,30;October 14 (1997 EST) October 28;November 11,25;December 9,23
    (1998 EST) January 6,20;February 3,17 ...
19970902 FREQ=WEEKLY;UNTIL=19971007T000000Z;WKST=SU;BYDAY=TU,TH
    (1997 EDT) September 2,4,9,11,16,18,23,25,30;October 2
19970902 FREQ=WEEKLY;COUNT=10;WKST=SU;BYDAY=TU,TH
    (1997 EDT) September 2,4,9,11,16,18,23,25,30;October 2
19970901 FREQ=WEEKLY;INTERVAL=2;UNTIL=19971224T000000Z;WKST=SU;BYDAY=MO,WE,FR
    (1997 EDT) September 1,3,5,15,17,19,29;October 1,3,13,15,17
    (1997 EST) October 27,29,31;November 10,12,14,24,26,28;December 8,10,12,22
19970902 FREQ=WEEKLY;INTERVAL=2;COUNT=8;WKST=SU;BYDAY=TU,TH
    (1997 EDT) September 2,4,16,18,30;October 2,14,16
19970905 FREQ=MONTHLY;COUNT=10;BYDAY=1FR
    (1997 EDT) September 5;October 3 (1997 EST) November 7;December 5
    (1998 EST) January 2;February 6;March 6;April 3 (1998 EDT) May 1;June 5
19970905 FREQ=MONTHLY;UNTIL=19971224T000000Z;BYDAY=1FR
    (1997 EDT) September 5;October 3 (1997 EST) November 7;December 5
19970907 FREQ=MONTHLY;INTERVAL=2;COUNT=10;BYDAY=1SU,-1SU
    (1997 EDT) September 7,28 (1997 EST) November 2,30 (1998 EST) January 4,25;March 1,29
    (1998 EDT) May 3,31
19970922 FREQ=MONTHLY;COUNT=6;BYDAY=-2MO
    (1997 EDT) September 22;October 20 (1997 EST) November 17;December 22
    (1998 EST) January 19;February 16
19970928 FREQ=MONTHLY;BYMONTHDAY=-3
    (1997 EDT) September 28 (1997 EST) October 29;November 28;December 29
    (1998 EST) January 29;February 26 ...
19970902 FREQ=MONTHLY;COUNT=10;BYMONTHDAY=2,15
    (1997 EDT) September 2,15;October 2,15 (1997 EST) November 2,15;December 2,15
    (1998 EST) January 2,15
19970930 FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1
    (1997 EDT) September 30;October 1 (1997 EST) October 31;November 1,30;December 1,31
    (1998 EST) January 1,31;February 1
19970910 FREQ=MONTHLY;INTERVAL=18;COUNT=10;BYMONTHDAY=10,11,12,13,14,15
    (1997 EDT) September 10,11,12,13,14,15 (1999 EST) March 10,11,12,13
19970902 FREQ=MONTHLY;INTERVAL=2;BYDAY=TU
    (1997 EDT) September 2,9,16,23,30 (1997 EST) November 4,11,18,25
    (1998 EST) January 6,13,20,27;March 3,10,17,24,31 ...
19970610 FREQ=YEARLY;COUNT=10;BYMONTH=6,7
    (1997 EDT) June 10;July 10 (1998 EDT) June 10;July 10 (1999 EDT) June 10;July 10
    (2000 EDT) June 10;July 10 (2001 EDT) June 10;July 10
19970310 FREQ=YEARLY;INTERVAL=2;COUNT=10;BYMONTH=1,2,3
    (1997 EST) March 10 (1999 EST) January 10;February 10;March 10
    (2001 EST) January 10;February 10;March 10 (2003 EST) January 10;February 10;March 10
19970101 FREQ=YEARLY;INTERVAL=3;COUNT=10;BYYEARDAY=1,100,200
    (1997 EST) January 1 (1997 EDT) April 10;July 19 (2000 EST) January 1
    (2000 EDT) April 9;July 18 (2003 EST) January 1 (2003 EDT) April 10;July 19
    (2006 EST) January 1
19970519 FREQ=YEARLY;BYDAY=20MO
    (1997 EDT) May 19 (1998 EDT) May 18 (1999 EDT) May 17 ...
19970512 FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO
    (1997 EDT) May 12 (1998 EDT) May 11 (1999 EDT) May 17 ...
19970313 FREQ=YEARLY;BYMONTH=3;BYDAY=TH
    (1997 EST) March 13,20,27 (1998 EST) March 5,12,19,26 (1999 EST) March 4,11,18,25 ...
19970605 FREQ=YEARLY;BYDAY=TH;BYMONTH=6,7,8
    (1997 EDT) June 5,12,19,26;July 3,10,17,24,31;August 7,14,21,28
    (1998 EDT) June 4,11,18,25;July 2,9,16,23,30;August 6,13,20,27
    (1999 EDT) June 3,10,17,24;July 1,8,15,22,29;August 5,12,19,26 ...
19970913 FREQ=MONTHLY;BYDAY=SA;BYMONTHDAY=7,8,9,10,11,12,13
    (1997 EDT) September 13;October 11 (1997 EST) November 8;December 13
    (1998 EST) January 10;February 7;March 7 (1998 EDT) April 11;May 9;June 13 ...
19961105 FREQ=YEARLY;INTERVAL=4;BYMONTH=11;BYDAY=TU;BYMONTHDAY=2,3,4,5,6,7,8
    (1996 EST) November 5 (2000 EST) November 7 (2004 EST) November 2 ...
19970904 FREQ=MONTHLY;COUNT=3;BYDAY=TU,WE,TH;BYSETPOS=3
    (1997 EDT) September 4;October 7 (1997 EST) November 6
19970929 FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-2
    (1997 EDT) September 29 (1997 EST) October 30;November 27;December 30
    (1998 EST) January 29;February 26;March 30 ...
19970805 FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO
    (1997 EDT) August 5,10,19,24
19970805 FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=SU
    (1997 EDT) August 5,17,19,31
20070115 FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5
    (2007 EST) January 15,30 (2007 EST) February 15 (2007 EDT) March 15,30
"""


def examples() -> Iterator[tuple[str, str, list[str], bool]]:
    """Read the table: start, rule, each date with its offset, and whether it goes on for ever."""
    for start, rule, text in re.findall(r"^(\d{8}) (\S+)\n((?:    .*\n)+)", ON_DAYS, re.MULTILINE):
        dates = []
        for year, zone, days in re.findall(r"\((\d{4}) (E[DS]T)\) ([^(.]+)", text):
            for month, numbers in re.findall(r"([A-Z]\w+) ([0-9,-]+)", days):
                for each in numbers.strip(",").split(","):
                    first, _, last = each.partition("-")
                    dates += [
                        f"{year}-{MONTHS.index(month) + 1:02}-{day:02} 09:00 {zone}"
                        for day in range(int(first), int(last or first) + 1)
                    ]
        yield start, rule, dates, text.rstrip().endswith("...")


def times_of(start: str, rule: str, until: datetime, more: str = "") -> list[str]:
    text = (
        "BEGIN:VCALENDAR\r\nBEGIN:VEVENT\r\nUID:1\r\nSUMMARY:Car\r\n"
        f"DTSTART;TZID=America/New_York:{start}\r\n{more}RRULE:{rule}\r\n"
        "END:VEVENT\r\nEND:VCALENDAR\r\n"
    )
    properties, series = components_of(text.encode())
    span = (datetime(1990, 1, 1, tzinfo=UTC), until)
    found = occurrences(series, (), properties, span, ZoneInfo("UTC"))
    times = [each.start for each in found if isinstance(each.start, datetime)]
    return [each.astimezone(NEW_YORK).strftime("%Y-%m-%d %H:%M %Z") for each in times]


@pytest.mark.parametrize(("start", "rule", "dates", "goes_on"), list(examples()))
def test_the_examples_of_the_rfc(start: str, rule: str, dates: list[str], goes_on: bool) -> None:  # noqa: FBT001 - of the table
    """RFC 5545, section 3.8.5.3: each example gives the dates that stand below it."""
    last = datetime.strptime(dates[-1][:16], "%Y-%m-%d %H:%M").replace(tzinfo=NEW_YORK)
    until = last + (timedelta(minutes=1) if goes_on else timedelta(days=30))
    assert times_of(f"{start}T090000", rule, until) == dates


def test_every_example_is_there() -> None:
    """The table is read whole: 35 rules on days."""
    assert len(list(examples())) == 35
    assert sum(len(dates) for _start, _rule, dates, _on in examples()) > 500


@pytest.mark.parametrize(
    ("rule", "times"),
    [
        ("FREQ=HOURLY;INTERVAL=3;UNTIL=19970902T210000Z", "09:00 12:00 15:00"),
        ("FREQ=MINUTELY;INTERVAL=15;COUNT=6", "09:00 09:15 09:30 09:45 10:00 10:15"),
        ("FREQ=MINUTELY;INTERVAL=90;COUNT=4", "09:00 10:30 12:00 13:30"),
    ],
)
def test_examples_within_a_day(rule: str, times: str) -> None:
    """RFC 5545, section 3.8.5.3: the examples of hours and minutes."""
    found = times_of("19970902T090000", rule, datetime(1997, 9, 4, tzinfo=UTC))
    assert [each[11:16] for each in found] == times.split()


@pytest.mark.parametrize(
    "rule",
    [
        "FREQ=DAILY;BYHOUR=9,10,11,12,13,14,15,16;BYMINUTE=0,20,40",
        "FREQ=MINUTELY;INTERVAL=20;BYHOUR=9,10,11,12,13,14,15,16",
    ],
)
def test_every_20_minutes_of_a_working_day(rule: str) -> None:
    """RFC 5545, section 3.8.5.3: both ways to write it, on 2 and 3 September 1997."""
    found = times_of("19970902T090000", rule, datetime(1997, 9, 4, tzinfo=UTC))
    day = [f"{hour:02}:{minute:02}" for hour in range(9, 17) for minute in (0, 20, 40)]
    assert [each[11:16] for each in found] == day * 2


def test_every_friday_the_13th() -> None:
    """RFC 5545, section 3.8.5.3: with an EXDATE for a start that is no Friday."""
    more = "EXDATE;TZID=America/New_York:19970902T090000\r\n"
    found = times_of(
        "19970902T090000", "FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13",
        datetime(2000, 10, 14, tzinfo=UTC), more,
    )  # fmt: skip
    assert [each[:10] for each in found] == [
        "1998-02-13", "1998-03-13", "1998-11-13", "1999-08-13", "2000-10-13",
    ]  # fmt: skip
