"""The daemon as a process: it crashes, its disk is full, its clock steps."""

from __future__ import annotations

import traceback
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from typing_extensions import override

from adapters.bus.events import Disconnected
from adapters.contract.messages import Command, DaemonState, decode, encode
from adapters.contract.topics import Topics
from adapters.ledger.file import open_file
from adapters.ledger.ledger import Ledger
from config.files.errors import LedgerError
from daemon.control.events import Warn
from daemon.messaging.incoming import WakeUp
from daemon.messaging.instance import Instance
from daemon.service.household_watch import HouseholdWatch
from daemon.service.service import Service
from tests.virtual_years.broker import Broker, Client
from tests.virtual_years.world import Crash, World

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from adapters.bus.events import BusEvent
    from daemon.messaging.incoming import HandledEvent, Incoming

RECONNECTS_EVERY: Final = 2.0
"""A client without a broker tries again so often [s]."""


class WorldClock:
    """The clock of the daemon's machine, which may be wrong."""

    def __init__(self, world: World) -> None:
        self._world = world
        self.wrong_by = timedelta(0)

    def now(self) -> datetime:
        """Return what it shows."""
        return self._world.now + self.wrong_by


class Disk:
    """Whether the ledger's disk takes what is written."""

    is_full = False


class WorldLedger(Ledger):
    """The ledger, each of whose transactions may be broken off or refused."""

    world: World
    disk: Disk

    @contextmanager
    @override
    def _writing(self) -> Iterator[None]:
        self.world.step()
        if self.disk.is_full:
            raise LedgerError("the disk is full; nothing was recorded")
        with super()._writing():
            yield
            self.world.step()
        self.world.step()


class DaemonProcess:
    """The daemon of one household, started again after each crash.

    Parameters
    ----------
    world : World
        Time and chance.
    broker : Broker
        Where it connects.
    path : Path
        The household file.

    Attributes
    ----------
    is_up : bool
        Whether it runs.
    faults : list of str
        What it should never do.
    """

    def __init__(self, world: World, broker: Broker, path: Path) -> None:
        self._world = world
        self._broker = broker
        self._path = path
        self.clock = WorldClock(world)
        self.disk = Disk()
        self.watch = HouseholdWatch(path)
        self.topics = Topics.of_file(self.watch.house.file)
        self.is_up = False
        self.starts = 0
        self.faults: list[str] = []
        self.alerts: list[tuple[datetime, str]] = []
        self._service: Service | None = None
        self._wake_number = 0
        self._serials: dict[str, int] = {}
        self._client = Client(
            self._on_event,
            self.topics.subscriptions(),
            keeps_session=True,
            will=(self.topics.daemon, encode(DaemonState(state="offline"))),
        )

    @property
    def is_connected(self) -> bool:
        """Whether it runs and has a broker."""
        return self.is_up and self._client.is_connected

    def start(self) -> None:
        """Start it, unless it runs."""
        if self.is_up:
            return
        self.starts += 1
        self.is_up = True
        self._world.note("daemon starts")
        try:
            self._begin()
        except Crash:
            self._end("crashes at its start")
        except LedgerError as error:
            # A full disk: the service manager starts it again.
            self._end(f"can't start: {error}")

    def _begin(self) -> None:
        connection = open_file(self.watch.house.file.ledger.path)
        ledger = WorldLedger(connection, self.watch.house.file.ledger.path)
        ledger.world, ledger.disk = self._world, self.disk
        me = Instance(f"start{self.starts}", self.clock.now())
        self._ledger = ledger
        self._service = Service(
            HouseholdWatch(self._path), ledger, self.clock, bus=self, wake_at=self._wake_at,
            observer=self._observe, me=me,
        )  # fmt: skip
        self._service.handle(WakeUp())
        self._connect()

    def _connect(self) -> None:
        if self.is_up and not self._client.is_connected and not self._broker.connect(self._client):
            self._world.after(RECONNECTS_EVERY, self._connect)

    def crash(self) -> None:
        """Kill it between two events."""
        if self.is_up:
            self._end("is killed")

    def _end(self, how: str) -> None:
        self._world.note(f"daemon {how}")
        self.is_up, self._service = False, None
        self._ledger._connection.close()
        self._broker.vanish(self._client)
        chance = self._world.chance
        self._world.after(chance.choice((3, 15, 15, 60, 600, 6 * 3600)), self.start)

    def publish(self, topic: str, payload: bytes, *, retain: bool) -> bool:
        """Publish as the daemon; it may be broken off before and after."""
        self._world.step()
        is_sent = self._broker.publish(self._client, topic, payload, retain=retain)
        if topic.endswith("/command") and is_sent:
            self._check_serial(topic, payload)
        self._world.step()
        return is_sent

    def step_clock(self, seconds: float) -> None:
        """Set the machine's clock wrong by so much; a timer that runs goes on as it was set."""
        self.clock.wrong_by = timedelta(seconds=seconds)

    def _check_serial(self, topic: str, payload: bytes) -> None:
        command = decode(Command, payload)
        self._world.note(
            f"{command.do} {command.serial} {command.amps} to {command.valid_until:%H:%M:%S}"
        )
        if command.serial < self._serials.get(topic, 0):
            self.faults.append(f"{self._world.now}: serial {command.serial} after a higher one")
        self._serials[topic] = max(command.serial, self._serials.get(topic, 0))

    def _on_event(self, event: BusEvent) -> None:
        if isinstance(event, Disconnected):
            self._world.after(RECONNECTS_EVERY, self._connect)
        self._handle(event)

    def _handle(self, event: Incoming) -> None:
        if self._service is None:
            return
        try:
            self._world.step()
            self._service.handle(event)
            self._world.step()
        except Crash:
            self._end("crashes")
        except Exception:  # noqa: BLE001 - whatever it is, it must not happen
            self.faults.append(f"{self._world.now}: {traceback.format_exc(limit=-4)}")
            self._end("fails")

    def _wake_at(self, instant: datetime) -> None:
        self._wake_number += 1
        number = self._wake_number

        def wake() -> None:
            if number == self._wake_number and self.is_up:
                self._handle(WakeUp())

        self._world.at(instant - self.clock.wrong_by, wake)

    def _observe(self, handled: HandledEvent) -> None:
        for _, action in handled.actions:
            if isinstance(action, Warn):
                self._world.note(f"alert {action.code}")
                self.alerts.append((self._world.now, action.code))
