"""The daemon follows a grid meter, and tells roof and grid apart afterwards."""

from __future__ import annotations

import re
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import pytest

from adapters.clocks.clock import VirtualClock
from adapters.contract.messages import Command, GridPower, Reading, Request, VehicleReport, decode
from daemon.messaging.incoming import WakeUp
from daemon.service.household_watch import HouseholdWatch
from daemon.service.service import Service
from daemon.why.records import read_night
from daemon.why.story import story_of
from daemon.why.wording import history_of
from tests.daemon.worlds import KOWHAI, POINT, RecordedBus, arrived, topics_of, utc

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from adapters.ledger.ledger import Ledger

SECOND, MINUTE = timedelta(seconds=1), timedelta(minutes=1)
NOON = utc("2026-12-04T23:00")
"""Saturday 12:00 at Kowhai Cottage; the vehicle leaves at 16:00."""

SUNNY = utc("2026-12-04T23:10")
"""Ten minutes later."""

LEAVES, DAY = utc("2026-12-05T03:00"), date(2026, 12, 5)

VOLTS = 230.0


class Sunny:
    """A service, a vehicle that follows at once, and a grid meter read every ten seconds."""

    def __init__(
        self,
        directory: Path,
        ledger: Ledger,
        *,
        generation: str = "",
        shortest: int = 15,
        switches_phases: bool = False,
    ) -> None:
        text = KOWHAI.with_name("own-roof.yaml").read_text("utf-8")
        text = text.replace("broker: embedded", "broker: mqtt://127.0.0.1")
        text = text.replace("\ngeneration:\n", f"\ngeneration:\n{generation}")
        text = text.replace("min_run_minutes: 15", f"min_run_minutes: {shortest}")
        if switches_phases:
            three = "phases: 3\n    max_amps: 16\n    phase_switching_seconds: 30"
            text = text.replace("[63]   ", "[63, 63, 63]   ").replace("    max_amps: 32\n", "")
            text = text.replace("    phases: 1", f"    {three}").replace(
                "    usable_kwh: 52", "    usable_kwh: 52\n    phases: 3"
            )
        (directory / "house.yaml").write_text(text, "utf-8")
        forecast = KOWHAI.with_name("sun-forecast.csv").read_bytes()
        (directory / "sun-forecast.csv").write_bytes(forecast)
        self.bus, self.clock, self.ledger = RecordedBus(), VirtualClock(NOON), ledger
        self.woken: list[datetime] = []
        watch = HouseholdWatch(directory / "house.yaml")
        self.topics = topics_of(watch.house)
        self.service = Service(watch, ledger, self.clock, bus=self.bus, wake_at=self.woken.append)
        self.service.handle(WakeUp())
        self.vehicle_waits, self.switched_under_load, self.phases = 0, 0, 3
        self.register_wh, self.drawn, self.grid_wh = 1_000_000.0, 0.0, 0.0
        self.read(pilot="B", soc_percent=55.0)

    @property
    def command(self) -> Command:
        """The last command."""
        sent = [each for topic, each, _ in self.bus.messages if topic == self.topics.command(POINT)]
        return decode(Command, sent[-1])

    @property
    def told(self) -> float:
        """The current of the last command [A]; 0 for a stop."""
        return self.command.amps or 0.0

    @property
    def told_watts(self) -> float:
        """The power of the last command; switching phases while power flows is counted."""
        phases = self.command.phases
        if phases is not None and phases != self.phases:
            self.switched_under_load += self.drawn > 0
            self.phases = phases
        return self.told * VOLTS * (1 if phases is None else phases)

    def read(self, **vehicle: Any) -> None:  # noqa: ANN401 - of any field
        now = self.clock.now()
        register_kwh, watts = round(self.register_wh) / 1000, self.drawn
        reading = Reading(at=now, register_kwh=register_kwh, watts=watts)
        self.service.handle(arrived(self.topics.reading(POINT), reading))
        if vehicle:
            report = VehicleReport(at=now, **vehicle)
            self.service.handle(arrived(self.topics.vehicle(POINT), report))

    def run(
        self, until: datetime, spare_watts: float, *, is_read: bool = True, sign: int = 1
    ) -> None:
        """Let time pass while the roof leaves so much over."""
        while self.clock.now() < until:
            self.clock.advance_to(self.clock.now() + 10 * SECOND)
            now = self.clock.now()
            self.register_wh += self.drawn / 360
            self.grid_wh += max(0.0, self.drawn - max(0.0, spare_watts)) / 360
            if is_read:
                power = GridPower(at=now, watts=(sign * (self.drawn - spare_watts),))
                self.service.handle(arrived(self.topics.grid, power))
            told_watts = self.told_watts
            changed = self.drawn != told_watts
            if changed and not self.drawn and self.vehicle_waits:
                self.vehicle_waits -= 1
                continue
            self.drawn = told_watts
            if changed or now.second == 0:
                self.read()
            if self.woken[-1] <= now:
                self.service.handle(WakeUp())


