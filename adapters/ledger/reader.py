"""Read the ledger. Writes nothing and reads no clock: instants are passed in."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator
from dataclasses import replace
from datetime import date, datetime, timedelta
from decimal import Decimal
from itertools import takewhile
from types import TracebackType
from typing import Any, Self

from adapters.ledger.exact_json import load_exact
from adapters.ledger.file import plain_errors
from adapters.ledger.rows import (
    IntensitySource,
    LastVehicleReports,
    StoredAlert,
    StoredCommand,
    StoredGridLimit,
    StoredReading,
    from_micros,
    to_micros,
)
from adapters.ledger.spans import COMMAND_COLUMNS, SpanReader, stored_command
from config.calendar.account_days import AccountChange
from config.files.announcements import Announcement, RateNews, read_hours
from config.files.forecast_series import ForecastPoint, IntensityPoint
from config.files.price_series import PricePoint
from planners.accounts.by_source import GridInterval
from planners.accounts.register import RegisterReading
from planners.generation.metered import GenerationHour
from planners.power.live_load import LoadHour, LoadQuarter
from planners.power.rest import LastSwitches

# If an instant has several rows, the last written counts: a correction is a new row.
_REGISTER_READINGS = """
    SELECT at, register_wh, watts FROM readings AS row
    WHERE charge_point = :charge_point AND register_wh IS NOT NULL
      AND at >= ifnull((SELECT max(at) FROM readings WHERE charge_point = :charge_point
                        AND register_wh IS NOT NULL AND at < :start), :start)
      AND at <= ifnull((SELECT min(at) FROM readings WHERE charge_point = :charge_point
                        AND register_wh IS NOT NULL AND at > :end), :end)
      AND id = (SELECT max(id) FROM readings WHERE charge_point = :charge_point
                AND at = row.at AND register_wh IS NOT NULL)
    ORDER BY at
"""
_ANNOUNCEMENTS = """
    SELECT day, kind, hours FROM announcements AS row WHERE tariff = :tariff
      AND id = (SELECT max(id) FROM announcements WHERE tariff = :tariff AND day = row.day)
    ORDER BY day
"""
_PRICES = """
    SELECT start, rate FROM prices AS row WHERE tariff = :tariff
      AND id = (SELECT max(id) FROM prices WHERE tariff = :tariff AND start = row.start)
    ORDER BY start
"""
_NIGHTS = """
    SELECT body FROM nights
    WHERE night BETWEEN :start AND :end AND (:charge_point IS NULL OR charge_point = :charge_point)
    ORDER BY night, charge_point
"""
# The latest commands are enough: for a stopped charge point they reach back for weeks.
_SWITCHES = """
    WITH latest AS (SELECT * FROM commands WHERE charge_point = :charge_point
                    ORDER BY serial DESC LIMIT 1000),
         own AS (SELECT do, at, lag(do) OVER line AS before,
                        lag(valid_until) OVER line < at - :late AS had_expired,
                        lag(valid_until) OVER line AS held_until
                 FROM latest WINDOW line AS (ORDER BY serial))
    SELECT do, max(CASE WHEN do = 'stop' AND had_expired THEN held_until ELSE at END) FROM own
    WHERE (do = 'start' AND (before IS NOT 'start' OR had_expired))
       OR (do = 'stop' AND before = 'start')
    GROUP BY do
"""


_PHASES = """
    SELECT at, phases FROM commands WHERE charge_point = ? AND do = 'start'
    ORDER BY serial DESC LIMIT 200
