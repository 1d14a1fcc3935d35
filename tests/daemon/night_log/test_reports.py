"""`lullwatt nights` and `month`: options, several homes, bills."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from datetime import date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from shutil import copytree

import pytest

from adapters.ledger.ledger import open_ledger
from daemon.nights.account import night_record
from daemon.nights.metered import NightMeters
from daemon.nights.recount import facts_unseen
from daemon.service.house_loading import load_house
from planners.accounts.register import RegisterReading
from planners.local_time.departures import night_bounds
from tests.daemon.sites import household_file
from tests.support.commands import Ran

Run = Callable[..., Ran]
FIRST = date(2026, 9, 18)
NIGHTS = 20
QUARTER = timedelta(minutes=15)


def home(directory: Path, *changes: tuple[str, str]) -> Path:
    """Record 20 nights, each with 7.2 kW from 01:00 to 02:30 local time."""
    directory.mkdir(exist_ok=True)
    file = household_file(directory, *changes)
    house = load_house(file)
    register, shown = 500_000, []
    at, end = (night_bounds(FIRST + i * timedelta(days=1), house.file.days)[0] for i in (0, NIGHTS))
    while at <= end:
        shown.append(RegisterReading(at, register))
        local = at.astimezone(house.file.zone)
        register += 1800 if 60 <= local.hour * 60 + local.minute < 150 else 0
        at += QUARTER
    with open_ledger(directory / "ledger.sqlite3") as ledger:
        for reading in shown:
            ledger.add_reading("driveway", reading.at, reading.register_wh)
        for place in range(NIGHTS):
            facts = facts_unseen(
                FIRST + place * timedelta(days=1), "driveway", "hatchback", house.file
            )
            body = night_record(house, facts, NightMeters(shown))
            ledger.close_night(facts.night, "driveway", "hatchback", facts.closed_at, body)
        ledger.add_alert("driveway", shown[40].at, "no-reading", "Nothing has been heard.")
    return file


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Record the nights once; each test gets a copy."""
    return home(tmp_path_factory.mktemp("recorded")).parent


@pytest.fixture
def file(recorded: Path, tmp_path: Path) -> Path:
    return copytree(recorded, tmp_path / "one") / "house.yaml"


def rows_of(ran: Ran) -> list[dict[str, str]]:
    assert (ran.code, ran.err) == (0, "")
    return list(csv.DictReader(io.StringIO(ran.out)))


@pytest.mark.parametrize(
    ("options", "nights"),
    [
        (
            (),
            [f"2026-09-{day}" for day in range(24, 31)]
            + [f"2026-10-0{day}" for day in range(1, 8)],
        ),
        (("--last", "2"), ["2026-10-06", "2026-10-07"]),
        (("--from", "2026-10-05"), ["2026-10-05", "2026-10-06", "2026-10-07"]),
        (
            ("--from", "2026-09-18", "--to", "2026-09-20", "--last", "2"),
            ["2026-09-19", "2026-09-20"],
        ),
        (("--vehicle", "hatchback", "--last", "1"), ["2026-10-07"]),
        (("--charge-point", "driveway", "--to", "2026-09-18"), ["2026-09-18"]),
        (("--from", "2027-01-01"), []),
    ],
)
def test_nights_are_chosen(
    file: Path, run: Run, options: tuple[str, ...], nights: list[str]
) -> None:
    """The last 14, or those that the options choose; the newest last."""
    rows = rows_of(run("nights", str(file), "--format", "csv", *options))
    assert [row["night"] for row in rows] == nights


