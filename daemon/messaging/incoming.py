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
class Ring:
    """The bell rang: time has passed."""


@dataclass(frozen=True, slots=True)
class Halt:
    """Stop the service."""


@dataclass(frozen=True, slots=True)
class Reload:
    """A person wants the household file loaded again, changed or not."""


@dataclass(frozen=True, slots=True)
class HardwareSaid:
    """Hardware that has a way of its own to the daemon says something.

    Attributes
    ----------
    charge_point : str
        Its name in the household file.
    said : Reading or VehicleReport
        What it says.
    kept : callable
        Told whether it is kept, from the loop's thread.
    """

    charge_point: str
    said: Reading | VehicleReport
    kept: Callable[[bool], None] = field(compare=False, repr=False)


@dataclass(frozen=True, slots=True)
class LineUp:
    """Hardware can be told things (again): what is in force must be told."""

    charge_point: str


Incoming = (
    Ring
    | Halt
    | Reload
    | Connected
    | Disconnected
    | MessageArrived
    | Published
    | HardwareSaid
    | LineUp
)


@dataclass(frozen=True, slots=True)
class Handled:
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
