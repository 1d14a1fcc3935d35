"""Rows written to the ledger are read back once, exactly, and in order of time."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from threading import Thread
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from adapters.contract.messages import Command
from adapters.ledger.ledger import Ledger, open_ledger
from adapters.ledger.rows import (
    LastVehicleReports,
    StoredCommand,
    StoredReading,
    StoredRequest,
    from_micros,
    to_micros,
)
from config.files.errors import LedgerError
from config.files.price_series import PricePoint
from planners.accounts.register import RegisterReading
from planners.power.rest import LastSwitches
from tests.support.waiting import patience

NOON = datetime(2026, 6, 3, 0, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
NIGHT = date(2026, 6, 3)

INSTANTS = st.datetimes(
    min_value=datetime(2000, 1, 1),  # noqa: DTZ001 - hypothesis wants its limits naive
    max_value=datetime(2100, 1, 1),  # noqa: DTZ001
    timezones=st.just(UTC),
)
FINITE = st.floats(allow_nan=False, allow_infinity=False)
READINGS = st.tuples(
    st.sampled_from(["driveway", "carport"]),
    INSTANTS,
    st.none() | st.integers(min_value=0, max_value=10**12),
    st.none() | FINITE,
    st.none() | FINITE,
)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with open_ledger(tmp_path / "ledger.sqlite3") as opened:
        yield opened


def plans(ledger: Ledger) -> list[dict[str, Any]]:
    """Return the bodies of the driveway's plans around noon."""
    found = ledger.plans_between("driveway", NOON - MINUTE, NOON + MINUTE)
    return [plan.body for plan in found]


def registers(ledger: Ledger, start: datetime, end: datetime) -> list[tuple[float, int]]:
    """Return the minutes after noon and the register of each reading."""
    found = ledger.register_readings("driveway", start, end)
    return [((each.at - NOON) / MINUTE, each.register_wh) for each in found]


# Readings


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(READINGS, max_size=20))
def test_every_reading_is_recorded_once(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[str, datetime, int, float, float]]
) -> None:
    """In whatever order and however often readings come, each is recorded once, unchanged."""
    path = tmp_path_factory.mktemp("ledger") / "ledger.sqlite3"
    with open_ledger(path) as ledger:
        added = [ledger.add_reading(*row) for row in [*rows, *reversed(rows)]]
    with closing(sqlite3.connect(path)) as database:
        held = database.execute(
            "SELECT charge_point, at, register_wh, watts, amps FROM readings"
        ).fetchall()
    assert sum(added) == len(held) == len(set(rows))
    assert {(name, from_micros(at), *rest) for name, at, *rest in held} == set(rows)


@pytest.mark.parametrize(
    "values", [(1000, None, None), (None, 3610.0, None), (None, None, 15.7), (1000, 3610.0, 15.7)]
)
def test_an_exact_duplicate_is_refused(
    ledger: Ledger, values: tuple[int | None, float | None, float | None]
) -> None:
    """The same reading is not recorded again, whichever of its values are missing."""
    assert ledger.add_reading("driveway", NOON, *values)
    assert not ledger.add_reading("driveway", NOON, *values)
    assert ledger.add_reading("driveway", NOON + MINUTE, *values)
    assert ledger.add_reading("carport", NOON, *values)


def test_missing_is_not_zero(ledger: Ledger) -> None:
    """A reading of zero differs from a reading without the value."""
    assert ledger.add_reading("driveway", NOON, None, 0.0, None)
    assert ledger.add_reading("driveway", NOON, None, 0.0, 0.0)
    assert ledger.add_reading("driveway", NOON, 0, 0.0, 0.0)


def test_the_same_instant_in_another_zone_is_a_duplicate(ledger: Ledger) -> None:
    """Two offsets of one instant are one instant."""
    auckland = timezone(timedelta(hours=12))
    assert ledger.add_reading("driveway", NOON, 1000)
    assert not ledger.add_reading("driveway", NOON.astimezone(auckland), 1000)


@given(INSTANTS)
def test_instants_are_exact(instant: datetime) -> None:
    """Microseconds survive the conversion to a number and back."""
    assert from_micros(to_micros(instant)) == instant


def test_naive_instants_are_refused(ledger: Ledger) -> None:
    """An instant without an offset can't be recorded."""
    with pytest.raises(ValueError, match="offset"):
        ledger.add_reading("driveway", NOON.replace(tzinfo=None), 1000)


