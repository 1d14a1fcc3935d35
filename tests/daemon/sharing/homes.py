"""A home of several charge points under a real service; the test controls its clock.

The hardware is written from its contract. Over MQTT it takes up the newest command when that
arrives, and stops when the command expires. Over OCPP it follows the last charging profile, also
while it is disconnected. Its vehicle takes some seconds to follow a lower current.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from math import floor
from typing import TYPE_CHECKING, Any

import numpy as np
import yaml
from typing_extensions import override

from adapters.bus.events import Connected, Disconnected, MessageArrived
from adapters.contract.messages import HomeLoad, Reading, Request, VehicleReport
from adapters.ocpp_point.charging_profile import limits
from daemon.messaging.hardware_channels import HardwareChannels
from daemon.messaging.incoming import ChannelReady, HardwareReport, WakeUp
from daemon.service.household_watch import HouseholdWatch
from daemon.service.service import Service
from daemon.sharing.planning_task import JointPlanMade, plan_for
from planners.home.allotments import allotted_amps, limit_left, spans_of
from planners.home.together import HomePlan
from planners.local_time.conversion import minute_of
from planners.power.allowed_currents import ranges_of
from planners.power.phases import limits_of
from tests.daemon.sites import SetClock
from tests.daemon.worlds import RecordedBus, arrived, topics_of

if TYPE_CHECKING:
    import random
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from pathlib import Path
    from zoneinfo import ZoneInfo

    from adapters.contract.current_period import CurrentPeriod
    from adapters.contract.messages import Command, Message
    from adapters.ledger.ledger import Ledger
    from config.household.household_file import HouseholdFile
    from daemon.control.state import PointState
    from daemon.sharing.planning_task import PlanningTask
    from planners.plan.horizon import Situation
    from planners.rates.prices import Prices

VOLTS = 230.0
HIGHEST_AMPS = 32.0
FOLLOWS = timedelta(seconds=4)
"""How long a vehicle goes on at the higher current after it was lowered."""

LOAD_READ_EVERY = timedelta(seconds=10)
"""How often the home's meter sends what the home draws."""

GIVES_WAY_WITHIN = timedelta(seconds=10)
"""How long after such a reading the vehicles may still draw what the fuse does not carry; and after
an hour at which the household file says that the rest of the home draws more."""

READINGS_COUNT_FOR = timedelta(seconds=30)
"""Without one for this long, as while there is no broker, nothing is known of the load."""

SECOND = timedelta(seconds=1)
WEEK = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
PHASES = ("L1", "L2", "L3")
TOTAL = "total"
"""The power of the whole home, as the sum of the phases' currents: watched like a fuse."""


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
            "tick_minutes": 15,
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


def random_plan(
    chance: random.Random,
    file: HouseholdFile,
    _prices: Prices,
    situations: Sequence[Situation],
    unplanned: Sequence[str] = (),
    **_how: object,
) -> Iterator[HomePlan]:
    """Stand in for `plan_together`: allot currents by chance, hour by hour, that fit together."""
    if not situations:
        return
    first, hours = minute_of(min(each.now for each in situations)), 8
    cars = {each.departure.vehicle for each in situations}
    points = {
        car: file.vehicles[car].charge_point for car in chance.sample(sorted(cars), len(cars))
    }
    rows = {point: np.zeros(hours) for point in points.values()}
    left = [(limit, limit_left(file, limit, first, hours, 60)) for limit in limits_of(file)]
    ranges = ranges_of(file)
    for hour in range(hours):
        for car, point in points.items():
            rest = [
                (amps[hour] - limit.taken({each: row[hour] for each, row in rows.items()}))
                / limit.vehicles[car]
                for limit, amps in left
                if car in limit.vehicles
            ]
            most = min([ranges[point].highest, *rest])
            wished = chance.choice(
                [ranges[point].lowest, ranges[point].highest, float(floor(most))]
            )
            rows[point][hour] = wished if ranges[point].lowest <= wished <= most else 0.0
    allotted = allotted_amps(
        file, rows, first_minute=first, ticks=hours, tick_minutes=60, unplanned=unplanned
    )
    spans = {name: spans_of(amps, first, 60, first) for name, amps in allotted.items()}
    yield HomePlan(spans, 0.0, 0.0, is_short=False)


