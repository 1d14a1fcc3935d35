"""Read a ledger with plain SQL, and none of the daemon's code."""

from __future__ import annotations

import json
import sqlite3
from collections import Counter
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
Row = tuple[Any, ...]


@dataclass(slots=True)
class LedgerContents:
    """The contents of a ledger.

    Attributes
    ----------
    readings, reports : Counter of tuple
        Instant [us since 1970] and values; how often each.
    requests : int
        How many requests.
    nights_wh : int
        Energy of all closed nights [Wh].
    bands : int
        How many lines by band they have.
    """

    readings: Counter[Row] = field(default_factory=Counter)
    reports: Counter[Row] = field(default_factory=Counter)
    requests: int = 0
    nights_wh: int = 0
    bands: int = 0
    nights: list[dict[str, Any]] = field(default_factory=list)
    whole: bool = False

    def holds(self, topic: str, payload: bytes) -> int:
        """Return how often the ledger holds a message."""
        body = json.loads(payload)
        if topic.endswith("/reading"):
            return self.readings[reading_row(body)]
        if topic.endswith("/vehicle"):
            return self.reports[report_row(body)]
        return 0


def read_ledger(path: Path) -> LedgerContents:
    """Return the contents of a ledger."""
    if not path.exists():
        return LedgerContents()
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as database:
        database.execute("BEGIN")
        if database.execute("PRAGMA user_version").fetchone()[0] == 0:
            return LedgerContents()
        nights = [_exact(body) for (body,) in _all(database, "SELECT body FROM nights")]
        return LedgerContents(
            readings=Counter(_all(database, "SELECT at, register_wh, watts, amps FROM readings")),
            reports=Counter(_all(database, "SELECT at, pilot, soc_percent FROM vehicle_reports")),
            requests=len(_all(database, "SELECT id FROM requests")),
            nights_wh=round(sum(night["energy_kwh"] for night in nights) * 1000),
            bands=sum(len(night["by_band"]) for night in nights),
            nights=nights,
            whole=_all(database, "PRAGMA integrity_check") == [("ok",)],
        )


def reading_row(body: dict[str, Any]) -> Row:
    """Return a reading as a row of the ledger."""
    register = body.get("register_kwh")
    wh = None if register is None else round(register * 1000)
    return _micros(body["at"]), wh, body.get("watts"), body.get("amps")


def report_row(body: dict[str, Any]) -> Row:
    """Return a vehicle's report as a row of the ledger."""
    return _micros(body["at"]), body.get("pilot"), body.get("soc_percent")


def _micros(text: str) -> int:
    return (datetime.fromisoformat(text) - _EPOCH) // timedelta(microseconds=1)


def _all(database: sqlite3.Connection, query: str) -> list[Row]:
    return list(database.execute(query))


def _exact(body: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(body, parse_float=Decimal)
    return found


def missing(kept: LedgerContents, messages: Iterable[tuple[str, bytes]]) -> list[str]:
    """List the messages that a ledger should hold once, and does not."""
    return [
        f"{topic} {payload!r} is held {kept.holds(topic, payload)} times"
        for topic, payload in messages
        if kept.holds(topic, payload) != 1
    ]
