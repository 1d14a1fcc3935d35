"""The ledger: the durable record of readings, commands, plans, prices and nights.

A method that returns has committed: the row survives a kill and a power cut. Nothing here reads a
clock or decides anything.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from adapters.ledger.exact_json import dump_exact
from adapters.ledger.file import open_file, plain_errors, shut_readers_out, transaction
from adapters.ledger.reader import LedgerReader
from adapters.ledger.rows import HappeningKind, IntensitySource, StoredGridLimit, to_micros
from adapters.ledger.schema import MIGRATIONS
from config.files.price_series import PricePoint

if TYPE_CHECKING:
    from adapters.contract.messages import Command
    from config.calendar.account_days import AccountChange
    from config.files.announcements import Announcement
    from config.files.forecast_series import ForecastPoint, IntensityPoint
    from planners.accounts.by_source import GridInterval
    from planners.generation.metered import GenerationHour
    from planners.power.live_load import LoadHour, LoadQuarter

# A row removed for its age must not come back with a message that is sent again.
_UNLESS_REMOVED = " WHERE NOT EXISTS (SELECT 1 FROM retention WHERE kept_from > ?)"
_KEEP_EARLIER_NIGHT = """
    INSERT INTO night_revisions (night, charge_point, vehicle, closed_at, body)
    SELECT night, charge_point, vehicle, closed_at, body FROM nights
    WHERE night = ? AND charge_point = ?
"""
# A price that changed and changed back is stored again; one that is in force already is not.
_ADD_NEW_ANNOUNCEMENT = """
    INSERT INTO announcements (tariff, day, kind, hours) SELECT :tariff, :day, :kind, :hours
    WHERE (:kind || ' ' || :hours) IS NOT
          (SELECT kind || ' ' || hours FROM announcements WHERE tariff = :tariff AND day = :day
           ORDER BY id DESC LIMIT 1)
"""
_ADD_NEWER_FORECAST = """
    INSERT INTO forecasts (start, issued, watts) VALUES (?, ?, ?)
    ON CONFLICT (start) DO UPDATE SET issued = excluded.issued, watts = excluded.watts
    WHERE excluded.issued > issued OR (excluded.issued = issued AND excluded.watts <> watts)
"""
_ADD_NEWER_INTENSITY = """
    INSERT INTO carbon_intensities (start, source, issued, grams) VALUES (?, ?, ?, ?)
    ON CONFLICT (start, source) DO UPDATE SET issued = excluded.issued, grams = excluded.grams
    WHERE COALESCE(excluded.issued, 0) >= COALESCE(issued, 0)
          AND (excluded.issued, excluded.grams) IS NOT (issued, grams)
"""
_ADD_NEW_PRICE = """
    INSERT INTO prices (tariff, start, rate) SELECT :tariff, :start, :rate
    WHERE :rate IS NOT (SELECT rate FROM prices WHERE tariff = :tariff AND start = :start
                        ORDER BY id DESC LIMIT 1)
