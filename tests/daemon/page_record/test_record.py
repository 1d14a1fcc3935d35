"""What has been charged is read from the ledger, every half minute at most."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING

from adapters.contract.table import BUS_TOPICS
from adapters.ledger.ledger import Ledger, open_ledger
from config.household.household_file import LedgerFile
from daemon.page_record.record import READS_EVERY_SECONDS, Record
from tests.daemon.worlds import EVENING, HOUR, MINUTE, POINT, kowhai

if TYPE_CHECKING:
    from pathlib import Path

    from daemon.control.state import House
    from daemon.page.charged import ChargedTonight


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


def test_without_a_ledger(tmp_path: Path) -> None:
    """The reason is kept for whoever set it up; no file is made."""
    house = house_with(tmp_path / "ledger.sqlite3")
    tonight = asyncio.run(Record().tonight(house, EVENING))
    assert "ledger" in tonight.unreadable
    assert list(tmp_path.iterdir()) == []
