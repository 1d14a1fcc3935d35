"""Trying a charge point out: a good one passes, and each fault fails the step that shows it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Literal

import pytest
from typing_extensions import override

from daemon.trial.exercise import Exercise, LatestValues

NOW = datetime(2026, 6, 3, 6, 30, tzinfo=UTC)


@dataclass
class Device:
    """A charge point in virtual time; each field is a way to misbehave."""

    delay_seconds: float = 3.0
    starts: bool = True
    stops: bool = True
    keeps_to_current: bool = True
    power_scale: float = 1.0
    register_scale: float = 1.0
    speaks: bool = True
    counts: bool = True
    pilot: str = "C"
    vehicle_amps: float = 32.0
    grid_scale: float | None = None
    register_every_seconds: int = 1
    now: datetime = NOW
    amps: float = 0.0
    register_wh: float = 50_000.0
    commands: list[tuple[str, float | None]] = field(default_factory=list)
    _due: list[tuple[datetime, float]] = field(default_factory=list)
    latest: LatestValues = field(default_factory=LatestValues)

    def command(self, do: Literal["start", "stop"], amps: float | None) -> None:
        self.commands.append((do, amps))
        wanted = amps or 0.0
        if do == "start" and not self.keeps_to_current:
            wanted = 32.0
        if (do == "start" and self.starts) or (do == "stop" and self.stops):
            self._due.append((self.now + timedelta(seconds=self.delay_seconds), wanted))

    def wait(self, until: Callable[[LatestValues], bool], seconds: float) -> float | None:
        begun = self.now
        while (self.now - begun).total_seconds() < seconds:
            self._second()
            if until(self.latest):
                return (self.now - begun).total_seconds()
        return None

    def _report_register(self) -> None:
        elapsed = (self.now - NOW).total_seconds()
        if elapsed % self.register_every_seconds == 0:
            self.latest.register_kwh = self.register_scale * self.register_wh / 1000
            self.latest.registers += 1

    def _second(self) -> None:
        self.now += timedelta(seconds=1)
        for at, amps in self._due:
            if at <= self.now:
                self.amps = min(amps, self.vehicle_amps)
        self._due = [(at, amps) for at, amps in self._due if at > self.now]
        watts = self.amps * 230
        self.register_wh += watts / 3600 if self.counts else 0.0
        if self.speaks:
            self.latest.watts = watts * self.power_scale
            self._report_register()
            self.latest.pilot = self.pilot
            if self.grid_scale is not None:
                self.latest.grid_watts = 300.0 + watts * self.grid_scale


def tried(device: Device, currents: tuple[float, ...] = (6.0, 10.0, 16.0)) -> Exercise:
    exercise = Exercise(device, currents, watts_per_amp=230.0, patience_seconds=30.0)
    list(exercise.run())
    return exercise


def test_a_good_charge_point_passes_every_step() -> None:
    """It stops, starts at the lowest current, counts, follows the current, and stops."""
    exercise = tried(Device())
    assert [step.name for step in exercise.steps] == [
        "stop, before anything",
        "start at 6 A",
        "the register counts what flows",
        "change to 10 A",
        "change to 16 A",
        "stop",
    ]
    assert exercise.passed
    assert exercise.steps[1].seconds == 3.0
    assert exercise.steps[1].observed == "1380 W, 1380 W expected"


@pytest.mark.parametrize(
    ("device", "name", "observed"),
    [
        (Device(starts=False), "start at 6 A", "no power: it did not start"),
        (Device(starts=False, pilot="A"), "start at 6 A", "no vehicle is plugged in"),
        (Device(starts=False, pilot="B"), "start at 6 A", "the vehicle draws nothing"),
        (Device(stops=False), "stop", "W still flow: it did not stop"),
        (Device(keeps_to_current=False), "start at 6 A", "more than commanded"),
        (Device(power_scale=0.001), "start at 6 A", "is the power's unit kW?"),
        (Device(speaks=False), "start at 6 A", "no message from it in 30 s"),
        (Device(counts=False), "the register counts what flows", "does not count"),
        (Device(power_scale=-1), "start at 6 A", "is its sign reversed? scale: -1 turns it"),
        (Device(register_scale=1000), "the register counts what flows", "is its unit Wh?"),
        (Device(register_scale=-1), "the register counts what flows", "runs backwards"),
        (Device(vehicle_amps=8.0), "change to 10 A", None),
        (Device(delay_seconds=40.0), "start at 6 A", "no power"),
    ],
)
def test_each_way_to_misbehave_is_named(device: Device, name: str, observed: str | None) -> None:
    """The step that shows it fails, and says what happened and what may be wrong."""
    exercise = tried(device)
    step = next(step for step in exercise.steps if step.name == name)
    if observed is None:
        assert step.passed, "8 of 10 A are within a quarter"
        return
    assert not step.passed
    assert observed in step.observed
    assert not exercise.passed


@pytest.mark.parametrize("device", [Device(), Device(starts=False), Device(speaks=False)])
def test_it_is_left_stopped(device: Device) -> None:
    """The last command is a stop, whatever happened."""
    tried(device)
    assert device.commands[-1] == ("stop", None)


def test_it_is_left_stopped_when_somebody_interrupts() -> None:
    """An interruption during the exercise stops it, and is passed on."""
    device = Device()
    steps = Exercise(device, (6.0,), watts_per_amp=230.0, patience_seconds=30.0).run()
    next(steps)
    next(steps)
    assert ("stop", None) not in device.commands[1:]
    with pytest.raises(KeyboardInterrupt):
        steps.throw(KeyboardInterrupt)  # it is a generator
    assert device.commands[-1] == ("stop", None)


def test_it_never_commands_more_than_its_currents() -> None:
    """No command has a current above the highest of the list."""
    device = Device()
    tried(device, (6.0, 9.0))
    assert max(amps for _, amps in device.commands if amps is not None) == 9.0


def test_a_relay_is_tried_at_its_one_current() -> None:
    """A plug or relay has no current to step."""
    exercise = tried(Device(), (10.0,))
    assert [step.name for step in exercise.steps] == [
        "stop, before anything",
        "start at 10 A",
        "the register counts what flows",
        "stop",
    ]
    assert exercise.passed


def test_a_charge_point_that_does_not_stop_is_not_started() -> None:
    """If power flows after the first stop, nothing else is tried."""
    device = Device(stops=False)
    device.amps = 16.0
    exercise = tried(device)
    assert [step.passed for step in exercise.steps] == [False]
    assert {do for do, _ in device.commands} == {"stop"}


def test_hardware_that_is_quiet_while_nothing_flows_is_tried_too() -> None:
    """A device that reports only changes has sent no message before it starts."""

    class Quiet(Device):
        @override
        def _second(self) -> None:
            before = self.amps
            super()._second()
            if before == self.amps == 0:
                self.latest.watts = self.latest.register_kwh = None

    exercise = tried(Quiet())
    assert exercise.steps[0].observed == (
        "no message yet, which is normal for some hardware while nothing flows"
    )
    assert [step.name for step in exercise.steps if not step.passed] == []


@pytest.mark.parametrize(
    ("scale", "doubt"),
    [
        (1.0, None),
        (-1.0, "it is the wrong way round; scale: -1 under grid_meter turns it"),
        (0.001, "is its unit kW?"),
        (0.0, "it does not see this charge point"),
    ],
)
def test_the_meter_at_the_grid_must_see_the_charge(scale: float, doubt: str | None) -> None:
    """What it shows rises as the vehicle draws; a meter that is the wrong way round is named."""
    steps = {step.name: step for step in tried(Device(grid_scale=scale)).steps}
    step = steps["the meter at the grid sees it"]
    assert step.passed is (doubt is None)
    assert step.observed.startswith(f"{3680 * scale:+.0f} W since the charge began, +3680 W")
    assert doubt is None or step.observed.endswith(doubt)
    assert steps["stop"].passed


def test_two_values_of_a_slow_register_are_compared() -> None:
    """However far apart they come; a start is renewed meanwhile, because it ends by itself."""
    device = Device(register_every_seconds=900)
    exercise = Exercise(device, (6.0,), watts_per_amp=230.0, patience_seconds=1000.0)
    steps = {step.name: step for step in exercise.run()}
    assert exercise.passed
    counted = steps["the register counts what flows"]
    assert counted.observed == "345.0 Wh in 900 s, 345.0 Wh expected"
    assert device.commands.count(("start", 6.0)) > 3


class OnlyCounts(Device):
    """A plug that reports only its register."""

    @override
    def _second(self) -> None:
        super()._second()
        self.latest.watts = None


@pytest.mark.parametrize(
    ("device", "failed"),
    [
        (OnlyCounts(), []),
        (OnlyCounts(register_every_seconds=600), []),
        (OnlyCounts(starts=False), ["start at 10 A"]),
        (OnlyCounts(stops=False), ["stop"]),
        (OnlyCounts(register_scale=-1), ["start at 10 A"]),
        (OnlyCounts(register_scale=1000), ["start at 10 A", "stop"]),
        (OnlyCounts(speaks=False), ["start at 10 A"]),
    ],
)
def test_a_plug_that_reports_only_energy(device: Device, failed: list[str]) -> None:
    """Whether it charges shows in two values of the register."""
    exercise = Exercise(
        device, (10.0,), watts_per_amp=230.0, patience_seconds=1200.0, meter="register"
    )
    assert [step.name for step in exercise.run() if not step.passed] == failed
    assert device.commands[-1] == ("stop", None)


@pytest.mark.parametrize(
    ("reports", "seen", "passed"),
    [
        (True, None, [None, None, None]),
        (True, True, [False, True, False]),
        (False, None, [None, None, None]),
    ],
)
def test_hardware_without_a_meter(
    reports: bool,  # noqa: FBT001 - a row of the table
    seen: object,
    passed: list[bool | None],
) -> None:
    """Its word, and what a person sees; without both nothing is judged."""

    class Switch(Device):
        @override
        def _second(self) -> None:
            super()._second()
            self.latest = LatestValues(switched_on=self.amps > 0 if reports else None)

    exercise = Exercise(
        Switch(), (10.0,), watts_per_amp=230.0, patience_seconds=30.0, meter="none",
        look=lambda _question: None if seen is None else bool(seen),
    )  # fmt: skip
    assert [step.passed for step in exercise.run()] == passed
    assert exercise.passed is (False not in passed)


def test_a_switch_that_does_not_follow_fails() -> None:
    """It says itself that it stays off."""

    class Stuck(Device):
        @override
        def _second(self) -> None:
            self.now += timedelta(seconds=1)
            self.latest.switched_on = False

    exercise = Exercise(Stuck(), (10.0,), watts_per_amp=230.0, patience_seconds=30.0, meter="none")
    assert [step.passed for step in exercise.run()] == [None, False, None]
