"""One turn of the daemon's loop, for its observers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from daemon.control.events import Action
    from daemon.control.state import House, PointState


@dataclass(frozen=True, slots=True)
class Turn:
    """One turn of the loop: an event was handled, or put off until the clock is set.

    Attributes
    ----------
    now : datetime
        UTC.
    house : House
        The household file and the rates.
    connected : bool
        Whether there is a broker.
    records : bool
        Whether the ledger accepts rows.
    states : mapping of str to PointState
        What is known of each charge point; empty until the clock is set.
    actions : sequence of (str, Action)
        What was done, each with its charge point.
    nights : sequence of dict
        The records of the nights that were closed.
    """

    now: datetime
    house: House
    connected: bool
    records: bool
    states: Mapping[str, PointState]
    actions: Sequence[tuple[str, Action]] = ()
    nights: Sequence[dict[str, Any]] = ()