@pytest.mark.parametrize("number", [float("nan"), float("inf"), float("-inf")])
def test_numbers_that_are_not_finite_are_refused(ledger: Ledger, number: float) -> None:
    """Not-a-number would silently be stored as missing."""
    with pytest.raises(ValueError, match="finite"):
        ledger.add_reading("driveway", NOON, None, number)
    with pytest.raises(ValueError, match="finite"):
        ledger.add_vehicle_report("driveway", NOON, "C", number)
    assert ledger.last_reading("driveway") is None


def test_a_negative_register_is_refused(ledger: Ledger) -> None:
    """A register counts up from zero: the table itself refuses less."""
    with pytest.raises(LedgerError, match="CHECK"):
        ledger.add_reading("driveway", NOON, -1)
    assert ledger.last_reading("driveway") is None


def test_register_readings_include_both_neighbours(ledger: Ledger) -> None:
    """The last one before the start and the first one after the end are included, sorted."""
    for minute in (30, 0, 40, 10, 20, 50):
        ledger.add_reading("driveway", NOON + minute * MINUTE, 1000 + minute)
        ledger.add_reading("driveway", NOON + (minute + 1) * MINUTE, None, 3610.0)
        ledger.add_reading("carport", NOON + (minute + 2) * MINUTE, 9999)
    assert registers(ledger, NOON + 15 * MINUTE, NOON + 35 * MINUTE) == [
        (10, 1010),
        (20, 1020),
        (30, 1030),
        (40, 1040),
    ]
    assert registers(ledger, NOON + 20 * MINUTE, NOON + 30 * MINUTE) == [
        (10, 1010),
        (20, 1020),
        (30, 1030),
        (40, 1040),
    ]


def test_register_readings_without_neighbours(ledger: Ledger) -> None:
    """If there are none before or after, only those inside are returned."""
    assert registers(ledger, NOON, NOON + MINUTE) == []
    ledger.add_reading("driveway", NOON, 1000)
    assert registers(ledger, NOON - MINUTE, NOON + MINUTE) == [(0, 1000)]
    assert registers(ledger, NOON + MINUTE, NOON + 2 * MINUTE) == [(0, 1000)]
    assert registers(ledger, NOON - 2 * MINUTE, NOON - MINUTE) == [(0, 1000)]


def test_a_correction_is_a_new_row(ledger: Ledger) -> None:
    """If one instant has two registers, the last written counts, and both rows stay."""
    ledger.add_reading("driveway", NOON, 1000)
    ledger.add_reading("driveway", NOON, 900)
    ledger.add_reading("driveway", NOON, None, 3610.0)
    assert ledger.register_readings("driveway", NOON, NOON) == (RegisterReading(NOON, 900),)
    assert ledger.last_reading("driveway") == StoredReading(NOON, None, 3610.0, None)


@pytest.mark.parametrize("change", ["UPDATE readings SET register_wh = 0", "DELETE FROM readings"])
def test_readings_are_never_rewritten(tmp_path: Path, change: str) -> None:
    """The file itself refuses to change or delete a reading."""
    path = tmp_path / "ledger.sqlite3"
    with open_ledger(path) as ledger:
        ledger.add_reading("driveway", NOON, 1000)
    with (
        closing(sqlite3.connect(path)) as database,
        pytest.raises(sqlite3.IntegrityError, match="a correction is a new row"),
    ):
        database.execute(change)


def test_the_last_reading_is_the_latest_in_time(ledger: Ledger) -> None:
    """A late arrival does not displace a newer reading."""
    assert ledger.last_reading("driveway") is None
    ledger.add_reading("driveway", NOON + MINUTE, 1001, 3610.0, 15.7)
    ledger.add_reading("driveway", NOON, 1000, 10.0, 0.1)
    assert ledger.last_reading("driveway") == StoredReading(NOON + MINUTE, 1001, 3610.0, 15.7)


# Vehicles


def test_last_vehicle_reports(ledger: Ledger) -> None:
    """Pilot and state of charge are each the latest in time, with their own instants."""
    assert ledger.last_vehicle_reports("driveway") == LastVehicleReports()
    assert ledger.add_vehicle_report("driveway", NOON, "B", 41.5)
    assert ledger.add_vehicle_report("driveway", NOON + MINUTE, "C")
    assert ledger.add_vehicle_report("driveway", NOON - MINUTE, "A", 12.0)
    assert ledger.last_vehicle_reports("driveway") == LastVehicleReports(
        "C", NOON + MINUTE, 41.5, NOON
    )