def test_nights_are_shown_as_text_and_json(file: Path, run: Run) -> None:
    """10.8 kWh at 0.168 with 15 % tax cost 2.09 a night, all in the cheapest band."""
    text = run("nights", str(file), "--last", "1")
    assert (text.code, text.err) == (0, "")
    assert "Wed 07 Oct" in text.out
    assert max(map(len, text.out.splitlines())) <= 80
    document = json.loads(run("nights", str(file), "--last", "1", "--format", "json").out)
    (night,) = document["nights"]
    expected = Decimal("10.8") * Decimal("0.168") * Decimal("1.15")
    assert (night["energy_kwh"], night["cost"]) == (10.8, float(round(expected, 2)))
    assert Decimal(str(night["cost_exact"])) == expected
    assert night["cheapest_band_percent"] == 100.0
    nothing = run("nights", str(file), "--from", "2027-01-01")
    assert nothing.out == "Kowhai Cottage: no nights are recorded in that time.\n"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("nights", "FILE", "--from", "2026-13-01"), "--from: no such date"),
        (("nights", "FILE", "--to", "soon"), "--to: expected a date such as 2026-06-03"),
        (("nights", "FILE", "--vehicle", "van"), "--vehicle: expected one of hatchback, got 'van'"),
        (("nights", "FILE", "--charge-point", "x"), "--charge-point: expected one of driveway"),
        (("nights", "FILE", "--half-hours", "--vehicle", "hatchback"), "--half-hours: a meter"),
        (("month", "FILE", "2026-13"), "expected a month such as 2026-10"),
        (("month", "FILE", "FILE", "2026-10", "--format", "html"), "expected one household file"),
        (("month", "FILE", "FILE", "2026-10", "--bill", "b.csv"), "--bill: expected one"),
        (("month", "FILE", "2026-10", "--bill", "none.csv"), "none.csv"),
        (("month", "FILE", "2026-10", "--output", "no/such/x"), "--output: no/such/x: can't be"),
    ],
)
def test_bad_options_are_refused_in_one_line(
    file: Path, run: Run, arguments: tuple[str, ...], message: str
) -> None:
    """Exit 2, nothing on standard output."""
    ran = run(*(str(file) if it == "FILE" else it for it in arguments))
    assert (ran.code, ran.out) == (2, "")
    assert message in ran.err
    assert ran.err.count("\n") == 1


@pytest.mark.parametrize("command", [("nights",), ("month",)])
def test_without_a_ledger_one_line_says_so(
    tmp_path: Path, run: Run, command: tuple[str, ...]
) -> None:
    """Exit 2, and no ledger is created."""
    file = household_file(tmp_path)
    ran = run(*command, str(file), *(["2026-10"] if command == ("month",) else []))
    assert (ran.code, ran.out) == (2, "")
    assert "there is no ledger yet" in ran.err
    assert not (tmp_path / "ledger.sqlite3").exists()


def test_a_ledger_in_another_currency_is_refused(file: Path, run: Run) -> None:
    """Amounts of two currencies are not added up."""
    file.write_text(file.read_text("utf-8").replace("currency: NZD", "currency: EUR"), "utf-8")
    ran = run("month", str(file), "2026-10")
    assert (ran.code, ran.out) == (2, "")
    assert "expected NZD, in which the night of 2026-10-01 was recorded, got EUR" in ran.err


def test_it_is_read_beside_a_daemon_that_writes(file: Path, run: Run) -> None:
    """Even a row that is only in the write-ahead log of the ledger."""
    with open_ledger(file.parent / "ledger.sqlite3") as ledger:
        ledger.add_alert("driveway", datetime.fromisoformat("2026-10-03T10:00:00+13:00"), "x", "y")
        month = json.loads(run("month", str(file), "2026-10", "--format", "json").out)
    assert [alert["code"] for alert in month["alerts"]] == ["x"]
    assert month["nights"] == 7


def test_an_output_file_holds_what_would_be_printed(file: Path, run: Run, tmp_path: Path) -> None:
    """Byte for byte, and nothing is printed."""
    printed = run("month", str(file), "2026-10", "--format", "csv")
    ran = run("month", str(file), "2026-10", "--format", "csv", "--output", "m.csv")
    assert (ran.code, ran.out, ran.err) == (0, "", "")
    assert (tmp_path / "m.csv").read_bytes().decode() == printed.out