"""


class LedgerReader(SpanReader):
    """The reading half of the ledger.

    Every method raises `LedgerError` if SQLite fails. Any thread may use it, one at a time.

    Parameters
    ----------
    connection
        From `adapters.ledger.file.open_file`; closed by `close`.
    path
        The file, for error messages.
    """

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; closing it again does no harm."""
        with plain_errors(self._path):
            self._connection.close()

    def register_readings(
        self, charge_point: str, start: datetime, end: datetime
    ) -> tuple[RegisterReading, ...]:
        """Return the meter's register readings over a span of time.

        Parameters
        ----------
        charge_point
            Its name in the household file.
        start, end
            Aware instants.

        Returns
        -------
        tuple of RegisterReading
            Sorted, one for each instant (the last written), from the last one before `start` to
            the first one after `end`, both included.
        """
        rows = self._rows(
            _REGISTER_READINGS,
            {"charge_point": charge_point, "start": to_micros(start), "end": to_micros(end)},
        )
        return tuple(
            RegisterReading(from_micros(at), register_wh, watts=watts)
            for at, register_wh, watts in rows
        )

    def load_hours(self) -> tuple[LoadHour, ...]:
        """Return the highest load of each hour that is stored, in order of time."""
        rows = self._rows("SELECT at, amps FROM load_hours ORDER BY at", ())
        return tuple(LoadHour(from_micros(at), tuple(json.loads(amps))) for at, amps in rows)

    def load_quarters(self, start: datetime, end: datetime) -> tuple[LoadQuarter, ...]:
        """Return the mean powers of the quarter-hours that begin in some time, in order."""
        rows = self._rows(
            "SELECT at, watts FROM load_quarters WHERE at >= ? AND at < ? ORDER BY at",
            (to_micros(start), to_micros(end)),
        )
        return tuple(LoadQuarter(from_micros(at), float(watts)) for at, watts in rows)

    def forecast_points(self) -> tuple[ForecastPoint, ...]:
        """Return the forecasts that are stored, in order of time; for each start the newest."""
        rows = self._rows("SELECT start, issued, watts FROM forecasts ORDER BY start", ())
        return tuple(
            ForecastPoint(from_micros(start), watts / 1000, from_micros(issued))
            for start, issued, watts in rows
        )

    def intensity_points(self, source: IntensitySource) -> tuple[IntensityPoint, ...]:
        """Return the carbon intensities of a source that are stored, in order of time."""
        rows = self._rows(
            "SELECT start, grams, issued FROM carbon_intensities WHERE source = ? ORDER BY start",
            (source,),
        )
        return tuple(
            IntensityPoint(from_micros(start), grams, from_micros(issued) if issued else None)
            for start, grams, issued in rows
        )

    def generation_hours(self) -> tuple[GenerationHour, ...]:
        """Return the mean power of the roofs in each hour that is stored, in order of time."""
        rows = self._rows("SELECT at, watts FROM generation_hours ORDER BY at", ())
        return tuple(GenerationHour(from_micros(at), float(watts)) for at, watts in rows)

    def grid_intervals(self, start: datetime, end: datetime) -> tuple[GridInterval, ...]:
        """Return what flowed to and from the grid in the intervals of some time, in order."""
        rows = self._rows(
            "SELECT at, import_wh, export_wh FROM grid_intervals WHERE at >= ? AND at < ? "
            "ORDER BY at",
            (to_micros(start), to_micros(end)),
        )
        return tuple(GridInterval(from_micros(at), taken, given) for at, taken, given in rows)

    def grid_limits(self, start: datetime, end: datetime) -> tuple[StoredGridLimit, ...]:
        """Return what happened to limits of the grid operator in some time, in order."""
        rows = self._rows(
            "SELECT at, source, what, body FROM grid_limits WHERE at >= ? AND at < ?"
            " ORDER BY at, id",
            (to_micros(start), to_micros(end)),
        )
        return tuple(map(_stored_limit, rows))

    def last_grid_limits(self) -> tuple[StoredGridLimit, ...]:
        """Return the last limit that each source set, or its end."""
        rows = self._rows(
            "SELECT at, source, what, body FROM grid_limits WHERE id IN"
            " (SELECT max(id) FROM grid_limits WHERE what != 'obeyed' GROUP BY source)",
            (),
        )
        return tuple(map(_stored_limit, rows))

    def random_seed(self) -> bytes:
        """Return the secret that random delays are drawn from."""
        ((seed,),) = self._rows("SELECT seed FROM seeds", ())
        return bytes(seed)

    def last_reading(self, charge_point: str) -> StoredReading | None:
        """Return the reading with the latest instant; of several, the last written."""
        rows = self._rows(
            "SELECT at, register_wh, watts, amps FROM readings WHERE charge_point = ? "
            "ORDER BY at DESC, id DESC LIMIT 1",
            (charge_point,),
        )
        return next((StoredReading(from_micros(at), *rest) for at, *rest in rows), None)

    def last_vehicle_reports(self, charge_point: str) -> LastVehicleReports:
        """Return the latest pilot state and state of charge; None if never reported."""
        pilot, pilot_at = self._last_reported("pilot", charge_point)
        soc, soc_at = self._last_reported("soc_percent", charge_point)
        return LastVehicleReports(pilot, pilot_at, soc, soc_at)

    def pilot_changed_at(
        self, charge_point: str, pilots: Collection[str], since: datetime
    ) -> datetime | None:
        """Return when a charge point began to report only some pilot states, after another one.

        Parameters
        ----------
        charge_point
            Its name in the household file.
        pilots
            Pilot states.
        since
            Reports from before this instant are not looked at.

        Returns
        -------
        datetime or None
            None if its latest pilot state is another one, or if it reported no other.
        """
        marks = ", ".join("?" * len(pilots))
        rows = self._rows(
            "SELECT min(at) FROM vehicle_reports "  # noqa: S608 - all our own text
            f"WHERE charge_point = ? AND pilot IN ({marks}) AND (at, id) > ("
            "SELECT at, id FROM vehicle_reports WHERE charge_point = ? AND at >= ? "
            f"AND pilot NOT IN ({marks}) ORDER BY at DESC, id DESC LIMIT 1)",
            (charge_point, *pilots, charge_point, to_micros(since), *pilots),
        )
        return next((from_micros(at) for (at,) in rows if at is not None), None)

    def last_command(self, charge_point: str) -> StoredCommand | None:
        """Return the command with the highest serial; None if there is none."""
        rows = self._rows(
            f"SELECT {COMMAND_COLUMNS} FROM commands "  # noqa: S608 - all our own text
            "WHERE charge_point = ? ORDER BY serial DESC LIMIT 1",
            (charge_point,),
        )
        return next((stored_command(row) for row in rows), None)

    def last_switches(self, charge_point: str, late: timedelta) -> LastSwitches:
        """Return when the commands last switched a charge point on, and off again.

        Parameters
        ----------
        charge_point
            Its name in the household file.
        late
            A start that is extended no later than this after it expired is not interrupted.

        Returns
        -------
        LastSwitches
            From the latest commands; a stop before any start is no switching.
        """
        late_micros = late // timedelta(microseconds=1)
        rows = self._rows(_SWITCHES, {"charge_point": charge_point, "late": late_micros})
        switched = {do: from_micros(at) for do, at in rows}
        found = LastSwitches(switched.get("start"), switched.get("stop"))
        starts = list(self._rows(_PHASES, (charge_point,)))
        phases = starts[0][1] if starts else None
        if phases is None:
            return found
        same = takewhile(lambda start: start[1] == phases, starts)
        since = [at for at, _ in same][-1]
        return replace(found, phases=phases, phases_at=from_micros(since))

    def open_night(self, charge_point: str) -> dict[str, Any] | None:
        """Return what is stored for the night in progress, with fractions as Decimal."""
        rows = self._rows("SELECT body FROM open_nights WHERE charge_point = ?", (charge_point,))
        return next((load_exact(body) for (body,) in rows), None)

    def alerts_between(self, start: datetime, end: datetime) -> tuple[StoredAlert, ...]:
        """Return the alerts in a span of time.

        Parameters
        ----------
        start, end
            Aware instants; an alert at `start` is included, one at `end` is not.

        Returns
        -------
        tuple of StoredAlert
            Sorted by instant, and within one instant in the order they were written.
        """
        rows = self._rows(
            "SELECT at, charge_point, code, message FROM alerts "
            "WHERE at >= ? AND at < ? ORDER BY at, id",
            (to_micros(start), to_micros(end)),
        )
        return tuple(StoredAlert(from_micros(at), *rest) for at, *rest in rows)

    def rate_news(self, tariff: str) -> tuple[RateNews, ...]:
        """Return a tariff's prices, then its announced days; the last one stored of each."""
        return (*self.price_points(tariff), *self.announcements(tariff))

    def announcements(self, tariff: str) -> tuple[Announcement, ...]:
        """Return a tariff's announced days, sorted; the last one stored for each day."""
        rows = self._rows(_ANNOUNCEMENTS, {"tariff": tariff})
        return tuple(
            Announcement(date.fromisoformat(day), kind, read_hours(hours))
            for day, kind, hours in rows
        )

    def price_points(self, tariff: str) -> tuple[PricePoint, ...]:
        """Return a tariff's prices, sorted; the last one stored for each start."""
        rows = self._rows(_PRICES, {"tariff": tariff})
        return tuple(PricePoint(from_micros(start), Decimal(rate)) for start, rate in rows)

    def nights(
        self, start: date | None = None, end: date | None = None, charge_point: str | None = None
    ) -> tuple[dict[str, Any], ...]:
        """Return the closed nights.

        Parameters
        ----------
        start, end
            The first and the last night, both included; None for no limit.
        charge_point
            Only this one; None for all.

        Returns
        -------
        tuple of dict
            Their bodies, sorted by night and charge point, with fractions as Decimal.
        """
        limits: dict[str, object] = {
            "start": (start or date.min).isoformat(),
            "end": (end or date.max).isoformat(),
            "charge_point": charge_point,
        }
        return tuple(load_exact(body) for (body,) in self._rows(_NIGHTS, limits))

    def latest_nights(self, count: int) -> tuple[date, ...]:
        """Return the dates of up to `count` closed nights, the latest first."""
        rows = self._rows("SELECT DISTINCT night FROM nights ORDER BY night DESC LIMIT ?", (count,))
        return tuple(date.fromisoformat(night) for (night,) in rows)

    def account_changes(self) -> tuple[AccountChange, ...] | None:
        """Return since when nights end at noon or at midnight; None if no night has begun yet."""
        rows = self._rows("SELECT first, ends FROM account_changes ORDER BY first", ())
        changes = tuple(AccountChange(date.fromisoformat(first), ends) for first, ends in rows)
        return changes if changes or self.charge_points() else None

    def charge_points(self) -> tuple[str, ...]:
        """Return the charge points with readings, reports or a night in progress."""
        names: set[str] = set()
        for table in ("readings", "vehicle_reports", "open_nights"):
            names.update(self._points_of(table))
        return tuple(sorted(names))

    def kept_from(self) -> datetime | None:
        """Return the instant from which all raw readings are stored; None if always.

        Returns
        -------
        datetime or None
            For the time before it, only the closed nights tell how much energy flowed.
        """
        rows = self._rows("SELECT kept_from FROM retention", ())
        return next((from_micros(at) for (at,) in rows), None)

    def _points_of(self, table: str) -> Iterator[str]:
        # From name to name through the index: SELECT DISTINCT would read the whole table.
        query = f"SELECT min(charge_point) FROM {table} WHERE charge_point > ?"  # noqa: S608 - all our own text
        name: str | None = ""
        while name is not None:
            [(name,)] = self._rows(query, (name,))
            if name is not None:
                yield name

    def _last_reported(self, column: str, charge_point: str) -> tuple[Any, datetime | None]:
        rows = self._rows(
            f"SELECT {column}, at FROM vehicle_reports WHERE charge_point = ? "  # noqa: S608 - all our own text
            f"AND {column} IS NOT NULL ORDER BY at DESC, id DESC LIMIT 1",
            (charge_point,),
        )
        return next(((value, from_micros(at)) for value, at in rows), (None, None))


def _stored_limit(row: tuple[Any, ...]) -> StoredGridLimit:
    at, source, what, body = row
    return StoredGridLimit(from_micros(at), source, what, json.loads(body))
