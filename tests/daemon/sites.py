"""A real service on a real ledger; the test controls its clock, its bus and the physics.

The clock may be set to any instant, as clocks are. Energy flows by true time.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from adapters.bus.events import Connected, MessageArrived
from adapters.contract.messages import Reading, Request, VehicleReport
from daemon.control.events import Issue
from daemon.messaging.incoming import HandledEvent, WakeUp
from daemon.service.household_watch import HouseholdWatch
from daemon.service.service import Service
from tests.daemon.worlds import HOUR, MINUTE, POINT, RecordedBus, arrived, topics_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from adapters.contract.messages import Message
    from adapters.ledger.ledger import Ledger
    from daemon.control.events import Action
    from daemon.control.state import PointState
    from daemon.messaging.hardware_channels import HardwareChannels
    from daemon.service.backup_schedule import BackupSchedule
    from daemon.service.clock_watch import ClockWatch

WAKES_EVERY = timedelta(seconds=15)
"""Between two regular wake-ups of the daemon."""


class SetClock:
    """A clock that a test sets."""

    def __init__(self, at: datetime) -> None:
        self.at = at
        self.passed = timedelta(0)

    def now(self) -> datetime:
        return self.at

    def seconds(self) -> float:
        return self.passed.total_seconds()


def household_file(directory: Path, *changes: tuple[str, str]) -> Path:
    """Write the demo household, with parts of its text replaced."""
    text = files("config").joinpath("examples", "kowhai.yaml").read_text("utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = directory / "house.yaml"
    path.write_text(text, "utf-8")
    return path


class Site:
    """One charge point under a real service; its timer may wake it up late, as timers do."""

    late = timedelta(0)
    """How late it is woken up."""

    def __init__(
        self,
        household: Path,
        ledger: Ledger,
        at: datetime,
        *,
        meter_wh: float = 1_000_000.0,
        clock_watch: ClockWatch | None = None,
        backups: BackupSchedule | None = None,
        channels: HardwareChannels | None = None,
        run_command: Callable[[Sequence[str], bytes], None] | None = None,
    ) -> None:
        watch = HouseholdWatch(household, stores=True)
        self.topics = topics_of(watch.house)
        self.file = watch.house.file
        self.clock = SetClock(at)
        self.true_now = at
        self.ledger = ledger
        self.bus = RecordedBus()
        self.meter_wh = meter_wh
        self.is_there = False
        self.acknowledged = 0
        self.actions: list[tuple[datetime, Action]] = []
        self.records: list[dict[str, Any]] = []
        self.wake: datetime = at
        self.service = Service(
            watch, ledger, self.clock, bus=self.bus, wake_at=self._wake_at,
            observer=self._observe, clock_watch=clock_watch, backups=backups,
            channels=channels, run_command=run_command,
        )  # fmt: skip

    def begin(self) -> None:
        self.service.handle(WakeUp())
        self.service.handle(Connected("5"))

    # --- what happens -------------------------------------------------------------------------

    def wake_up(self) -> None:
        self.service.handle(WakeUp())

    def post(self, leaf: str, message: Message) -> None:
        def ack() -> None:
            self.acknowledged += 1

        it = arrived(f"{self.topics.base}/{POINT}/{leaf}", message)
        self.service.handle(MessageArrived(it.topic, it.payload, it.retain, ack))

    def plug_in(self, soc: float | None) -> None:
        self.is_there = True
        report = VehicleReport(at=self.clock.now(), pilot="B", soc_percent=soc)
        self.post("vehicle", report)

    def unplug(self) -> None:
        self.is_there = False
        self.post("vehicle", VehicleReport(at=self.clock.now(), pilot="A"))

    def ask(self, **wish: object) -> None:
        self.post("request", Request.model_validate(wish))

    def read(self) -> None:
        register = round(self.meter_wh) / 1000
        self.post("reading", Reading(at=self.clock.now(), register_kwh=register, watts=self.watts))

    # --- time ---------------------------------------------------------------------------------

    @property
    def watts(self) -> float:
        """Power that flows now: by the last command, until it expires."""
        command = self.bus.last("command") if self.is_there else None
        if command is None or command["do"] != "start":
            return 0.0
        if self.clock.now() >= datetime.fromisoformat(command["valid_until"]):
            return 0.0
        return float(command["amps"]) * 230.0

    def pass_time(self, span: timedelta, *, alive: bool = True, every: timedelta = MINUTE) -> None:
        """Let time pass; a daemon that is alive wakes up and gets readings."""
        end = self.true_now + span
        read_at = self.true_now + every
        while self.true_now < end:
            wake = max(self.true_now, self._true(self.wake) + self.late)
            due = min(end, read_at, wake if alive else end)
            due = max(due, self.true_now + timedelta(microseconds=1))
            if self.watts and not alive:
                due = min(due, self.true_now + MINUTE)
            self._advance(due - self.true_now)
            reads = self.true_now >= read_at
            if alive and (reads or self.clock.now() >= self.wake):
                self.wake_up()
            if reads:
                read_at = self.true_now + every
                if alive:
                    self.read()

    def set_clock(self, by: timedelta) -> None:
        """Set the clock forward or back, as a time server does; a wake-up follows within 15 s."""
        self.clock.at += by
        self._advance(WAKES_EVERY)
        self.wake_up()

    def _true(self, instant: datetime) -> datetime:
        return self.true_now + (instant - self.clock.now())

    def _advance(self, span: timedelta) -> None:
        self.meter_wh += self.watts * (span / HOUR)
        self.true_now += span
        self.clock.at += span
        self.clock.passed += span

    # --- results ------------------------------------------------------------------------------

    @property
    def state(self) -> PointState:
        return self.service._states[POINT]

    def switches(self) -> list[tuple[datetime, str]]:
        """When the command changed to start and to stop, by its clock; without renewals."""
        switches: list[tuple[datetime, str]] = []
        for at, action in self.actions:
            if isinstance(action, Issue) and (not switches or switches[-1][1] != action.command.do):
                switches.append((at, action.command.do))
        return switches

    def _wake_at(self, instant: datetime) -> None:
        self.wake = instant

    def _observe(self, handled: HandledEvent) -> None:
        self.actions += [(self.clock.now(), action) for _, action in handled.actions]
        self.records += handled.nights