def test_the_current_follows_the_roof(tmp_path: Path, ledger: Ledger) -> None:
    """2.5 kW feed 10 A, 1.9 kW 8 A; a dark cloud pauses it after minutes, sun starts it again."""
    home = Sunny(tmp_path, ledger)
    home.run(SUNNY, 2500.0)
    assert home.told == 10
    home.run(SUNNY + 2 * MINUTE, 1900.0)
    assert home.told == 8
    home.run(SUNNY + 3 * MINUTE, 300.0)
    assert home.told == 6
    home.run(SUNNY + 10 * MINUTE, 300.0)
    assert home.told == 0
    assert home.bus.last("command")["why"] == (
        "the roof leaves too little now for the least current"
    )
    home.run(SUNNY + 22 * MINUTE, 4000.0)
    assert home.told == 17
    assert home.bus.last("command")["why"] == "it follows what the roof leaves over"


def test_no_more_than_the_roof_gives_as_it_begins(tmp_path: Path, ledger: Ledger) -> None:
    """The vehicle takes half a minute to begin: until a reading shows it, nothing is raised."""
    home = Sunny(tmp_path, ledger)
    first = home.told
    home.vehicle_waits = 3
    home.run(NOON + 40 * SECOND, 2500.0)
    told = [
        decode(Command, each).amps or 0.0
        for topic, each, _ in home.bus.messages
        if topic == home.topics.command(POINT)
    ]
    assert max(told) == max(first, 10)
    home.run(NOON + 2 * MINUTE, 2500.0)
    assert home.told == 10


def test_the_story_names_a_run_of_steps_once(tmp_path: Path, ledger: Ledger) -> None:
    """`why` says from where to where the current went, not each of some dozen steps."""
    home = Sunny(tmp_path, ledger)
    for minutes, watts in ((10, 2500.0), (14, 4000.0), (20, 1900.0)):
        home.run(NOON + minutes * MINUTE, watts)
    house = home.service.house
    night = read_night(house, ledger, POINT, DAY, home.clock.now())
    entries = [each.text for each in story_of(history_of(house, night)) if each.kind == "command"]
    follows = [each for each in entries if "it follows what the roof leaves over" in each]
    assert len(follows) == 1
    assert re.fullmatch(
        r"go on at 10 A, then 8 to 17 A: it follows what the roof leaves over"
        r" \(commands \d+ to \d+\)",
        follows[0],
    )


def test_silence_leads_back_to_the_plan(tmp_path: Path, ledger: Ledger) -> None:
    """A minute without a reading ends it, and the plan's own current holds."""
    home = Sunny(tmp_path, ledger)
    home.run(SUNNY, 2500.0)
    assert home.told == 10
    home.run(SUNNY + 3 * MINUTE, 2500.0, is_read=False)
    planned = next(
        each
        for each in home.bus.last("plan")["periods"]
        if each["start"] <= "2026-12-04T23:13:00Z" < each["end"]
    )
    assert home.told == planned["amps"] != 10
    assert home.bus.last("command")["why"].startswith("cheapest hours before ")


def test_silence_of_both_meters(tmp_path: Path, ledger: Ledger) -> None:
    """Nothing arrives any more: the daemon wakes by itself, and takes the current back."""
    home = Sunny(tmp_path, ledger)
    home.run(SUNNY, 4000.0)
    assert home.told == 17
    last = home.clock.now()
    while home.told == 17 and home.woken[-1] < last + 2 * MINUTE:
        home.clock.advance_to(home.woken[-1])
        home.service.handle(WakeUp())
    assert home.clock.now() <= last + 62 * SECOND
    assert home.bus.last("command")["why"].startswith("cheapest hours before ")


