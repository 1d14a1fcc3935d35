"""A service behind limits of the grid operator, with a virtual clock and a recorded bus."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

from adapters.clocks.clock import VirtualClock
from adapters.contract.messages import Command, GridLimit, Request, VehicleReport, decode
from daemon.messaging.hardware_channels import hardware_channels_of
from daemon.messaging.incoming import WakeUp
from daemon.service.household_watch import HouseholdWatch
from daemon.service.service import Service
from tests.daemon.worlds import EVENING, KOWHAI, POINT, RecordedBus, arrived, topics_of

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from adapters.ledger.ledger import Ledger
    from daemon.messaging.incoming import Incoming

SECOND = timedelta(seconds=1)


class Home:
    """A household with vehicles at 20 %, each plugged in."""

    def __init__(
        self, directory: Path, ledger: Ledger, *points: str, more: str = "", phases: int = 1
    ) -> None:
        text = KOWHAI.read_text("utf-8").replace("  main_fuse_amps: 63", f"  {more or '# no fuse'}")
        text = "\n".join(line for line in text.split("\n") if "known_load" not in line)
        text = text.replace("    phases: 1\n", f"    phases: {phases}\n")
        for point in points:
            text = text.replace(
                "\nvehicles:\n",
                f"  {point}: {{charging_mode: 3, max_amps: 32, switching: current}}\n\nvehicles:\n"
                f"  {point} car: {{charge_point: {point}, usable_kwh: 52}}\n",
            ).replace(
                "\ndepartures:\n",
                f"\ndepartures:\n  - {{vehicle: {point} car, days: [mon, tue, wed, thu, fri], "
                'at: "07:20", need_percent: 80}\n',
            )
        self.path = directory / "house.yaml"
        self.path.write_text(text, "utf-8")
        self.ledger, self.clock, self.bus = ledger, VirtualClock(EVENING), RecordedBus()
        self.points = (POINT, *points)
        self.woken: list[datetime] = []
        self.start()
        for point in self.points:
            self.say(
                self.topics.vehicle(point), VehicleReport(at=EVENING, pilot="B", soc_percent=20)
            )

    def start(self) -> None:
        """Start the daemon, or start it again."""
        watch = HouseholdWatch(self.path)
        self.topics = topics_of(watch.house)
        self.service = Service(
            watch, self.ledger, self.clock, bus=self.bus, wake_at=self.woken.append,
            channels=hardware_channels_of(watch.house.file, self.bus, self.ledger),
        )  # fmt: skip
        self.service.handle(WakeUp())

    def handle(self, event: Incoming) -> None:
        self.service.handle(event)

    def say(self, topic: str, message: Any, *, retain: bool = False) -> None:  # noqa: ANN401 - of any kind
        self.service.handle(arrived(topic, message, retain=retain))

    def ask(self, point: str = POINT, **request: Any) -> None:  # noqa: ANN401 - of any kind
        self.say(self.topics.request(point), Request(**request))

    def limit(self, **limit: Any) -> None:  # noqa: ANN401 - of any kind
        """Let the grid operator say something, now unless `at` is given."""
        self.say(self.topics.grid_limit, GridLimit(**{"at": self.clock.now(), **limit}))

    def advance(self, time: timedelta) -> None:
        """Let time pass, and wake the daemon whenever it asked for it."""
        until = self.clock.now() + time
        while self.woken[-1] <= until:
            self.clock.advance_to(max(self.woken[-1], self.clock.now() + SECOND))
            self.service.handle(WakeUp())
        self.clock.advance_to(until)

    def told(self, point: str = POINT) -> float:
        """Return the current of the command in force [A]; 0 for a stop, or once it has expired."""
        topic = self.topics.command(point)
        sent = [payload for each, payload, _ in self.bus.messages if each == topic]
        command = decode(Command, sent[-1])
        return command.amps or 0.0 if command.valid_until > self.clock.now() else 0.0

    def total(self) -> float:
        return sum(map(self.told, self.points))

    def why(self) -> str:
        reason: str = self.bus.last("command")["why"]
        return reason
