"""A home of several charge points under a real service; the test controls its clock.

The hardware is written from the bus contract: it takes up the newest command when that arrives,
stops when the command expires, and its vehicle takes some seconds to follow a lower current.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import yaml
from typing_extensions import override

from adapters.bus.events import Connected, MessageArrived
from adapters.contract.messages import HomeLoad, Reading, Request, VehicleReport
from daemon.messaging.incoming import WakeUp
from daemon.service.household_watch import HouseholdWatch
from daemon.service.service import Service
from tests.daemon.sites import SetClock
from tests.daemon.worlds import RecordedBus, arrived, topics_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from adapters.contract.messages import Message
    from adapters.ledger.ledger import Ledger
    from daemon.control.state import PointState
    from daemon.sharing.planning_task import PlanningTask

VOLTS = 230.0
FOLLOWS = timedelta(seconds=4)
"""How long a vehicle goes on at the higher current after it was lowered."""

LOAD_READ_EVERY = timedelta(seconds=10)
"""How often the home's meter sends what the rest of the home draws."""

GIVES_WAY_WITHIN = timedelta(seconds=10)
"""How long after such a reading the vehicles may still draw what the fuse does not carry."""

SECOND = timedelta(seconds=1)
WEEK = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def home_of(
    points: Sequence[str] = ("east", "west"),
    **household: Any,  # noqa: ANN401 - YAML values
) -> dict[str, Any]:
    """Give a household with a vehicle at each of some equal charge points, and two bands."""
    point = {"charging_mode": 3, "max_amps": 32, "switching": "current"}
    car = {"usable_kwh": 50, "everyday_limit_percent": 100, "charging_efficiency_percent": 100}
    by = {"at": "07:00", "need_percent": 80, "margin_minutes": 0}
    return {
        "household": {
            "name": "Two Rimu Road",
            "timezone": "Pacific/Auckland",
            "currency": "NZD",
            "main_fuse_amps": 40,
            **household,
        },
        "tariffs": [
            {
                "name": "Two-band",
                "bands": [
                    {"name": "night", "rate": 0.10, "hours": ["23:00-07:00"]},
                    {"name": "day", "rate": 0.40},
                ],
            }
        ],
        "charge_points": {name: dict(point) for name in points},
        "vehicles": {f"car-{name}": {"charge_point": name, **car} for name in points},
        "departures": [{"vehicle": f"car-{name}", "days": list(WEEK), **by} for name in points],
        "bus": {"broker": "mqtt://127.0.0.1:1883"},
        "ledger": {"path": "ledger.sqlite3"},
    }


@dataclass
class Hardware:
    """One charge point and its vehicle."""

    name: str
    is_there: bool = False
    reads_every: timedelta | None = timedelta(seconds=30)
    takes: float = 32.0
    command: dict[str, Any] | None = None
    arriving: list[tuple[datetime, dict[str, Any]]] = field(default_factory=list)
    is_deaf: bool = False
    read_at: datetime | None = None
    meter_wh: float = 1_000_000.0
    drawn: float = 0.0
    lowered_at: datetime | None = None

    def offer(self, now: datetime) -> float:
        """Return the current that it offers to the vehicle now [A]."""
        command = self.command
        if command is None or command["do"] != "start":
            return 0.0
        is_valid = now < datetime.fromisoformat(command["valid_until"])
        return float(command["amps"]) if is_valid else 0.0

    def reads_at(self, now: datetime) -> bool:
        """Whether its meter is read now."""
        if self.reads_every is None:
            return False
        if self.read_at is None or now >= self.read_at + self.reads_every:
            self.read_at = now
        return self.read_at == now

    def advance(self, span: timedelta, now: datetime) -> None:
        """Let energy flow, then take up commands that have arrived."""
        self.meter_wh += self.drawn * VOLTS * (span / timedelta(hours=1))
        for at, command in [each for each in self.arriving if each[0] <= now]:
            self.arriving.remove((at, command))
            if not self.is_deaf and command["serial"] >= (self.command or {}).get("serial", 0):
                self.command = command
        wanted = min(self.offer(now), self.takes) if self.is_there else 0.0
        if not self.is_there or wanted >= self.drawn:
            self.drawn, self.lowered_at = wanted, None
        elif self.lowered_at is None:
            self.lowered_at = now
        elif now >= self.lowered_at + FOLLOWS:
            self.drawn, self.lowered_at = wanted, None


class HomeBus(RecordedBus):
    """A bus that takes commands to the hardware, after a while."""

    def __init__(self, home: Home) -> None:
        super().__init__()
        self._home = home

    @override
    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:
        point, leaf = topic.split("/")[-2:]
        if leaf == "command":
            due = self._home.clock.at + self._home.delay
            self._home.hardware[point].arriving.append((due, json.loads(payload)))
        return super().publish(topic, payload, retain=retain, qos=qos)