def test_miles_are_shown_if_the_file_has_them(tmp_path: Path, run: Run) -> None:
    """3.5 miles per kWh in the battery, which gains 90 % of the metered energy."""
    file = home(tmp_path / "m", ("kwh_per_100km: 16.5 ", "miles_per_kwh: 3.5 "))
    month = json.loads(run("month", str(file), "2026-10", "--format", "json").out)
    assert month["distance_unit"] == "mile"
    assert month["distance"] == pytest.approx(7 * 10.8 * 0.9 * 3.5, abs=0.06)


def write_bill(path: Path, rows: list[dict[str, str]], later: timedelta) -> None:
    """Write half-hours as a supplier would, some time later."""
    starts = [datetime.fromisoformat(row["start_utc"]) + later for row in rows]
    lines = [f"{at.isoformat()},{row['kwh']}" for at, row in zip(starts, rows, strict=True)]
    path.write_text("\n".join(["start,kwh", *lines]))


def test_our_own_half_hours_are_a_bill_that_agrees(file: Path, run: Run) -> None:
    """The output of `nights --half-hours` as a bill; shifted, the clocks differ."""
    days = ("--from", "2026-10-01", "--to", "2026-10-08")
    rows = rows_of(run("nights", str(file), "--half-hours", "--format", "csv", *days))
    assert len(rows) == 8 * 48
    known = [row for row in rows if row["kwh"]]
    assert len(known) == len(rows) - 24, "the meter was read to noon of the last day"
    bill = file.with_name("bill.csv")
    month = ("month", str(file), "2026-10", "--bill", str(bill))
    write_bill(bill, known, timedelta(0))
    assert "Every half hour agrees" in run(*month).out
    write_bill(bill, known, timedelta(hours=1))
    assert "clock: the bill has the same energy 1 h later" in " ".join(run(*month).out.split())


@pytest.mark.parametrize(
    ("text", "faults"),
    [
        ("", ["1:1: expected the header start,kwh or band,kwh,cost, got an empty file"]),
        ("a,b\n1,2\n", ['1:1: expected the header start,kwh or band,kwh,cost, got "a,b"']),
        (
            "start,kwh\n2026-10-01T00:10:00+13:00,1\n2026-10-01T00:30:00+13:00,-1\nx,y\n",
            [
                "2:1: start: expected the start of a half hour, counted from midnight",
                '3:27: kwh: expected a number of kWh, 0 or more, got "-1"',
                "4:1: start: expected an instant such as",
                '4:3: kwh: expected a number of kWh, 0 or more, got "y"',
            ],
        ),
        (
            "start,kwh\n2026-10-01T00:30:00+13:00,1\n2026-10-01T00:30:00+13:00,1\n",
            ["3:1: start: expected each half hour once, it is also in line 2"],
        ),
        ("start,kwh\n2027-10-01T00:30:00+13:00,1\n", ["1:1: expected at least one row"]),
        (
            "band,kwh,cost\nnight,1\n,1,1\nday,1,dear\n",
            [
                "2:1: expected 3 columns, band, kwh, cost, got 2",
                "3:1: band: expected the name of a band, got nothing",
                '4:7: cost: expected a number of money, got "dear"',
            ],
        ),
    ],
)
def test_a_bad_bill_is_refused_with_every_fault_and_its_line(
    file: Path, run: Run, text: str, faults: list[str]
) -> None:
    """File, line, column, what was expected and what was found; all at once."""
    bill = file.with_name("bill.csv")
    bill.write_text(text)
    ran = run("month", str(file), "2026-10", "--bill", str(bill))
    assert (ran.code, ran.out) == (2, "")
    lines = ran.err.splitlines()
    assert len(lines) == len(faults)
    for line, fault in zip(lines, faults, strict=True):
        assert line.startswith(f"{bill}:{fault}")
