"""What has been charged is read from the ledger, every half minute at most."""

from __future__ import annotations

import asyncio
import os
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import pytest

from adapters.contract.table import BUS_TOPICS
from adapters.ledger import file
from adapters.ledger.ledger import Ledger, open_ledger
from config.household.household_file import LedgerFile
from daemon.page_record.reading import PastReader
from daemon.page_record.record import READS_EVERY_SECONDS, Record
from daemon.service.house_loading import load_house
from tests.daemon.why.nights import NIGHT, Home
from tests.daemon.worlds import EVENING, HOUR, MINUTE, POINT, kowhai

if TYPE_CHECKING:
    from daemon.control.state import House
    from daemon.page.charged import ChargedTonight

DAEMON, PAGE = 60_010, 60_011
"""Users that nobody is."""


def house_with(ledger: Path) -> House:
    house = kowhai()
    return replace(house, file=house.file.model_copy(update={"ledger": LedgerFile(path=ledger)}))


def add(ledger: Ledger, minutes: int, kwh: float) -> None:
    ledger.add_reading(POINT, EVENING + minutes * MINUTE, register_wh=round(kwh * 1000))


def test_it_is_read_from_noon_on(tmp_path: Path) -> None:
    """While the daemon writes it; what came later is seen half a minute afterwards."""
    path, seconds = tmp_path / "ledger.sqlite3", [0.0]
    house = house_with(path)
    with open_ledger(path) as ledger:
        add(ledger, 0, 1000.0)
        add(ledger, 10, 1001.2)

        async def look() -> list[ChargedTonight]:
            record = Record(lambda: seconds[0])
            seen = [await record.tonight(house, EVENING + HOUR)]
            add(ledger, 20, 1002.4)
            seen.append(await record.tonight(house, EVENING + HOUR))
            seconds[0] = READS_EVERY_SECONDS
            seen.append(await record.tonight(house, EVENING + HOUR))
            return seen

        first, same, later = asyncio.run(look())
    assert first is same
    assert (first.points[POINT].wh, later.points[POINT].wh) == (1200, 2400)
    assert later.points[POINT].spans == ((EVENING, EVENING + 20 * MINUTE),)


def test_the_latest_night_that_is_closed(tmp_path: Path) -> None:
    """By its charge point; one in another currency can't be compared and is left out."""
    path = tmp_path / "ledger.sqlite3"
    house = house_with(path)
    [night] = [dict(topic.examples[0]) for topic in BUS_TOPICS if topic.name == "night"]
    with open_ledger(path) as ledger:
        for day, point, currency in ((2, POINT, "NZD"), (3, POINT, "NZD"), (3, "other", "EUR")):
            body = night | {"night": f"2026-06-0{day}", "charge_point": point, "currency": currency}
            ledger.close_night(date(2026, 6, day), point, "hatchback", EVENING, body)
    tonight = asyncio.run(Record().tonight(house, EVENING))
    assert {point: row.night.day for point, row in tonight.last_nights.items()} == {POINT: 3}


def test_one_account_of_a_night_in_progress_on_every_page(tmp_path: Path) -> None:
    """It was made when the departure had been missed; since then more was charged."""
    home = Home(tmp_path)
    with home.place() as place:
        place.plug_in(35.0)
        place.ask(need_percent=100.0, by=EVENING + HOUR)
        place.until(EVENING + 6 * HOUR)
        now = place.true_now
    house = load_house(home.household)
    with open_ledger(home.path, read_only=True) as ledger:
        (closed,) = ledger.nights(NIGHT, NIGHT)
    reader = PastReader(home.household)
    past = asyncio.run(reader.past(house, now))
    (last,) = asyncio.run(Record().tonight(house, now)).last_nights.values()
    (why,) = past.whys
    shown = {last.energy_wh, past.months[0].energy_wh, past.sums[0].wh, why.history.night.energy_wh}
    assert shown == {last.energy_wh}
    assert last.energy_wh > 1000 * closed["energy_kwh"] > 0


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        ("PRAGMA user_version = 1", "the ledger's schema is older"),
        ("PRAGMA user_version = 999", "the ledger was written by a newer Lullwatt"),
        ("PRAGMA application_id = 7", "this is another program's database"),
        ("PRAGMA locking_mode = EXCLUSIVE; DELETE FROM plans", "another program keeps it locked"),
    ],
)
def test_a_ledger_that_cannot_be_used(
    tmp_path: Path, spoil: str, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Which of them it is, is kept for whoever set it up."""
    monkeypatch.setattr(file, "BUSY_SECONDS", 0.01)
    path = tmp_path / "ledger.sqlite3"
    open_ledger(path).close()
    with closing(sqlite3.connect(path)) as other:
        other.executescript(spoil)
        tonight = asyncio.run(Record().tonight(house_with(path), EVENING))
    assert words in tonight.unreadable


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can act as another user")
def test_another_user_of_the_group_reads_the_ledger() -> None:
    """It needs to write neither the log nor its index, whether a daemon runs or not."""
    with TemporaryDirectory() as folder:
        Path(folder).chmod(0o750)
        before = os.umask(0o027)
        try:
            ledger = open_ledger(Path(folder, "ledger.sqlite3"))
        finally:
            os.umask(before)
        for each in (Path(folder), *Path(folder).iterdir()):
            os.chown(each, DAEMON, DAEMON)
        with ledger:
            add(ledger, 0, 1000.0)
            add(ledger, 10, 1001.2)
            assert {each.stat().st_mode & 0o777 for each in Path(folder).iterdir()} == {0o640}
            assert charged_as_page([DAEMON], folder) == "1200"
            assert "Permission denied" in charged_as_page([], folder)
        assert charged_as_page([DAEMON], folder) == "1200"


def charged_as_page(groups: list[int], folder: str) -> str:
    """Return what a user of these groups reads as charged [Wh], or why they can't."""
    ours, theirs = os.pipe()
    child = os.fork()
    if child == 0:
        os.setgroups(groups)
        os.setgid(PAGE)
        os.setuid(PAGE)
        house = house_with(Path(folder, "ledger.sqlite3"))
        tonight = asyncio.run(Record().tonight(house, EVENING + HOUR))
        os.write(theirs, (tonight.unreadable or str(tonight.points[POINT].wh)).encode())
        os._exit(0)
    os.close(theirs)
    with os.fdopen(ours) as reading:
        text = reading.read()
    os.waitpid(child, 0)
    return text


def test_without_a_ledger(tmp_path: Path) -> None:
    """The reason is kept for whoever set it up; no file is made."""
    house = house_with(tmp_path / "ledger.sqlite3")
    tonight = asyncio.run(Record().tonight(house, EVENING))
    assert "ledger" in tonight.unreadable
    assert list(tmp_path.iterdir()) == []
