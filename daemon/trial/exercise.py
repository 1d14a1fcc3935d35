"""Tries a charge point out: stop, start low, step the current, stop; and says what it saw.

Knows no bus: it tells through a function and waits through another, which tests drive in virtual
time. Whatever happens, the last thing it tells is a stop.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal, Protocol

FLOWS_WATTS = 100.0
"""Power above which a vehicle charges [W]."""

NEAR = 0.25
"""Power that differs from the expected by less than this share is as expected."""

MEASURED_SECONDS = 60.0
"""How long power flows before the register is compared with it."""

FEWEST_WH = 15.0
"""Energy below which a register's steps say nothing."""


@dataclass(slots=True)
class Seen:
    """What has been heard of the charge point so far.

    Attributes
    ----------
    watts, register_kwh, pilot
        The latest of each, None before the first.
    watts_at
        When the power was heard.
    """

    watts: float | None = None
    watts_at: datetime | None = None
    register_kwh: float | None = None
    pilot: str | None = None


class Hardware(Protocol):
    """What is tried out."""

    @property
    def seen(self) -> Seen:
        """What has been heard of it."""

    def tell(self, do: Literal["start", "stop"], amps: float | None) -> None:
        """Tell it to start at a current [A], or to stop."""

    def wait(self, until: Callable[[Seen], bool], seconds: float) -> float | None:
        """Wait until something is seen; the seconds it took, or None after `seconds`."""


@dataclass(frozen=True, slots=True)
class Step:
    """What came of one step.

    Attributes
    ----------
    what
        What was tried.
    passed
        Whether it went as it should.
    seconds
        How long the hardware took; None where it never did.
    saw
        What was seen, in plain words.
    """

    what: str
    passed: bool
    seconds: float | None
    saw: str


