"""Three connections that act as one: when they count as connected."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import ClassVar

import pytest

from adapters.bus.events import BusEvent, Connected, Disconnected
from adapters.contract.topics import Topics
from config.doors.broker import Bus
from daemon.messaging import broker_connections
from daemon.messaging.broker_connections import BrokerConnections

TOPICS = Topics("root", "Home")
UP, DOWN = Connected("5"), Disconnected("the broker ended the connection")


class Timer:
    """A timer that goes off when a test says so, even if it was cancelled just now."""

    all: ClassVar[list[Timer]] = []

    def __init__(self, _seconds: float, function: Callable[..., None], given: list[object]) -> None:
        self.go_off = partial(function, *given)
        self.daemon = False

    def start(self) -> None:
        self.all.append(self)

    def cancel(self) -> None:
        """Come too late: it goes off at the same instant."""


class Daemon:
    """The connections of a daemon, without a broker."""

    def __init__(self) -> None:
        self.posted: list[BusEvent] = []
        self.report: dict[str, Callable[[BusEvent], None]] = {}
        self.heard: dict[str, Sequence[str]] = {}
        self.former: dict[str, Sequence[str]] = {}

    def connection(
        self,
        _bus: Bus,
        *,
        client_id: str,
        on_event: Callable[[BusEvent], None],
        subscriptions: Sequence[str] = (),
        former_subscriptions: Sequence[str] = (),
        **_: object,
    ) -> None:
        """Stand in for `MqttBus`."""
        name = client_id.removeprefix("root-home").removeprefix("-") or "own"
        self.report[name] = on_event
        self.heard[name], self.former[name] = subscriptions, former_subscriptions

    def open(self) -> None:
        bus = Bus.model_validate({"broker": "mqtt://127.0.0.1:1883"})
        BrokerConnections(bus, TOPICS, [], self.posted.append, lambda: False)


@pytest.fixture
def daemon(monkeypatch: pytest.MonkeyPatch) -> Daemon:
    daemon = Daemon()
    monkeypatch.setattr(broker_connections, "MqttBus", daemon.connection)
    monkeypatch.setattr(broker_connections, "Timer", Timer)
    monkeypatch.setattr(Timer, "all", [])
    daemon.open()
    return daemon


def test_it_is_connected_once_all_three_are(daemon: Daemon) -> None:
    """Whichever comes last; once, though the timer goes off at the same instant."""
    for name in ("hardware", "own", "requests"):
        assert daemon.posted == []
        daemon.report[name](UP)
    Timer.all[0].go_off()
    assert daemon.posted == [UP]


def test_it_does_not_wait_for_ever(daemon: Daemon) -> None:
    """After some seconds its own connection is enough; a later one is told of as well."""
    daemon.report["own"](UP)
    Timer.all[0].go_off()
    assert daemon.posted == [UP]
    daemon.report["hardware"](UP)
    daemon.report["requests"](UP)
    assert daemon.posted == [UP, UP]


def test_a_timer_of_an_earlier_connection_says_nothing(daemon: Daemon) -> None:
    """The connection was lost while it waited for the others."""
    daemon.report["own"](UP)
    daemon.report["own"](DOWN)
    Timer.all[0].go_off()
    assert daemon.posted == [DOWN]


def test_the_sending_connection_hears_nothing(daemon: Daemon) -> None:
    """Behind a flood of messages, acknowledgements of commands would come too late."""
    others = {*daemon.heard["hardware"], *daemon.heard["requests"]}
    assert not daemon.heard["own"]
    assert others == set(TOPICS.subscriptions())
    assert set(daemon.former["own"]) == others  # it heard them all in an earlier version