@dataclass
class Hardware:
    """One charge point that takes commands over MQTT, and its vehicle."""

    name: str
    phases: tuple[str, ...] = ("L1",)
    is_there: bool = False
    reads_every: timedelta | None = timedelta(seconds=30)
    takes: float = HIGHEST_AMPS
    command: dict[str, Any] | None = None
    arriving: list[tuple[datetime, Any]] = field(default_factory=list)
    is_deaf: bool = False
    read_at: datetime | None = None
    meter_wh: float = 1_000_000.0
    drawn: float = 0.0
    lowered_at: datetime | None = None
    sent_amps: float = 0.0
    sent_at: datetime | None = None
    stray_shown_at: datetime | None = None

    def note_sent(self, amps: float, now: datetime) -> None:
        """Note the current of a new command, which may not arrive."""
        if amps != self.sent_amps:
            self.sent_amps, self.sent_at = amps, now

    @property
    def is_stray(self) -> bool:
        """Whether it draws more than it was told last."""
        return self.drawn > self.sent_amps + 1e-6

    def note_read(self, now: datetime) -> None:
        """Note a reading that shows that it does so, though its vehicle had time to follow."""
        had_time = self.sent_at is None or now >= self.sent_at + GIVES_WAY_WITHIN
        if not self.is_stray:
            self.stray_shown_at = None
        elif had_time and self.stray_shown_at is None:
            self.stray_shown_at = now

    def offer(self, now: datetime) -> float:
        """Return the current that it offers to the vehicle now [A]."""
        command = self.command
        if command is None or command["do"] != "start":
            return 0.0
        is_valid = now < datetime.fromisoformat(command["valid_until"])
        return float(command["amps"]) if is_valid else 0.0

    def take_up(self, message: Any) -> None:  # noqa: ANN401 - what the channel carries
        """Take up a command."""
        if message["serial"] >= (self.command or {}).get("serial", 0):
            self.command = message

    def reads_at(self, now: datetime) -> bool:
        """Whether its meter is read now."""
        if self.reads_every is None:
            return False
        if self.read_at is None or now >= self.read_at + self.reads_every:
            self.read_at = now
        return self.read_at == now

    def advance(self, span: timedelta, now: datetime) -> None:
        """Let energy flow, then take up commands that have arrived."""
        self.meter_wh += self.drawn * VOLTS * len(self.phases) * (span / timedelta(hours=1))
        for at, message in [each for each in self.arriving if each[0] <= now]:
            self.arriving.remove((at, message))
            if not self.is_deaf:
                self.take_up(message)
        wanted = min(self.offer(now), self.takes) if self.is_there else 0.0
        if not self.is_there or wanted >= self.drawn:
            self.drawn, self.lowered_at = wanted, None
        elif self.lowered_at is None:
            self.lowered_at = now
        elif now >= self.lowered_at + FOLLOWS:
            self.drawn, self.lowered_at = wanted, None


@dataclass
class OcppHardware(Hardware):
    """One charge point that follows the last charging profile it was sent.

    While it is deaf, its connection is lost: it sends nothing either.
    """

    profile: tuple[tuple[datetime, float], ...] = ()

    @override
    def offer(self, now: datetime) -> float:
        return next((amps for at, amps in reversed(self.profile) if at <= now), 0.0)

    @override
    def take_up(self, message: Any) -> None:
        self.profile = message

    @override
    def reads_at(self, now: datetime) -> bool:
        return not self.is_deaf and super().reads_at(now)


