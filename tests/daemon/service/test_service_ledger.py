"""A ledger that refuses, or falls to pieces, under a running daemon."""

from __future__ import annotations

import os
import resource
import signal
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from datetime import timedelta
from pathlib import Path

import pytest

from adapters.ledger import file as ledger_file
from adapters.ledger.copies import backed_up_at
from adapters.ledger.ledger import Ledger, open_ledger
from config.files.errors import LedgerDamaged, LedgerError
from daemon.control.events import Warn
from daemon.service.backup_schedule import BackupSchedule
from tests.adapters.ledger.test_file import held_by_a_reader
from tests.daemon.sites import Site, household_file
from tests.daemon.worlds import EVENING, HOUR, LEAVES, MINUTE, NIGHT_BEGINS, NOON, POINT

pytestmark = pytest.mark.usefixtures("no_log")

Refusal = Callable[[Ledger, Path], AbstractContextManager[None]]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "ledger.sqlite3"


@pytest.fixture
def site(tmp_path: Path, ledger: Ledger) -> Site:
    """Kowhai Cottage at 18:30, nothing plugged in yet."""
    made = Site(household_file(tmp_path), ledger, EVENING)
    made.begin()
    made.read()
    return made


# --- how a ledger refuses ---------------------------------------------------------------------


@contextmanager
def full_by_a_limit(_ledger: Ledger, path: Path) -> Iterator[None]:
    """Let no file of this process grow past the size of the ledger's log (RLIMIT_FSIZE)."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    log = path.with_name(f"{path.name}-wal")
    before = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (max(1, log.stat().st_size), hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, before)


@contextmanager
def read_only(ledger: Ledger, _path: Path) -> Iterator[None]:
    """Let SQLite refuse every write on this connection, as on a disk mounted read-only."""
    ledger._connection.execute("PRAGMA query_only = ON")
    yield
    ledger._connection.execute("PRAGMA query_only = OFF")


@contextmanager
def locked(ledger: Ledger, path: Path) -> Iterator[None]:
    """Let another program hold the lock to write."""
    ledger._connection.execute("PRAGMA busy_timeout = 0")
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield


REFUSALS = pytest.mark.parametrize("refuses", [full_by_a_limit, read_only, locked])


@REFUSALS
def test_nothing_is_acknowledged_that_is_not_kept(site: Site, path: Path, refuses: Refusal) -> None:
    """While the ledger refuses, what comes is acted on and not acknowledged; later it is kept."""
    acknowledged = site.acknowledged
    with refuses(site.ledger, path):
        site.plug_in(35.0)
        site.ask(charge_now=True)
        site.pass_time(5 * MINUTE)
        assert site.acknowledged == acknowledged
        assert site.bus.on("command")[-1]["do"] == "start", "what it can't record it sends"
        assert [alert["code"] for alert in site.bus.on("alert")] == ["ledger-refuses"], (
            "raised once"
        )
    site.pass_time(2 * MINUTE)
    assert site.acknowledged == acknowledged + 2 + 7
    assert "ledger-refuses" not in site.state.alerts, "cleared"
    found = site.ledger.register_readings(POINT, EVENING, site.clock.now())
    assert len(found) == 8, "each reading once"
    reports = site.ledger.last_vehicle_reports(POINT)
    assert (reports.pilot, reports.soc_percent) == ("B", 35.0)
    stored = site.ledger.last_command(POINT)
    assert stored is not None
    assert stored.serial <= site.bus.on("command")[-1]["serial"]
    assert site.state.wishes.charge_now


def test_a_wish_is_not_obeyed_again_when_it_is_kept(site: Site, path: Path) -> None:
    """A request made and cleared while nothing could be recorded stays cleared."""
    site.plug_in(35.0)
    with read_only(site.ledger, path):
        site.ask(charge_now=True)
        site.ask(charge_now=False)
    site.pass_time(MINUTE)
    assert not site.state.wishes.charge_now
    assert len(site.ledger.requests_since(POINT, EVENING)) == 2


@REFUSALS
@pytest.mark.parametrize("restart", [False, True])
def test_a_night_that_can_not_be_recorded_is_owed(
    tmp_path: Path, site: Site, path: Path, refuses: Refusal, *, restart: bool
) -> None:
    """Refused over its departure and its noon, a night is recorded once it can be."""
    site.plug_in(35.0)
    site.pass_time(NIGHT_BEGINS + 4 * HOUR - EVENING, every=5 * MINUTE)
    with refuses(site.ledger, path):
        site.pass_time(LEAVES - site.true_now, every=10 * MINUTE)
        site.unplug()
        site.pass_time(NOON + HOUR - site.true_now, every=10 * MINUTE)
        assert site.ledger.nights() == ()
        assert site.records == []
    if restart:
        again = Site(household_file(tmp_path), site.ledger, site.true_now, meter_wh=site.meter_wh)
        again.begin()
        again.unplug()
        again.read()
        site = again
    site.pass_time(2 * MINUTE)
    (night,) = site.ledger.nights()
    assert night["night"] == "2026-06-03"
    assert night["energy_kwh"] * 1000 == round(site.meter_wh) - 1_000_000 > 25_000


def test_a_night_without_a_rate_is_owed(tmp_path: Path, ledger: Ledger) -> None:
    """A night that can't be priced is recorded when a changed file has a rate for it."""
    wrong = household_file(tmp_path, ("valid_from: ", "valid_from: 2030-01-01 # "))
    site = Site(wrong, ledger, EVENING)
    site.begin()
    site.read()
    site.plug_in(35.0)
    site.ask(charge_now=True)
    site.pass_time(HOUR)
    site.ask(charge_now=False)
    site.pass_time(NOON + HOUR - site.true_now, every=10 * MINUTE)
    assert ledger.nights() == ()
    right = household_file(tmp_path)
    os.utime(right, (1, 1))
    for restart in (False, True):
        if restart:
            site = Site(right, ledger, site.true_now, meter_wh=site.meter_wh)
            site.begin()
        site.wake_up()
        site.wake_up()
    assert [night["night"] for night in ledger.nights()] == ["2026-06-03"]