def test_going_on_with_the_grid(tmp_path: Path, ledger: Ledger) -> None:
    """Where the household says so, a cloud leaves the least current."""
    home = Sunny(tmp_path, ledger, generation="  when_too_little: go_on\n")
    home.run(SUNNY, 2500.0)
    home.run(SUNNY + 10 * MINUTE, 300.0)
    assert home.told == 6


def test_a_meter_that_is_the_wrong_way_round(tmp_path: Path, ledger: Ledger) -> None:
    """It is found by the charge's own steps; an alert says so, and the plan's current holds."""
    home = Sunny(tmp_path, ledger, shortest=0)
    for minutes in range(2, 22, 2):
        # A person switches it on and off, as a person who tries it would.
        request = Request(charge_now=True) if minutes % 4 else Request(skip_until=LEAVES)
        home.service.handle(arrived(home.topics.request(POINT), request))
        home.run(NOON + minutes * MINUTE, 2500.0, sign=-1)
    assert home.bus.last("alert")["code"] == "grid-meter-reversed"
    home.service.handle(arrived(home.topics.request(POINT), Request(clear=True)))
    home.run(NOON + 24 * MINUTE, 2500.0, sign=-1)
    assert home.bus.last("command")["why"].startswith("cheapest hours before ")


def test_the_account_tells_roof_and_grid_apart(tmp_path: Path, ledger: Ledger) -> None:
    """What flowed beyond what the roof left is the grid's, to some watt-hours of each interval."""
    home = Sunny(tmp_path, ledger)
    home.run(SUNNY, 2500.0)
    home.run(SUNNY + 4 * MINUTE, 300.0)
    home.run(SUNNY + 60 * MINUTE, 2500.0)
    assert home.grid_wh > 20
    home.drawn = 0.0
    home.read(pilot="A")
    home.clock.advance_to(LEAVES)
    home.service.handle(WakeUp())
    (night,) = ledger.nights(DAY, DAY, POINT)
    total, roof = float(night["energy_kwh"]), float(night["roof_kwh"])
    assert total == pytest.approx((home.register_wh - 1_000_000) / 1000, abs=0.002)
    assert total - roof == pytest.approx(home.grid_wh / 1000, abs=0.03)
    lines = {line["band"]: float(line["kwh"]) for line in night["by_band"]}
    assert sum(lines.values()) == pytest.approx(total, abs=1e-9)
    assert lines["roof"] == roof
    # By hand: the roof's part at 0.08, the rest at the day's 0.312 with 15 % tax.
    by_hand = roof * 0.08 + (total - roof) * 0.312 * 1.15
    assert float(night["cost"]) == pytest.approx(by_hand, abs=0.006)
    assert float(night["all_grid_cost"]) == pytest.approx(total * 0.312 * 1.15, abs=1e-4)
    paid = sum(float(line["cost"]) for line in night["by_band"])
    rules = {name: float(rule["cost"]) for name, rule in night["baselines"].items()}
    assert rules["hindsight"] <= min(paid, rules["at_once"], rules["timer"]) + 1e-6


def test_it_charges_on_one_phase_while_the_roof_gives_little(
    tmp_path: Path, ledger: Ledger
) -> None:
    """2.5 kW feed one phase, 5.5 kW all; it switches while stopped, and not again at once."""
    home = Sunny(tmp_path, ledger, switches_phases=True)
    home.run(SUNNY, 2400.0)
    assert (home.told, home.command.phases) == (10, 1)
    home.run(SUNNY + 30 * MINUTE, 5500.0)
    assert (home.told, home.command.phases) == (7, 3)
    home.run(SUNNY + 31 * MINUTE, 2400.0)
    assert (home.told, home.command.phases) == (6, 3)
    home.run(SUNNY + 40 * MINUTE, 2400.0)
    assert (home.told, home.command.phases) == (10, 1)
    home.run(SUNNY + 47 * MINUTE, 5500.0)
    assert (home.told, home.command.phases) == (16, 1)
    home.run(SUNNY + 60 * MINUTE, 5500.0)
    assert (home.told, home.command.phases) == (7, 3)
    assert home.switched_under_load == 0
    stored = ledger.last_switches(POINT, MINUTE)
    assert stored.phases == 3
    assert stored.phases_at is not None
    assert stored.phases_at >= SUNNY + 48 * MINUTE
