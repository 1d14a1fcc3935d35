"""Write a ledger in steps, each said when it is done: a few evenings, in small.

Run as a module with the folder of the ledger, the number of steps, and the fault to plant, if any:
``loose`` does not sync, ``early`` says that a step is done before it is.
"""

from __future__ import annotations

import os
import sys
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Final

from adapters.contract.messages import Command
from adapters.ledger import ledger as ledger_module
from adapters.ledger import retention
from adapters.ledger.file import transaction
from adapters.ledger.ledger import Ledger, open_ledger
from config.files.price_series import PricePoint

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable, Iterator

NAME: Final = "ledger.sqlite3"
POINT: Final = "driveway"
_BEGINS: Final = datetime(2026, 6, 3, 6, tzinfo=UTC)
_MINUTE: Final = timedelta(minutes=1)
_REOPENED_EVERY: Final = 37
_REMOVED_EVERY: Final = 50


class Evenings:
    """A ledger, and the steps that write it.

    Parameters
    ----------
    folder : Path
        Where it lies.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / NAME
        self._ledger = open_ledger(self._path)

    @property
    def ledger(self) -> Ledger:
        """The open ledger."""
        return self._ledger

    def step(self, number: int) -> None:
        """Do one step, counted from 1."""
        at = _BEGINS + number * _MINUTE
        if number % _REMOVED_EVERY == 0:
            retention.remove_before(self._path, at - 20 * _MINUTE, lambda: False)
        elif number % _REOPENED_EVERY == 0:
            self._ledger.close()
            self._ledger = open_ledger(self._path)
        else:
            kinds = (self._reading, self._command, self._reading, self._plan, self._reading)
            (*kinds, self._vehicle, self._reading, self._night)[number % 8](number, at)

    def close(self) -> None:
        """Close the ledger, as a daemon that ends does."""
        self._ledger.close()

    def _reading(self, number: int, at: datetime) -> None:
        self._ledger.add_reading(POINT, at, register_wh=1000 + number, watts=7360.0)

    def _vehicle(self, number: int, at: datetime) -> None:
        self._ledger.add_vehicle_report(POINT, at, "C", soc_percent=20 + number % 60)
        self._ledger.add_alert(POINT, at, "no-reading", f"no reading came for {number} minutes")

    def _command(self, number: int, at: datetime) -> None:
        command = Command(
            v=1, serial=number, do="start", amps=16, valid_until=at + 5 * _MINUTE, why="cheapest"
        )
        self._ledger.add_command(POINT, at, command)

    def _plan(self, number: int, at: datetime) -> None:
        # As long as a plan of several nights, so that SQLite also clears its log in between.
        periods = [{"start": at.isoformat(), "kwh": number / 7 + each} for each in range(1500)]
        self._ledger.add_plan(POINT, at, {"periods": periods})
        self._ledger.save_open_night(POINT, {"register_wh": 1000 + number, "parts": periods[:90]})

    def _night(self, number: int, at: datetime) -> None:
        body = {"energy_kwh": Decimal(number) / 100, "cost": Decimal(number) / 300}
        night = date(2026, 6, 3) + timedelta(days=number // 16)
        self._ledger.close_night(night, POINT, "hatchback", at, body)
        points = [PricePoint(at + each * _MINUTE, Decimal(number + each)) for each in range(48)]
        self._ledger.add_prices("Day-ahead", points)


@contextmanager
def watched_commits(called: Callable[[], None]) -> Iterator[None]:
    """Call a function after each transaction of the ledger, within this process."""

    @contextmanager
    def watched(connection: sqlite3.Connection) -> Iterator[None]:
        with transaction(connection):
            yield
        called()

    modules = (ledger_module, retention)
    for module in modules:
        module.transaction = watched  # type: ignore[attr-defined]
    try:
        yield
    finally:
        for module in modules:
            module.transaction = transaction  # type: ignore[attr-defined]


def main(folder: Path, steps: int, fault: str) -> None:
    """Do the steps, and say after each that it is done."""
    evenings = Evenings(folder)
    for number in range(steps + 1):
        if fault == "loose":
            evenings.ledger._connection.execute("PRAGMA synchronous = OFF")
        if fault == "early":
            os.write(1, f"@done {number}\n".encode())
        if number:
            evenings.step(number)
        if fault != "early":
            os.write(1, f"@done {number}\n".encode())
    evenings.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3])