# --- damage -----------------------------------------------------------------------------------


def test_damage_that_shows_later_ends_the_daemon(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stop that is due goes out first; then it ends, and publishes nothing as recorded."""
    site.plug_in(35.0)
    site.ask(charge_now=True)
    acknowledged = site.acknowledged

    def damaged(*_args: object, **_named: object) -> None:
        raise LedgerDamaged("it is damaged")

    monkeypatch.setattr(site.ledger, "add_command", damaged)
    with pytest.raises(LedgerDamaged) as ended:
        site.ask(skip_until=LEAVES)
    assert ended.value.exit_code == 1
    assert site.bus.on("command")[-1]["do"] == "stop"
    assert site.acknowledged == acknowledged


def test_damage_is_told_apart_from_other_refusals(path: Path) -> None:
    """SQLite's own word for it, on a file that was overwritten under an open connection."""
    with open_ledger(path) as ledger:
        for n in range(500):
            ledger.add_reading(POINT, EVENING + n * MINUTE, n)
    with open_ledger(path) as ledger:
        path.write_bytes(b"\xff" * path.stat().st_size)
        with pytest.raises(LedgerDamaged, match="There is no backup of it"):
            ledger.register_readings(POINT, EVENING, EVENING + HOUR)
        ledger._connection.close()


# --- backups ----------------------------------------------------------------------------------


def test_a_backup_is_made_at_a_start_that_missed_it_and_after_each_noon(
    tmp_path: Path, ledger: Ledger, path: Path
) -> None:
    """The first at the first start, then one a day, when the night has settled."""
    site = Site(household_file(tmp_path), ledger, EVENING)
    backups = BackupSchedule(path, lambda: site.file.days)
    at: list[str] = []

    def look() -> None:
        backups.check(site.clock.now())
        backups.stop()
        made = ledger_copies_at(path)
        if made and made not in at:
            at.append(made)

    for minutes in range(0, 48 * 60, 5):
        site.clock.at = EVENING + minutes * MINUTE
        look()
    assert at == ["2026-06-03T06:30", "2026-06-04T00:20", "2026-06-05T00:20"]
    again = BackupSchedule(path, lambda: site.file.days)
    assert again.check(site.clock.now()) is None
    assert again.check(site.clock.now() + timedelta(days=3)) is None
    again.stop()
    assert ledger_copies_at(path) == "2026-06-08T06:25"


def ledger_copies_at(path: Path) -> str | None:
    at = backed_up_at(path)
    return at.isoformat(timespec="minutes").removesuffix("+00:00") if at else None


def test_a_backup_that_fails_is_said_once_and_taken_back(
    tmp_path: Path, ledger: Ledger, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The alert no-backup: tried again each hour, raised once, gone with the next that works."""

    def refuses(*_args: object) -> Path:
        raise LedgerError("too little room")

    monkeypatch.setattr("daemon.service.backup_schedule.make_backup", refuses)
    file = household_file(tmp_path)
    site = Site(file, ledger, EVENING)
    backups = BackupSchedule(path, lambda: site.file.days)
    site = Site(file, ledger, EVENING, backups=backups)
    site.begin()
    for _ in range(30):
        backups.stop()
        site.pass_time(10 * MINUTE)
        site.wake_up()
    assert [alert["code"] for alert in site.bus.on("alert")] == ["no-backup"]
    monkeypatch.undo()
    for _ in range(8):
        backups.stop()
        site.pass_time(10 * MINUTE)
        site.wake_up()
    backups.stop()
    site.wake_up()
    assert "no-backup" not in site.state.alerts
    assert ledger_copies_at(path) is not None
    assert [a for _, a in site.actions if isinstance(a, Warn)] != []


def test_a_lock_of_another_program_is_not_waited_for_each_time(
    site: Site, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the ledger refuses, messages are not tried one by one: each try takes two seconds."""
    assert ledger_file.BUSY_SECONDS == 2.0
    tried: list[tuple[object, ...]] = []

    def keep(*given: object) -> bool:
        tried.append(given)
        return True

    with locked(site.ledger, path):
        site.plug_in(35.0)
        monkeypatch.setattr(site.ledger, "add_reading", keep)
        for _ in range(20):
            site.read()
    assert tried == []


def test_a_reader_that_locks_the_ledger_is_shut_out(site: Site, path: Path) -> None:
    """A page that was broken into can do so: the alert goes, and all is recorded, all the same."""
    site.plug_in(35.0)
    with held_by_a_reader(path, 120):
        site.ledger._connection.execute("PRAGMA busy_timeout = 0")
        site.ask(charge_now=True)
        assert "ledger-refuses" in site.state.alerts
        site.pass_time(2 * MINUTE)
        assert "ledger-refuses" not in site.state.alerts
        at = site.clock.now()
        assert site.ledger.register_readings(POINT, at - MINUTE, at)