"""


def open_ledger(path: Path, *, read_only: bool = False) -> Ledger:
    """Open a ledger, make it if it is missing, and bring its schema up to date.

    Parameters
    ----------
    path
        The file; its directory must exist. SQLite keeps two more files beside it while it is open.
    read_only
        Open it without making or changing it, even while a daemon uses it; every method that
        writes then raises.

    Returns
    -------
    Ledger
        To be closed by the caller, or used in a ``with`` statement. If it can't be opened, a
        `LedgerError` says so in plain words, as in `adapters.ledger.file.open_file`.
    """
    return Ledger(open_file(path, read_only=read_only), path)


_LOAD_HOURS = (
    "REPLACE INTO load_hours (at, amps) VALUES (?, ?)",
    "DELETE FROM load_hours WHERE at < ?",
)
_LOAD_QUARTERS = (
    "REPLACE INTO load_quarters (at, watts) VALUES (?, ?)",
    "DELETE FROM load_quarters WHERE at < ?",
)
_GENERATION_HOURS = (
    "REPLACE INTO generation_hours (at, watts) VALUES (?, ?)",
    "DELETE FROM generation_hours WHERE at < ?",
)
_GRID_INTERVALS = (
    "REPLACE INTO grid_intervals (at, import_wh, export_wh) VALUES (?, ?, ?)",
    "DELETE FROM grid_intervals WHERE at < ?",
)


class Ledger(LedgerReader):
    """The ledger, written by one process at a time.

    Each writing method is one transaction, committed when it returns. If SQLite fails it raises
    `LedgerError`, and nothing is recorded. A naive instant, or a number that is not finite, is a
    `ValueError`.
    """

    def add_reading(
        self,
        charge_point: str,
        at: datetime,
        register_wh: int | None = None,
        watts: float | None = None,
        amps: float | None = None,
    ) -> bool:
        """Add a meter's reading.

        Parameters
        ----------
        charge_point
            Its name in the household file.
        at
            When the meter showed it.
        register_wh
            The energy register in whole watt-hours.
        watts, amps
            Power and current.

        Returns
        -------
        bool
            False if exactly this reading is recorded already, or if the readings of its time have
            been removed.
        """
        _require_finite(watts, amps)
        return self._add_once(
            "readings (charge_point, at, register_wh, watts, amps)",
            (charge_point, to_micros(at), register_wh, watts, amps),
            to_micros(at),
        )

    def add_register_values(
        self, charge_point: str, values: Iterable[tuple[datetime, int]]
    ) -> None:
        """Add readings of a register that has nothing else, such as one of a received home."""
        rows = [(charge_point, to_micros(at), wh) for at, wh in values]
        with self._writing():
            self._connection.executemany(
                "INSERT INTO readings (charge_point, at, register_wh) VALUES (?, ?, ?)", rows
            )

    def add_vehicle_report(
        self,
        charge_point: str,
        at: datetime,
        pilot: str | None = None,
        soc_percent: float | None = None,
    ) -> bool:
        """Add a charge point's report on its vehicle.

        Parameters
        ----------
        charge_point
            Its name in the household file.
        at
            The instant of the report.
        pilot
            IEC 61851 state, "A" to "F".
        soc_percent
            State of charge.

        Returns
        -------
        bool
            False if exactly this report is recorded already, or if the reports of its time have
            been removed.
        """
        _require_finite(soc_percent)
        return self._add_once(
            "vehicle_reports (charge_point, at, pilot, soc_percent)",
            (charge_point, to_micros(at), pilot, soc_percent),
            to_micros(at),
        )

    def add_request(self, charge_point: str, at: datetime, body: Mapping[str, object]) -> None:
        """Add a person's request, as a JSON object."""
        self._add(
            "requests (charge_point, at, body)", (charge_point, to_micros(at), dump_exact(body))
        )

    def add_command(self, charge_point: str, at: datetime, command: Command) -> None:
        """Add a command; `LedgerError` if its serial exists at this charge point."""
        self._add(
            "commands (charge_point, at, serial, do, amps, valid_until, why, plan, phases)",
            (
                charge_point, to_micros(at), command.serial, command.do, command.amps,
                to_micros(command.valid_until), command.why, command.plan, command.phases,
            ),
        )  # fmt: skip

    def extend_command(self, charge_point: str, serial: int, command: Command) -> bool:
        """Let a command stand for one that only extends it; False if it is not recorded."""
        with self._writing():
            changed = self._connection.execute(
                "UPDATE commands SET serial = ?, valid_until = ?"
                " WHERE charge_point = ? AND serial = ?",
                (command.serial, to_micros(command.valid_until), charge_point, serial),
            )
        return changed.rowcount == 1

    def add_plan(self, charge_point: str, made_at: datetime, body: Mapping[str, object]) -> None:
        """Add a plan, as a JSON object."""
        self._add(
            "plans (charge_point, made_at, body)",
            (charge_point, to_micros(made_at), dump_exact(body)),
        )

    def save_open_night(self, charge_point: str, body: Mapping[str, object] | None) -> None:
        """Store the night in progress, as a JSON object; None if there is none."""
        with self._writing():
            if body is None:
                self._connection.execute(
                    "DELETE FROM open_nights WHERE charge_point = ?", (charge_point,)
                )
            else:
                self._connection.execute(
                    "REPLACE INTO open_nights (charge_point, body) VALUES (?, ?)",
                    (charge_point, dump_exact(body)),
                )

    def add_prices(self, tariff: str, points: Sequence[PricePoint]) -> int:
        """Add prices of a series, either all or none.

        Parameters
        ----------
        tariff
            The tariff's name.
        points
            Starts and rates from the feed, before the tariff's `multiply`, `add` and tax.

        Returns
        -------
        int
            How many were new: a price equal to the one in force for its start is skipped.
        """
        rows = [
            {"tariff": tariff, "start": to_micros(point.start), "rate": str(point.rate)}
            for point in points
        ]
        with self._writing():
            return sum(self._connection.execute(_ADD_NEW_PRICE, row).rowcount for row in rows)

    def add_announcements(self, tariff: str, made: Sequence[Announcement]) -> int:
        """Add announced kinds of days, either all or none.

        Parameters
        ----------
        tariff
            The tariff's name.
        made
            The announcements.

        Returns
        -------
        int
            How many were new: one equal to the one in force for its day is skipped.
        """
        rows = [
            {
                "tariff": tariff,
                "day": each.day.isoformat(),
                "kind": each.kind,
                "hours": " ".join(map(str, each.hours)),
            }
            for each in made
        ]
        with self._writing():
            return sum(
                self._connection.execute(_ADD_NEW_ANNOUNCEMENT, row).rowcount for row in rows
            )

    def add_alert(self, charge_point: str | None, at: datetime, code: str, message: str) -> None:
        """Add an alert; `charge_point` is None if it concerns the whole household."""
        self._add(
            "alerts (charge_point, at, code, message)",
            (charge_point, to_micros(at), code, message),
        )

    def add_load_hour(self, hour: LoadHour, kept_from: datetime) -> None:
        """Add the highest load of an hour, and remove those from before an instant.

        Parameters
        ----------
        hour
            It replaces a row with the same start.
        kept_from
            Older hours are removed.
        """
        amps = json.dumps([round(each, 1) for each in hour.amps])
        self._replace(_LOAD_HOURS, (to_micros(hour.start), amps), kept_from)

    def add_load_quarter(self, quarter: LoadQuarter, kept_from: datetime) -> None:
        """Add the mean power of a quarter-hour, and remove those from before an instant.

        Parameters
        ----------
        quarter
            It replaces a row with the same start.
        kept_from
            Older ones are removed.
        """
        row = (to_micros(quarter.start), round(quarter.watts))
        self._replace(_LOAD_QUARTERS, row, kept_from)

    def add_grid_interval(self, interval: GridInterval, kept_from: datetime) -> None:
        """Add what the home took from the grid in an interval, and what it gave to it.

        Parameters
        ----------
        interval
            It replaces a row with the same start.
        kept_from
            Older ones are removed.
        """
        row = (to_micros(interval.start), interval.import_wh, interval.export_wh)
        self._replace(_GRID_INTERVALS, row, kept_from)

    def _replace(self, sql: tuple[str, str], row: tuple[object, ...], kept_from: datetime) -> None:
        with self._writing():
            self._connection.execute(sql[0], row)
            self._connection.execute(sql[1], (to_micros(kept_from),))

    def add_forecast(self, points: Sequence[ForecastPoint], kept_from: datetime) -> int:
        """Add the values of a forecast, either all or none, and remove old ones.

        Parameters
        ----------
        points
            With the instant at which it was issued; one without is left out.
        kept_from
            Values for instants before it are removed.

        Returns
        -------
        int
            How many were new: one that is no newer than the one in force for its start is skipped.
        """
        rows = [
            (to_micros(each.start), to_micros(each.issued), round(each.kw * 1000))
            for each in points
            if each.issued is not None
        ]
        with self._writing():
            added = sum(self._connection.execute(_ADD_NEWER_FORECAST, row).rowcount for row in rows)
            self._connection.execute(
                "DELETE FROM forecasts WHERE start < ?", (to_micros(kept_from),)
            )
        return added

    def add_intensities(
        self, points: Sequence[IntensityPoint], source: IntensitySource, kept_from: datetime
    ) -> int:
        """Add carbon intensities, either all or none, and remove old ones.

        Parameters
        ----------
        points
            Those for instants before `kept_from` are left out.
        source
            Where they come from.
        kept_from
            Values for instants before it are removed.

        Returns
        -------
        int
            How many were new: one that is older than the one in force for its start is skipped.
        """
        rows = [
            (to_micros(each.start), source, each.issued and to_micros(each.issued), each.value)
            for each in points
            if each.start >= kept_from
        ]
        with self._writing():
            added = sum(
                self._connection.execute(_ADD_NEWER_INTENSITY, row).rowcount for row in rows
            )
            self._connection.execute(
                "DELETE FROM carbon_intensities WHERE start < ?", (to_micros(kept_from),)
            )
        return added

    def add_generation_hour(self, hour: GenerationHour, kept_from: datetime) -> None:
        """Add the mean power of the roofs in an hour, and remove those from before an instant."""
        row = (to_micros(hour.start), round(hour.watts))
        self._replace(_GENERATION_HOURS, row, kept_from)

    def set_account_changes(self, changes: Sequence[AccountChange]) -> None:
        """Store since when nights end at noon or at midnight, instead of what is stored."""
        rows = [(change.first.isoformat(), change.ends) for change in changes]
        with self._writing():
            self._connection.execute("DELETE FROM account_changes")
            self._connection.executemany(
                "INSERT INTO account_changes (first, ends) VALUES (?, ?)", rows
            )

    def add_happening(
        self, at: datetime, what: HappeningKind, body: Mapping[str, object] | None = None
    ) -> None:
        """Add an event of the daemon's life, with its details as a JSON object."""
        self._add("happenings (at, what, body)", (to_micros(at), what, dump_exact(body or {})))

    def add_grid_limit(self, row: StoredGridLimit) -> None:
        """Add what happened to a limit of the grid operator."""
        self._add(
            "grid_limits (at, source, what, body)",
            (to_micros(row.at), row.source, row.what, json.dumps(row.body)),
        )

    def close_night(
        self,
        night: date,
        charge_point: str,
        vehicle: str,
        closed_at: datetime,
        body: Mapping[str, object],
    ) -> bool:
        """Close a night, or close it again with later information.

        Parameters
        ----------
        night
            The date on which it began.
        charge_point, vehicle
            Their names in the household file.
        closed_at
            When it was closed.
        body
            The night as a JSON object; money as Decimal.

        Returns
        -------
        bool
            False if the night is closed with the same vehicle and body already. If they differ,
            the same transaction keeps the earlier ones as a revision.
        """
        key, text = (night.isoformat(), charge_point), dump_exact(body)
        with self._writing():
            closed = self._connection.execute(
                "SELECT vehicle, body FROM nights WHERE night = ? AND charge_point = ?", key
            ).fetchone()
            if closed == (vehicle, text):
                return False
            self._connection.execute(_KEEP_EARLIER_NIGHT, key)
            self._connection.execute(
                "REPLACE INTO nights (night, charge_point, vehicle, closed_at, body) "
                "VALUES (?, ?, ?, ?, ?)",
                (*key, vehicle, to_micros(closed_at), text),
            )
        return True

    def try_to_write(self) -> None:
        """Test whether the ledger can be written to; `LedgerError` if it can't."""
        with self._writing():
            self._connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")

    def shut_readers_out(self) -> bool:
        """Open the ledger again without the readers that keep it from being written.

        Returns
        -------
        bool
            Whether there were any: see `adapters.ledger.file.shut_readers_out`.
        """
        if not shut_readers_out(self._path):
            return False
        self._connection.close()
        self._connection = open_file(self._path)
        return True

    def _add_once(self, columns: str, values: tuple[object, ...], at: int) -> bool:
        marks = ", ".join("?" * len(values))
        rest = f"SELECT {marks}{_UNLESS_REMOVED} ON CONFLICT DO NOTHING"
        return self._insert(columns, rest, (*values, at)) > 0

    def _add(self, columns: str, values: tuple[object, ...]) -> None:
        marks = ", ".join("?" * len(values))
        self._insert(columns, f"VALUES ({marks})", values)

    def _insert(self, columns: str, rest: str, values: tuple[object, ...]) -> int:
        with self._writing():
            return self._connection.execute(
                f"INSERT INTO {columns} {rest}",
                values,
            ).rowcount

    @contextmanager
    def in_one_transaction(self) -> Iterator[None]:
        """Let all that is written inside be written together, or none of it."""
        with self._writing():
            yield

    @contextmanager
    def _writing(self) -> Iterator[None]:
        with plain_errors(self._path):
            if self._connection.in_transaction:  # that of `in_one_transaction`
                yield
                return
            with transaction(self._connection):
                yield


def _require_finite(*numbers: float | None) -> None:
    if not all(number is None or math.isfinite(number) for number in numbers):
        raise ValueError("a reading must be a finite number")