@dataclass(slots=True)
class Exercise:
    """One trial of a charge point.

    Parameters
    ----------
    hardware
        What is tried out.
    currents
        Currents to try, the lowest first [A]; one alone for a relay.
    watts_per_amp
        Expected power of each ampere [W].
    patience_seconds
        How long to wait for each answer.
    """

    hardware: Hardware
    currents: tuple[float, ...]
    watts_per_amp: float
    patience_seconds: float
    steps: list[Step] = field(default_factory=list)

    def run(self) -> Iterator[Step]:
        """Try it out.

        Yields
        ------
        Step
            Each step, as soon as it is done. After one that makes the next pointless it stops.
        """
        try:
            for step in self._tried():
                self.steps.append(step)
                yield step
        finally:
            self.hardware.tell("stop", None)

    @property
    def passed(self) -> bool:
        """Whether all steps went as they should."""
        return bool(self.steps) and all(step.passed for step in self.steps)

    def _tried(self) -> Iterator[Step]:
        stopped = self._stops("stop, before anything")
        yield stopped
        if not stopped.passed:
            return
        started = self._starts(self.currents[0])
        yield started
        if started.passed:
            yield self._measures()
            for amps in self.currents[1:]:
                yield self._follows(amps)
        yield self._stops("stop")

    def _stops(self, what: str) -> Step:
        self.hardware.tell("stop", None)
        took = self.hardware.wait(
            lambda seen: seen.watts is not None and seen.watts <= FLOWS_WATTS, self.patience_seconds
        )
        watts = self.hardware.seen.watts
        if watts is None:
            # Much hardware says nothing while nothing flows, but must speak once it has started.
            quiet = "nothing heard yet, which may be so while nothing flows"
            return (
                _failed(what, None, self._nothing_heard())
                if self.steps
                else _passed(what, None, quiet)
            )
        if took is None:
            return _failed(what, None, f"{watts:.0f} W still flow: it did not stop")
        return _passed(what, took, f"{watts:.0f} W")

    def _starts(self, amps: float) -> Step:
        what = f"start at {amps:g} A"
        self.hardware.tell("start", amps)
        took = self.hardware.wait(
            lambda seen: seen.watts is not None and seen.watts > FLOWS_WATTS, self.patience_seconds
        )
        if took is None:
            return _failed(what, None, self._why_no_power(amps))
        self.hardware.wait(lambda seen: self._is_near(seen.watts, amps), self.patience_seconds)
        return self._compared(what, amps, took)

    def _follows(self, amps: float) -> Step:
        what = f"change to {amps:g} A"
        self.hardware.tell("start", amps)
        took = self.hardware.wait(
            lambda seen: self._is_near(seen.watts, amps), self.patience_seconds
        )
        return self._compared(what, amps, took)

    def _compared(self, what: str, amps: float, took: float | None) -> Step:
        watts, expected = self.hardware.seen.watts or 0.0, amps * self.watts_per_amp
        saw = f"{watts:.0f} W, {expected:.0f} W expected"
        if self._is_near(watts, amps):
            return _passed(what, took, saw)
        if watts < (1 - NEAR) * expected:
            return _failed(what, took, f"{saw}: less; the vehicle may have a limit of its own")
        return _failed(what, took, f"{saw}: more than it was told; it does not keep to it")

    def _is_near(self, watts: float | None, amps: float) -> bool:
        expected = amps * self.watts_per_amp
        return watts is not None and abs(watts - expected) <= NEAR * expected

    def _measures(self) -> Step:
        """Compare the register's rise with the power over a minute."""
        what, before = "the register counts what flows", self.hardware.seen.register_kwh
        if before is None:
            return _failed(what, None, "no register is reported: energy can't be accounted for")
        watts = self.hardware.seen.watts or 0.0
        self.hardware.wait(lambda _seen: False, MEASURED_SECONDS)
        after = self.hardware.seen.register_kwh
        rise_wh = 1000 * ((after or 0.0) - before)
        expected_wh = watts * MEASURED_SECONDS / 3600
        saw = f"{rise_wh:.1f} Wh in a minute, {expected_wh:.1f} Wh expected"
        doubt = _doubt(rise_wh, expected_wh)
        if doubt is None:
            return _passed(what, MEASURED_SECONDS, saw)
        return _failed(what, MEASURED_SECONDS, f"{saw}: {doubt}")

    def _why_no_power(self, amps: float) -> str:
        if self.hardware.seen.watts is None:
            return self._nothing_heard()
        watts = self.hardware.seen.watts
        if abs(1000 * watts - amps * self.watts_per_amp) <= NEAR * amps * self.watts_per_amp:
            return f"{watts:.3g} W: is the power's unit kW?"
        pilot = self.hardware.seen.pilot
        if pilot == "A":
            return "no power: no vehicle is plugged in"
        if pilot == "B":
            return "no power: the vehicle draws nothing; it may be full, or wait for its own timer"
        return "no power: it did not start, or no vehicle is plugged in"

    def _nothing_heard(self) -> str:
        return f"nothing was heard of it in {self.patience_seconds:.0f} s: look at its topics"


def _passed(what: str, seconds: float | None, saw: str) -> Step:
    return Step(what, passed=True, seconds=seconds, saw=saw)


def _failed(what: str, seconds: float | None, saw: str) -> Step:
    return Step(what, passed=False, seconds=seconds, saw=saw)


def _doubt(rise_wh: float, expected_wh: float) -> str | None:
    """Say what is wrong with a register's rise over a minute, if anything is."""
    if rise_wh < 0:
        return "it runs backwards; is its sign turned round?"
    for factor, unit in ((1000.0, "Wh"), (0.001, "MWh")):
        if abs(rise_wh / factor - expected_wh) <= NEAR * expected_wh:
            return f"is its unit {unit}?"
    if abs(rise_wh - expected_wh) <= max(FEWEST_WH, NEAR * expected_wh):
        return None
    return "it does not count this charge point's energy"
