"""The daemon's loop: moves messages and time in, and actions out. Decides nothing.

One thread takes events from one queue, so nothing here is shared. For each event: keep what came,
step the controllers, carry out what they ask for, acknowledge.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

import structlog

from adapters.bus_events import Connected, Disconnected, MessageArrived
from adapters.messages import MalformedMessage, PriceFeed
from adapters.topics import Topics
from config.errors import LedgerError
from daemon.controller import next_wake, step
from daemon.events import BusConnected, HouseChanged, TimePassed
from daemon.inbox import Inbox
from daemon.outbox import STATUS_EVERY, Outbox, Publisher
from daemon.recovery import open_night_body, recover
from daemon.status import status_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from adapters.clock import Clock
    from adapters.ledger import Ledger
    from daemon.events import Action, Event
    from daemon.household_watch import HouseholdWatch
    from daemon.state import House, PointState

_log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Ring:
    """The bell rang: time has passed."""


@dataclass(frozen=True, slots=True)
class Halt:
    """Stop the service."""


Incoming = Ring | Halt | Connected | Disconnected | MessageArrived


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


@dataclass(slots=True)
class _Done:
    actions: list[tuple[str, Action]] = field(default_factory=list)
    nights: list[dict[str, Any]] = field(default_factory=list)


class Service:
    """Runs one household.

    Parameters
    ----------
    watch : HouseholdWatch
        Gives the household file and the rates, and says when they are new.
    ledger : Ledger
        The durable record, used on the loop's thread only.
    clock : Clock
        What time it is.
    bus : Publisher
        Where to publish.
    ring_at : callable
        Asks for a `Ring` at an instant.
    observer : callable, optional
        Told of every event once it is dealt with, on the loop's thread.
    """

    def __init__(
        self,
        watch: HouseholdWatch,
        ledger: Ledger,
        clock: Clock,
        *,
        bus: Publisher,
        ring_at: Callable[[datetime], None],
        observer: Callable[[Handled], None] | None = None,
    ) -> None:
        self._watch = watch
        self._ledger = ledger
        self._clock = clock
        self._ring_at = ring_at
        self._observer = observer
        self._queue: SimpleQueue[Incoming] = SimpleQueue()
        file = watch.house.file
        topics = Topics(file.bus.root, file.household.name)
        self._inbox = Inbox(topics, file.charge_points, ledger)
        self._outbox = Outbox(topics, ledger, bus)
        self._states: dict[str, PointState] = {}
        self._done = _Done()

    @property
    def house(self) -> House:
        """The household file and the rates in force."""
        return self._watch.house

    def post(self, event: Incoming) -> None:
        """Put an event into the queue; from any thread."""
        self._queue.put(event)

    def run(self) -> None:
        """Recover from the ledger, then deal with events until `Halt` comes."""
        self._watch.use_ledger(self._ledger)
        now = self._clock.now()
        self._states = {
            point: recover(self._ledger, point, now, self.house)
            for point in self.house.file.charge_points
        }
        event: Incoming = Ring()
        while not isinstance(event, Halt):
            self._handle(event)
            event = self._queue.get()
        self._outbox.say_offline(self._clock.now())

    def _handle(self, event: Incoming) -> None:
        self._done = _Done()
        try:
            self._take(event)
        except LedgerError as error:
            # Nothing is acknowledged that is not kept: it comes again on the next connection.
            _log.error("not recorded, so not done", why=str(error))
        now = self._clock.now()
        self._outbox.say_online(now)
        for point, state in self._states.items():
            self._outbox.say_status(point, status_of(state, now, self.house))
        wake = min(next_wake(state, now, self.house) for state in self._states.values())
        wake = min(wake, now + STATUS_EVERY)
        self._ring_at(wake)
        if self._observer is not None:
            done = self._done
            self._observer(
                Handled(event, tuple(done.actions), tuple(done.nights), dict(self._states), wake)
            )

    def _take(self, event: Incoming) -> None:
        match event:
            case MessageArrived():
                self._take_message(event)
            case Connected(protocol):
                _log.info("connected to the broker", mqtt=protocol)
                self._outbox.forget_what_was_said()
                self._step_all(BusConnected())
                for point, state in self._states.items():
                    self._outbox.say_plan(point, state.plan)
            case Disconnected(reason):
                _log.warning("no broker, trying again", reason=reason)
            case Ring() | Halt():
                what = self._watch.look(self._ledger)
                self._step_all(TimePassed() if what is None else HouseChanged(what))

    def _take_message(self, message: MessageArrived) -> None:
        try:
            taken = self._inbox.take(message, self._clock.now())
        except MalformedMessage as error:
            _log.warning("message not understood", topic=message.topic, reason=str(error))
            taken = None
        if isinstance(taken, PriceFeed):
            if self._watch.take_prices(taken, self._ledger):
                self._step_all(HouseChanged("prices"))
        elif taken is not None:
            self._step(*taken)
        message.ack()

    def _step_all(self, event: Event) -> None:
        for point in self._states:
            self._step(point, event)

    def _step(self, point: str, event: Event) -> None:
        now = self._clock.now()
        before = self._states[point]
        after, actions = step(before, event, now, self.house)
        self._states[point] = after
        if before.plan is not None and after.plan is None:
            self._outbox.say_plan(point, None)
        for action in actions:
            # Each for itself: a plan that can't be recorded must not hold back the stop behind it.
            try:
                record = self._outbox.carry_out(point, action, now, self.house)
            except LedgerError as error:
                _log.error("not recorded, so not done", what=type(action).__name__, why=str(error))
                continue
            self._done.actions.append((point, action))
            if record is not None:
                self._done.nights.append(record)
        if after.night != before.night:
            self._ledger.save_open_night(
                point, open_night_body(after.night) if after.night else None
            )
