"""Run the daemon's service in this process, with a simulated charge point, for speed."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from threading import Condition, Thread
from typing import Final

from adapters.bus.events import Connected, MessageArrived
from adapters.clocks.clock import VirtualClock
from adapters.contract.messages import Command, decode
from adapters.contract.topics import Topics
from adapters.ledger.ledger import open_ledger
from adapters.simulated.charge_point import SimulatedChargePoint
from daemon.control.events import Warn
from daemon.control.state import PointState
from daemon.service.household_watch import HouseholdWatch
from daemon.service.service import Halt, HandledEvent, Service, WakeUp
from tests.faults.evenings import POINT
from tests.faults.garbage import Sent
from tests.support.waiting import patience

LIMIT_SECONDS: Final = 60.0


class Served:
    """Runs the service on its own thread, and waits until it has handled everything.

    Parameters
    ----------
    house : Path
        The household file.
    at : datetime
        Where its clock starts.
    point : SimulatedChargePoint, optional
        Obeys its commands.

    Attributes
    ----------
    alerts : list of (datetime, str)
        The alerts that it raised.
    failure : BaseException or None
        The error that ended the service, if any.
    """

    def __init__(
        self, house: Path, at: datetime, point: SimulatedChargePoint | None = None
    ) -> None:
        self.watch = HouseholdWatch(house)
        file = self.watch.house.file
        self.ledger = file.ledger.path
        self.topics = Topics.of_file(file)
        self.clock = VirtualClock(at)
        self.point = point
        self.commands: list[Command] = []
        self.alerts: list[tuple[datetime, str]] = []
        self.failure: BaseException | None = None
        self.state: PointState | None = None
        self.wake = at
        self.delivered = 0
        self.acknowledged = 0
        self._posted = 0
        self._handled = 0
        self._changed = Condition()
        self._service: Service | None = None

    @contextmanager
    def running(self) -> Iterator[Served]:
        """Run the service until the block ends.

        Yields
        ------
        Served
            Connected to its bus.
        """
        thread = Thread(target=self._run, daemon=True)
        thread.start()
        with self._changed:
            assert self._changed.wait_for(
                lambda: self._handled > 0 or self.failure is not None, patience(LIMIT_SECONDS)
            )
        self._posted = 1  # it begins with its own wake-up
        self.post(Connected("5"))
        self.wait()
        try:
            yield self
        finally:
            if self._service is not None:
                self._service.post(Halt())
            thread.join(patience(LIMIT_SECONDS))

    def post(self, event: WakeUp | Connected | MessageArrived) -> None:
        """Send it an event."""
        assert self._service is not None
        self._posted += not isinstance(event, MessageArrived)
        self._service.post(event)

    def deliver(self, sent: Sent) -> None:
        """Deliver a message to it."""
        self.delivered += 1
        self.post(MessageArrived(sent.topic, sent.payload, sent.retain, self._acknowledge))

    def wait(self) -> bool:
        """Wait until it has handled everything; False if it has ended or hangs."""
        # Of too many messages it drops some: each is acknowledged, and not each is handled. What
        # it does about the last one is done before it handles a wake-up.
        if not self._is_done():
            return False
        self.post(WakeUp())
        return self._is_done()

    def _is_done(self) -> bool:
        with self._changed:
            done = self._changed.wait_for(
                lambda: (
                    (self._handled >= self._posted and self.acknowledged >= self.delivered)
                    or self.failure is not None
                ),
                patience(LIMIT_SECONDS),
            )
        return done and self.failure is None

    def move(self, to: datetime) -> bool:
        """Let time pass, waking it at every instant that it asks for."""
        while self.wake <= to:
            self._advance(max(self.wake, self.clock.now()))
            self.post(WakeUp())
            if not self._is_done():
                return False
        self._advance(to)
        return True

    def publish(self, topic: str, payload: bytes, *, retain: bool) -> bool:  # noqa: ARG002 - a bus
        """Take the place of the bus; on the service's thread."""
        if topic == self.topics.command(POINT):
            command = decode(Command, payload)
            self.commands.append(command)
            if self.point is not None:
                self.point.obey(command, self.clock.now())
        return True

    def _advance(self, to: datetime) -> None:
        if self.point is not None:
            self.point.advance(to)
        self.clock.advance_to(to)

    def _acknowledge(self) -> None:
        with self._changed:
            self.acknowledged += 1
            self._changed.notify_all()

    def _run(self) -> None:
        try:
            with open_ledger(self.ledger) as ledger:
                self._service = Service(
                    self.watch, ledger, self.clock, bus=self,
                    wake_at=lambda _instant: None, observer=self._observe,
                )  # fmt: skip
                self._service.run()
        except BaseException as error:  # noqa: BLE001 - the campaign looks for it
            self.failure = error
        with self._changed:
            self._changed.notify_all()

    def _observe(self, handled: HandledEvent) -> None:
        with self._changed:
            self._handled += not isinstance(handled.event, MessageArrived)
            self.state, self.wake = handled.states[POINT], handled.wake
            self.alerts += [
                (self.clock.now(), action.code)
                for _, action in handled.actions
                if isinstance(action, Warn)
            ]
            self._changed.notify_all()