@pytest.mark.parametrize(
    ("pilots", "minute"),
    [("", None), ("B", None), ("BB", None), ("CB", 1), ("CABB", 1), ("CBC", None), ("CBFB", 3)],
)
def test_since_when_a_pilot_is_idle(ledger: Ledger, pilots: str, minute: int | None) -> None:
    """Only a change counts: the first report of all shows none, nor does a repetition."""
    for each, pilot in enumerate(pilots):
        assert ledger.add_vehicle_report("driveway", NOON + each * MINUTE, pilot)
        assert ledger.add_vehicle_report("driveway", NOON + each * MINUTE, None, 41.0)
    changed_at = None if minute is None else NOON + minute * MINUTE
    assert ledger.pilot_changed_at("driveway", "AB", NOON) == changed_at
    assert ledger.pilot_changed_at("carport", "AB", NOON) is None


@pytest.mark.parametrize("report", [("B", None), (None, 41.0), ("C", 41.0)])
def test_a_repeated_vehicle_report_is_refused(
    ledger: Ledger, report: tuple[str | None, float | None]
) -> None:
    """The same report is not recorded again."""
    assert ledger.add_vehicle_report("driveway", NOON, *report)
    assert not ledger.add_vehicle_report("driveway", NOON, *report)


# Requests, plans, alerts


def test_requests_since(ledger: Ledger) -> None:
    """Requests from an instant on, including it, are returned in the order they came."""
    for minute in range(3):
        ledger.add_request("driveway", NOON + minute * MINUTE, {"want_percent": 80 + minute})
    ledger.add_request("carport", NOON + 2 * MINUTE, {"clear": True})
    assert ledger.requests_since("driveway", NOON + MINUTE) == (
        StoredRequest(NOON + MINUTE, {"want_percent": 81}),
        StoredRequest(NOON + 2 * MINUTE, {"want_percent": 82}),
    )


def test_hostile_text_is_recorded(ledger: Ledger) -> None:
    """A lone surrogate in a person's text, which JSON can escape, does no harm."""
    ledger.add_request("driveway", NOON, {"by": "\ud800"})
    assert ledger.requests_since("driveway", NOON)[0].body == {"by": "\ud800"}


def test_plans_keep_the_order_in_which_they_were_written(ledger: Ledger) -> None:
    """A clock set back between two plans does not change their order; money stays exact."""
    assert plans(ledger) == []
    ledger.add_plan("driveway", NOON, {"cost": Decimal("5.02")})
    ledger.add_plan("driveway", NOON - MINUTE, {"cost": Decimal("4.90")})
    ledger.add_plan("carport", NOON, {"cost": Decimal("1.00")})
    assert plans(ledger) == [{"cost": Decimal("5.02")}, {"cost": Decimal("4.90")}]


def test_alerts_are_recorded(tmp_path: Path) -> None:
    """An alert of a charge point and one of the household are both recorded."""
    path = tmp_path / "ledger.sqlite3"
    with open_ledger(path) as ledger:
        ledger.add_alert("driveway", NOON, "no-power-after-start", "nothing answered")
        ledger.add_alert(None, NOON, "clock-jumped", "the clock jumped")
    with closing(sqlite3.connect(path)) as database:
        held = database.execute("SELECT charge_point, at, code, message FROM alerts").fetchall()
    assert held == [
        ("driveway", to_micros(NOON), "no-power-after-start", "nothing answered"),
        (None, to_micros(NOON), "clock-jumped", "the clock jumped"),
    ]


# Commands

EXPIRES = NOON + 90 * MINUTE


def start(serial: int) -> Command:
    return Command(serial=serial, do="start", amps=16.0, valid_until=EXPIRES, why="cheapest hours")


def stop(serial: int) -> Command:
    return Command(serial=serial, do="stop", valid_until=EXPIRES, why="full")


def test_the_last_switches_are_the_last_changes_between_start_and_stop(ledger: Ledger) -> None:
    """An extended command does not count as a switch, and neither does a first stop."""
    assert ledger.last_switches("driveway", MINUTE) == LastSwitches()
    expected = {1: (None, None), 2: (2, None), 3: (2, None), 4: (2, 4), 5: (2, 4), 6: (6, 4)}
    for serial, do in enumerate(["stop", "start", "start", "stop", "stop", "start"], start=1):
        command = start(serial) if do == "start" else stop(serial)
        ledger.add_command("driveway", NOON + serial * MINUTE, command)
        on_at, off_at = (
            None if each is None else NOON + each * MINUTE for each in expected[serial]
        )
        assert ledger.last_switches("driveway", MINUTE) == LastSwitches(on_at, off_at)
    assert ledger.last_switches("carport", MINUTE) == LastSwitches()


