"""The daemon lowers and stops what the home's live load leaves no current for."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from structlog.testing import capture_logs

from adapters.clocks.clock import VirtualClock
from adapters.contract.messages import (
    Command,
    HomeLoad,
    Reading,
    Request,
    VehicleReport,
    decode,
)
from adapters.simulated.home import home_amps
from daemon.control.events import LoweredByLoad
from daemon.messaging.hardware_channels import hardware_channels_of
from daemon.messaging.incoming import HomeReport, WakeUp
from daemon.nights.saved_state import read_saved
from daemon.service.household_watch import HouseholdWatch
from daemon.service.service import Service
from tests.daemon.worlds import (
    EVENING,
    KOWHAI,
    MINUTE,
    NIGHT_BEGINS,
    POINT,
    RecordedBus,
    arrived,
    topics_of,
)

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from adapters.ledger.ledger import Ledger

SECOND = timedelta(seconds=1)
FUSE = 40


class Home:
    """A service behind a fuse of 40 A, with a vehicle that charges now."""

    def __init__(
        self,
        directory: Path,
        ledger: Ledger,
        *points: str,
        fuse: int | list[int] = FUSE,
        load_meter: list[dict[str, str]] | None = None,
        connected_to: Mapping[str, str] | None = None,
        more: str = "",
        of_tariff: str = "",
    ) -> None:
        own = f"main_fuse_amps: {fuse}{more}"
        text = KOWHAI.read_text("utf-8").replace("main_fuse_amps: 63", own)
        text = text.replace("    bands:", f"{of_tariff}    bands:")
        if load_meter is not None:
            wired = f"  load_meter: {json.dumps({'phases': load_meter})}\n  nominal_volts"
            text = text.replace("  nominal_volts", wired)
        for point in points:
            text = text.replace(
                "\nvehicles:\n",
                f"  {point}: {{charging_mode: 3, max_amps: 32, switching: current}}\n\nvehicles:\n"
                f"  {point} car: {{charge_point: {point}, usable_kwh: 52, max_amps: 32}}\n",
            )
        for point, phase in (connected_to or {}).items():
            here = "    # connected_to: [L1]" if point == POINT else f"  {point}: {{"
            there = "    " if point == POINT else here
            end = " " if point == POINT else ", "
            text = text.replace(here, f"{there}connected_to: [{phase}]{end}")
        path = directory / "house.yaml"
        path.write_text(text, "utf-8")
        self.path, self.ledger = path, ledger
        self.bus, self.clock = RecordedBus(), VirtualClock(EVENING)
        self.points = (POINT, *points)
        self.woken: list[datetime] = []
        self.start()
        for point in self.points:
            report = VehicleReport(at=EVENING, pilot="B", soc_percent=20)
            self.service.handle(arrived(self.topics.vehicle(point), report))
            self.service.handle(arrived(self.topics.request(point), Request(charge_now=True)))

    def start(self) -> None:
        """Start the daemon, or start it again."""
        watch = HouseholdWatch(self.path)
        self.topics = topics_of(watch.house)
        channels = hardware_channels_of(watch.house.file, self.bus, self.ledger)
        self.service = Service(
            watch, self.ledger, self.clock, bus=self.bus, wake_at=self.woken.append,
            channels=channels,
        )  # fmt: skip
        self.service.handle(WakeUp())

    def load(self, *amps: float, late: int = 0, whole: bool = False) -> None:
        """Let the meter of the home send a reading."""
        at = self.clock.now() - late * SECOND
        load = HomeLoad(at=at, amps=amps, includes_charge_points=whole)
        self.service.handle(arrived(self.topics.load, load))

    def advance(self, time: timedelta) -> None:
        self.clock.advance_to(self.clock.now() + time)

    def keep_load(self, amps: float, time: timedelta) -> None:
        """Let the load stay as it is for a time."""
        until = self.clock.now() + time
        while self.clock.now() < until:
            self.advance(5 * SECOND)
            self.load(amps)
            if self.woken[-1] <= self.clock.now():
                self.service.handle(WakeUp())

    def told(self, point: str = POINT) -> float:
        """Return the current of the last command [A]; 0 for a stop."""
        topic = self.topics.command(point)
        sent = [payload for each, payload, _ in self.bus.messages if each == topic]
        return _amps(sent[-1])

    def total(self) -> float:
        return sum(map(self.told, self.points))


def _amps(payload: bytes) -> float:
    return decode(Command, payload).amps or 0.0


def test_a_load_lowers_the_current_in_the_same_turn(tmp_path: Path, ledger: Ledger) -> None:
    """At 25 A of 40 A, 15 A are left; the reason says so."""
    home = Home(tmp_path, ledger)
    assert home.told() == 32
    home.load(25.4)
    assert home.told() == 14
    assert home.bus.last("command")["why"] == (
        "the rest of the home leaves only 14 A of the main fuse; a person asked to charge now"
    )


def test_the_power_of_all_phases_together_lowers_the_current(
    tmp_path: Path, ledger: Ledger
) -> None:
    """Of 9 kW, 12 + 8 + 5 A leave 14 A, though each phase of the fuse has more; 2 kW stop it."""
    home = Home(tmp_path, ledger, fuse=[40] * 3, more="\n  max_power_kw: 9")
    assert home.told() == 32
    home.load(12.0, 8.0, 5.0)
    assert home.told() == 14
    assert home.bus.last("command")["why"] == (
        "the rest of the home leaves only 14 A of the home's 9 kW; a person asked to charge now"
    )
    assert home.bus.last("status")["home_load"]["leaves_kw"] == 3.25
    home.load(14.0, 14.0, 7.0)
    assert home.told() == 0
    topic = home.topics.command(POINT)
    stops = [decode(Command, payload) for each, payload, _ in home.bus.messages if each == topic]
    why = [each.why for each in stops if each.do == "stop"]
    assert "the rest of the home leaves less than 6 A of the home's 9 kW" in why


def test_a_power_that_includes_the_charge_point_counts_the_rest(
    tmp_path: Path, ledger: Ledger
) -> None:
    """44 A in all are above 39.1 A; with its own 32 A taken out, 12 A are the home's."""
    home = Home(tmp_path, ledger, fuse=[40] * 3, more="\n  max_power_kw: 9")
    home.service.handle(arrived(home.topics.reading(POINT), Reading(
        at=home.clock.now(), register_kwh=1.0, watts=32 * 230,
    )))  # fmt: skip
    home.advance(20 * SECOND)
    home.service.handle(arrived(home.topics.reading(POINT), Reading(
        at=home.clock.now(), register_kwh=1.04, watts=32 * 230,
    )))  # fmt: skip
    home.load(38.0, 4.0, 2.0, whole=True)
    assert home.told() == 27
    home.load(33.0, 4.0, 2.0, whole=True)
    assert home.told() == 27


