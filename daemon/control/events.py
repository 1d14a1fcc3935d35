"""The events that a controller handles, and the actions that it asks for.

Plain data. The service turns messages and time into events, and actions into messages and rows.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from datetime import date, datetime

    from adapters.contract.messages import GridPower, HomeLoad, Reading, Request, VehicleReport
    from planners.plan.plan import Plan


@dataclass(frozen=True, slots=True)
class TimePassed:
    """Nothing happened but time."""


@dataclass(frozen=True, slots=True)
class BusConnected:
    """The broker can be reached (again): the command in force must be published again."""


@dataclass(frozen=True, slots=True)
class HouseChanged:
    """The file, prices, calendars, forecasts, the known load or a grid limit have changed."""

    what: Literal["file", "prices", "calendar", "forecast", "load", "limit"]


@dataclass(frozen=True, slots=True)
class CurrentAllotted:
    """A plan for the whole home has allotted the charge point another current."""


@dataclass(frozen=True, slots=True)
class MeterRead:
    """The meter sent a reading."""

    reading: Reading


@dataclass(frozen=True, slots=True)
class LoadRead:
    """A meter has read what the home draws; it concerns all charge points."""

    load: HomeLoad


@dataclass(frozen=True, slots=True)
class GridRead:
    """A meter has read what flows between the home and the grid."""

    power: GridPower


@dataclass(frozen=True, slots=True)
class VehicleReported:
    """The charge point reported on its vehicle."""

    report: VehicleReport


@dataclass(frozen=True, slots=True)
class PersonAsked:
    """A person asked for something."""

    request: Request


@dataclass(frozen=True, slots=True)
class Delivered:
    """The fate of messages on one topic of this charge point has changed.

    `why` gives the broker's reason if it refuses them.
    """

    topic: str
    outcome: Literal["accepted", "nobody-listens", "refused"]
    is_command: bool
    why: str = ""


HealthCode = Literal[
    "ledger-refuses", "no-backup", "no-broker", "file-refused", "forecast-refused",
    "forecast-ended",
    "carbon-refused", "grid-meter-reversed", "wrong-passwords", "grid-limited",
    "calendar-old", "calendar-event",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class HouseholdHealth:
    """Whether something of the whole household works: its trouble, or None once that is over."""

    code: HealthCode
    trouble: str | None


@dataclass(frozen=True, slots=True)
class HardwareChanged:
    """Hardware has changed: it is gone or back, or it does not answer.

    Attributes
    ----------
    available : bool or None
        Whether it is there; None if that is as before.
    trouble : str or None
        Why it does not answer, in words; empty once it does again; None if that is as before.
    """

    available: bool | None = None
    trouble: str | None = None


EquipmentCode = Literal["equipment-refuses", "no-current-control", "equipment-pauses"]


@dataclass(frozen=True, slots=True)
class EquipmentHealth:
    """Whether the equipment of one charge point does what it must: its trouble, or None."""

    code: EquipmentCode
    trouble: str | None


Event = (
    TimePassed
    | BusConnected
    | HouseChanged
    | CurrentAllotted
    | MeterRead
    | VehicleReported
    | PersonAsked
    | Delivered
    | HouseholdHealth
    | HardwareChanged
    | EquipmentHealth
)


@dataclass(frozen=True, slots=True)
class CommandInForce:
    """A command to a charge point, as the daemon knows it; the bus carries `messages.Command`.

    Attributes
    ----------
    serial : int
        Grows with every command of this charge point.
    do : {"start", "stop"}
        Whether to charge.
    amps : float or None
        Current of a start [A].
    valid_until : datetime
        When the command expires.
    plan : str or None
        Name of the plan that it follows.
    why : str
        The reason in plain words.
    delayed_until : datetime or None
        Until when the start, or the higher current, that is right waits for a random delay.
    planned_amps : float or None
        What the plan, or a person, wants; less may be left of it [A per phase].
    run_ends : datetime or None
        When this current would have ended or fallen without a random delay.
    phases : int or None
        On how many phases a start is, at a charge point that switches them; or for how many a stop
        makes way.
    """

    serial: int
    do: Literal["start", "stop"]
    amps: float | None
    valid_until: datetime
    plan: str | None
    why: str
    delayed_until: datetime | None = None
    planned_amps: float | None = None
    run_ends: datetime | None = None
    phases: int | None = None


@dataclass(frozen=True, slots=True)
class Issue:
    """Record a command, then publish it.

    Attributes
    ----------
    command : CommandInForce
        The command.
    extends : int or None
        The serial of a command that it only extends, by less than a minute: such commands are one
        in the record.
    """

    command: CommandInForce
    extends: int | None = None


@dataclass(frozen=True, slots=True)
class Assert:
    """Publish the command in force again, with the same serial."""

    command: CommandInForce


@dataclass(frozen=True, slots=True)
class AnnouncePlan:
    """Record a new plan, and publish it."""

    plan: Plan


@dataclass(frozen=True, slots=True)
class LoweredByLoad:
    """For how long the rest of the home left less current than was wanted, in one night.

    Attributes
    ----------
    seconds : float
        In total, before `since`.
    least_amps : float
        The lowest current commanded meanwhile [A per phase]; 0 if charging was stopped.
    load_amps : float
        The most that the rest of the home drew meanwhile on a phase of the charge point [A].
    since : datetime or None
        Since when it does so now; None if it does not.
    """

    seconds: float
    least_amps: float
    load_amps: float
    since: datetime | None = None

    def ended(self, at: datetime) -> LoweredByLoad:
        """Return the same, with the time until `at` counted."""
        if self.since is None:
            return self
        seconds = max(0.0, (at - self.since).total_seconds())
        return replace(self, seconds=self.seconds + seconds, since=None)


@dataclass(frozen=True, slots=True)
class Stay:
    """A vehicle's time at a charge point in one night, up to its departure.

    Attributes
    ----------
    vehicle : str
        Its name in the household file.
    plugged_since : datetime
        When it was plugged in.
    departure : datetime or None
        The departure that it was charged for; it may lie after the night.
    need_percent, want_percent : float
        What that departure needs and wants; 0 until the departure has come, and without one.
    soc_before_percent, soc_after_percent : float or None
        Reported, counted or assumed; the second is that of the departure, once it has come.
    soc_from : str
        Where the first came from.
    planned_cost : float
        The cost in this night by the last plan before charging began [currency].
    starts : int
        The number of start commands.
    left_at : datetime or None
        When it was taken to have left, if that was later than the departure, or if another vehicle
        took its place before its departure, which is then not known here.
    """

    vehicle: str
    plugged_since: datetime
    departure: datetime | None = None
    need_percent: float = 0.0
    want_percent: float = 0.0
    soc_before_percent: float | None = None
    soc_after_percent: float | None = None
    soc_from: str = "assumed"
    planned_cost: float = 0.0
    starts: int = 0
    left_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class NightFacts:
    """The facts that a night's account needs besides the meter's readings.

    Attributes
    ----------
    night : date
        The local date on which it began.
    charge_point : str
        Its name in the household file.
    stays : tuple of Stay
        At least one, in order of time. Only the last may lack a departure.
    closed_at : datetime
        When the night was closed.
    lowered : LoweredByLoad or None
        For how long the home's live load left less current than was wanted.
    """

    night: date
    charge_point: str
    stays: tuple[Stay, ...]
    closed_at: datetime
    lowered: LoweredByLoad | None = None


@dataclass(frozen=True, slots=True)
class CloseNight:
    """Account for a night, record it and publish it."""

    facts: NightFacts


@dataclass(frozen=True, slots=True)
class Warn:
    """Raise an alert: `code` for programs, `message` for people."""

    code: str
    message: str


@dataclass(frozen=True, slots=True)
class Note:
    """Write what happened to the log: an event name and its facts."""

    event: str
    facts: dict[str, object]


Action = Issue | Assert | AnnouncePlan | CloseNight | Warn | Note
