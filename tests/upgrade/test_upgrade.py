"""Upgrade from earlier versions, and go back again.

``tests/data/previous`` has the files that those versions really wrote (see `tests.upgrade.keep`):
two closed nights, a third interrupted by a power cut, and the reports of the nights at that time.
"""

from __future__ import annotations

import gzip
import json
import random
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from adapters.ledger import before_migration as ledger_before
from adapters.ledger.copies import backup_of_schema
from adapters.ledger.file import open_file
from adapters.ledger.ledger import open_ledger
from adapters.ledger.schema import MIGRATIONS
from config.files.errors import LedgerError
from config.household.loading import load_household
from tests.daemon.sites import Site
from tests.upgrade.keep import MOST_BYTES, PREVIOUS, ROOT, keep
from tests.upgrade.killed import kill_upgrades

NEWEST = len(MIGRATIONS)
POINT = "driveway"
LATER = {("commands", "plan"), ("commands", "phases")}
"""Columns that the first versions did not have."""
FIVE_MINUTES = timedelta(minutes=5)
BEGINS, ENDS = datetime(2026, 6, 1, tzinfo=UTC), datetime(2026, 7, 1, tzinfo=UTC)
DEPARTS = datetime(2026, 6, 5, 22, tzinfo=UTC)
"""Saturday 10:00 at Kowhai Cottage: the departure after the cut, by its household file."""


@dataclass(frozen=True)
class Old:
    """The files of an earlier version, copied to where this test may change them."""

    household: Path
    ledger: Path
    schema: int
    nights: list[dict[str, Any]]
    register_wh: int
    copy: Path


