"""Run the real daemon in a child process, on a virtual clock, to be killed at any instant.

The child is `daemon.service.running.Daemon` with its MQTT bus and its ledger on disk; only its
clock and its wake-ups are controlled by the campaign. It reports every event that it has handled
over a pipe. It can also kill itself (SIGKILL) when it passes a given place for the n-th time: a
statement in the ledger, a plan, a message on its way out, an acknowledgement.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial
from hashlib import sha256
from multiprocessing.connection import Connection
from pathlib import Path
from threading import Lock, Thread
from time import monotonic
from typing import Any, Final, Literal
from unittest.mock import patch

import structlog
from typing_extensions import override

from adapters.bus import connection
from adapters.bus.bus import MqttBus
from adapters.bus.events import Connected, Disconnected, MessageArrived
from adapters.clocks.clock import VirtualClock
from adapters.ledger.ledger import Ledger, open_ledger
from daemon.control.events import AnnouncePlan, CommandInForce, Issue, Warn
from daemon.messaging import event_queue
from daemon.service.household_watch import HouseholdWatch
from daemon.service.running import Daemon
from daemon.service.service import HandledEvent, WakeUp
from planners.plan import planning
from planners.plan.plan import Period
from tests.faults.evenings import POINT
from tests.faults.planted import PLANTS

Mark = tuple[str, bytes]
"""A message: its topic, and the digest of its payload."""

Place = Literal["statement", "plan", "publish", "acknowledge"]
PLACES: Final[tuple[Place, ...]] = ("statement", "plan", "publish", "acknowledge")


FIRST_PAUSE_SECONDS: Final = 0.1


@dataclass(frozen=True, slots=True)
class Aim:
    """Where to kill the daemon: when it passes this place for the `count`-th time."""

    place: Place
    count: int


@dataclass(frozen=True, slots=True)
class Order:
    """How to start a daemon."""

    house: Path
    at: datetime
    keepalive_seconds: int
    aim: Aim | None = None
    plant: str | None = None


@dataclass(frozen=True, slots=True)
class ChildReport:
    """The child's report of one event that it has handled, or of its clock."""

    kind: Literal["message", "wake-up", "connected", "disconnected", "clock", "halt"]
    wake: datetime | None = None
    mark: Mark | None = None
    connected_at_seconds: float = 0.0
    command: CommandInForce | None = None
    issued: tuple[CommandInForce, ...] = ()
    periods: tuple[Period, ...] = ()
    charges_now: bool = False
    alerts: tuple[str, ...] = ()
    plans: int = 0
    nights: tuple[dict[str, Any], ...] = ()


@dataclass(slots=True)
class _Executioner:
    """Kills this process at its aim."""

    aim: Aim | None = None
    passed: int = 0

    def set(self, aim: Aim | None) -> None:
        self.aim, self.passed = aim, 0

    def passes(self, place: Place) -> None:
        if self.aim is None or self.aim.place != place:
            return
        self.passed += 1
        if self.passed >= self.aim.count:
            os.kill(os.getpid(), signal.SIGKILL)


class _Watched(Daemon):
    """Records when it was connected, and passes the executioner before it acknowledges."""

    connected_at_seconds = 0.0
    executioner: _Executioner

    @override
    def post(self, event: object) -> None:
        if isinstance(event, Connected):
            self.connected_at_seconds = monotonic()
        if isinstance(event, MessageArrived):
            event = replace(event, ack=partial(self._acknowledge, event.ack))
        super().post(event)

    def _acknowledge(self, ack: Callable[[], None]) -> None:
        self.executioner.passes("acknowledge")
        ack()
        self.executioner.passes("acknowledge")


@dataclass(slots=True)
class _Reporter:
    """Reports to the campaign each event that the daemon has handled."""

    pipe: Connection
    daemon: _Watched | None = None
    lock: Lock = field(default_factory=Lock)

    def send(self, report: ChildReport) -> None:
        with self.lock:
            self.pipe.send(report)

    def report(self, handled: HandledEvent) -> None:
        state = handled.states[POINT]
        actions = [action for point, action in handled.actions if point == POINT]
        event = handled.event
        self.send(
            ChildReport(
                kind=_kind(handled),
                wake=handled.wake,
                mark=mark(event.topic, event.payload)
                if isinstance(event, MessageArrived)
                else None,
                connected_at_seconds=self.daemon.connected_at_seconds if self.daemon else 0.0,
                command=state.command,
                issued=tuple(each.command for each in actions if isinstance(each, Issue)),
                periods=state.plan.periods if state.plan else (),
                charges_now=state.wishes.charge_now,
                alerts=tuple(each.code for each in actions if isinstance(each, Warn)),
                plans=sum(isinstance(each, AnnouncePlan) for each in actions),
                nights=handled.nights,
            )
        )


