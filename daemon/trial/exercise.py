"""Try a charge point out: stop, start low, change the current, and stop.

Knows no bus: it commands through a function and waits through another, which tests run in virtual
time. Whatever happens, its last command is a stop.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass, field
from typing import Literal, Protocol

FLOWS_WATTS = 100.0
"""Power above which a vehicle charges [W]."""

NEAR = 0.25
"""Power that differs from the expected by less than this share is as expected."""

MEASURED_SECONDS = 60.0
"""How long power flows before the register is compared with it."""

FEWEST_WH = 15.0
"""Energy too small to judge a register's steps by [Wh]."""


@dataclass(slots=True)
class LatestValues:
    """The latest values of a charge point, and of the meter at the grid; None before the first."""

    watts: float | None = None
    register_kwh: float | None = None
    pilot: str | None = None
    grid_watts: float | None = None


class Hardware(Protocol):
    """The charge point that is tried out."""

    @property
    def latest(self) -> LatestValues:
        """The latest values that it has reported."""

    def command(self, do: Literal["start", "stop"], amps: float | None) -> None:
        """Command it to start at a current [A], or to stop."""

    def wait(self, until: Callable[[LatestValues], bool], seconds: float) -> float | None:
        """Wait for a condition; return the seconds it took, or None after `seconds`."""


@dataclass(frozen=True, slots=True)
class Step:
    """The result of one step.

    Attributes
    ----------
    name
        What was tried.
    passed
        Whether it went as it should.
    seconds
        How long the hardware took; None if it did not react.
    observed
        What the hardware did, in plain words.
    """

    name: str
    passed: bool
    seconds: float | None
    observed: str


