"""Read the ledger for a span of time. Writes nothing and reads no clock."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from adapters.ledger.exact_json import load_exact
from adapters.ledger.file import plain_errors
from adapters.ledger.rows import (
    StoredCommand,
    StoredHappening,
    StoredPlan,
    StoredReport,
    StoredRequest,
    from_micros,
    to_micros,
)

# The tables that record events as they happen, with the column of the instant. Plans and raw
# readings may have been removed for their age; nights remain, and are named by dates.
_FIRST_AND_LAST = (
    ("readings", "at"), ("vehicle_reports", "at"), ("commands", "at"), ("plans", "made_at"),
)  # fmt: skip


COMMAND_COLUMNS = "at, serial, do, amps, valid_until, why, plan, phases"


class SpanReader:
    """Reads the ledger for a span of time, including its start and excluding its end.

    Every method raises `LedgerError` if SQLite fails.

    Parameters
    ----------
    connection
        From `adapters.ledger.file.open_file`.
    path
        The file, for error messages.
    """

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self._connection = connection
        self._path = path

    def commands_between(
        self, charge_point: str, start: datetime, end: datetime
    ) -> tuple[StoredCommand, ...]:
        """Return the commands of a span, in the order of their serials."""
        rows = self._rows(
            f"SELECT {COMMAND_COLUMNS} FROM commands "  # noqa: S608 - all our own text
            "WHERE charge_point = ? AND at >= ? AND at < ? ORDER BY serial",
            (charge_point, to_micros(start), to_micros(end)),
        )
        return tuple(stored_command(row) for row in rows)

    def commands_in_force(self, charge_point: str, instant: datetime) -> tuple[StoredCommand, ...]:
        """Return the commands that expire after an instant, in the order of their serials."""
        rows = self._rows(
            f"SELECT {COMMAND_COLUMNS} FROM commands "  # noqa: S608 - all our own text
            "WHERE charge_point = ? AND valid_until > ? ORDER BY serial",
            (charge_point, to_micros(instant)),
        )
        return tuple(stored_command(row) for row in rows)

    def command_before(self, charge_point: str, instant: datetime) -> StoredCommand | None:
        """Return the last command before an instant; None if there is none."""
        rows = self._rows(
            f"SELECT {COMMAND_COLUMNS} FROM commands "  # noqa: S608 - all our own text
            "WHERE charge_point = ? AND at < ? ORDER BY at DESC, serial DESC LIMIT 1",
            (charge_point, to_micros(instant)),
        )
        return next((stored_command(row) for row in rows), None)

    def plans_between(
        self, charge_point: str, start: datetime, end: datetime
    ) -> tuple[StoredPlan, ...]:
        """Return the plans made in a span, in the order they were written."""
        rows = self._rows(
            "SELECT made_at, body FROM plans "
            "WHERE charge_point = ? AND made_at >= ? AND made_at < ? ORDER BY id",
            (charge_point, to_micros(start), to_micros(end)),
        )
        return tuple(StoredPlan(from_micros(at), load_exact(body)) for at, body in rows)

    def plan_before(self, charge_point: str, instant: datetime) -> StoredPlan | None:
        """Return the last plan made before an instant; None if there is none."""
        rows = self._rows(
            "SELECT made_at, body FROM plans WHERE charge_point = ? AND made_at < ? "
            "ORDER BY made_at DESC, id DESC LIMIT 1",
            (charge_point, to_micros(instant)),
        )
        return next((StoredPlan(from_micros(at), load_exact(body)) for at, body in rows), None)

    def reports_between(
        self, charge_point: str, start: datetime, end: datetime
    ) -> tuple[StoredReport, ...]:
        """Return the vehicle reports of a span, in order of time."""
        rows = self._rows(
            "SELECT at, pilot, soc_percent FROM vehicle_reports "
            "WHERE charge_point = ? AND at >= ? AND at < ? ORDER BY at, id",
            (charge_point, to_micros(start), to_micros(end)),
        )
        return tuple(StoredReport(from_micros(at), *rest) for at, *rest in rows)

    def pilot_before(self, charge_point: str, instant: datetime) -> StoredReport | None:
        """Return the last pilot state reported before an instant; None if there is none."""
        rows = self._rows(
            "SELECT at, pilot, soc_percent FROM vehicle_reports "
            "WHERE charge_point = ? AND at < ? AND pilot IS NOT NULL "
            "ORDER BY at DESC, id DESC LIMIT 1",
            (charge_point, to_micros(instant)),
        )
        return next((StoredReport(from_micros(at), *rest) for at, *rest in rows), None)

    def requests_since(self, charge_point: str, instant: datetime) -> tuple[StoredRequest, ...]:
        """Return the requests made at or after an instant.

        Parameters
        ----------
        charge_point
            Its name in the household file.
        instant
            An aware instant.

        Returns
        -------
        tuple of StoredRequest
            In the order they were written.
        """
        rows = self._rows(
            "SELECT at, body FROM requests WHERE charge_point = ? AND at >= ? ORDER BY id",
            (charge_point, to_micros(instant)),
        )
        return tuple(StoredRequest(from_micros(at), load_exact(body)) for at, body in rows)

    def happenings_between(self, start: datetime, end: datetime) -> tuple[StoredHappening, ...]:
        """Return the daemon's events in a span, in the order they were written."""
        rows = self._rows(
            "SELECT at, what, body FROM happenings WHERE at >= ? AND at < ? ORDER BY id",
            (to_micros(start), to_micros(end)),
        )
        return tuple(
            StoredHappening(from_micros(at), what, load_exact(body)) for at, what, body in rows
        )

    def last_happening(self, kinds: Sequence[str], before: datetime) -> StoredHappening | None:
        """Return the last event of some kinds before an instant; None if there is none."""
        marks = ", ".join("?" * len(kinds))
        rows = self._rows(
            f"SELECT at, what, body FROM happenings WHERE what IN ({marks}) AND at < ? "  # noqa: S608
            "ORDER BY at DESC, id DESC LIMIT 1",
            (*kinds, to_micros(before)),
        )
        found = ((from_micros(at), what, load_exact(body)) for at, what, body in rows)
        return next((StoredHappening(*each) for each in found), None)

    def first_written(self, charge_points: Iterable[str]) -> datetime | None:
        """Return the earliest instant recorded for some charge points; None without any."""
        return min(self._ends("min", ">=", charge_points, 0), default=None)

    def last_written(self, charge_points: Iterable[str], before: datetime) -> datetime | None:
        """Return the latest instant recorded for some charge points before an instant."""
        return max(self._ends("max", "<", charge_points, to_micros(before)), default=None)

    def _ends(
        self, end: str, comparison: str, charge_points: Iterable[str], at: int
    ) -> list[datetime]:
        found = []
        for point in charge_points:
            for table, column in _FIRST_AND_LAST:
                query = (
                    f"SELECT {end}({column}) FROM {table} "  # noqa: S608 - all our own text
                    f"WHERE charge_point = ? AND {column} {comparison} ?"
                )
                found += [row for (row,) in self._rows(query, (point, at)) if row is not None]
        return [from_micros(micros) for micros in found]

    def _rows(
        self, query: str, values: tuple[object, ...] | dict[str, object]
    ) -> Iterable[tuple[Any, ...]]:
        with plain_errors(self._path):
            return self._connection.execute(query, values).fetchall()


def stored_command(row: tuple[Any, ...]) -> StoredCommand:
    """Make a command from its columns in the order of `COMMAND_COLUMNS`."""
    at, serial, do, amps, valid_until, why, plan, phases = row
    until = from_micros(valid_until)
    return StoredCommand(from_micros(at), serial, do, amps, until, why, plan, phases)
