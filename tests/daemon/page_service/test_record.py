"""What has been charged is read from the ledger, every half minute at most."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import TYPE_CHECKING

from adapters.ledger.ledger import Ledger, open_ledger
from config.household.household_file import LedgerFile
from daemon.page_service.record import READS_EVERY_SECONDS, Record
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
            record = Record(path, lambda: seconds[0])
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


def test_without_a_ledger(tmp_path: Path) -> None:
    """The reason is kept for whoever set it up; no file is made."""
    house = house_with(tmp_path / "ledger.sqlite3")
    tonight = asyncio.run(Record(tmp_path).tonight(house, EVENING))
    assert "ledger" in tonight.unreadable
    assert list(tmp_path.iterdir()) == []
