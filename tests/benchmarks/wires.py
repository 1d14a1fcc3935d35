"""A broker and somebody on it: publishes, and notes when what comes of it arrives.

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
"""How long anything is waited for [s]."""

PAUSE = 0.15
"""Between a message that gets ready and one that is timed [s]: as hardware has it, and people."""

QUIET = 0.5
"""When nothing has come for so long, nothing will [s]."""


class Wires:
    """What has come over the bus, with the moment at which it did.

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
        """Wait until something holds of what has come."""
        with self._changed:
            assert self._changed.wait_for(holds, limit), f"nothing within {limit} s"

    def pause(self, seconds: float = PAUSE) -> None:
        """Say nothing, so that the daemon is done with what it had to do."""
        self._never.wait(seconds)

    def settle(self) -> None:
        """Wait until nothing more comes."""
        with self._changed:
            while self._changed.wait(QUIET):
                pass

    def tell(self, point: str, leaf: str, **body: object) -> float:
        """Publish what a charge point or a person says; returns when [s]."""
        dated = {} if leaf == "request" else {"at": self._clock.now().isoformat()}
        payload = json.dumps({"v": 1, **dated, **body}).encode()
        told = perf_counter()
        assert self._bus.publish(f"{HOUSEHOLD}/{point}/{leaf}", payload, retain=False)
        return told

    def until_command(self, point: str, leaf: str, **body: object) -> float:
        """Give the time from a message to the command that it brings about [s]."""
        commands, acknowledged = self.commands[point], self.acknowledged
        count = len(commands)
        told = self.tell(point, leaf, **body)
        self.wait(lambda: len(commands) > count and self.acknowledged > acknowledged)
        return commands[count][0] - told

    def until_acknowledged(self, point: str, leaf: str, **body: object) -> float:
        """Give the time from a message until the daemon has acknowledged it [s]."""
        acknowledged = self.acknowledged
        told = self.tell(point, leaf, **body)
        self.wait(lambda: self.acknowledged > acknowledged)
        return self.acknowledged_at - told

    def commands_of_all(self, points: Sequence[str], tell: Callable[[], object]) -> list[float]:
        """Give the time until each charge point has another command after `tell` [s]."""
        counts = {point: len(self.commands[point]) for point in points}
        begun = perf_counter()
        tell()
        self.wait(lambda: all(len(self.commands[p]) > counts[p] for p in points))
        return [self.commands[point][counts[point]][0] - begun for point in points]

    def all_acknowledged(self, tell: Callable[[], int]) -> float:
        """Give the time until the daemon has acknowledged all that `tell` tells [s]."""
        acknowledged, begun = self.acknowledged, perf_counter()
        count = tell()
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
def wires(directory: Path) -> Iterator[tuple[Mosquitto, Wires]]:
    """Start a broker on a free loopback port, and listen to it and to its log."""
    broker = Mosquitto(directory, "allow_anonymous true", "log_type all", "log_dest stderr")
    with ExitStack() as ending:
        broker.start()
        ending.callback(broker.kill)
        follows = ["tail", "--bytes=0", "--follow", str(directory / "mosquitto.log")]
        log = ending.enter_context(subprocess.Popen(follows, stdout=subprocess.PIPE, text=True))
        assert log.stdout is not None
        found = Wires(broker)
        follower = Thread(target=found.follow, args=[log.stdout])
        follower.start()
        ending.callback(follower.join)
        ending.callback(log.kill)
        ending.callback(found.stop)
        yield broker, found
