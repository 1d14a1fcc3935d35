"""Bills in other forms: other columns, local times, quarter-hours, hours, ESPI; and bad ones."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from config.files.errors import FileError
from daemon.bill.file import Bill, BillForm, read_bill
from planners.local_time.settlement import half_hours
from tests.daemon.month.recorded import hour, recorded
from tests.support.commands import Ran

ZONE = ZoneInfo("Europe/Berlin")
GRID = [start for start, _ in half_hours(date(2026, 10, 24), date(2026, 10, 26), ZONE)]
SPRING = [start for start, _ in half_hours(date(2026, 3, 28), date(2026, 3, 30), ZONE)]
LOCAL = BillForm({"start": "Von", "kwh": "Verbrauch"}, ZONE)


def read(directory: Path, text: str, form: BillForm | None = None) -> Bill:
    path = directory / "bill"
    path.write_text(text, "utf-8")
    return read_bill(path, GRID, form)


def faults(directory: Path, text: str, form: BillForm | None = None) -> str:
    with pytest.raises(FileError) as caught:
        read(directory, text, form)
    return str(caught.value)


def local_rows(newest_first: bool) -> str:  # noqa: FBT001 - one of two
    """Write every half-hour as the wall shows it, numbered."""
    rows = [
        f"x;{start.astimezone(ZONE):%Y-%m-%d %H:%M};{number / 10:.1f}".replace(".", ",")
        for number, start in enumerate(GRID)
    ]
    return "\n".join(["Zaehler;Von;Verbrauch", *(reversed(rows) if newest_first else rows)])


def test_other_columns_and_local_times_are_read_over_the_repeated_hour(tmp_path: Path) -> None:
    """Each half-hour once, in order, with a decimal comma, and a column that nobody asked for."""
    bill = read(tmp_path, local_rows(newest_first=False), LOCAL)
    assert len(GRID) == 146
    assert bill.half_hours == {start: Decimal(n) * 100 for n, start in enumerate(GRID)}


def test_a_file_with_the_newest_row_first_is_the_same(tmp_path: Path) -> None:
    """The later of the two repeated hours then comes first."""
    newest = read(tmp_path, local_rows(newest_first=True), LOCAL).half_hours
    assert newest == read(tmp_path, local_rows(newest_first=False), LOCAL).half_hours


def test_local_times_need_a_zone_and_must_exist(tmp_path: Path) -> None:
    """A time that the clock skips may have no energy; a third repeated time is a fault."""
    row = "start,kwh\n2026-10-25T02:30,1\n"
    assert "--bill-zone declares the zone of such times" in faults(tmp_path, row)
    zoned = BillForm(zone=ZONE)
    assert "2:1: start: expected each half hour once" not in str(read(tmp_path, row, zoned))
    assert "each half hour once" in faults(tmp_path, row + "2026-10-25T02:30,1\n" * 2, zoned)
    path = tmp_path / "spring"
    path.write_text("start,kwh\n2026-03-29 01:30,1\n2026-03-29 02:30,0\n2026-03-29 03:00,1\n")
    assert read_bill(path, SPRING, zoned).half_hours == dict.fromkeys(
        [SPRING[51], SPRING[52]], Decimal(1000)
    )
    path.write_text("start,kwh\n2026-03-29 02:30,1\n")
    with pytest.raises(FileError, match=r"exists in Europe/Berlin.*standard time all year"):
        read_bill(path, SPRING, zoned)


@pytest.mark.parametrize(
    ("header", "form", "fault"),
    [
        ("Von,kwh", None, "--columns start=...,kwh=... names other columns"),
        ("Von,kwh", BillForm({"start": "Bis"}), "expected the header Bis,kwh or"),
        ("Von,Von,kwh", BillForm({"start": "Von"}), "expected the header Von,kwh or"),
    ],
)
def test_columns_that_are_not_there_are_named(
    tmp_path: Path, header: str, form: BillForm | None, fault: str
) -> None:
    """Missing, or twice."""
    assert fault in faults(tmp_path, f"{header}\n2026-10-25T00:00:00Z,1\n", form)


def test_quarter_hours_are_added_up_and_hours_stay_hours(tmp_path: Path) -> None:
    """A half-hour of which a quarter is missing is not on the bill."""
    quarters = [start + n * timedelta(minutes=15) for start in GRID[:48] for n in range(2)][1:]
    text = "\n".join(["start,kwh", *(f"{at.isoformat()},0.25" for at in quarters)])
    bill = read(tmp_path, text)
    assert (bill.half_hours, bill.step) == (
        dict.fromkeys(GRID[1:48], Decimal(500)), timedelta(minutes=30),
    )  # fmt: skip
    text = "\n".join(["start,kwh", *(f"{at.isoformat()},1" for at in GRID[:48:2])])
    bill = read(tmp_path, text)
    assert (bill.half_hours, bill.step) == (
        dict.fromkeys(GRID[:48:2], Decimal(1000)), timedelta(hours=1),
    )  # fmt: skip


ADDRESS = "https://data.example/espi/1_1/resource"
FEED = """<?xml version="1.0" encoding="UTF-8"?>
<feed xmlns="http://www.w3.org/2005/Atom">{entries}</feed>"""


def entry(address: str, content: str, *related: str) -> str:
    links = "".join(f'<link rel="related" href="{ADDRESS}/{each}"/>' for each in related)
    return (
        f'<entry><link rel="self" href="{ADDRESS}/{address}"/>{links}'
        f"<content>{content}</content></entry>"
    )


def reading_type(number: int, uom: int = 72, flow: int = 1, tens: int = -3) -> str:
    """Write a ReadingType with the element names of the published ``espi.xsd`` (NAESB REQ.21)."""
    return entry(
        f"ReadingType/{number}",
        '<ReadingType xmlns="http://naesb.org/espi"><accumulationBehaviour>4'
        f"</accumulationBehaviour><flowDirection>{flow}</flowDirection><kind>12</kind>"
        f"<powerOfTenMultiplier>{tens}</powerOfTenMultiplier><uom>{uom}</uom></ReadingType>",
    )


def meter(number: int, value: int, seconds: int = 900, count: int = 8) -> str:
    """Write a MeterReading and its IntervalBlock, which follows the ReadingType of its number."""
    first = int(GRID[0].timestamp())
    readings = "".join(
        f"<IntervalReading><timePeriod><duration>{seconds}</duration><start>"
        f"{first + place * seconds}</start></timePeriod><value>{value}</value></IntervalReading>"
        for place in range(count)
    )
    block = f'<IntervalBlock xmlns="http://naesb.org/espi">{readings}</IntervalBlock>'
    return entry(
        f"UsagePoint/1/MeterReading/{number}",
        '<MeterReading xmlns="http://naesb.org/espi"/>',
        f"ReadingType/{number}",
    ) + entry(f"UsagePoint/1/MeterReading/{number}/IntervalBlock/1", block)


def feed(*entries: str) -> str:
    return FEED.format(entries="".join(entries))


def test_espi_gives_what_was_delivered(tmp_path: Path) -> None:
    """Quarter-hours of 250,000 mWh; what was exported, and days, stand beside them."""
    text = feed(
        reading_type(1), meter(1, 250_000),
        reading_type(2, flow=19), meter(2, 7),
        reading_type(3), meter(3, 9, seconds=86_400, count=1),
    )  # fmt: skip
    assert read(tmp_path, text).half_hours == dict.fromkeys(GRID[:4], Decimal(500))
    hourly = read(tmp_path, feed(reading_type(1, tens=3), meter(1, 2, seconds=3600, count=3)))
    assert (hourly.half_hours, hourly.step) == (
        dict.fromkeys(GRID[:6:2], Decimal(2000)), timedelta(hours=1),
    )  # fmt: skip


def test_espi_may_have_several_blocks_in_an_entry(tmp_path: Path) -> None:
    """A day each, for example: none is lost."""
    once = feed(reading_type(1), meter(1, 250_000))
    begins, ends = (
        once.index("<IntervalBlock"),
        once.index("</content>", once.index("<IntervalBlock")),
    )
    later = once[begins:ends]
    for number in range(8):
        start = int(GRID[0].timestamp()) + 900 * number
        later = later.replace(f"<start>{start}<", f"<start>{start + 7200}<")
    assert read(tmp_path, once[:ends] + later + once[ends:]).half_hours == dict.fromkeys(
        GRID[:8], Decimal(500)
    )


BOMB = '<!DOCTYPE feed [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;">]><feed>&b;</feed>'


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("<html></html>", "it has no IntervalBlock of ESPI"),
        ("<feed>", "it is not XML"),
        (BOMB, "document type or entities, which are not read"),
        (feed(reading_type(1, uom=169), meter(1, 1)), "0 meter readings of delivered energy"),
        (feed(reading_type(1), meter(1, 1), reading_type(2), meter(2, 1)), "it has 2 meter"),
        (feed(meter(1, 1)), "0 ReadingTypes instead of one"),
        (feed(reading_type(1), meter(1, -5)), "a value in it is -5"),
        (feed(reading_type(1, tens=99), meter(1, 5)), "powerOfTenMultiplier in it is 99"),
        (feed(reading_type(1), meter(1, 5)).replace("<start>", "<start>9"), "seconds since 1970"),
        (feed(reading_type(1), meter(1, 5)).replace("<value>", "<value>x"), "no whole number: x5"),
    ],
)
def test_bad_espi_is_refused_in_a_sentence(tmp_path: Path, text: str, fault: str) -> None:
    """No entity is expanded, nothing is fetched, nothing is guessed."""
    assert fault in faults(tmp_path, text)


def test_a_bill_of_a_whole_home_stands_in_all_reports(
    tmp_path: Path, run: Callable[..., Ran]
) -> None:
    """Local times under other names; on the 6th there are 5 kWh too many, at 0.24."""
    charged: dict[datetime, int] = {}
    for day in range(1, 10):
        charged |= hour(day, 2, 7000, month=10) | hour(day, 3, 7000, month=10)
    file = recorded(tmp_path, "seasons-and-weekends", charged)
    lines = []
    for day in range(1, 10):
        for half in range(48):
            at = datetime(2026, 10, day) + half * timedelta(minutes=30)  # noqa: DTZ001 - local
            kwh = Decimal("3.65" if at.hour in {2, 3} else "0.15")
            kwh += 5 if (day, at.hour, at.minute) == (6, 2, 30) else 0
            lines.append(f"{at:%Y-%m-%d %H:%M},{kwh}")
    bill = tmp_path / "bill.csv"
    bill.write_text("\n".join(["Time,Usage", *lines]))
    zone = "".join(line for line in file.read_text().splitlines() if "timezone" in line)
    asked = ("month", str(file), "2026-10", "--bill", str(bill), "--columns",
             "start=Time,kwh=Usage", "--bill-zone", zone.split(": ")[1].split()[0])  # fmt: skip
    text = " ".join(run(*asked).out.split())
    assert "Tue 06 Oct 02:30 to Tue 06 Oct 03:00, 1 half hour" in text
    assert "+5.00 kWh, USD 1.20; more than our meter and the home's usual use" in text
    assert "something else uses the supplier's meter" in text
    page = run(*asked, "--format", "html")
    assert page.code == 0
    assert "Compared with the bill" in page.out
    assert "+5.00 kWh, USD 1.20" in page.out
    alone = run("month", str(file), "2026-10", "--bill-zone", "Mars/Base")
    assert (alone.code, "--bill-zone: expected a zone" in alone.err) == (2, True)
    wrong = run("month", str(file), "2026-10", "--columns", "start=Time")
    assert (wrong.code, wrong.err) == (2, "--columns: expected --bill beside it\n")
