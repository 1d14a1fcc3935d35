"""Pass each turn of the daemon's loop to its observers: the service manager and the metrics."""

from __future__ import annotations

from dataclasses import dataclass
from queue import Empty
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from daemon.messaging.event_queue import EventQueue
    from daemon.messaging.incoming import Incoming
    from daemon.observers.metrics_schedule import MetricsSchedule
    from daemon.observers.service_manager import ServiceManager
    from daemon.observers.turn import Turn


@dataclass(frozen=True, slots=True)
class Observers:
    """The observers of one daemon; each may be missing.

    Attributes
    ----------
    manager : ServiceManager or None
        Tells the service manager that the loop runs.
    metrics : MetricsSchedule or None
        Publishes figures for graphs.
    """

    manager: ServiceManager | None = None
    metrics: MetricsSchedule | None = None

    def before(self, event: Incoming) -> None:
        """Announce that an event is about to be handled."""
        if self.manager is not None:
            self.manager.before(event)

    def after(self, turn: Callable[[], Turn]) -> None:
        """Show the turn that an event caused; it is only built if there is an observer."""
        observers = [observer for observer in (self.manager, self.metrics) if observer]
        if observers:
            made = turn()
            for observer in observers:
                observer.after(made)

    def next_event(self, queue: EventQueue) -> Incoming:
        """Wait for an event; meanwhile send the signs of life that the service manager expects."""
        if self.manager is None:
            return queue.get()
        while True:
            try:
                return queue.get(timeout=self.manager.patience_seconds())
            except Empty:
                self.manager.nothing_came()

    def stopping(self) -> None:
        """Announce that the loop has ended."""
        if self.manager is not None:
            self.manager.stopping()
