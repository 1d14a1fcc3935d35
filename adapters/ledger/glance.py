"""A glance at the prices a ledger has kept, for who only asks: makes, changes and migrates nothing.

`ledger_file.open_file` may leave files beside the ledger even when it opens it to read.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from contextlib import closing
from decimal import InvalidOperation
from pathlib import Path

from adapters.ledger.file import BUSY_SECONDS, plain_errors
from adapters.ledger.reader import LedgerReader
from adapters.ledger.schema import APPLICATION_ID, MIGRATIONS
from config.files.errors import LedgerError
from config.files.series import PricePoint


def kept_prices(path: Path, tariffs: Iterable[str]) -> dict[str, tuple[PricePoint, ...]]:
    """Read the prices that came over the bus and were kept.

    Parameters
    ----------
    path
        The ledger's file; it need not be there.
    tariffs
        Names of tariffs.

    Returns
    -------
    dict of str to tuple of PricePoint
        Of each tariff, sorted; the latest price for each start.

    Raises
    ------
    LedgerError
        If there is a file and it can't be read: in plain words, and nothing is written.
    """
    names = tuple(tariffs)
    with plain_errors(path):
        if not path.exists() or (path.is_file() and not path.stat().st_size):
            return dict.fromkeys(names, ())
        with closing(_connect(path)) as connection:
            _refuse_other_schemas(connection, path)
            reader = LedgerReader(connection, path)
            try:
                return {name: reader.price_points(name) for name in names}
            except InvalidOperation as error:
                raise LedgerError(f"{path}: the ledger holds a price that is no number") from error


def _connect(path: Path) -> sqlite3.Connection:
    # With a log beside it a daemon has it open, or was killed, and the latest prices are in the
    # log. Without one, a file that is opened as unchangeable gets no files beside it.
    real = path.resolve()
    how = "mode=ro" if real.with_name(f"{real.name}-wal").exists() else "immutable=1"
    return sqlite3.connect(f"{real.as_uri()}?{how}", uri=True, timeout=BUSY_SECONDS)


def _refuse_other_schemas(connection: sqlite3.Connection, path: Path) -> None:
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if application != APPLICATION_ID:
        raise LedgerError(f"{path}: this is another program's database, not a ledger")
    if version != len(MIGRATIONS):
        raise LedgerError(
            f"{path}: the ledger is of another version (schema {version}, this one reads "
            f"{len(MIGRATIONS)})"
        )