def test_a_start_that_expired_was_switched_off_when_it_expired(ledger: Ledger) -> None:
    """A daemon that was away long extends nothing: its next start is another one."""
    ledger.add_command("driveway", NOON, start(1))
    ledger.add_command("driveway", EXPIRES + MINUTE, start(2))
    assert ledger.last_switches("driveway", MINUTE) == LastSwitches(NOON)
    ledger.add_command("driveway", EXPIRES + 9 * MINUTE, start(3))
    assert ledger.last_switches("driveway", MINUTE) == LastSwitches(EXPIRES + 9 * MINUTE)
    ledger.add_command("driveway", EXPIRES + 20 * MINUTE, stop(4))
    assert ledger.last_switches("driveway", MINUTE) == LastSwitches(EXPIRES + 9 * MINUTE, EXPIRES)


def test_the_night_in_progress_is_kept_until_it_is_over(ledger: Ledger) -> None:
    """Each charge point has one night in progress at most; saving replaces it."""
    assert ledger.open_night("driveway") is None
    ledger.save_open_night("driveway", {"starts": 0})
    ledger.save_open_night("driveway", {"starts": 1})
    ledger.save_open_night("carport", {"starts": 7})
    assert ledger.open_night("driveway") == {"starts": 1}
    ledger.save_open_night("driveway", None)
    assert ledger.open_night("driveway") is None
    assert ledger.open_night("carport") == {"starts": 7}


def test_the_last_command(ledger: Ledger) -> None:
    """The command with the highest serial of a charge point is returned completely."""
    assert ledger.last_command("driveway") is None
    ledger.add_command("driveway", NOON, start(1))
    ledger.add_command("driveway", NOON - MINUTE, stop(2))
    ledger.add_command("carport", NOON, start(2))
    assert ledger.last_command("driveway") == StoredCommand(
        NOON - MINUTE, 2, "stop", None, EXPIRES, "full"
    )


def test_a_serial_is_used_once(ledger: Ledger) -> None:
    """A second command under one serial is refused, and the first one stays."""
    ledger.add_command("driveway", NOON, start(1))
    with pytest.raises(LedgerError, match="UNIQUE"):
        ledger.add_command("driveway", NOON, stop(1))
    last = ledger.last_command("driveway")
    assert last is not None
    assert last.do == "start"


# Prices


def test_price_points_are_sorted_and_the_later_price_counts(ledger: Ledger) -> None:
    """A price that changes and changes back is stored each time; a repeated one is not."""
    dear, cheap = PricePoint(NOON, Decimal("0.4120")), PricePoint(NOON, Decimal("0.168"))
    later = PricePoint(NOON + 30 * MINUTE, Decimal("-0.005"))
    assert ledger.add_prices("Day-ahead", [later, dear]) == 2
    assert ledger.add_prices("Day-ahead", [dear, later]) == 0
    assert ledger.add_prices("Day-ahead", [cheap]) == 1
    assert ledger.price_points("Day-ahead") == (cheap, later)
    assert ledger.add_prices("Day-ahead", [dear]) == 1
    assert ledger.price_points("Day-ahead") == (dear, later)
    assert str(ledger.price_points("Day-ahead")[0].rate) == "0.4120"
    assert ledger.price_points("Three-band") == ()


# Nights


def test_nights_come_back_exact_and_in_order(ledger: Ledger) -> None:
    """Nights are sorted by date and charge point, money is Decimal, both limits are included."""
    for day, name in [(4, "driveway"), (3, "driveway"), (3, "carport"), (2, "driveway")]:
        body = {"night": f"2026-06-0{day}", "charge_point": name, "cost": Decimal("5.020") + day}
        ledger.close_night(date(2026, 6, day), name, "hatchback", NOON, body)
    found = ledger.nights()
    assert [(each["night"][-1], each["charge_point"]) for each in found] == [
        ("2", "driveway"),
        ("3", "carport"),
        ("3", "driveway"),
        ("4", "driveway"),
    ]
    assert str(found[0]["cost"]) == "7.020"
    assert len(ledger.nights(date(2026, 6, 3), date(2026, 6, 3))) == 2
    assert len(ledger.nights(start=date(2026, 6, 3))) == 3
    assert len(ledger.nights(end=date(2026, 6, 3), charge_point="driveway")) == 2


