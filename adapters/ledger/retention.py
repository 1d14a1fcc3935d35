"""Removes what is old from a ledger, little by little, while the daemon writes on.

Raw readings, vehicle reports and plans go; nights, commands, requests, prices and alerts stay for
ever. Whoever calls decides from when on all is kept; from then on the ledger itself takes nothing
of before, so that what was removed does not come back. An end in the middle does no harm: the next
removal goes on where it was.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import datetime
from pathlib import Path

from adapters.ledger.file import BUSY_SECONDS, plain_errors, transaction
from adapters.ledger.ledger import open_ledger
from adapters.ledger.rows import to_micros

STEP_ROWS = 500
"""Rows that go in one transaction: a writer waits for one of them at the most."""

# Kept of each charge point, however old: what the next reading is counted from, what a start takes
# for the latest reading, the latest state and the latest state of charge, and the last plan.
_OLD_READINGS = """
    DELETE FROM readings WHERE id IN (
        SELECT id FROM readings WHERE charge_point = :charge_point AND at < :kept_from
          AND at IS NOT (SELECT max(at) FROM readings WHERE charge_point = :charge_point
                         AND at < :kept_from AND register_wh IS NOT NULL)
          AND at IS NOT (SELECT max(at) FROM readings WHERE charge_point = :charge_point)
        ORDER BY at LIMIT :rows)
"""
_OLD_REPORTS = """
    DELETE FROM vehicle_reports WHERE id IN (
        SELECT id FROM vehicle_reports WHERE charge_point = :charge_point AND at < :kept_from
          AND at IS NOT (SELECT max(at) FROM vehicle_reports WHERE charge_point = :charge_point
                         AND pilot IS NOT NULL)
          AND at IS NOT (SELECT max(at) FROM vehicle_reports WHERE charge_point = :charge_point
                         AND soc_percent IS NOT NULL)
        ORDER BY at LIMIT :rows)
"""
_OLD_PLANS = """
    DELETE FROM plans WHERE id IN (
        SELECT id FROM plans WHERE charge_point = :charge_point AND made_at < :kept_from
          AND id < (SELECT max(id) FROM plans WHERE charge_point = :charge_point)
        ORDER BY id LIMIT :rows)
"""
_KEEP_FROM = """
    INSERT INTO retention (only_row, kept_from) VALUES (1, ?)
    ON CONFLICT (only_row) DO UPDATE SET kept_from = max(kept_from, excluded.kept_from)
"""


def remove_before(path: Path, kept_from: datetime, pause: Callable[[], bool]) -> int:
    """Remove raw readings, vehicle reports and plans of before an instant.

    Parameters
    ----------
    path
        The ledger's file, of the current schema.
    kept_from
        From then on all is kept; an instant before that of an earlier removal moves nothing.
    pause
        Called between two steps, to let others write; ends the removal by returning True.

    Returns
    -------
    int
        How many rows were removed.

    Raises
    ------
    LedgerError
        If it can't be written, in plain words; what was removed by then stays removed.
    """  # noqa: DOC502 - raised by the parts
    with open_ledger(path, read_only=True) as ledger:
        points = ledger.charge_points()
    removed = 0
    with plain_errors(path), closing(_connect(path)) as connection:
        with transaction(connection):
            connection.execute(_KEEP_FROM, (to_micros(kept_from),))
        for step in _steps(connection, points, to_micros(kept_from)):
            removed += step
            if pause():
                break
    return removed


def _steps(
    connection: sqlite3.Connection, points: tuple[str, ...], kept_from: int
) -> Iterator[int]:
    for point in points:
        values = {"charge_point": point, "kept_from": kept_from, "rows": STEP_ROWS}
        for query in (_OLD_READINGS, _OLD_REPORTS, _OLD_PLANS):
            gone = STEP_ROWS
            while gone == STEP_ROWS:
                with transaction(connection):
                    gone = connection.execute(query, values).rowcount
                if gone:
                    yield gone


def _connect(path: Path) -> sqlite3.Connection:
    uri = f"{path.absolute().as_uri()}?mode=rw"
    return sqlite3.connect(uri, uri=True, timeout=BUSY_SECONDS, isolation_level=None)
