"""The rows that the ledger returns, and instants as numbers. Knows no SQL."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final, Literal, TypeAlias

from adapters.clocks.instants import in_utc

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


@dataclass(frozen=True)
class StoredReading:
    """A meter's reading; None for values that it did not have."""

    at: datetime
    register_wh: int | None
    watts: float | None
    amps: float | None


@dataclass(frozen=True)
class LastVehicleReports:
    """The latest pilot state and the latest state of charge, each with its instant."""

    pilot: str | None = None
    pilot_at: datetime | None = None
    soc_percent: float | None = None
    soc_at: datetime | None = None


@dataclass(frozen=True)
class StoredReport:
    """A charge point's report on its vehicle; None for values that it did not have."""

    at: datetime
    pilot: str | None
    soc_percent: float | None


@dataclass(frozen=True)
class StoredPlan:
    """A plan as a JSON object, and when it was made."""

    made_at: datetime
    body: dict[str, Any]


BROKER_BACK = "broker-back"
"""The code of a row among the alerts that is none: the broker's return after `no-broker`."""

IntensitySource: TypeAlias = Literal["bus", "file"]
HappeningKind: TypeAlias = Literal["started", "ended", "file", "prices"]
"""The daemon started or ended, loaded a household file, received prices."""
CALENDAR_NEWS: Final = {"calendar": True}
"""The body of a file's row that is of a calendar: its departures changed, not those of the file."""


@dataclass(frozen=True)
class StoredHappening:
    """An event in the daemon's life; recorded since schema 4."""

    at: datetime
    what: HappeningKind
    body: dict[str, Any]


GridLimitKind: TypeAlias = Literal["set", "lifted", "ended", "obeyed"]
"""A limit of the grid operator came, was lifted, or ended; or what was commanded because of it."""


@dataclass(frozen=True)
class StoredGridLimit:
    """What happened to a limit of the grid operator; recorded since schema 10."""

    at: datetime
    source: str
    what: GridLimitKind
    body: dict[str, Any]


@dataclass(frozen=True)
class StoredRequest:
    """A person's request, and when it came."""

    at: datetime
    body: dict[str, Any]


@dataclass(frozen=True)
class StoredAlert:
    """An alert; `charge_point` is None if it concerned the whole household."""

    at: datetime
    charge_point: str | None
    code: str
    message: str


@dataclass(frozen=True)
class StoredCommand:
    """A command as it was decided; `plan` is None if it follows no plan.

    `phases` is None unless it is a start at a charge point that switches them.
    """

    at: datetime
    serial: int
    do: Literal["start", "stop"]
    amps: float | None
    valid_until: datetime
    why: str
    plan: str | None = None
    phases: int | None = None


def to_micros(instant: datetime) -> int:
    """Count the microseconds since 1970 in UTC.

    Parameters
    ----------
    instant
        An aware datetime.

    Returns
    -------
    int
        Exact: no float is involved.
    """
    return (in_utc(instant) - _EPOCH) // _MICROSECOND


def from_micros(micros: int) -> datetime:
    """Return the aware UTC datetime that `to_micros` counted."""
    return _EPOCH + micros * _MICROSECOND