def _kind(
    handled: HandledEvent,
) -> Literal["message", "wake-up", "connected", "disconnected", "halt"]:
    match handled.event:
        case MessageArrived():
            return "message"
        case WakeUp():
            return "wake-up"
        case Connected():
            return "connected"
        case Disconnected():
            return "disconnected"
        case _:
            return "halt"


def mark(topic: str, payload: bytes) -> Mark:
    """Return a short name of a message."""
    return topic, sha256(payload).digest()


@contextmanager
def hurried(keepalive_seconds: int) -> Iterator[None]:
    """Let new buses notice a lost broker sooner, and reconnect sooner, than in a home.

    Yields
    ------
    None
        Only the times differ.
    """
    with (
        patch.object(connection, "KEEPALIVE_SECONDS", keepalive_seconds),
        patch.dict(MqttBus.__init__.__kwdefaults__, first_pause_seconds=FIRST_PAUSE_SECONDS),
    ):
        yield


@contextmanager
def _dropping_nothing() -> Iterator[None]:
    """Let every message wait, whole: the campaign waits until each has been handled.

    Yields
    ------
    None
        The floods are another campaign.
    """
    with (
        patch.object(event_queue, "MOST_UNKNOWN", 100_000),
        patch.object(event_queue, "MOST_REQUESTS", 100_000),
        patch.object(event_queue, "MOST_OF_A_TOPIC", 100_000),
        patch.object(event_queue, "LONGEST_MESSAGE_BYTES", 100_000_000),
        patch.object(connection, "LONGEST_PACKET_BYTES", 100_000_000),
    ):
        yield


def run_child(pipe: Connection, order: Order) -> None:
    """Run the daemon until it is killed, or the campaign closes the pipe."""
    structlog.configure(processors=[_say_nothing])
    with hurried(order.keepalive_seconds), _dropping_nothing():
        _run_hurried(pipe, order)


def _run_hurried(pipe: Connection, order: Order) -> None:
    if order.plant is not None:
        PLANTS[order.plant]()
    executioner = _Executioner(order.aim)
    watch = HouseholdWatch(order.house)
    clock, reporter = VirtualClock(order.at), _Reporter(pipe)
    with open_ledger(watch.house.file.ledger.path) as ledger:
        _pass_by(executioner, ledger)
        watched = _Watched(
            watch, ledger, clock, watch.house.file.bus,
            wake_at=lambda _instant: None, observer=reporter.report,
        )  # fmt: skip
        watched.executioner = executioner
        reporter.daemon = watched
        obeying = partial(_obey, pipe, reporter, clock, watched)
        Thread(target=obeying, daemon=True).start()
        watched.run()


def _obey(pipe: Connection, reporter: _Reporter, clock: VirtualClock, watched: _Watched) -> None:
    try:
        while True:
            match pipe.recv():
                case datetime() as instant:
                    clock.advance_to(instant)
                    reporter.send(ChildReport("clock"))
                case "wake-up":
                    watched.post(WakeUp())
                case "halt":
                    watched.halt()
                case aim:
                    watched.executioner.set(aim)
    except EOFError:
        watched.halt()


def _pass_by(executioner: _Executioner, ledger: Ledger) -> None:
    """Let the daemon pass the executioner wherever something is half done."""
    ledger._connection.set_trace_callback(lambda _sql: executioner.passes("statement"))
    draft, publish = planning.draft_plan, MqttBus.publish

    def watched_draft(*args: Any, **named: Any) -> Any:  # noqa: ANN401 - passed on as it is
        executioner.passes("plan")
        drafted = draft(*args, **named)
        executioner.passes("plan")
        return drafted

    def watched_publish(self: MqttBus, *args: Any, **named: Any) -> bool:  # noqa: ANN401 - as above
        executioner.passes("publish")
        sent = publish(self, *args, **named)
        executioner.passes("publish")
        return sent

    patch("daemon.control.replanning.draft_plan", watched_draft).start()
    patch.object(MqttBus, "publish", watched_publish).start()


def _say_nothing(
    _logger: object, _name: str, _event: structlog.typing.EventDict
) -> structlog.typing.EventDict:
    raise structlog.DropEvent
