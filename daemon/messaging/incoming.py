"""The events of the daemon's loop, before and after they are handled."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from adapters.bus.events import Connected, Disconnected, MessageArrived, Published
from daemon.calendar.calendar_watch import CalendarsRead
from daemon.grid_limit.heard import LimitHeard
from daemon.sharing.planning_task import JointPlanMade

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from adapters.contract.messages import GridPower, HomeLoad, Reading, VehicleReport
    from daemon.control.events import Action, EquipmentHealth
    from daemon.control.state import PointState


@dataclass(frozen=True, slots=True)
class WakeUp:
    """A wake-up of the timer: time has passed."""


@dataclass(frozen=True, slots=True)
class Halt:
    """A person or the service manager wants the daemon to stop."""


@dataclass(frozen=True, slots=True)
class Reload:
    """A person wants the household file loaded again, changed or not."""


@dataclass(frozen=True, slots=True)
class HardwareReport:
    """A reading or report of equipment with its own connection to the daemon.

    Attributes
    ----------
    charge_point : str
        Its name in the household file.
    message : Reading or VehicleReport
        What it reports.
    confirm : callable
        Called on the loop's thread with whether the message is stored.
    """

    charge_point: str
    message: Reading | VehicleReport
    confirm: Callable[[bool], None] = field(compare=False, repr=False)


@dataclass(frozen=True, slots=True)
class HomeReport:
    """Equipment with its own connection to the daemon reports on the home's meter."""

    read: HomeLoad | GridPower


@dataclass(frozen=True, slots=True)
class ChannelReady:
    """Hardware can be reached (again): the command in force must be sent."""

    charge_point: str


@dataclass(frozen=True, slots=True)
class HealthReport:
    """Equipment can't do what it must, or can again."""

    charge_point: str
    health: EquipmentHealth


Incoming = (
    WakeUp
    | Halt
    | Reload
    | Connected
    | Disconnected
    | MessageArrived
    | Published
    | HardwareReport
    | HomeReport
    | ChannelReady
    | HealthReport
    | JointPlanMade
    | LimitHeard
    | CalendarsRead
)


@dataclass(frozen=True, slots=True)
class HandledEvent:
    """An event and its effects, as an observer is shown them.

    Attributes
    ----------
    event : Incoming
        The event.
    actions : tuple of (str, Action)
        What the controllers asked for, each with its charge point.
    nights : tuple of dict
        The records of the nights that were closed.
    states : mapping of str to PointState
        The present state of each charge point.
    wake : datetime
        When the loop next has something to do, if no event comes first.
    """

    event: Incoming
    actions: tuple[tuple[str, Action], ...]
    nights: tuple[dict[str, Any], ...]
    states: dict[str, PointState]
    wake: datetime
