"""The daemon as a process: it crashes, its disk is full, its clock steps, its timers are late."""

from __future__ import annotations

import traceback
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from typing_extensions import override

from adapters.bus.events import Disconnected
from adapters.clocks.timers import WAKES_EVERY_SECONDS
from adapters.contract.messages import DaemonState, encode
from adapters.contract.topics import Topics
from adapters.ledger.file import open_file
from adapters.ledger.ledger import Ledger
from config.files.errors import LedgerError
from daemon.control.events import Warn
from daemon.messaging.hardware_channels import hardware_channels_of, wired_topic_filters
from daemon.messaging.incoming import WakeUp
from daemon.messaging.instance import Instance
from daemon.service.household_watch import HouseholdWatch
from daemon.service.service import Service
from tests.virtual_years.broker import Broker, Client
from tests.virtual_years.disk import Disk
from tests.virtual_years.world import BEGINS, Crash, PowerCut, World

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from adapters.bus.events import BusEvent
    from daemon.messaging.incoming import HandledEvent, Incoming

RECONNECTS_EVERY: Final = 2.0
"""A client without a broker tries again so often [s]."""
_SELDOM: Final = timedelta(minutes=30)
"""While nothing at all is wrong, the daemon wakes so often if nothing is due."""


class WorldClock:
    """The clock of the daemon's machine, which may be wrong."""

    def __init__(self, world: World) -> None:
        self._world = world
        self.wrong_by = timedelta(0)

    def now(self) -> datetime:
        """Return what it shows."""
        return self._world.now + self.wrong_by

    def seconds(self) -> float:
        """Return how much time has passed [s]."""
        return (self._world.now - BEGINS).total_seconds()


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
        if self.world.cuts_power_within(2):
            self.disk.keep_what_was_synced()
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
    clock_set_at : datetime
        When its clock was set last, wrong or right.
    timers_late_by : float
        How late its timers are [s].
    is_left_alone : callable
        Whether nothing is wrong, and nothing was for a while: then it wakes less often.
    """

    def __init__(self, world: World, broker: Broker, path: Path) -> None:
        self._world = world
        self._broker = broker
        self._path = path
        self.clock = WorldClock(world)
        self.watch = HouseholdWatch(path)
        file = self.watch.house.file
        self.disk = Disk(file.ledger.path, world.chance)
        self.topics = Topics.of_file(file)
        self.is_up = False
        self.starts = 0
        self.faults: list[str] = []
        self.alerts: list[tuple[datetime, str, str]] = []
        self.timers_late_by = 0.0
        self.clock_set_at = world.now - timedelta(days=1)
        self.is_left_alone: Callable[[], bool] = lambda: False
        self._service: Service | None = None
        self._wake_number = 0
        self.client = Client(
            self._on_event,
            (*self.topics.subscriptions(), *wired_topic_filters(file)),
            keeps_session=True,
            will=(self.topics.daemon, encode(DaemonState(state="offline"))),
        )

    @property
    def is_connected(self) -> bool:
        """Whether it runs and has a broker."""
        return self.is_up and self.client.is_connected

    def start(self) -> None:
        """Start it, unless it runs."""
        if self.is_up:
            return
        self.starts += 1
        self.is_up = True
        self._world.note("daemon starts")
        try:
            self._begin()
        except Crash as crash:
            self._end("crashes at its start", cuts_power=isinstance(crash, PowerCut))
        except LedgerError as error:
            # A full disk: the service manager starts it again.
            self._end(f"can't start: {error}")

    def _begin(self) -> None:
        file = self.watch.house.file
        connection = open_file(file.ledger.path)
        ledger = WorldLedger(connection, file.ledger.path)
        ledger.world, ledger.disk = self._world, self.disk
        me = Instance(f"start{self.starts}", self.clock.now())
        self._ledger = ledger
        self._service = Service(
            HouseholdWatch(self._path), ledger, self.clock, bus=self, wake_at=self._wake_at,
            observer=self._observe, me=me, channels=hardware_channels_of(file, self, ledger),
        )  # fmt: skip
        self._service.handle(WakeUp())
        self._connect()

    def _connect(self) -> None:
        if self.is_up and not self.client.is_connected and not self._broker.connect(self.client):
            self._world.after(RECONNECTS_EVERY, self._connect)

    def crash(self) -> None:
        """Kill it between two events."""
        if self.is_up:
            self._end("is killed")

    def _end(self, how: str, *, cuts_power: bool = False) -> None:
        self._world.note(f"daemon {how}{' by a power cut' if cuts_power else ''}")
        self.is_up, self._service = False, None
        self.disk.after_a_kill(self._ledger._connection, cuts_power=cuts_power)
        self._broker.vanish(self.client)
        chance = self._world.chance
        self._world.after(chance.choice((3, 15, 15, 60, 600, 6 * 3600)), self.start)

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:  # noqa: ARG002
        """Publish as the daemon; it may be broken off before and after."""
        self._world.step()
        is_sent = self._broker.publish(self.client, topic, payload, retain=retain)
        self._world.step()
        return is_sent

    def step_clock(self, seconds: float) -> None:
        """Set the machine's clock wrong by so much; a timer that runs goes on as it was set."""
        self.clock.wrong_by = timedelta(seconds=seconds)
        self.clock_set_at = self._world.now
        self._world.after(WAKES_EVERY_SECONDS + self.timers_late_by, lambda: self._handle(WakeUp()))

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
        except Crash as crash:
            self._end("crashes", cuts_power=isinstance(crash, PowerCut))
        except Exception:  # noqa: BLE001 - whatever it is, it must not happen
            self.faults.append(f"{self._world.now}: {traceback.format_exc(limit=-4)}")
            self._end("fails")

    def _wake_at(self, instant: datetime) -> None:
        self._wake_number += 1
        number = self._wake_number

        def wake() -> None:
            if number == self._wake_number and self.is_up:
                self._handle(WakeUp())

        at = instant - self.clock.wrong_by + timedelta(seconds=self.timers_late_by)
        if self._service is not None and self.is_left_alone():
            # Years pass quickly where all that is due is a sign of life.
            at = max(at, min(self._world.now + _SELDOM, *self._service._wakes.values()))
        self._world.at(at, wake)

    def _observe(self, handled: HandledEvent) -> None:
        for point, action in handled.actions:
            if isinstance(action, Warn):
                self._world.note(f"alert {action.code}")
                self.alerts.append((self._world.now, point, action.code))
