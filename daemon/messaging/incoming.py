"""What the daemon's loop takes in, and what an observer of it is told."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from adapters.bus.events import Connected, Disconnected, MessageArrived, Published

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from adapters.contract.messages import Reading, VehicleReport
    from daemon.control.events import Action
    from daemon.control.state import PointState


@dataclass(frozen=True, slots=True)
class WakeUp:
    """A wake-up of the timer: time has passed."""


@dataclass(frozen=True, slots=True)
class Halt:
    """Stop the service."""


@dataclass(frozen=True, slots=True)
class Reload:
    """A person wants the household file loaded again, changed or not."""


@dataclass(frozen=True, slots=True)
class HardwareReport:
    """Hardware that has a way of its own to the daemon says something.

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
class ChannelReady:
    """Hardware can be told things (again): what is in force must be told."""

    charge_point: str


Incoming = (
    WakeUp
    | Halt
    | Reload
    | Connected
    | Disconnected
    | MessageArrived
    | Published
    | HardwareReport
    | ChannelReady
)


@dataclass(frozen=True, slots=True)
class HandledEvent:
    """What an observer is told once an event is dealt with.

    Attributes
    ----------
    event : Incoming
        The event.
    actions : tuple of (str, Action)
        What was done, each with its charge point.
    nights : tuple of dict
        The records of the nights that were closed.
    states : mapping of str to PointState
        What is known of each charge point now.
    wake : datetime
        When time alone will change something next.
    """

    event: Incoming
    actions: tuple[tuple[str, Action], ...]
    nights: tuple[dict[str, Any], ...]
    states: dict[str, PointState]
    wake: datetime
