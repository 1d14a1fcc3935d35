"""Tell the story of a rehearsed night, a line for each thing that happens."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from daemon.control.alerts import NO_DEPARTURE, NO_RATE
from daemon.control.events import AnnouncePlan, CloseNight, Issue, Note, Warn
from daemon.control.replanning import NEARLY_PERCENT
from daemon.control.state import counted_soc_percent
from daemon.night_log.month import RULES
from daemon.night_log.notes import OUTSIDE_WORDS
from daemon.presentation.figures import local_time
from planners.accounts.money import format_money

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from datetime import datetime

    from adapters.clocks.clock import Clock
    from config.household.household_file import HouseholdFile
    from daemon.control.events import Action
    from daemon.messaging.incoming import HandledEvent
    from daemon.rehearsal.rehearsal import Evening, RehearsalResult
    from planners.plan.plan import Plan


class Narrator:
    """Writes a line for each thing that happens in a rehearsed night.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    evening : Evening
        What is rehearsed.
    say : callable
        Takes each line.
    """

    def __init__(self, file: HouseholdFile, evening: Evening, say: Callable[[str], None]) -> None:
        self._file = file
        self._evening = evening
        self._say = say
        self._clock: Clock | None = None
        self._doing = "stop"
        self._plan: Plan | None = None
        self._warned: set[str] = set()
        self._point = file.vehicles[evening.vehicle].charge_point

    def open(self, clock: Clock) -> None:
        """Start, with the clock of the rehearsal."""
        self._clock = clock
        self._say(
            f"Rehearsing {self._file.household.name}: the real daemon and a real broker on this"
            " machine, simulated hardware, virtual time."
        )

    def observe(self, handled: HandledEvent) -> None:
        """Write what the daemon has just done."""
        for point, action in handled.actions:
            if point == self._point:
                soc = counted_soc_percent(handled.states[point], self._file, self._now())
                for line in self._lines(action, soc):
                    self._line(line)

    def close(self, result: RehearsalResult) -> None:
        """Write how the night ended."""
        night = result.night
        if night is None:
            self._line("the night was not closed: no departure and no charging")
        else:
            for line in night_lines(night):
                self._say(line)
            self._say(f"  The simulated meter itself counted {result.register_kwh:.3f} kWh.")
        if self._plan is None and (step := self._next_step()) is not None:
            self._say(f"Nothing was planned. {step}")

    def _next_step(self) -> str | None:
        """Say what to do after a night for which nothing could be planned."""
        if NO_DEPARTURE in self._warned:
            return f"Add a departure of {self._evening.vehicle} to the household file."
        if NO_RATE in self._warned:
            return (
                "Add prices for that night to the household's price file, or rehearse a night that"
                " its prices cover, with --at."
            )
        return None

    def _now(self) -> datetime:
        return self._clock.now() if self._clock else self._evening.at

    def _line(self, text: str) -> None:
        self._say(f"{local_time(self._now(), self._file.zone, '%a %H:%M:%S')}  {text}")

    def _lines(self, action: Action, soc: float | None) -> Iterator[str]:
        match action:
            case Note("plugged-in"):
                yield (
                    f"{self._evening.vehicle} is plugged in at {self._point} with"
                    f" {self._evening.soc_percent:.0f} %"
                )
            case Note("unplugged"):
                yield f"{self._evening.vehicle} is unplugged"
            case AnnouncePlan(plan):
                yield from self._plan_lines(plan)
            case Issue(command) if command.do != self._doing:
                self._doing = command.do
                amps = f" at {command.amps:g} A" if command.amps is not None else ""
                yield f"{command.do}{amps}: {command.why}"
                if command.do == "stop" and soc is not None and self._reached(soc):
                    yield f"target reached: {soc:.0f} %"
            case Warn(code, message):
                self._warned.add(code)
                yield f"alert: {message}"
            case CloseNight(facts):
                soc = facts.soc_after_percent
                yield "night closed" + ("" if soc is None else f" with {soc:.0f} %")
            case _:
                return

    def _reached(self, soc: float) -> bool:
        return self._plan is not None and soc >= self._plan.want_percent - NEARLY_PERCENT

    def _plan_lines(self, plan: Plan) -> Iterator[str]:
        zone = self._file.zone
        first, self._plan = self._plan is None, plan
        if not plan.periods:
            if first:
                yield f"plan: nothing to charge, the battery holds {plan.soc_percent:.0f} %"
            return
        yield (
            f"plan: {plan.energy_kwh:.2f} kWh for {format_money(plan.cost, plan.currency)}, to"
            f" {plan.reaches_percent:.0f} % by {local_time(plan.departure, zone)}"
        )
        for period in plan.periods:
            yield (
                f"  {local_time(period.start, zone)} to {local_time(period.end, zone)}"
                f"  {period.amps:g} A  {period.kwh:.2f} kWh  {period.band}"
                f"  {format_money(period.cost, plan.currency)}"
            )
        for sentence in plan.why:
            yield f"  {sentence}"


def night_lines(night: dict[str, Any]) -> Iterator[str]:
    """Yield a night's record as text.

    Parameters
    ----------
    night : dict
        From `daemon.nights.account.night_record`.

    Yields
    ------
    str
        A line of text.
    """
    currency = night["currency"]
    before, after = night["soc_before_percent"], night["soc_after_percent"]
    need = "enough" if night["need_met"] else "short"
    yield (
        f"Night of {night['night']}: {night['energy_kwh']} kWh for {currency} {night['cost']},"
        f" {_percent(before)} to {_percent(after)}, {need} for the departure, starts:"
        f" {night['starts']}."
    )
    for line in night["by_band"]:
        yield (
            f"  {line['band']:<10} {line['kwh']:>8} kWh at {line['rate']:.4f}"
            f"  {currency} {line['cost']:.4f}"
        )
    for key, words in (
        ("estimated_kwh", "estimated, not measured"),
        ("estimated_rate_kwh", "priced at estimated rates"),
    ):
        if night[key]:
            yield f"  {night[key]} kWh of it are {words}."
    baselines = night["baselines"]
    if not baselines:
        return
    costs = [f"{words}: {currency} {baselines[rule]['cost']}" for rule, words in RULES.items()]
    yield f"  The same energy {'; '.join(costs)}."
    for rule, words in OUTSIDE_WORDS.items():
        if baselines[rule]["outside_kwh"]:
            outside = f"{baselines[rule]['outside_kwh']} kWh"
            yield f"  {words} for {outside} of it: priced at the next cheapest hours."


def _percent(soc: float | None) -> str:
    return "an unknown charge" if soc is None else f"{soc:.0f} %"