def test_closing_a_night_again_keeps_the_earlier_body(tmp_path: Path) -> None:
    """The night shows the latest account; the earlier one is kept as a revision."""
    path = tmp_path / "ledger.sqlite3"
    with open_ledger(path) as ledger:
        assert ledger.close_night(NIGHT, "driveway", "hatchback", NOON, {"cost": Decimal("5.02")})
        assert ledger.close_night(
            NIGHT, "driveway", "van", NOON + MINUTE, {"cost": Decimal("4.90")}
        )
        assert ledger.nights() == ({"cost": Decimal("4.90")},)
    with closing(sqlite3.connect(path)) as database:
        kept = database.execute("SELECT night, vehicle, closed_at, body FROM night_revisions")
        assert kept.fetchall() == [("2026-06-03", "hatchback", to_micros(NOON), '{"cost":5.02}')]


def test_closing_a_night_with_the_same_body_changes_nothing(tmp_path: Path) -> None:
    """A replay after a restart makes no revision."""
    path = tmp_path / "ledger.sqlite3"
    with open_ledger(path) as ledger:
        assert ledger.close_night(NIGHT, "driveway", "hatchback", NOON, {"cost": Decimal("5.02")})
        again = NOON + MINUTE
        assert not ledger.close_night(
            NIGHT, "driveway", "hatchback", again, {"cost": Decimal("5.02")}
        )
    with closing(sqlite3.connect(path)) as database:
        assert database.execute("SELECT count(*) FROM night_revisions").fetchone() == (0,)


# The file in use


def test_another_thread_may_take_over(ledger: Ledger) -> None:
    """A ledger opened in one thread is usable in another, one at a time."""
    results: list[bool] = []
    thread = Thread(target=lambda: results.append(ledger.add_reading("driveway", NOON, 1000)))
    thread.start()
    thread.join(patience(10))
    assert results == [True]
    assert registers(ledger, NOON, NOON) == [(0, 1000)]


def test_a_reader_sees_each_commit_while_the_writer_goes_on(tmp_path: Path) -> None:
    """A read-only ledger beside a writing one sees each commit, and can't write."""
    path = tmp_path / "ledger.sqlite3"
    with open_ledger(path) as writer, open_ledger(path, read_only=True) as reader:
        for minute in range(3):
            writer.add_reading("driveway", NOON + minute * MINUTE, 1000 + minute)
            assert len(registers(reader, NOON, NOON + 9 * MINUTE)) == minute + 1
        with pytest.raises(LedgerError, match="may not be written"):
            reader.add_reading("driveway", NOON, 1)
        with pytest.raises(LedgerError, match="may not be written"):
            reader.save_open_night("driveway", None)


def test_a_full_disk_is_reported_and_records_nothing(ledger: Ledger) -> None:
    """If no page can be added the method raises; once there is room the ledger works again."""
    (pages,) = ledger._connection.execute("PRAGMA page_count").fetchone()
    ledger._connection.execute(f"PRAGMA max_page_count = {pages}")
    ledger.add_reading("driveway", NOON, 1000)
    with pytest.raises(LedgerError, match="disk is full"):
        ledger.add_plan("driveway", NOON, {"why": "x" * 100_000})
    assert plans(ledger) == []
    ledger._connection.execute("PRAGMA max_page_count = 1000000")
    ledger.add_plan("driveway", NOON, {"why": "x" * 100_000})
    assert plans(ledger) == [{"why": "x" * 100_000}]


def test_a_locked_ledger_is_reported(ledger: Ledger, tmp_path: Path) -> None:
    """The error says that another program holds the write lock."""
    ledger._connection.execute("PRAGMA busy_timeout = 0")
    with closing(sqlite3.connect(tmp_path / "ledger.sqlite3", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LedgerError, match="locked"):
            ledger.add_reading("driveway", NOON, 1000)
        other.execute("ROLLBACK")
    assert ledger.add_reading("driveway", NOON, 1000)


def test_a_closed_ledger_reports_it(tmp_path: Path) -> None:
    """Closing twice does no harm; reading afterwards is a ledger error."""
    ledger = open_ledger(tmp_path / "ledger.sqlite3")
    ledger.close()
    ledger.close()
    with pytest.raises(LedgerError, match="closed"):
        ledger.last_reading("driveway")
