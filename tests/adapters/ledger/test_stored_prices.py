"""Reading a ledger's stored prices leaves no trace, and reports what can't be read."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest

from adapters.ledger.ledger import open_ledger
from adapters.ledger.schema import MIGRATIONS
from adapters.ledger.stored_prices import stored_news
from config.files.errors import LedgerError
from config.files.price_series import PricePoint

START = datetime(2026, 6, 3, tzinfo=UTC)
POINTS = tuple(
    PricePoint(START + i * timedelta(minutes=15), Decimal(i) / 1000) for i in range(-3, 3)
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    made = tmp_path / "ledger.sqlite3"
    with open_ledger(made) as ledger:
        ledger.add_prices("Day-ahead", POINTS)
        ledger.add_prices("Day-ahead", [PricePoint(POINTS[0].start, Decimal("0.5"))])
    return made


def traces(path: Path) -> dict[str, tuple[int, int, bytes]]:
    """Return everything in the folder: names, sizes, modification times, contents."""
    return {
        each.name: (each.stat().st_size, each.stat().st_mtime_ns, each.read_bytes())
        for each in path.parent.iterdir()
    }


def set_schema(path: Path, version: int) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {version}")


def test_the_latest_price_of_each_start_is_read(path: Path) -> None:
    """A correction counts, other tariffs have none, and nothing in the folder is touched."""
    before = traces(path)
    kept = stored_news(path, ["Day-ahead", "Other"])
    assert kept == {
        "Day-ahead": (PricePoint(POINTS[0].start, Decimal("0.5")), *POINTS[1:]),
        "Other": (),
    }
    assert traces(path) == before
    assert list(before) == ["ledger.sqlite3"]


def test_where_there_is_no_ledger_there_are_no_prices(tmp_path: Path) -> None:
    """Neither file nor folder need exist, and none is made."""
    for name in ("ledger.sqlite3", "nowhere/ledger.sqlite3"):
        assert stored_news(tmp_path / name, ["Day-ahead"]) == {"Day-ahead": ()}
    (tmp_path / "empty.sqlite3").touch()
    assert stored_news(tmp_path / "empty.sqlite3", ["Day-ahead"]) == {"Day-ahead": ()}
    assert [each.name for each in tmp_path.iterdir()] == ["empty.sqlite3"]


def test_beside_a_daemon_its_latest_prices_are_read(path: Path) -> None:
    """A daemon that has the ledger open goes on writing, and its latest price is read."""
    news = PricePoint(START + timedelta(hours=1), Decimal("0.7"))
    with open_ledger(path) as daemon:
        daemon.add_prices("Day-ahead", [news])
        assert stored_news(path, ["Day-ahead"])["Day-ahead"][-1] == news
        daemon.add_prices("Day-ahead", [PricePoint(news.start, Decimal("0.8"))])
    assert list(traces(path)) == ["ledger.sqlite3"]


def test_after_a_daemon_that_was_killed(path: Path, tmp_path: Path) -> None:
    """Prices that a killed daemon committed are read from its log; log and file are unchanged."""
    news = PricePoint(START + timedelta(hours=1), Decimal("0.7"))
    killed = tmp_path / "killed"
    with open_ledger(path) as daemon:
        daemon.add_prices("Day-ahead", [news])
        killed.mkdir()
        for part in tmp_path.glob("ledger.sqlite3*"):
            shutil.copy(part, killed / part.name)
    left = killed / "ledger.sqlite3"
    before = traces(left)
    assert stored_news(left, ["Day-ahead"])["Day-ahead"][-1] == news
    after = traces(left)
    assert set(after) == set(before)
    for name in ("ledger.sqlite3", "ledger.sqlite3-wal"):
        assert after[name] == before[name]


@pytest.mark.parametrize("version", [len(MIGRATIONS) + 1, 0])
def test_another_schema_is_refused_and_left(path: Path, version: int) -> None:
    """An older or newer ledger is neither read nor brought up to date."""
    set_schema(path, version)
    before = traces(path)
    with pytest.raises(LedgerError, match=f"schema {version}, this one reads {len(MIGRATIONS)}"):
        stored_news(path, ["Day-ahead"])
    assert traces(path) == before


@pytest.mark.parametrize("raw", [b"no database" * 1000, b"SQLite format 3\0" + b"\xff" * 5000])
def test_what_is_no_ledger_is_refused_and_left(tmp_path: Path, raw: bytes) -> None:
    """A file of another kind, or a damaged one, is an error in plain words."""
    path = tmp_path / "ledger.sqlite3"
    path.write_bytes(raw)
    before = traces(path)
    with pytest.raises(LedgerError, match=r"ledger\.sqlite3: the ledger"):
        stored_news(path, ["Day-ahead"])
    assert traces(path) == before


def test_another_program_s_database_is_refused(tmp_path: Path) -> None:
    """A database with a table of prices is not enough to be a ledger."""
    path = tmp_path / "ledger.sqlite3"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE prices (tariff, start, rate, id)")
    with pytest.raises(LedgerError, match="another program's database"):
        stored_news(path, ["Day-ahead"])


def test_a_folder_in_its_place_is_refused(tmp_path: Path) -> None:
    """A directory in place of the ledger is an error."""
    with pytest.raises(LedgerError, match="the ledger"):
        stored_news(tmp_path, ["Day-ahead"])


@pytest.mark.parametrize("rate", ["dear", "", "1,5"])
def test_a_price_that_is_no_number_is_refused(path: Path, rate: str) -> None:
    """A row that was tampered with is an error in plain words too."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE prices SET rate = ?", (rate,))
        connection.commit()
    with pytest.raises(LedgerError, match=r"the ledger.*price"):
        stored_news(path, ["Day-ahead"])
