"""The real daemon on a thread, with the machine's clock and a real broker, and a person."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from threading import Thread
from typing import Any

import pytest
import structlog

from adapters.bus.bus import MqttBus
from adapters.clocks.clock import SystemClock
from adapters.contract.topics import Topics
from adapters.ledger.ledger import Ledger, open_ledger
from config.household.household_file import Bus
from daemon.service.household_watch import HouseholdWatch
from daemon.service.running import Daemon
from tests.support.afternoon import in_the_afternoon
from tests.support.listening import Listener
from tests.support.waiting import patience, wait_until

TOPICS = Topics("lullwatt", "Kowhai Cottage")
POINT = "driveway"


class RunningDaemon:
    """A daemon of the demo household in the early afternoon, with its own ledger."""

    def __init__(
        self,
        directory: Path,
        bus: Bus,
        *,
        client_id: str | None = None,
        declared: Callable[[str], str] = str,
    ) -> None:
        directory.mkdir()
        self.house = directory / "house.yaml"
        text = files("config").joinpath("examples", "kowhai.yaml").read_text("utf-8")
        text = declared(in_the_afternoon(text))
        self.house.write_text(text.replace("mqtt://127.0.0.1:1883", bus.broker), "utf-8")
        self.ledger: Ledger = open_ledger(directory / "ledger.sqlite3")
        self.was_halted: bool | None = None
        watch = HouseholdWatch(self.house)
        self.daemon = Daemon(watch, self.ledger, SystemClock(), bus)
        self.name = self.daemon._service._me.name
        if client_id is not None:
            own = self.daemon._mqtt._main
            for name, mqtt in {"own": own, **self.daemon._mqtt.others}.items():
                mqtt._settings = replace(mqtt._settings, client_id=f"{client_id}-{name}")
        self._thread = Thread(target=self._run, name=f"daemon {directory.name}")
        self._thread.start()

    @property
    def running(self) -> bool:
        return self._thread.is_alive()

    def stop(self) -> None:
        self.daemon.halt()
        self._thread.join(patience(20))
        assert not self.running
        self.ledger.close()

    def _run(self) -> None:
        self.was_halted = self.daemon.run()


class Person:
    """Receives all messages of the household, and can publish."""

    def __init__(self, bus: Bus) -> None:
        self.heard = Listener()
        self._bus = MqttBus(
            bus, client_id="person", on_event=self.heard, subscriptions=[f"{TOPICS.base}/#"],
            keep_session=False, first_pause_seconds=0.1,
        )  # fmt: skip
        self._bus.start()
        self.heard.wait_connected()

    def stop(self) -> None:
        self._bus.stop()

    def say(self, topic: str, message: dict[str, Any], *, retain: bool = False) -> None:
        payload = json.dumps({"v": 1, **message}).encode()
        wait_until(lambda: self._bus.publish(topic, payload, retain=retain), what="published")

    def on(self, topic: str) -> list[dict[str, Any]]:
        return [json.loads(payload) for payload in self.heard.payloads(topic) if payload]

    def last(self, topic: str) -> dict[str, Any]:
        heard = self.on(topic)
        return heard[-1] if heard else {}

    def wait_for(self, topic: str, limit_seconds: float = 20, **values: Any) -> dict[str, Any]:  # noqa: ANN401 - JSON
        """Wait until the last message on a topic has these values."""
        wait_until(
            lambda: values.items() <= self.last(topic).items(), limit_seconds,
            what=f"{values} on {topic}, last: {self.last(topic)}",
        )  # fmt: skip
        return self.last(topic)


@pytest.fixture
def run_daemon(tmp_path: Path) -> Iterator[Callable[..., RunningDaemon]]:
    """Start daemons that end with the test."""
    structlog.configure(logger_factory=structlog.ReturnLoggerFactory())  # its log is discarded
    with ExitStack() as ending:

        def start(name: str, bus: Bus, **settings: Any) -> RunningDaemon:  # noqa: ANN401 - passed on
            running = RunningDaemon(tmp_path / name, bus, **settings)
            ending.callback(running.stop)
            return running

        yield start


@pytest.fixture
def meet() -> Iterator[Callable[[Bus], Person]]:
    """Connect persons to a broker; they disconnect at the end of the test."""
    with ExitStack() as ending:

        def come(bus: Bus) -> Person:
            person = Person(bus)
            ending.callback(person.stop)
            return person

        yield come
