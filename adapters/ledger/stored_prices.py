"""Read prices, series, loads and days of the account out of a ledger, and leave no trace in files.

`open_ledger` may leave files beside the ledger even when it opens it for reading.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from decimal import InvalidOperation
from pathlib import Path

from adapters.ledger.file import connect_without_trace, plain_errors
from adapters.ledger.reader import LedgerReader
from adapters.ledger.schema import APPLICATION_ID, MIGRATIONS
from config.calendar.account_days import AccountChange
from config.files.announcements import RateNews
from config.files.errors import LedgerError
from config.files.forecast_series import ForecastPoint, IntensityPoint
from planners.generation.metered import GenerationHour
from planners.power.live_load import LoadHour


def stored_news(path: Path, tariffs: Iterable[str]) -> dict[str, tuple[RateNews, ...]]:
    """Read the prices and announcements that came over the bus and were stored.

    Parameters
    ----------
    path
        The ledger's file; it need not exist.
    tariffs
        Names of tariffs.

    Returns
    -------
    dict of str to tuple of RateNews
        For each tariff the latest price for each start, then the latest kind of each day, sorted.

    Raises
    ------
    LedgerError
        If there is a file that can't be read, in plain words.
    """
    names = tuple(tariffs)
    with stored_ledger(path) as reader:
        if reader is None:
            return dict.fromkeys(names, ())
        try:
            return {name: reader.rate_news(name) for name in names}
        except InvalidOperation as error:
            raise LedgerError(f"{path}: the ledger holds a price that is no number") from error


def stored_load_hours(path: Path) -> tuple[LoadHour, ...]:
    """Read the highest load of the home in each past hour.

    Parameters
    ----------
    path
        The ledger's file; it need not exist.

    Returns
    -------
    tuple of LoadHour
        In order of time.

    Raises
    ------
    LedgerError
        If there is a file that can't be read, in plain words.
    """  # noqa: DOC502 - raised by the reader
    with stored_ledger(path) as reader:
        return () if reader is None else reader.load_hours()


def stored_sunshine(
    path: Path,
) -> tuple[tuple[ForecastPoint, ...], tuple[GenerationHour, ...]]:
    """Read the forecasts that came over the bus, and what the home's roofs gave in each hour.

    Parameters
    ----------
    path
        The ledger's file; it need not exist.

    Returns
    -------
    tuple
        Both in order of time.

    Raises
    ------
    LedgerError
        If there is a file that can't be read, in plain words.
    """  # noqa: DOC502 - raised by the reader
    with stored_ledger(path) as reader:
        return ((), ()) if reader is None else (reader.forecast_points(), reader.generation_hours())


def stored_account_changes(path: Path) -> tuple[AccountChange, ...] | None:
    """Read since when nights end at noon or at midnight.

    Parameters
    ----------
    path
        The ledger's file; it need not exist.

    Returns
    -------
    tuple of AccountChange or None
        None if no night has begun yet.

    Raises
    ------
    LedgerError
        If there is a file that can't be read, in plain words.
    """  # noqa: DOC502 - raised by the reader
    with stored_ledger(path) as reader:
        return None if reader is None else reader.account_changes()


def stored_intensities(path: Path) -> tuple[tuple[IntensityPoint, ...], tuple[IntensityPoint, ...]]:
    """Read the carbon intensities that were stored.

    Parameters
    ----------
    path
        The ledger's file; it need not exist.

    Returns
    -------
    tuple
        Those of the file, and those that came over the bus; both in order of time.

    Raises
    ------
    LedgerError
        If there is a file that can't be read, in plain words.
    """  # noqa: DOC502 - raised by the reader
    with stored_ledger(path) as reader:
        if reader is None:
            return (), ()
        return reader.intensity_points("file"), reader.intensity_points("bus")


@contextmanager
def stored_ledger(path: Path) -> Iterator[LedgerReader | None]:
    """Open a ledger for reading; None if there is none yet."""
    with plain_errors(path):
        if not path.exists() or (path.is_file() and not path.stat().st_size):
            yield None
            return
        with closing(connect_without_trace(path)) as connection:
            _refuse_other_schemas(connection, path)
            yield LedgerReader(connection, path)


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