def about(kept: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((kept / "about.json").read_text("utf-8"))
    return found


KEPT = sorted(PREVIOUS.iterdir(), key=lambda kept: (about(kept)["schema"], kept.name))


OF_AN_OLDER_SCHEMA = pytest.mark.parametrize(
    "old",
    [kept for kept in KEPT if about(kept)["schema"] < NEWEST],
    ids=lambda folder: folder.name,
    indirect=True,
)
"""For tests of migrations: ledgers of today's schema are not migrated."""


@pytest.fixture(params=KEPT, ids=lambda folder: folder.name)
def old(request: pytest.FixtureRequest, tmp_path: Path) -> Old:
    kept: Path = request.param
    household, ledger = tmp_path / "house.yaml", tmp_path / "ledger.sqlite3"
    household.write_bytes((kept / "house.yaml").read_bytes())
    ledger.write_bytes(gzip.decompress((kept / "ledger.sqlite3.gz").read_bytes()))
    recorded = json.loads((kept / "nights.json").read_text("utf-8"), parse_float=Decimal)
    schema = about(kept)["schema"]
    copy = backup_of_schema(ledger, schema)
    return Old(household, ledger, schema, recorded["nights"], recorded["register_wh"], copy)


def rows(path: Path, table: str) -> list[tuple[object, ...]]:
    """Read the columns that the table has in every version, without opening it as a ledger."""
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as database:
        names = [name for _, name, *_ in database.execute(f"PRAGMA table_info({table})")]
        shared = ", ".join(name for name in names if (table, name) not in LATER)
        return database.execute(f"SELECT {shared} FROM {table} ORDER BY 1, 2").fetchall()  # noqa: S608


def schema_of(path: Path) -> int:
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as database:
        (version,) = database.execute("PRAGMA user_version").fetchone()
    return int(version)


def test_something_is_kept_of_each_older_schema() -> None:
    """Every schema that was in use has a ledger here; each is small and names its version."""
    assert {about(kept)["schema"] for kept in KEPT} >= set(range(1, NEWEST))
    for kept in KEPT:
        assert kept.name.startswith(about(kept)["version"])
        assert sum(file.stat().st_size for file in kept.iterdir()) < MOST_BYTES


def test_this_version_can_be_kept(tmp_path: Path) -> None:
    """At its release: two nights with their reports, and one that was interrupted."""
    keep(ROOT, tmp_path / "kept", "")
    assert about(tmp_path / "kept")["schema"] == NEWEST
    ledger = tmp_path / "ledger.sqlite3"
    ledger.write_bytes(gzip.decompress((tmp_path / "kept" / "ledger.sqlite3.gz").read_bytes()))
    recorded = json.loads(
        (tmp_path / "kept" / "nights.json").read_text("utf-8"), parse_float=Decimal
    )
    with open_ledger(ledger) as opened:
        assert list(opened.nights()) == recorded["nights"]
        assert len(recorded["nights"]) == 2
        unfinished = opened.open_night(POINT)
    assert unfinished is not None
    assert unfinished["open"]["night"] == "2026-06-05"


def test_every_night_and_every_row_is_the_same_after_the_upgrade(old: Old) -> None:
    """The nights are as the old version reported them; rows keep all their values."""
    assert schema_of(old.ledger) == old.schema
    tables = ("readings", "vehicle_reports", "commands", "nights", "alerts", "open_nights")
    before = {table: rows(old.ledger, table) for table in tables}
    assert len(before["readings"]) > 100
    with open_ledger(old.ledger) as ledger:
        assert list(ledger.nights()) == old.nights
        register = [each.register_wh for each in ledger.register_readings(POINT, BEGINS, ENDS)]
        assert [register[0], max(register[:-1])] >= [1_000_000, old.register_wh]
    assert schema_of(old.ledger) == NEWEST
    assert {table: rows(old.ledger, table) for table in tables} == before


def test_the_old_household_file_still_loads(old: Old) -> None:
    """It means the same: its departures are those of the nights."""
    file = load_household(old.household)
    assert file.household.name == "Kowhai Cottage"
    assert [each.at.isoformat("minutes") for each in file.departures] == ["07:20", "10:00", "05:30"]


def test_a_night_cut_short_by_the_upgrade_is_charged_and_accounted_for(old: Old) -> None:
    """Today's daemon takes over in mid charge: one night, with the energy before and after.

    The nights before are compared with other rules again, and stay otherwise as they were.
    """
    # The oldest versions went on to the everyday limit where a departure has a need alone; since
    # then as much is charged only if that is wanted, as the later files say.
    declared = old.household.read_text("utf-8")
    want = 'at: "10:00", need_percent: 50, want_percent: 80}'
    wanted = declared.replace('at: "10:00", need_percent: 50}', want)
    assert want in wanted
    old.household.write_text(wanted, "utf-8")
    with open_ledger(old.ledger) as ledger:
        last = ledger.last_reading(POINT)
        command = ledger.last_command(POINT)
        assert last is not None
        assert last.register_wh is not None
        assert command is not None
        assert command.do == "start"
        site = Site(old.household, ledger, last.at, meter_wh=float(last.register_wh))
        site.is_there = True
        site.begin()
        site.read()
        assert site.bus.on("command")[-1]["serial"] >= command.serial
        site.pass_time(DEPARTS - timedelta(minutes=1) - site.true_now, every=FIVE_MINUTES)
        site.unplug()
        site.pass_time(timedelta(hours=3), every=FIVE_MINUTES)
        *compared, night = site.records
        compared = compared or old.nights  # those of late versions are compared already
        assert [each["night"] for each in ledger.nights()] == [
            "2026-06-03", "2026-06-04", "2026-06-05",
        ]  # fmt: skip
        assert list(ledger.nights())[:2] == compared
    # They gain the keys of this version, and keep every other value.
    assert [
        each | {"baselines": now["baselines"], "stays": now["stays"], "estimated_rate_kwh": 0}
        for each, now in zip(old.nights, compared, strict=True)
    ] == compared
    for each in compared:
        (stay,) = each["stays"]
        assert all(stay[key] == each[key] for key in ("vehicle", "plugged_since", "departure"))
        assert (stay["soc_after_percent"], stay["need_met"]) == (each["soc_after_percent"], True)
        costs = [rule["cost"] for rule in each["baselines"].values()]
        assert {rule["energy_kwh"] for rule in each["baselines"].values()} == {each["energy_kwh"]}
        assert min(each["cost"], *(round(cost, 2) for cost in costs)) == round(
            each["baselines"]["hindsight"]["cost"], 2
        )
    assert night["night"] == date(2026, 6, 5).isoformat()
    assert night["need_met"]
    assert night["energy_kwh"] * 1000 == round(site.meter_wh) - old.register_wh  # whole Wh
    assert night["energy_kwh"] > (last.register_wh - old.register_wh) / 1000 + 5


@OF_AN_OLDER_SCHEMA
def test_the_copy_made_before_leads_back(old: Old) -> None:
    """It has the old schema and all rows of the ledger, and that schema's code opens it."""
    before = {table: rows(old.ledger, table) for table in ("readings", "nights", "commands")}
    open_ledger(old.ledger).close()
    assert schema_of(old.copy) == old.schema
    assert {table: rows(old.copy, table) for table in before} == before
    with closing(open_file(old.copy, migrations=MIGRATIONS[: old.schema])) as opened:
        assert opened.execute("PRAGMA user_version").fetchone() == (old.schema,)


@OF_AN_OLDER_SCHEMA
def test_an_old_daemon_names_the_copy_it_can_open(old: Old) -> None:
    """It changes nothing in a newer ledger, and names the copy to go back to."""
    open_ledger(old.ledger).close()
    before = old.ledger.read_bytes()
    with pytest.raises(LedgerError) as refused:
        open_file(old.ledger, migrations=MIGRATIONS[: old.schema])
    assert f"newer Lullwatt (schema {NEWEST}, this one knows up to {old.schema})" in str(
        refused.value
    )
    assert f"put {old.copy} in its place" in str(refused.value)
    assert "-wal" in str(refused.value)
    assert len(str(refused.value).splitlines()) == 1
    assert old.ledger.read_bytes() == before


def test_a_copy_that_it_cannot_open_is_not_named(tmp_path: Path) -> None:
    """It ignores copies with newer schemas; without another one the message says what to do."""
    path = tmp_path / "ledger.sqlite3"
    open_ledger(path).close()
    for name in ("schema-3.backup", "schema-x.backup", "schema-2.backup.part"):
        path.with_name(f"ledger.sqlite3.{name}").touch()
    with pytest.raises(LedgerError, match="install that one again, or use another file"):
        open_file(path, migrations=MIGRATIONS[:2])
    for version in (1, 2):
        backup_of_schema(path, version).touch()
    with pytest.raises(LedgerError, match=r"put .*schema-2\.backup in its place"):
        open_file(path, migrations=MIGRATIONS[:2])


# --- the copy is made first, or nothing is ------------------------------------------------------


@pytest.fixture
def first(tmp_path: Path) -> Path:
    """Return a ledger of the first schema."""
    path = tmp_path / "ledger.sqlite3"
    path.write_bytes(gzip.decompress((KEPT[0] / "ledger.sqlite3.gz").read_bytes()))
    return path


def test_a_copy_that_lacks_a_row_stops_the_upgrade(
    first: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rows are counted in both; the ledger keeps its schema, and no partial copy is left."""
    summary = ledger_before._summary
    seen: list[int] = []

    def lose_one(connection: sqlite3.Connection) -> tuple[int, int, dict[str, int]]:
        if not seen:
            seen.append(1)
            connection.execute("DELETE FROM nights WHERE night = '2026-06-03'")
        return summary(connection)

    monkeypatch.setattr(ledger_before, "_summary", lose_one)
    with pytest.raises(LedgerError, match="not complete; nothing was changed"):
        open_ledger(first)
    assert schema_of(first) == 1
    assert len(rows(first, "nights")) == 2
    assert not list(first.parent.glob("*.backup*"))


def test_a_copy_with_a_fault_stops_the_upgrade(
    first: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite's own check finds the fault."""
    monkeypatch.setattr(ledger_before, "_fault", lambda _copy: "row 7 missing from index")
    with pytest.raises(LedgerError, match="not complete; nothing was changed"):
        open_ledger(first)
    assert schema_of(first) == 1
    assert not list(first.parent.glob("*.backup*"))


def test_without_room_for_the_copy_nothing_is_migrated(
    first: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The message says that the disk has too little room."""
    monkeypatch.setattr(ledger_before, "SPARE_BYTES", 1 << 62)
    with pytest.raises(LedgerError, match="too little room for a backup"):
        open_ledger(first)
    assert schema_of(first) == 1


def test_the_copy_stands_beside_the_ledger_itself(first: Path, tmp_path: Path) -> None:
    """If the household file names a link, the copy is beside the ledger, not beside the link."""
    (tmp_path / "here").mkdir()
    link = tmp_path / "here" / "ledger.sqlite3"
    link.symlink_to(first)
    open_ledger(link).close()
    assert backup_of_schema(first, 1).exists()
    assert list((tmp_path / "here").iterdir()) == [link]


def test_an_upgrade_after_going_back_makes_a_new_copy(first: Path) -> None:
    """The old copy, used as the ledger again, is copied again at the next upgrade."""
    open_ledger(first).close()
    copy = backup_of_schema(first, 1)
    first.unlink()
    copy.replace(first)
    with closing(open_file(first, migrations=MIGRATIONS[:1])) as went_back:
        went_back.execute("INSERT INTO alerts (at, code, message) VALUES (1, 'x', 'since then')")
    before = rows(first, "alerts")
    open_ledger(first).close()
    assert schema_of(first) == NEWEST
    assert rows(copy, "alerts") == before


@pytest.mark.parametrize("kept", [kept for kept in KEPT if about(kept)["schema"] < NEWEST])
def test_a_killed_upgrade_loses_nothing(kept: Path) -> None:
    """Whenever it is killed, the ledger is whole, and the old one can be put back."""
    assert kill_upgrades(kept, 3, random.Random("killed")).endswith("nothing lost")