def test_a_load_near_the_fuse_stops_at_once_and_the_start_waits(
    tmp_path: Path, ledger: Ledger
) -> None:
    """A run may be cut short; the restart waits for the load, and then for the rest."""
    home = Home(tmp_path, ledger)
    home.advance(MINUTE)
    home.load(36.0)
    assert home.told() == 0
    home.keep_load(3.0, 10 * MINUTE)
    assert home.told() == 0  # the run of 15 minutes and the rest of 5 are not over
    home.keep_load(3.0, 9 * MINUTE + 30 * SECOND)
    assert home.told() == 32


def test_after_a_silence_the_fixed_share_holds(tmp_path: Path, ledger: Ledger) -> None:
    """The daemon wakes for it 31 seconds after the last reading."""
    home = Home(tmp_path, ledger)
    home.load(25.0)
    assert min(home.woken[-1:]) == home.clock.now() + 31 * SECOND
    home.advance(31 * SECOND)
    home.service.handle(WakeUp())
    assert home.told() == 32


@pytest.mark.parametrize(
    "payload",
    [
        b'{"v":1,"at":"2026-06-03T06:30:00Z","amps":[10000]}',
        b'{"v":1,"at":"2026-06-03T06:30:00Z","amps":[NaN]}',
        b'{"v":1,"at":"2026-06-03T05:30:00Z","amps":[0]}',
        b'{"v":1,"at":"2026-06-03T07:30:00Z","amps":[0]}',
        b'{"v":1,"at":"2026-06-03T06:30:00Z","amps":[0,0]}',
        b"\xff",
    ],
)
def test_what_is_no_reading_changes_nothing(tmp_path: Path, ledger: Ledger, payload: bytes) -> None:
    """It is logged, and what was known holds on."""
    home = Home(tmp_path, ledger)
    home.load(30.0)
    with capture_logs() as logs:
        home.service.handle(arrived(home.topics.load, payload))
    assert home.told() == 10
    assert [log["event"] for log in logs] == ["message not understood"]


