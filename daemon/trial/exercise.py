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
"""How long power flows at least between two values of the register that are compared."""

LONGEST_SECONDS = 3600.0
"""How long a new value of the register may take to come."""

RENEWED_SECONDS = 240.0
"""A start is sent again after so long: it expires by itself."""

UNCHANGED_WH = 150.0
"""A register that is reported and unchanged after so much energy does not count [Wh]."""

UNCHANGED_VALUES = 3
"""... if it was reported so often meanwhile."""

FEWEST_WH = 15.0
"""Energy too small to judge a register's steps by [Wh]."""


@dataclass(slots=True)
class LatestValues:
    """The latest values of a charge point, and of the meter at the grid; None before the first.

    Attributes
    ----------
    registers : int
        How many values of the register have come.
    switched_on : bool or None
        Whether the hardware reports that it is on.
    """

    watts: float | None = None
    register_kwh: float | None = None
    registers: int = 0
    switched_on: bool | None = None
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
        Whether it went as it should; None if nobody could tell.
    seconds
        How long the hardware took; None if it did not react.
    observed
        What the hardware did, in plain words.
    """

    name: str
    passed: bool | None
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
    meter
        What shows whether power flows: a power, only a register, or nothing.
    look
        Asks a person who stands beside it whether it charges; None for nobody.
    """

    hardware: Hardware
    currents: tuple[float, ...]
    watts_per_amp: float
    patience_seconds: float
    meter: Literal["power", "register", "none"] = "power"
    look: Callable[[str], bool | None] = lambda _question: None
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
        return bool(self.steps) and all(step.passed is not False for step in self.steps)

    def _run_steps(self) -> Iterator[Step]:
        match self.meter:
            case "power":
                yield from self._with_power()
            case "register":
                yield from self._with_a_register()
            case "none":
                yield from self._without_meter()

    def _with_power(self) -> Iterator[Step]:
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
            lambda latest: latest.watts is not None and abs(latest.watts) <= FLOWS_WATTS,
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
            lambda latest: latest.watts is not None and abs(latest.watts) > FLOWS_WATTS,
            self.patience_seconds,
        )
        if took is None:
            return _failed(name, None, self._why_no_power(amps))
        if (self.hardware.latest.watts or 0.0) < 0:
            watts = f"{self.hardware.latest.watts:.0f} W"
            return _failed(name, took, f"{watts}: is its sign reversed? scale: -1 turns it")
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
        """Compare the register's rise between two of its values with the power."""
        name = "the register counts what flows"
        if self.hardware.latest.register_kwh is None:
            came = self.hardware.wait(
                lambda latest: latest.register_kwh is not None, self.patience_seconds
            )
            if came is None:
                return _failed(name, None, "no register is reported: energy can't be accounted for")
        return self._measure(name, self.hardware.latest.watts or 0.0, self.currents[0])

    # --- a register alone, or no meter ----------------------------------------------------------

    def _with_a_register(self) -> Iterator[Step]:
        stopped = self._stands_still("stop, before anything")
        yield stopped
        if not stopped.passed:
            return
        for amps in self.currents:
            self.hardware.command("start", amps)
            started = self._measure(f"start at {amps:g} A", amps * self.watts_per_amp, amps)
            yield started
            if not started.passed:
                break
        yield self._stands_still("stop")

    def _stands_still(self, name: str) -> Step:
        """Stop it, and see that the register does not rise between two of its values."""
        self.hardware.command("stop", None)
        if self._reported_register() is None:
            waited = f"in {self.patience_seconds:.0f} s"
            return _passed(name, None, f"no new value of the register {waited}")
        before, seconds = self.hardware.latest.register_kwh or 0.0, 0.0
        while seconds < MEASURED_SECONDS:
            took = self._reported_register()
            if took is None:
                break
            seconds += took
        rise_wh = 1000 * ((self.hardware.latest.register_kwh or 0.0) - before)
        observed = f"{rise_wh:.1f} Wh in {seconds:.0f} s"
        if abs(rise_wh) <= FEWEST_WH:
            return _passed(name, seconds, observed)
        return _failed(name, seconds, f"{observed}: it did not stop")

    def _reported_register(self) -> float | None:
        """Wait for a value of the register, new or not; None if it takes too long [seconds]."""
        came = self.hardware.latest.registers
        return self.hardware.wait(lambda latest: latest.registers > came, self.patience_seconds)

    def _without_meter(self) -> Iterator[Step]:
        yield self._switches("stop, before anything", None)
        for amps in self.currents:
            yield self._switches(f"start at {amps:g} A", amps)
        yield self._switches("stop", None)

    def _switches(self, name: str, amps: float | None) -> Step:
        """Switch it, and take its word for it, or a person's."""
        wanted = amps is not None
        self.hardware.command("start" if wanted else "stop", amps)
        took = self.hardware.wait(
            lambda latest: latest.switched_on is wanted, self.patience_seconds
        )
        state = self.hardware.latest.switched_on
        if state is not None and took is None:
            return _failed(name, None, f"it says that it is {'on' if state else 'off'}")
        said = (
            "it has no meter" if state is None else f"it says that it is {'on' if state else 'off'}"
        )
        seen = self.look("Does it charge now?")
        if seen is None:
            return Step(name, None, took, f"{said}, and nobody looked whether it charges")
        observed = f"{said}, and somebody saw that it {'charges' if seen else 'does not charge'}"
        return _passed(name, took, observed) if seen is wanted else _failed(name, took, observed)

    # --- two values of the register -------------------------------------------------------------

    def _measure(self, name: str, watts: float, amps: float) -> Step:
        """Compare two values of the register, however far apart they come, with a power."""
        if self._next_register(watts, amps) is None:
            return _failed(name, None, self._why_unchanged(watts))
        before, seconds = self.hardware.latest.register_kwh or 0.0, 0.0
        while seconds < MEASURED_SECONDS:
            took = self._next_register(watts, amps)
            if took is None:
                return _failed(name, None, self._why_unchanged(watts))
            seconds += took
        rise_wh = 1000 * ((self.hardware.latest.register_kwh or 0.0) - before)
        expected_wh = watts * seconds / 3600
        observed = f"{rise_wh:.1f} Wh in {seconds:.0f} s, {expected_wh:.1f} Wh expected"
        doubt = _doubt(rise_wh, expected_wh)
        if doubt is None:
            return _passed(name, seconds, observed)
        return _failed(name, seconds, f"{observed}: {doubt}")

    def _next_register(self, watts: float, amps: float) -> float | None:
        """Wait for another value of the register; None if it stands still [seconds]."""
        latest = self.hardware.latest
        before, came, waited = latest.register_kwh, latest.registers, 0.0

        def stands_still(seconds: float) -> bool:
            is_reported = self.hardware.latest.registers - came >= UNCHANGED_VALUES
            return is_reported and watts * seconds / 3600 >= UNCHANGED_WH

        while waited < LONGEST_SECONDS and not stands_still(waited):
            took = self.hardware.wait(
                lambda now: now.register_kwh is not None and now.register_kwh != before,
                RENEWED_SECONDS,
            )
            if took is not None:
                return waited + took
            waited += RENEWED_SECONDS
            self.hardware.command("start", amps)  # else it would end by itself
        return None

    def _why_unchanged(self, watts: float) -> str:
        if self.hardware.latest.registers == 0:
            return self._no_message()
        return (
            f"the register stands still: it does not count this charge point's energy, or"
            f" {watts:.0f} W do not flow"
        )

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
