"""`lullwatt backup`: the copy, and a daemon that goes on from a copy."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from adapters.backups.whole_copy import copy_ledger
from adapters.ledger.ledger import open_ledger
from config.files.errors import LedgerError
from daemon.command_line.cli import cli
from tests.daemon.sites import Site, household_file
from tests.daemon.worlds import EVENING, HOUR, MINUTE, NIGHT_BEGINS, POINT

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.usefixtures("no_log")


@pytest.fixture
def house(tmp_path: Path) -> Path:
    """Write a household whose ledger has one night and one reading."""
    path = household_file(tmp_path)
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        ledger.add_reading(POINT, EVENING, 1_000_000)
        ledger.close_night(date(2026, 6, 3), POINT, "hatchback", EVENING, {"energy_kwh": 1})
    return path


def run(*arguments: object) -> str:
    return CliRunner().invoke(cli, [str(each) for each in arguments], catch_exceptions=False).output


def test_a_line_sums_up_the_copy(house: Path, tmp_path: Path) -> None:
    """First and last night, number of readings, and size."""
    target = tmp_path / "safe.sqlite3"
    assert run("backup", house, target) == (
        f"{target}: 1 night, 2026-06-03, 1 reading, {target.stat().st_size / 1e6:.1f} MB\n"
    )
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        ledger.add_reading(POINT, EVENING + HOUR, 1_000_001)
        ledger.close_night(date(2026, 6, 5), POINT, "hatchback", EVENING, {"energy_kwh": 1})
    assert ": 2 nights from 2026-06-03 to 2026-06-05, 2 readings, " in run(
        "backup", house, target, "--overwrite"
    )


def test_in_a_folder_the_copy_is_named_after_the_day(
    house: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The household's local day: in New Zealand it is already the fourth."""
    monkeypatch.setattr(
        "adapters.clocks.clock.SystemClock.now", lambda _: datetime(2026, 6, 3, 13, tzinfo=UTC)
    )
    folder = tmp_path / "usb stick"
    folder.mkdir()
    assert run("backup", house, folder).startswith(
        f"{folder / 'ledger-2026-06-04.sqlite3'}: 1 night"
    )
    with pytest.raises(LedgerError, match="--overwrite replaces it"):
        run("backup", house, folder)


def test_a_missing_ledger_is_an_error(tmp_path: Path) -> None:
    """A household that was never run has nothing to copy."""
    with pytest.raises(LedgerError, match="there is no ledger yet") as refused:
        run("backup", household_file(tmp_path), tmp_path / "copy")
    assert refused.value.exit_code == 2
    assert len(str(refused.value).splitlines()) == 1


def test_the_daemon_goes_on_with_a_copy_in_place_of_a_damaged_ledger(tmp_path: Path) -> None:
    """As in the guide: remove the ledger, -wal and -shm; put the copy in its place.

    Commands were sent after the copy was made. The next serial is above all of theirs, so that
    hardware obeys it, and all energy up to the meter's later reading is accounted for.
    """
    path, copy = tmp_path / "ledger.sqlite3", tmp_path / "copy.sqlite3"
    ledger = open_ledger(path)
    site = Site(household_file(tmp_path), ledger, EVENING)
    site.begin()
    site.read()
    site.plug_in(35.0)
    site.pass_time(HOUR, every=10 * MINUTE)
    copy_ledger(path, copy)
    site.pass_time(NIGHT_BEGINS + HOUR - site.clock.at, every=10 * MINUTE)
    last_serial = max(command["serial"] for command in site.bus.on("command"))
    known = site.meter_wh
    assert known > 1_000_000
    ledger.close()
    raw = bytearray(path.read_bytes())
    raw[4096:8192] = b"\xff" * 4096
    path.write_bytes(raw)
    with pytest.raises(LedgerError, match="damaged"):
        open_ledger(path)
    for name in ("ledger.sqlite3", "ledger.sqlite3-wal", "ledger.sqlite3-shm"):
        (tmp_path / name).unlink(missing_ok=True)
    copy.rename(path)
    with open_ledger(path) as restored:
        again = Site(household_file(tmp_path), restored, site.clock.at, meter_wh=known)
        again.begin()
        again.plug_in(None)
        again.read()
        again.pass_time(timedelta(hours=1), every=10 * MINUTE)
        serials = [command["serial"] for command in again.bus.on("command")]
        assert serials
        assert min(serials) > last_serial
        assert again.meter_wh > known
        again.unplug()
        again.pass_time(timedelta(hours=16), every=10 * MINUTE)
        [night] = restored.nights()
    assert night["energy_kwh"] * 1000 == round(again.meter_wh) - 1_000_000