def test_equipment_that_measures_the_home_is_heard(tmp_path: Path, ledger: Ledger) -> None:
    """Its load comes without the broker; one from a lost connection is an hour old, and no news."""
    home = Home(tmp_path, ledger)
    for amps, age in ((30.0, 0), (0.0, 3600), (0.0, 31)):
        load = HomeLoad(at=home.clock.now() - age * SECOND, amps=(amps,))
        home.service.handle(HomeReport(load))
        assert home.told() == 10


def test_the_status_shows_a_reading_that_changes_nothing(tmp_path: Path, ledger: Ledger) -> None:
    """Each 30 seconds, so that the meter is seen to be alive; not with each reading."""
    home = Home(tmp_path, ledger)
    home.load(5.0)
    shown = []
    for second in range(1, 62):
        home.advance(SECOND)
        home.load(5.0 - second / 100)
        shown.append(home.bus.last("status")["home_load"]["amps"][0])
    assert sorted(set(shown), reverse=True) == [5.0, 4.7, 4.4]


def test_a_reading_at_the_instant_of_a_wake_up_does_not_replace_it(
    tmp_path: Path, ledger: Ledger
) -> None:
    """Nothing was stepped with it, so that what is due now stays due."""
    home = Home(tmp_path, ledger)
    home.service.handle(arrived(home.topics.request(POINT), Request(clear=True)))
    due = NIGHT_BEGINS  # the plan begins
    home.clock.advance_to(due - 61 * SECOND)
    home.service.handle(WakeUp())
    for seconds in (60, 45, 30, 15, 0):  # each second one is shown in the status
        home.clock.advance_to(due - seconds * SECOND)
        home.load(5.0)
    assert home.told() == 0
    assert home.woken[-1] <= due


def test_a_wired_meter_is_heard(tmp_path: Path, ledger: Ledger) -> None:
    """Its own topics replace the daemon's; a phase that falls silent silences it."""
    meter = [{"topic": f"meter/{phase}"} for phase in ("l1", "l2", "l3")]
    home = Home(tmp_path, ledger, load_meter=meter)
    for phase, amps in (("l1", b"1"), ("l2", b"30"), ("l3", b"2")):
        home.service.handle(arrived(f"meter/{phase}", amps))
    assert home.told() == 10
    with capture_logs() as logs:
        home.load(38.0)
    assert home.told() == 10
    assert [log["event"] for log in logs] == ["load ignored: the home's meter is wired"]
    home.advance(31 * SECOND)
    home.service.handle(arrived("meter/l1", b"38"))
    assert home.told() == 10  # the next wake-up ends it


def test_a_meter_the_wrong_way_round_is_no_surplus(tmp_path: Path, ledger: Ledger) -> None:
    """A negative load counts by its size."""
    home = Home(tmp_path, ledger)
    home.load(-30.0)
    assert home.told() == 10


def test_a_load_that_includes_the_charge_point_does_not_drive_it_down(
    tmp_path: Path, ledger: Ledger
) -> None:
    """What the vehicle draws is no load of the home; what is above the fuse is given way to."""
    home = Home(tmp_path, ledger)
    for _ in range(5):
        home.advance(2 * SECOND)
        home.load(3.0 + home.told(), whole=True)
    assert home.told() == 32
    home.advance(2 * SECOND)
    reading = Reading(at=home.clock.now(), register_kwh=1000.0, watts=32 * 230)
    home.service.handle(arrived(home.topics.reading(POINT), reading))
    home.load(20.0 + 32.0, whole=True)
    assert home.told() == 20