@dataclass(slots=True)
class Exercise:
    """One trial of a charge point.

    Parameters
    ----------
    hardware
        The charge point.
    currents
        Currents to try, the lowest first [A]; a relay has only one.
    watts_per_amp
        Expected power of each ampere [W].
    patience_seconds
        How long to wait for each reaction.
    """

    hardware: Hardware
    currents: tuple[float, ...]
    watts_per_amp: float
    patience_seconds: float
    steps: list[Step] = field(default_factory=list)

    def run(self) -> Generator[Step, None, None]:
        """Try the charge point out.

        Yields
        ------
        Step
            Each step, as soon as it is done. It ends early if a failure makes the next pointless.
        """
        try:
            for step in self._run_steps():
                self.steps.append(step)
                yield step
        finally:
            self.hardware.command("stop", None)

    @property
    def passed(self) -> bool:
        """Whether all steps went as they should."""
        return bool(self.steps) and all(step.passed for step in self.steps)

    def _run_steps(self) -> Iterator[Step]:
        stopped = self._stop("stop, before anything")
        yield stopped
        if not stopped.passed:
            return
        idle_watts = self.hardware.latest.grid_watts
        started = self._start(self.currents[0])
        yield started
        if started.passed:
            yield self._compare_register()
            for amps in self.currents[1:]:
                yield self._change_current(amps)
            if idle_watts is not None:
                yield self._compare_grid(idle_watts)
        yield self._stop("stop")

    def _stop(self, name: str) -> Step:
        self.hardware.command("stop", None)
        took = self.hardware.wait(
            lambda latest: latest.watts is not None and latest.watts <= FLOWS_WATTS,
            self.patience_seconds,
        )
        watts = self.hardware.latest.watts
        if watts is None:
            # Much hardware reports nothing while nothing flows, but must once it has started.
            quiet = "no message yet, which is normal for some hardware while nothing flows"
            return (
                _failed(name, None, self._no_message())
                if self.steps
                else _passed(name, None, quiet)
            )
        if took is None:
            return _failed(name, None, f"{watts:.0f} W still flow: it did not stop")
        return _passed(name, took, f"{watts:.0f} W")

    def _start(self, amps: float) -> Step:
        name = f"start at {amps:g} A"
        self.hardware.command("start", amps)
        took = self.hardware.wait(
            lambda latest: latest.watts is not None and latest.watts > FLOWS_WATTS,
            self.patience_seconds,
        )
        if took is None:
            return _failed(name, None, self._why_no_power(amps))
        self.hardware.wait(lambda latest: self._is_near(latest.watts, amps), self.patience_seconds)
        return self._compare_power(name, amps, took)

    def _change_current(self, amps: float) -> Step:
        self.hardware.command("start", amps)
        took = self.hardware.wait(
            lambda latest: self._is_near(latest.watts, amps), self.patience_seconds
        )
        return self._compare_power(f"change to {amps:g} A", amps, took)

    def _compare_power(self, name: str, amps: float, took: float | None) -> Step:
        watts, expected = self.hardware.latest.watts or 0.0, amps * self.watts_per_amp
        observed = f"{watts:.0f} W, {expected:.0f} W expected"
        if self._is_near(watts, amps):
            return _passed(name, took, observed)
        if watts < (1 - NEAR) * expected:
            return _failed(name, took, f"{observed}: less; the vehicle may have its own limit")
        return _failed(name, took, f"{observed}: more than commanded; it ignores its limit")

    def _is_near(self, watts: float | None, amps: float) -> bool:
        expected = amps * self.watts_per_amp
        return watts is not None and abs(watts - expected) <= NEAR * expected

    def _compare_register(self) -> Step:
        """Compare the register's rise with the power over a minute."""
        name, before = "the register counts what flows", self.hardware.latest.register_kwh
        if before is None:
            return _failed(name, None, "no register is reported: energy can't be accounted for")
        watts = self.hardware.latest.watts or 0.0
        self.hardware.wait(lambda _latest: False, MEASURED_SECONDS)
        after = self.hardware.latest.register_kwh
        rise_wh = 1000 * ((after or 0.0) - before)
        expected_wh = watts * MEASURED_SECONDS / 3600
        observed = f"{rise_wh:.1f} Wh in a minute, {expected_wh:.1f} Wh expected"
        doubt = _doubt(rise_wh, expected_wh)
        if doubt is None:
            return _passed(name, MEASURED_SECONDS, observed)
        return _failed(name, MEASURED_SECONDS, f"{observed}: {doubt}")

    def _compare_grid(self, idle_watts: float) -> Step:
        """Compare what the meter at the grid shows now with what it showed before the charge."""
        name, watts = "the meter at the grid sees it", self.hardware.latest.watts or 0.0

        def more(latest: LatestValues) -> float:
            return (latest.grid_watts or 0.0) - idle_watts

        took = self.hardware.wait(
            lambda latest: abs(more(latest)) > watts / 2, self.patience_seconds
        )
        found = more(self.hardware.latest)
        observed = f"{found:+.0f} W since the charge began, {watts:+.0f} W expected"
        if took is None:
            is_kilowatts = abs(1000 * found - watts) <= NEAR * watts
            doubt = "is its unit kW?" if is_kilowatts else "it does not see this charge point"
            return _failed(name, None, f"{observed}: {doubt}")
        if found < 0:
            doubt = "it is the wrong way round; scale: -1 under grid_meter turns it"
            return _failed(name, took, f"{observed}: {doubt}")
        return _passed(name, took, observed)

    def _why_no_power(self, amps: float) -> str:
        watts = self.hardware.latest.watts
        if watts is None:
            return self._no_message()
        if abs(1000 * watts - amps * self.watts_per_amp) <= NEAR * amps * self.watts_per_amp:
            return f"{watts:.3g} W: is the power's unit kW?"
        pilot = self.hardware.latest.pilot
        if pilot == "A":
            return "no power: no vehicle is plugged in"
        if pilot == "B":
            return "no power: the vehicle draws nothing; it may be full, or wait for its own timer"
        return "no power: it did not start, or no vehicle is plugged in"

    def _no_message(self) -> str:
        return f"no message from it in {self.patience_seconds:.0f} s: check its topics"


def _passed(name: str, seconds: float | None, observed: str) -> Step:
    return Step(name, passed=True, seconds=seconds, observed=observed)


def _failed(name: str, seconds: float | None, observed: str) -> Step:
    return Step(name, passed=False, seconds=seconds, observed=observed)


def _doubt(rise_wh: float, expected_wh: float) -> str | None:
    """Return what is wrong with a register's rise over a minute, if anything is."""
    if rise_wh < 0:
        return "it runs backwards; is its sign reversed?"
    for factor, unit in ((1000.0, "Wh"), (0.001, "MWh")):
        if abs(rise_wh / factor - expected_wh) <= NEAR * expected_wh:
            return f"is its unit {unit}?"
    if abs(rise_wh - expected_wh) <= max(FEWEST_WH, NEAR * expected_wh):
        return None
    return "it does not count this charge point's energy"
