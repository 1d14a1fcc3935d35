"""What the daemon's loop takes in, and what an observer of it is told."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from adapters.bus_events import Connected, Disconnected, MessageArrived, Published

if TYPE_CHECKING:
    from datetime import datetime

    from daemon.events import Action
    from daemon.state import PointState


@dataclass(frozen=True, slots=True)
class Ring:
    """The bell rang: time has passed."""


@dataclass(frozen=True, slots=True)
class Halt:
    """Stop the service."""


@dataclass(frozen=True, slots=True)
class Reload:
    """A person wants the household file loaded again, changed or not."""


Incoming = Ring | Halt | Reload | Connected | Disconnected | MessageArrived | Published


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