class ProfileChannel:
    """Sends charging profiles to one charge point."""

    stores_plan = True

    def __init__(self, home: Home, name: str) -> None:
        self._home, self._name = home, name

    def send(self, command: Command, periods: Sequence[CurrentPeriod], now: datetime) -> None:
        found = limits(command, periods, now, HIGHEST_AMPS)
        profile = tuple((each.at, each.amps) for each in found)
        self._home.send(self._name, profile, found[0].amps)

    def next_repeat(self) -> datetime | None:
        return None


def written(directory: Path, document: dict[str, Any]) -> Path:
    """Write a household file, and the password that it names; return its path."""
    path = directory / "house.yaml"
    path.write_text(yaml.safe_dump(document), "utf-8")
    (directory / "password").write_text("0123456789abcdef", "utf-8")
    (directory / "password").chmod(0o600)
    return path


class HomeBus(RecordedBus):
    """A bus that takes commands to the hardware, after a while."""

    def __init__(self, home: Home) -> None:
        super().__init__()
        self._home = home

    @override
    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:
        if self._home.is_bus_down:
            return False
        point, leaf = topic.split("/")[-2:]
        if leaf == "command" and not self._home.is_ocpp(point):
            command = json.loads(payload)
            self._home.send(point, command, command.get("amps", 0.0))
        return super().publish(topic, payload, retain=retain, qos=qos)


