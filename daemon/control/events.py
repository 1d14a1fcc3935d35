"""What can happen to a charge point, and what its controller can ask for in return.

Plain data: the service turns messages and time into events, and actions into messages and rows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from datetime import date, datetime

    from adapters.contract.messages import Reading, Request, VehicleReport
    from planners.plan.plan import Plan


@dataclass(frozen=True, slots=True)
class TimePassed:
    """Nothing happened but time."""


@dataclass(frozen=True, slots=True)
class BusConnected:
    """The broker can be reached (again): what is in force must be asserted."""


@dataclass(frozen=True, slots=True)
class HouseChanged:
    """The household file or the prices are new."""

    what: Literal["file", "prices"]


@dataclass(frozen=True, slots=True)
class MeterRead:
    """A reading came."""

    reading: Reading


@dataclass(frozen=True, slots=True)
class VehicleReported:
    """The charge point told of its vehicle."""

    report: VehicleReport


@dataclass(frozen=True, slots=True)
class PersonAsked:
    """A person asked for something."""

    request: Request


@dataclass(frozen=True, slots=True)
class Delivered:
    """What becomes of messages on one topic of this charge point is another thing than before.

    `why` is in plain words where the broker refuses them.
    """

    topic: str
    outcome: Literal["accepted", "nobody-listens", "refused"]
    is_command: bool
    why: str = ""


@dataclass(frozen=True, slots=True)
class LedgerHealth:
    """Whether the ledger works: what is wrong with it, or None once that is over."""

    code: Literal["ledger-refuses", "no-backup"]
    trouble: str | None


Event = (
    TimePassed
    | BusConnected
    | HouseChanged
    | MeterRead
    | VehicleReported
    | PersonAsked
    | Delivered
    | LedgerHealth
)


@dataclass(frozen=True, slots=True)
class CommandInForce:
    """What the charge point was last told.

    Attributes
    ----------
    serial : int
        Grows with every command of this charge point.
    do : {"start", "stop"}
        Whether to charge.
    amps : float or None
        Current of a start [A].
    valid_until : datetime
        After which the command is void.
    plan : str or None
        Name of the plan it follows.
    why : str
        In plain words.
    """

    serial: int
    do: Literal["start", "stop"]
    amps: float | None
    valid_until: datetime
    plan: str | None
    why: str


@dataclass(frozen=True, slots=True)
class Issue:
    """Record a command, then publish it."""

    command: CommandInForce


@dataclass(frozen=True, slots=True)
class Assert:
    """Publish the command in force again: same serial, nothing new."""

    command: CommandInForce


@dataclass(frozen=True, slots=True)
class AnnouncePlan:
    """Record a new plan, and publish it."""

    plan: Plan


@dataclass(frozen=True, slots=True)
class NightFacts:
    """What a night's account needs beside the meter's readings.

    Attributes
    ----------
    night : date
        The local date on which it began.
    charge_point, vehicle : str
        Their names in the household file.
    plugged_since : datetime
        When the vehicle was first there.
    departure : datetime or None
        What it was charged for.
    ready_by : datetime or None
        The departure less its margin.
    need_percent : float
        What the departure needed; 0 without one.
    soc_before_percent, soc_after_percent : float or None
        Known, counted or assumed.
    soc_from : str
        Where the first came from.
    planned_cost : float
        What the plan before charging began promised [currency].
    starts : int
        Starts commanded.
    closed_at : datetime
        Now.
    """

    night: date
    charge_point: str
    vehicle: str
    plugged_since: datetime
    departure: datetime | None
    ready_by: datetime | None
    need_percent: float
    soc_before_percent: float | None
    soc_after_percent: float | None
    soc_from: str
    planned_cost: float
    starts: int
    closed_at: datetime


@dataclass(frozen=True, slots=True)
class CloseNight:
    """Account for a night, record and publish it."""

    facts: NightFacts


@dataclass(frozen=True, slots=True)
class Warn:
    """Raise an alert: `code` for programs, `message` for people."""

    code: str
    message: str


@dataclass(frozen=True, slots=True)
class Note:
    """Say what happened, for the log: an event name and its facts."""

    event: str
    facts: dict[str, object]


Action = Issue | Assert | AnnouncePlan | CloseNight | Warn | Note
