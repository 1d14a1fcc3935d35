"""Worlds for the controller: a household, a clock and a meter that a test controls.

A world does what the service does, with the same parts (and with a real ledger, if it is given
one). It also does what physics does: while a start is in force, energy flows through the meter.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from adapters.bus.events import MessageArrived
from adapters.contract.messages import Reading, Request, VehicleReport, encode
from adapters.contract.topics import Topics
from config.household.household_file import HouseholdFile
from daemon.control.controller import next_wake, step
from daemon.control.events import (
    Action,
    AnnouncePlan,
    BusConnected,
    CloseNight,
    Event,
    Issue,
    MeterRead,
    PersonAsked,
    TimePassed,
    VehicleReported,
    Warn,
)
from daemon.control.state import House, PointState
from daemon.messaging.inbox import Inbox
from daemon.messaging.outbox import Outbox
from daemon.nights.account import night_record
from daemon.nights.metered import NightMeters
from daemon.nights.saved_state import saved_body
from daemon.service.house_loading import load_house
from daemon.service.recovery import recover
from planners.accounts.register import RegisterReading
from planners.local_time.departures import night_bounds
from planners.rates.prices import prices_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from adapters.contract.messages import Message
    from adapters.ledger.ledger import Ledger

HERE = Path(__file__).parent
KOWHAI = HERE.parents[1] / "config" / "examples" / "kowhai.yaml"
POINT = "driveway"
MINUTE = timedelta(minutes=1)
HOUR = timedelta(hours=1)
EVENING = datetime(2026, 6, 3, 6, 30, tzinfo=UTC)
"""Wednesday 18:30 at Kowhai Cottage; the departure is on Thursday at 07:20, which is 19:20 UTC."""

NEEDS = {"need_percent": 60.0, "want_percent": 80.0}

NIGHT_BEGINS = datetime(2026, 6, 3, 9, tzinfo=UTC)
LEAVES = datetime(2026, 6, 3, 19, 20, tzinfo=UTC)
NOON = datetime(2026, 6, 4, 0, tzinfo=UTC)


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@cache
def kowhai() -> House:
    """Load the demo household."""
    return load_house(KOWHAI)


def household(**parts: dict[str, Any]) -> House:
    """Make a plain household on a flat rate; the parts replace fields of its sections."""
    days = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
    sections: dict[str, dict[str, Any]] = {
        "household": {"name": "Kowhai Cottage", "timezone": "Pacific/Auckland", "currency": "NZD"},
        "tariff": {"name": "Flat", "bands": [{"name": "all", "rate": Decimal("0.25")}]},
        "point": {"charging_mode": 3, "max_amps": 32.0, "switching": "current"},
        "vehicle": {"charge_point": POINT, "usable_kwh": 50.0, "everyday_limit_percent": 80.0},
        "departure": {"vehicle": "hatchback", "days": days, "at": "07:20", **NEEDS},
    }
    given = {name: section | parts.get(name, {}) for name, section in sections.items()}
    if parts.get("departure") == {}:
        given["departure"] = {}
    file = HouseholdFile.model_validate(
        {
            "household": given["household"],
            "tariffs": [given["tariff"]],
            "charge_points": {POINT: given["point"]},
            "vehicles": {"hatchback": given["vehicle"], **parts.get("more_vehicles", {})},
            "departures": [given["departure"]] if given["departure"] else [],
            "bus": {"broker": "mqtt://127.0.0.1:1883"},
            "ledger": {"path": "ledger.sqlite3"},
        },
        context={"directory": HERE},
    )
    return House(file, prices_of(file, {}))


class RecordedBus:
    """A bus that records what is published on it."""

    def __init__(self) -> None:
        self.messages: list[tuple[str, bytes, bool]] = []
        self._payloads: dict[str, list[bytes]] = {}

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:  # noqa: ARG002 - all are delivered
        self.messages.append((topic, payload, retain))
        self._payloads.setdefault(topic.rsplit("/", 1)[-1], []).append(payload)
        return True

    def clear(self) -> None:
        """Forget what was published so far."""
        self.messages.clear()
        self._payloads.clear()

    def on(self, leaf: str) -> list[Any]:
        """Payloads on topics with this last level; None for an empty one."""
        return [
            json.loads(payload) if payload else None for payload in self._payloads.get(leaf, ())
        ]

    def last(self, leaf: str) -> Any:  # noqa: ANN401 - a JSON value
        """Payload of the newest message on topics with this last level; None if there is none."""
        payloads = self._payloads.get(leaf)
        return json.loads(payloads[-1]) if payloads and payloads[-1] else None


def topics_of(house: House) -> Topics:
    return Topics.of_file(house.file)


def arrived(topic: str, message: Message | bytes, *, retain: bool = False) -> MessageArrived:
    payload = message if isinstance(message, bytes) else encode(message)
    return MessageArrived(topic, payload, retain, lambda: None)


@dataclass
class World:
    """One charge point under control."""

    house: House
    now: datetime
    ledger: Ledger | None = None
    state: PointState = field(default_factory=lambda: PointState(POINT))
    meter_wh: float = 1_000_000.0
    is_there: bool = False
    draws: float = 1.0
    stuck_watts: float | None = None
    takes_amps: float | None = None
    reports_amps: bool = False
    keeps_all_phases: bool = False
    actions: list[tuple[datetime, Action]] = field(default_factory=list)
    readings: list[RegisterReading] = field(default_factory=list)
    bus: RecordedBus = field(default_factory=RecordedBus)
    watch: Callable[[World], None] = lambda _world: None

    # --- what happens -------------------------------------------------------------------------

    def handle(self, event: Event) -> tuple[Action, ...]:
        """Let the controller handle an event, and carry out its actions as the service would."""
        before = self.state
        self.state, actions = step(self.state, event, self.now, self.house)
        self.actions += [(self.now, action) for action in actions]
        if self.ledger is not None:
            outbox = Outbox(topics_of(self.house), self.ledger, self.bus)
            for action in actions:
                outbox.carry_out(POINT, action, self.now, self.house)
            if saved_body(self.state) != saved_body(before):
                self.ledger.save_open_night(POINT, saved_body(self.state))
        self.watch(self)
        return actions

    def receive(self, message: Reading | VehicleReport | Request) -> tuple[Action, ...]:
        """Let a message arrive; through the inbox if there is a ledger to store it."""
        leaf, event = _as_event(message)
        if self.ledger is not None:
            topics = topics_of(self.house)
            inbox = Inbox(topics, self.house.file.charge_points, self.ledger)
            topic = f"{topics.base}/{POINT}/{leaf}"
            received = inbox.receive(arrived(topic, message), self.now)
            if not isinstance(received, tuple):
                return ()
            event = received[1]
        return self.handle(event)

    def plug_in(self, soc: float | None = None, pilot: str = "B") -> tuple[Action, ...]:
        self.is_there = True
        return self.report(pilot=pilot, soc_percent=soc)

    def unplug(self) -> tuple[Action, ...]:
        self.is_there = False
        return self.report(pilot="A")

    def report(self, **fields: object) -> tuple[Action, ...]:
        return self.receive(VehicleReport.model_validate({"at": self.now, **fields}))

    def ask(self, **wish: object) -> tuple[Action, ...]:
        return self.receive(Request.model_validate(wish))

    def read(self, *, watts: float | None = None, at: datetime | None = None) -> tuple[Action, ...]:
        """Let the meter send a reading, with the power that flows unless another is given."""
        at = at or self.now
        self.readings.append(RegisterReading(at, round(self.meter_wh)))
        power = self.watts if watts is None else watts
        point = self.house.file.charge_points[POINT]
        volts = self.house.file.household.nominal_volts
        amps = power / (point.phases * volts) if self.reports_amps else None
        register_kwh = round(self.meter_wh) / 1000
        return self.receive(Reading(at=at, register_kwh=register_kwh, watts=power, amps=amps))

    # --- time ---------------------------------------------------------------------------------

    @property
    def watts(self) -> float:
        """Power that flows now: as commanded and as far as drawn, unless the relay is stuck."""
        if self.stuck_watts is not None:
            return self.stuck_watts
        command = self.state.command
        if command is None or command.amps is None or not self.is_there:
            return 0.0
        if self.now >= command.valid_until:
            return 0.0
        point = self.house.file.charge_points[POINT]
        volts = self.house.file.household.nominal_volts
        amps = command.amps if self.takes_amps is None else self.takes_amps
        phases = None if self.keeps_all_phases else command.phases
        return self.draws * amps * (phases or point.phases) * volts

    @property
    def wake(self) -> datetime:
        return next_wake(self.state, self.now, self.house)

    def advance(self, to: datetime) -> None:
        """Let time pass and energy flow; no event happens."""
        self.meter_wh += self.watts * ((to - self.now) / HOUR)
        self.now = to

    def wait(self, until: datetime, *, read_every: timedelta | None = MINUTE) -> None:
        """Let time pass: the controller wakes up when it asks to, and the meter sends readings.

        While no power should flow, a reading comes every ten minutes and when the power changes.
        """
        power = self.watts
        while self.now < until:
            wake = self.wake
            assert wake > self.now
            due = [until, wake]
            if read_every is not None:
                busy = self.watts or self.doing()[0] == "start"
                due.append(self._next(read_every if busy else 10 * MINUTE))
            self.advance(min(due))
            self.handle(TimePassed())
            if read_every is not None and (self.now != wake or self.watts != power):
                self.read()
            power = self.watts

    def _next(self, every: timedelta) -> datetime:
        day = self.now.replace(hour=0, minute=0, second=0, microsecond=0)
        return day + ((self.now - day) // every + 1) * every

    # --- results ------------------------------------------------------------------------------

    def sees_vehicle(self) -> bool:
        return self.state.plugged_in

    def doing(self) -> tuple[str, float | None]:
        command = self.state.command
        assert command is not None
        return command.do, command.amps

    def issued(self) -> list[Issue]:
        return [action for _, action in self.actions if isinstance(action, Issue)]

    def switches(self) -> list[tuple[datetime, str]]:
        """When the command changed to start and to stop; without renewals."""
        switches: list[tuple[datetime, str]] = []
        for at, action in self.actions:
            if isinstance(action, Issue) and (not switches or switches[-1][1] != action.command.do):
                switches.append((at, action.command.do))
        return switches

    def plans(self) -> list[AnnouncePlan]:
        return [action for _, action in self.actions if isinstance(action, AnnouncePlan)]

    def closings(self) -> list[CloseNight]:
        return [action for _, action in self.actions if isinstance(action, CloseNight)]

    def warned(self) -> list[str]:
        return [action.code for _, action in self.actions if isinstance(action, Warn)]

    def records(self) -> dict[str, dict[str, Any]]:
        """Make each night's last record, from the readings there were when it was closed."""
        made: dict[str, dict[str, Any]] = {}
        for at, action in self.actions:
            if isinstance(action, CloseNight):
                known = [reading for reading in self.readings if reading.at <= at]
                facts = action.facts
                ends = night_bounds(facts.night, self.house.file.days)
                within = list(_around(known, ends[0], min(ends[1], facts.closed_at)))
                made[facts.night.isoformat()] = night_record(self.house, facts, NightMeters(within))
        return made

    def copied(self) -> World:
        """Give the same world, to go on from here in another way; without a ledger."""
        assert self.ledger is None
        return replace(self, actions=[*self.actions], readings=[*self.readings], bus=RecordedBus())

    def restarted(self) -> World:
        """Give the same world with a daemon that was started again and is connected."""
        assert self.ledger is not None
        state = recover(self.ledger, POINT, self.now, self.house)
        again = World(
            self.house, self.now, state=state, meter_wh=self.meter_wh, is_there=self.is_there
        )
        again.handle(TimePassed())
        again.handle(BusConnected())
        return again


def _as_event(message: Reading | VehicleReport | Request) -> tuple[str, Event]:
    match message:
        case Reading():
            return "reading", MeterRead(message)
        case VehicleReport():
            return "vehicle", VehicleReported(message)
        case Request():
            return "request", PersonAsked(message)


def _around(
    readings: list[RegisterReading], start: datetime, end: datetime
) -> Iterator[RegisterReading]:
    """Choose readings as the ledger does: with the last one before and the first after."""
    for index, reading in enumerate(readings):
        is_last_before = reading.at < start and (
            index + 1 == len(readings) or readings[index + 1].at >= start
        )
        is_first_after = reading.at > end and readings[index - 1].at <= end
        if start <= reading.at <= end or is_last_before or is_first_after:
            yield reading
