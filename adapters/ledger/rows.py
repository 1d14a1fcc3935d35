"""What the ledger hands back, and how an instant becomes a number in it. Knows no SQL."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Literal, TypeAlias

from adapters.clocks.instants import in_utc

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


@dataclass(frozen=True)
class StoredReading:
    """One row of a meter's readings; None where the reading did not say."""

    at: datetime
    register_wh: int | None
    watts: float | None
    amps: float | None


@dataclass(frozen=True)
class LastVehicleReports:
    """The latest pilot state and the latest state of charge, each with its own instant."""

    pilot: str | None = None
    pilot_at: datetime | None = None
    soc_percent: float | None = None
    soc_at: datetime | None = None


@dataclass(frozen=True)
class StoredReport:
    """What a charge point told of its vehicle; None where it did not say."""

    at: datetime
    pilot: str | None
    soc_percent: float | None


@dataclass(frozen=True)
class StoredPlan:
    """A plan as a JSON object, and when it was made."""

    made_at: datetime
    body: dict[str, Any]


Befallen: TypeAlias = Literal["started", "ended", "file", "prices"]
"""What can befall a daemon."""


@dataclass(frozen=True)
class StoredHappening:
    """What befell the daemon; ledgers of before schema 4 have none of it."""

    at: datetime
    what: Befallen
    body: dict[str, Any]


@dataclass(frozen=True)
class StoredRequest:
    """What a person asked for, and when it came."""

    at: datetime
    body: dict[str, Any]


@dataclass(frozen=True)
class StoredAlert:
    """An alert; `charge_point` is None where it concerned the whole household."""

    at: datetime
    charge_point: str | None
    code: str
    message: str


@dataclass(frozen=True)
class StoredCommand:
    """A command as it was decided; `amps` is None for a stop, `plan` where it follows none."""

    at: datetime
    serial: int
    do: Literal["start", "stop"]
    amps: float | None
    valid_until: datetime
    why: str
    plan: str | None = None


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
