"""What the loop shows of itself with each turn, and to whom: those who only look on."""

from __future__ import annotations

from dataclasses import dataclass
from queue import Empty
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from datetime import datetime
    from queue import SimpleQueue

    from daemon.events import Action
    from daemon.incoming import Incoming
    from daemon.metrics_rounds import MetricsRounds
    from daemon.service_manager import ServiceManager
    from daemon.state import House, PointState


@dataclass(frozen=True, slots=True)
class Turn:
    """One turn of the loop: an event dealt with, or put off while the clock is waited for.

    Attributes
    ----------
    now : datetime
        UTC.
    house : House
        The household file and the rates.
    connected : bool
        Whether there is a broker.
    records : bool
        Whether the ledger takes what it is given.
    states : mapping of str to PointState
        What is known of each charge point; empty while the clock is waited for.
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


@dataclass(frozen=True, slots=True)
class Onlookers:
    """Those who look on; there may be none.

    Attributes
    ----------
    manager : ServiceManager or None
        Tells a service manager that the loop turns.
    metrics : MetricsRounds or None
        Gives out figures for graphs.
    """

    manager: ServiceManager | None = None
    metrics: MetricsRounds | None = None

    def before(self, event: Incoming) -> None:
        """Show that an event is about to be dealt with."""
        if self.manager is not None:
            self.manager.before(event)

    def after(self, turn: Callable[[], Turn]) -> None:
        """Show the turn that an event came to; it is only made where somebody looks on."""
        shown = [look.after for look in (self.manager, self.metrics) if look is not None]
        if shown:
            made = turn()
            for show in shown:
                show(made)

    def next_event(self, queue: SimpleQueue[Incoming]) -> Incoming:
        """Wait for an event; where signs of life are wanted meanwhile, give them."""
        if self.manager is None:
            return queue.get()
        while True:
            try:
                return queue.get(timeout=self.manager.patience_seconds())
            except Empty:
                self.manager.nothing_came()

    def leaves(self) -> None:
        """Show that the loop has ended."""
        if self.manager is not None:
            self.manager.leaves()