def test_the_highest_of_three_phases_counts(tmp_path: Path, ledger: Ledger) -> None:
    """As long as nobody says on which phase a charge point is."""
    home = Home(tmp_path, ledger)
    home.load(1.0, 30.0, 5.0)
    assert home.told() == 10


def test_two_charge_points_give_way_together(tmp_path: Path, ledger: Ledger) -> None:
    """Neither stops while both can go on; together they fit, in the same turn."""
    home = Home(tmp_path, ledger, "shed")
    home.load(24.0)
    assert home.total() <= 16
    assert min(home.told(POINT), home.told("shed")) >= 6


def test_a_busy_home_never_overloads_its_fuse(tmp_path: Path, ledger: Ledger) -> None:
    """Through an evening of cooking: what is told and what the home draws stay below the fuse.

    A few starts only: the contactor rests, and the load must have stayed lower.
    """
    home = Home(tmp_path, ledger, fuse=25)
    starts, was_on = 0, True
    for second in range(0, 2 * 3600, 10):
        home.advance(10 * SECOND)
        (drawn,) = home_amps(18 * 3600 + second)
        home.load(drawn)
        assert home.told() <= max(0.0, 25 - drawn)
        starts += home.told() > 0 and not was_on
        was_on = home.told() > 0
    assert 1 <= starts <= 4


def test_a_load_on_one_phase_lowers_no_charge_point_on_another(
    tmp_path: Path, ledger: Ledger
) -> None:
    """Each phase has its own load, and its own fuse."""
    phases = {POINT: "L1", "shed": "L2"}
    home = Home(tmp_path, ledger, "shed", connected_to=phases)
    home.load(2.0, 30.0, 39.0)
    assert (home.told(POINT), home.told("shed")) == (32, 10)
    home.advance(10 * SECOND)
    reading = Reading(at=home.clock.now(), register_kwh=1000.0, watts=32 * 230)
    home.service.handle(arrived(home.topics.reading(POINT), reading))
    home.load(22.0 + 32.0, 40.0, 39.0, whole=True)
    assert (home.told(POINT), home.told("shed")) == (18, 10)


def test_a_daemon_that_starts_again_waits_for_the_load(tmp_path: Path, ledger: Ledger) -> None:
    """For as long as a reading counts, its commands stay as they were."""
    home = Home(tmp_path, ledger)
    home.load(30.0)
    home.start()
    assert home.told() == 10
    home.advance(5 * SECOND)
    home.load(34.0)
    assert home.told() == 6
    home.start()
    assert home.told() == 6
    assert home.woken[-1] == home.clock.now() + 31 * SECOND
    home.advance(31 * SECOND)
    home.service.handle(WakeUp())
    assert home.told() == 32


def test_the_night_says_for_how_long_the_home_lowered_a_charge(
    tmp_path: Path, ledger: Ledger
) -> None:
    """Twice, 23 minutes in all, counted across a restart; the lowest current, the highest load."""
    home = Home(tmp_path, ledger)
    home.keep_load(28.0, 10 * MINUTE)
    home.start()
    home.keep_load(30.0, 10 * MINUTE)
    home.keep_load(3.0, 3 * MINUTE + 5 * SECOND)
    assert home.told() == 32
    night = home.service._states[POINT].night
    assert night is not None
    assert night.lowered is not None
    assert night.lowered.seconds == pytest.approx(23 * 60, abs=15)
    assert replace(night.lowered, seconds=0) == LoweredByLoad(0, 10.0, 30.0)
    home.load(22.0)
    home.advance(MINUTE)
    open_night = ledger.open_night(POINT)
    assert open_night is not None
    saved = read_saved(open_night).night
    assert saved is not None
    assert saved.lowered is not None
    assert saved.lowered.since == home.clock.now() - MINUTE
