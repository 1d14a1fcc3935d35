"""Remove old rows from a ledger in small steps, while the daemon goes on writing.

It removes raw readings, vehicle reports and plans; nights, commands, requests, prices and alerts
are kept for ever. The caller decides from which instant on everything is kept. After that the
ledger accepts no older rows, so that nothing removed comes back. A removal may be interrupted: the
next one continues where it stopped.
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
"""Rows removed in one transaction. A writer waits for at most one transaction."""

# Kept for each charge point, however old: the register from which the next reading is counted, the
# latest reading, pilot state and state of charge (a starting daemon needs them), and the last plan.
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
    """Remove raw readings, vehicle reports and plans from before an instant.

    Parameters
    ----------
    path
        The ledger's file, of the current schema.
    kept_from
        Everything from this instant on is kept. An instant earlier than the last removal's has no
        effect.
    pause
        Called between steps to let others write; the removal ends if it returns True.

    Returns
    -------
    int
        How many rows were removed.

    Raises
    ------
    LedgerError
        If the ledger can't be written to; rows removed by then stay removed.
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
            removed = STEP_ROWS
            while removed == STEP_ROWS:
                with transaction(connection):
                    removed = connection.execute(query, values).rowcount
                if removed:
                    yield removed


def _connect(path: Path) -> sqlite3.Connection:
    uri = f"{path.absolute().as_uri()}?mode=rw"
    return sqlite3.connect(uri, uri=True, timeout=BUSY_SECONDS, isolation_level=None)