class Home:
    """Several charge points, a service, and the time."""

    def __init__(
        self,
        directory: Path,
        ledger: Ledger,
        at: datetime,
        document: dict[str, Any],
        ask_for_plan: Callable[[PlanningTask], None] | None = None,
    ) -> None:
        path = directory / "house.yaml"
        path.write_text(yaml.safe_dump(document), "utf-8")
        self.path, self.ledger = path, ledger
        self.clock = SetClock(at)
        self.ask_for_plan = ask_for_plan
        self.delay = timedelta(seconds=1)
        self.hardware = {name: Hardware(name) for name in document["charge_points"]}
        fuse = document["household"]["main_fuse_amps"]
        self.fuse = float(min(fuse)) if isinstance(fuse, list) else float(fuse)
        self.highest = 0.0
        self.load = 0.0
        self.load_at: datetime | None = None
        self.over_since: datetime | None = None
        self.answers: list[dict[str, Any]] = []
        self.start()

    def start(self) -> None:
        """Start the daemon, or start it again."""
        watch = HouseholdWatch(self.path)
        self.topics, self.file = topics_of(watch.house), watch.house.file
        self.bus = HomeBus(self)
        self.wake = self.clock.at
        self.service = Service(
            watch, self.ledger, self.clock, bus=self.bus, wake_at=self._wake_at,
            ask_for_plan=self.ask_for_plan,
        )  # fmt: skip
        self.service.handle(WakeUp())
        self.service.handle(Connected("5"))

    # --- what happens -------------------------------------------------------------------------

    def post(self, point: str, leaf: str, message: Message) -> None:
        it = arrived(f"{self.topics.base}/{point}/{leaf}", message)
        self.service.handle(MessageArrived(it.topic, it.payload, it.retain, lambda: None))

    def plug_in(self, point: str, soc: float) -> None:
        self.hardware[point].is_there = True
        self.post(point, "vehicle", VehicleReport(at=self.clock.at, pilot="B", soc_percent=soc))

    def unplug(self, point: str) -> None:
        hardware = self.hardware[point]
        hardware.is_there, hardware.drawn = False, 0.0
        self.post(point, "vehicle", VehicleReport(at=self.clock.at, pilot="A"))

    def ask(self, point: str, **wish: object) -> None:
        self.post(point, "request", Request.model_validate(wish))

    # --- time ---------------------------------------------------------------------------------

    def pass_time(self, span: timedelta) -> None:
        """Let time pass in steps of at most some seconds, and watch the fuse in each."""
        end = self.clock.at + span
        while self.clock.at < end:
            now = self.clock.at
            step = self._step(now)
            self._advance(min(step, end - now))

    def _step(self, now: datetime) -> timedelta:
        """Return how far time may pass at once: a second while anything settles."""
        is_settling = self.over_since is not None or any(
            each.arriving or each.lowered_at for each in self.hardware.values()
        )
        longest = timedelta(seconds=30) if self.load_at is None else LOAD_READ_EVERY
        return SECOND if is_settling else min(longest, max(SECOND, self.wake - now))

    def read_load(self) -> None:
        """Let the home's meter send what the rest of the home draws."""
        self.load_at = self.clock.at
        it = arrived(self.topics.load, HomeLoad(at=self.clock.at, amps=(self.load,)))
        self.service.handle(MessageArrived(it.topic, it.payload, it.retain, lambda: None))

    def _watch_fuse(self, now: datetime) -> None:
        """Assert that no more is drawn than the fuse carries, but while a load is being read."""
        if self.drawn + self.load <= self.fuse + 1e-6 or not self.drawn:
            self.over_since = None
            return
        assert self.load, (now, self.currents())
        self.over_since = self.over_since or now
        since = now - self.over_since
        assert since <= LOAD_READ_EVERY + GIVES_WAY_WITHIN, (now, self.load, self.currents())

    def _advance(self, span: timedelta) -> None:
        self.clock.at += span
        now = self.clock.at
        for each in self.hardware.values():
            each.advance(span, now)
        self.highest = max(self.highest, self.drawn)
        self._watch_fuse(now)
        if self.load_at is not None and now >= self.load_at + LOAD_READ_EVERY:
            self.read_load()
        if now >= self.wake:
            self.service.handle(WakeUp())
        for each in self.hardware.values():
            if each.is_there and each.reads_at(now):
                register = round(each.meter_wh) / 1000
                reading = Reading(at=now, register_kwh=register, watts=each.drawn * VOLTS)
                self.post(each.name, "reading", reading)

    # --- results ------------------------------------------------------------------------------

    @property
    def drawn(self) -> float:
        """The current that the vehicles draw together now [A]."""
        return sum(each.drawn for each in self.hardware.values())

    def currents(self) -> dict[str, float]:
        """Return the current that each draws now [A]."""
        return {name: each.drawn for name, each in self.hardware.items()}

    def state(self, point: str) -> PointState:
        return self.service._states[point]

    def _wake_at(self, instant: datetime) -> None:
        self.wake = instant
