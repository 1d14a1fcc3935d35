"""Time messages on a broker: publish, and record when the results arrive.

The broker logs every packet, so that it can be seen when the daemon acknowledges a message.
"""

from __future__ import annotations

import json
import subprocess
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from threading import Condition, Event, Thread
from time import perf_counter
from typing import Any

from adapters.bus.bus import Connected, MessageArrived, MqttBus
from adapters.bus.events import BusEvent
from adapters.clocks.clock import SystemClock
from tests.support.brokers import Mosquitto

HOUSEHOLD = "lullwatt/kowhai-cottage"
ACKNOWLEDGED = "Received PUBACK from lullwatt-"
LIMIT = 60.0
"""How long to wait for anything [s]."""

PAUSE = 0.15
"""Pause between a preparing message and a timed one, as with hardware and people [s]."""

QUIET = 0.5
"""If nothing has arrived for so long, nothing more will [s]."""


class TimedBus:
    """Records messages on the bus, with the moment of their arrival.

    Parameters
    ----------
    broker : Mosquitto
        A running broker.
    """

    def __init__(self, broker: Mosquitto) -> None:
        self._changed = Condition()
        self._clock = SystemClock()
        self._never = Event()
        self._connected = False
        self.acknowledged = 0
        self.acknowledged_at = 0.0
        self.commands: defaultdict[str, list[tuple[float, dict[str, Any]]]] = defaultdict(list)
        self._bus = MqttBus(
            broker.bus,
            client_id="benchmark",
            on_event=self._take,
            subscriptions=[f"{HOUSEHOLD}/+/command"],
            keep_session=False,
        )
        self._bus.start()
        self.wait(lambda: self._connected)

    def stop(self) -> None:
        """Leave the bus."""
        self._bus.stop()

    def wait(self, holds: Callable[[], object], limit: float = LIMIT) -> None:
        """Wait until a condition on the received messages is true."""
        with self._changed:
            assert self._changed.wait_for(holds, limit), f"nothing within {limit} s"

    def pause(self, seconds: float = PAUSE) -> None:
        """Send nothing, so that the daemon finishes its work."""
        self._never.wait(seconds)

    def settle(self) -> None:
        """Wait until nothing more arrives."""
        with self._changed:
            while self._changed.wait(QUIET):
                pass

    def send(self, point: str, leaf: str, **body: object) -> float:
        """Publish a message of a charge point or a person; return when [s]."""
        dated = {} if leaf == "request" else {"at": self._clock.now().isoformat()}
        payload = json.dumps({"v": 1, **dated, **body}).encode()
        sent_at = perf_counter()
        assert self._bus.publish(f"{HOUSEHOLD}/{point}/{leaf}", payload, retain=False)
        return sent_at

    def until_command(self, point: str, leaf: str, **body: object) -> float:
        """Return the time from a message to the command that follows from it [s]."""
        commands, acknowledged = self.commands[point], self.acknowledged
        count = len(commands)
        sent_at = self.send(point, leaf, **body)
        self.wait(lambda: len(commands) > count and self.acknowledged > acknowledged)
        return commands[count][0] - sent_at

    def until_acknowledged(self, point: str, leaf: str, **body: object) -> float:
        """Return the time from a message until the daemon has acknowledged it [s]."""
        acknowledged = self.acknowledged
        sent_at = self.send(point, leaf, **body)
        self.wait(lambda: self.acknowledged > acknowledged)
        return self.acknowledged_at - sent_at

    def commands_of_all(
        self, points: Sequence[str], send: Callable[[], object], limit: float = LIMIT
    ) -> list[float]:
        """Return the time until each charge point has a new command after `send` [s]."""
        counts = {point: len(self.commands[point]) for point in points}
        begun = perf_counter()
        send()
        self.wait(lambda: all(len(self.commands[p]) > counts[p] for p in points), limit)
        return [self.commands[point][counts[point]][0] - begun for point in points]

    def all_acknowledged(self, send: Callable[[], int]) -> float:
        """Return the time until the daemon has acknowledged all that `send` sends [s]."""
        acknowledged, begun = self.acknowledged, perf_counter()
        count = send()
        self.wait(lambda: self.acknowledged >= acknowledged + count)
        return self.acknowledged_at - begun

    def follow(self, log: Iterator[str]) -> None:
        """Count the acknowledgements in the broker's log until it ends."""
        for line in log:
            if ACKNOWLEDGED in line:
                with self._changed:
                    self.acknowledged += 1
                    self.acknowledged_at = perf_counter()
                    self._changed.notify_all()

    def _take(self, event: BusEvent) -> None:
        arrived = perf_counter()
        with self._changed:
            if isinstance(event, Connected):
                self._connected = True
            elif isinstance(event, MessageArrived):
                event.ack()
                point = event.topic.split("/")[-2]
                self.commands[point].append((arrived, json.loads(event.payload)))
            self._changed.notify_all()


@contextmanager
def timed_bus(directory: Path) -> Iterator[tuple[Mosquitto, TimedBus]]:
    """Start a broker on a free loopback port, and listen to it and to its log."""
    broker = Mosquitto(directory, "allow_anonymous true", "log_type all", "log_dest stderr")
    with ExitStack() as ending:
        broker.start()
        ending.callback(broker.kill)
        follows = ["tail", "--bytes=0", "--follow", str(directory / "mosquitto.log")]
        log = ending.enter_context(subprocess.Popen(follows, stdout=subprocess.PIPE, text=True))
        assert log.stdout is not None
        found = TimedBus(broker)
        follower = Thread(target=found.follow, args=[log.stdout])
        follower.start()
        ending.callback(follower.join)
        ending.callback(log.kill)
        ending.callback(found.stop)
        yield broker, found