class Home:
    """Several charge points, a service, and the time."""

    def __init__(
        self,
        directory: Path,
        ledger: Ledger,
        at: datetime,
        document: dict[str, Any],
        *,
        ask_for_plan: Callable[[PlanningTask], None] | None = None,
        late_by: Callable[[], timedelta] | None = None,
    ) -> None:
        self.path, self.ledger = written(directory, document), ledger
        self.clock = SetClock(at)
        self.ask_for_plan = ask_for_plan
        self.to_plan: list[tuple[datetime, PlanningTask]] = []
        if late_by is not None:
            self.ask_for_plan = lambda task: self.to_plan.append((self.clock.at + late_by(), task))
        self.delay = timedelta(seconds=1)
        self.hardware = {
            name: _hardware_of(name, point) for name, point in document["charge_points"].items()
        }
        fuse = document["household"]["main_fuse_amps"]
        self.fuses: dict[str, float] = dict(
            zip(PHASES, fuse if isinstance(fuse, list) else [fuse] * 3, strict=False)
        )
        self.declared = document["household"].get("known_load", [])
        if (kw := document["household"].get("max_power_kw")) is not None:
            self.fuses[TOTAL] = kw * 1000 / VOLTS
        self.highest = 0.0
        self.loads = dict.fromkeys(PHASES, 0.0)
        self.is_whole, self.has_one_value = False, False
        self.load_at: datetime | None = None
        self.load_read_every = LOAD_READ_EVERY
        self.load_arrived_at = at
        self.is_bus_down = False
        # Since when a reading of the home's load has shown that a phase carries too much.
        self.shown_since: dict[str, datetime] = {}
        # What flowed above the fuse later than that and `GIVES_WAY_WITHIN`, by hardware that
        # commands reach.
        self.late_amp_seconds = 0.0
        self.start()

    def start(self) -> None:
        """Start the daemon, or start it again."""
        watch = HouseholdWatch(self.path)
        self.topics, self.file = topics_of(watch.house), watch.house.file
        self.zone: ZoneInfo = self.file.zone
        self.bus = HomeBus(self)
        self.wake = self.clock.at
        channels = {
            name: ProfileChannel(self, name) for name in self.hardware if self.is_ocpp(name)
        }
        self.service = Service(
            watch, self.ledger, self.clock, bus=self.bus, wake_at=self._wake_at,
            channels=HardwareChannels(channels), ask_for_plan=self.ask_for_plan,
        )  # fmt: skip
        self.service.handle(WakeUp())
        if not self.is_bus_down:
            self.service.handle(Connected("5"))
        for name, hardware in self.hardware.items():
            if self.is_ocpp(name) and not hardware.is_deaf:
                self.service.handle(ChannelReady(name))

    @property
    def meters_wh(self) -> float:
        """What all meters together have counted [Wh]."""
        return sum(hardware.meter_wh for hardware in self.hardware.values())

    def is_ocpp(self, point: str) -> bool:
        return isinstance(self.hardware.get(point), OcppHardware)

    def send(self, point: str, message: object, amps: float) -> None:
        """Take a command to its hardware, which it reaches after those before it."""
        self.hardware[point].note_sent(amps, self.clock.at)
        arriving = self.hardware[point].arriving
        due = max([self.clock.at + self.delay, *(at for at, _ in arriving)])
        arriving.append((due, message))

    # --- what happens -------------------------------------------------------------------------

    def post(self, point: str, leaf: str, message: Message) -> None:
        """Let a message about a charge point arrive."""
        if self.is_ocpp(point) and isinstance(message, Reading | VehicleReport):
            self.service.handle(HardwareReport(point, message, lambda _is_stored: None))
        elif not self.is_bus_down:
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

    def set_deaf(self, point: str, *, is_deaf: bool) -> None:
        """Let commands be lost on their way to a charge point, or arrive again."""
        self.hardware[point].is_deaf = is_deaf
        if self.is_ocpp(point) and not is_deaf:
            self.service.handle(ChannelReady(point))

    def set_bus(self, *, is_down: bool) -> None:
        """Let the broker go down, or come back."""
        was_down, self.is_bus_down = self.is_bus_down, is_down
        if is_down and not was_down:
            self.service.handle(Disconnected("gone"))
        elif was_down and not is_down:
            self.service.handle(Connected("5"))

    def set_load(self, amps: float, *phases: str) -> None:
        """Let the rest of the home draw another current, on some phases or on all."""
        self.shown_since.pop(TOTAL, None)
        for phase in phases or PHASES:
            self.loads[phase] = amps
            self.shown_since.pop(phase, None)

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
        is_settling = bool(self.shown_since) or any(
            each.arriving or each.lowered_at for each in self.hardware.values()
        )
        longest = timedelta(seconds=30) if self.load_at is None else LOAD_READ_EVERY
        return SECOND if is_settling else min(longest, max(SECOND, self.wake - now))

    def read_load(self) -> None:
        """Let the home's meter send what the home draws, with or without the charge points."""
        now = self.load_at = self.clock.at
        amps = tuple(
            self.loads[phase] + (self.drawn_on(phase) if self.is_whole else 0.0) for phase in PHASES
        )
        if self.is_bus_down:
            return
        self.load_arrived_at = now
        for phase in self.fuses:
            if self._overload(phase, now) > 0:
                self.shown_since.setdefault(phase, now)
        shown = (max(amps),) if self.has_one_value else amps
        load = HomeLoad(at=now, amps=shown, includes_charge_points=self.is_whole)
        it = arrived(self.topics.load, load)
        self.service.handle(MessageArrived(it.topic, it.payload, it.retain, lambda: None))

    def _given_way_to(self, phase: str, now: datetime) -> bool:
        """Whether it is known for long enough what hardware draws that commands do not reach."""
        strays = [each for each in self._on(phase) if each.is_stray]
        return all(
            each.stray_shown_at is not None and now - each.stray_shown_at > GIVES_WAY_WITHIN
            for each in strays
        )

    def _obedient_amps(self, phase: str) -> float:
        """Return the current on a phase of hardware that draws no more than it was told last."""
        return sum(
            each.drawn * (len(each.phases) if phase == TOTAL else 1)
            for each in self._on(phase)
            if not each.is_stray
        )

    def _on(self, phase: str) -> list[Hardware]:
        return [each for each in self.hardware.values() if phase in (*each.phases, TOTAL)]

    def _overload(self, phase: str, now: datetime) -> float:
        """Return what flows above the fuse, or the power, apart from what the home draws alone."""
        if phase == TOTAL:
            drawn = sum(map(self.drawn_on, PHASES))
            loads = sum(self.loads[each] + self._declared_amps(each, now) for each in PHASES)
            over = loads + drawn - self.fuses[TOTAL]
            return min(drawn, over) if over > 1e-6 else 0.0
        drawn = self.drawn_on(phase)
        over = self.loads[phase] + drawn - self.fuses[phase] + self._declared_amps(phase, now)
        return min(drawn, over) if over > 1e-6 else 0.0

    def _declared_amps(self, phase: str, now: datetime) -> float:
        """Return the known load that has lasted for long enough to be given way to [A]."""
        if self.load_at is not None:
            return 0.0
        clocks = [f"{(each).astimezone(self.zone):%H:%M}" for each in (now - GIVES_WAY_WITHIN, now)]
        return sum(
            float(item["amps"])
            for item in self.declared
            if phase in item.get("connected_to", PHASES)
            and all(_is_within(item["hours"][0], clock) for clock in clocks)
        )

    def _watch_fuse(self, now: datetime, span: timedelta) -> None:
        """Assert that no more is drawn than the fuse carries; count it while a load is read."""
        for phase in self.fuses:
            over = self._overload(phase, now)
            if not over or now - self.load_arrived_at > READINGS_COUNT_FOR:
                self.shown_since.pop(phase, None)
            if self.load_at is None or not self.loads.get(phase, max(self.loads.values())):
                assert not over, (now, phase, self.currents())
            elif self._given_way_to(phase, now):
                own = min(over, self._obedient_amps(phase))
                is_late = now - self.shown_since.get(phase, now) > GIVES_WAY_WITHIN
                self.late_amp_seconds += own * span.total_seconds() if is_late else 0.0

    def _advance(self, span: timedelta) -> None:
        self.clock.at += span
        now = self.clock.at
        for each in self.hardware.values():
            each.advance(span, now)
        self.highest = max(self.highest, *map(self.drawn_on, PHASES))
        self._watch_fuse(now, span)
        if self.load_at is not None and now >= self.load_at + self.load_read_every:
            self.read_load()
        if now >= self.wake:
            self.service.handle(WakeUp())
        for due, task in [each for each in self.to_plan if each[0] <= now]:
            self.to_plan.remove((due, task))
            self.service.handle(JointPlanMade(task, plan_for(task)))
        for each in self.hardware.values():
            if each.is_there and each.reads_at(now):
                register = round(each.meter_wh) / 1000
                watts = each.drawn * VOLTS * len(each.phases)
                each.note_read(now)
                reading = Reading(at=now, register_kwh=register, watts=watts)
                self.post(each.name, "reading", reading)

    # --- results ------------------------------------------------------------------------------

    @property
    def drawn(self) -> float:
        """The current that the vehicles draw together now, as if all were on one phase [A]."""
        return sum(each.drawn for each in self.hardware.values())

    def drawn_on(self, phase: str) -> float:
        """Return the current that the vehicles draw on a phase now [A]."""
        return sum(each.drawn for each in self.hardware.values() if phase in each.phases)

    def currents(self) -> dict[str, float]:
        """Return the current that each draws now [A]."""
        return {name: each.drawn for name, each in self.hardware.items()}

    def state(self, point: str) -> PointState:
        return self.service._states[point]

    def _wake_at(self, instant: datetime) -> None:
        self.wake = instant


def _hardware_of(name: str, point: Mapping[str, Any]) -> Hardware:
    phases = tuple(point.get("connected_to", PHASES[: point.get("phases", 1)]))
    return OcppHardware(name, phases) if "ocpp" in point else Hardware(name, phases)


def _is_within(hours: str, clock: str) -> bool:
    """Whether a clock time lies in hours that may pass midnight."""
    begin, end = hours.split("-")
    return begin <= clock < end if begin < end else clock >= begin or clock < end
