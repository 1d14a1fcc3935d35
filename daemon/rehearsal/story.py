"""Tell what happens to one vehicle in a rehearsed night, and how its night ended."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from adapters.clocks.instants import parse_instant
from daemon.control.alerts import NO_DEPARTURE, NO_RATE
from daemon.control.events import AnnouncePlan, CloseNight, Issue, Note, Warn
from daemon.control.state import NEARLY_PERCENT
from daemon.night_log.carbon import carbon_words, night_carbon
from daemon.night_log.month import RULES
from daemon.night_log.notes import OUTSIDE_WORDS, of_the_roof
from daemon.nights.stays import recorded_stays
from daemon.presentation.figures import local_time, lowered_words
from planners.accounts.money import format_money
from planners.power.excess_current import current_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from config.household.household_file import HouseholdFile
    from daemon.control.events import Action, CommandInForce
    from daemon.rehearsal.rehearsal import Evening, RehearsalResult
    from planners.plan.plan import Plan


class Story:
    """What happens to one vehicle.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    evening : Evening
        The vehicle, when it is plugged in, and its state of charge.
    is_alone : bool
        Whether it is the only vehicle; else its lines begin with its name.
    """

    def __init__(self, file: HouseholdFile, evening: Evening, *, is_alone: bool) -> None:
        self._file = file
        self._prefix = "" if is_alone else f"{evening.vehicle}: "
        self._evening = evening
        self._amps = 0.0
        self._plan: Plan | None = None
        self._on_assumption: Plan | None = None
        self._warned: set[str] = set()
        self.begins = evening.at
        self.point = file.vehicles[evening.vehicle].charge_point

    def lines(self, action: Action, soc: float | None, home_amps: float | None) -> Iterator[str]:
        """Yield what to say of an action of the daemon.

        Parameters
        ----------
        action : Action
            One at the vehicle's charge point.
        soc : float or None
            The state of charge as the daemon counts it [percent].
        home_amps : float or None
            What the rest of the home draws, if a reading of it caused the action [A].

        Yields
        ------
        str
            A line of text.
        """
        match action:
            case Note("plugged-in"):
                yield (
                    f"{self._evening.vehicle} is plugged in at {self.point} with"
                    f" {self._evening.soc_percent:.0f} %"
                )
            case Note("unplugged"):
                yield f"{self._evening.vehicle} is unplugged"
            case _:
                for line in self._lines(action, soc, home_amps):
                    yield self._prefix + line

    def held_back(self) -> Iterator[str]:
        """Yield the plan that rests on an assumed state of charge, if none with its own came."""
        plan, self._on_assumption = self._on_assumption, None
        if plan is not None and self._plan is None:
            for line in self._plan_lines(plan):
                yield self._prefix + line

    def ending(self, result: RehearsalResult) -> Iterator[str]:
        """Yield how the night ended.

        Parameters
        ----------
        result : RehearsalResult
            The result of this vehicle.

        Yields
        ------
        str
            A line of text.
        """
        if result.night is None:
            yield f"{self._prefix}the night was not closed: no departure and no charging"
        for night in result.nights:
            first, *others = night_lines(night)
            yield self._prefix + first
            yield from others
        if result.night is not None:
            yield f"  The simulated meter itself counted {result.register_kwh:.3f} kWh."
        if self._plan is None and (step := self._next_step()) is not None:
            yield f"Nothing was planned. {step}"

    def _lines(self, action: Action, soc: float | None, home_amps: float | None) -> Iterator[str]:
        match action:
            case AnnouncePlan(plan):
                soc_then = self._evening.soc_percent
                is_first = plan.made_at == self._evening.at
                if is_first and abs(plan.soc_percent - soc_then) > NEARLY_PERCENT:
                    self._on_assumption = plan
                else:
                    yield from self._plan_lines(plan)
            case Issue(command):
                yield from self._command_lines(command, soc, home_amps)
            case Warn(code, message):
                self._warned.add(code)
                yield f"alert: {message}"
            case CloseNight(facts):
                soc = facts.stays[-1].soc_after_percent
                yield "night closed" + ("" if soc is None else f" with {soc:.0f} %")
            case _:
                return

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

    def _command_lines(
        self, command: CommandInForce, soc: float | None, home_amps: float | None
    ) -> Iterator[str]:
        before, self._amps = self._amps, command.amps or 0.0
        if self._amps == before:
            return
        drawn = "" if home_amps is None else f"the home draws {home_amps:.1f} A; "
        if not self._amps:
            yield f"{drawn}stop: {command.why}"
        elif not before:
            yield f"{drawn}start at {current_text(self._amps, command.phases)}: {command.why}"
        else:
            change = "lowered" if self._amps < before else "raised"
            yield f"{drawn}{change} from {before:g} A to {self._amps:g} A: {command.why}"
        if not self._amps and soc is not None and self._reached(soc):
            yield f"target reached: {soc:.0f} %"

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
            f"{'plan' if first else 'new plan'}: {plan.energy_kwh:.2f} kWh for"
            f" {format_money(plan.cost, plan.currency)}, to {plan.reaches_percent:.0f} % by"
            f" {local_time(plan.departure, zone)}"
        )
        for period in plan.periods:
            yield (
                f"  {local_time(period.start, zone)} to {local_time(period.end, zone)}"
                f"  {period.current_text}  {period.kwh:.2f} kWh  {period.band}"
                f"  {format_money(period.cost, plan.currency)}"
            )
        for sentence in plan.why if first else ():
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
    yield (
        f"Night of {night['night']}: {night['energy_kwh']} kWh for {currency} {night['cost']},"
        f" {_percent(before)} to {_percent(after)}, {_need(night)}, starts: {night['starts']}."
    )
    width = max((len(line["band"]) for line in night["by_band"]), default=0)
    for line in night["by_band"]:
        yield (
            f"  {line['band']:<{max(width, 10)}} {line['kwh']:>8} kWh at {line['rate']:.4f}"
            f"  {currency} {line['cost']:.4f}"
        )
    yield from _remarks(night)
    baselines = night["baselines"]
    if not baselines:
        return
    costs = [
        f"{words}: {format_money(baselines[rule]['cost'], currency)}"
        for rule, words in RULES.items()
    ]
    yield f"  The same energy {'; '.join(costs)}."
    for rule, words in OUTSIDE_WORDS.items():
        if baselines[rule]["outside_kwh"]:
            outside = f"{baselines[rule]['outside_kwh']} kWh"
            yield f"  {words} for {outside} of it: priced at the next cheapest hours."


def _remarks(night: dict[str, Any]) -> Iterator[str]:
    """Say which part of the energy is from the roof or not certain, and what held it up."""
    if night.get("roof_kwh"):
        roof_wh = round(1000 * night["roof_kwh"])
        yield f"  {of_the_roof(roof_wh, night['all_grid_cost'], night['currency'])}."
    if carbon := night_carbon(night):
        yield f"  Carbon: {carbon_words(carbon)}."
    for key, words in (
        ("estimated_kwh", "estimated, not measured"),
        ("estimated_rate_kwh", "priced at estimated rates"),
    ):
        if night[key]:
            yield f"  {night[key]} kWh of it are {words}."
    if lowered := night.get("lowered_by_load"):
        words = lowered_words(
            lowered["minutes"], float(lowered["least_amps"]), float(lowered["load_amps"])
        )
        yield f"  It was {words}."


def _need(night: dict[str, Any]) -> str:
    closed_at = parse_instant(night["closed_at"])
    departures = [stay.departure for stay in recorded_stays(night) if stay.departure is not None]
    if not any(departure <= closed_at for departure in departures):
        return "no departure"
    return "enough for the departure" if night["need_met"] else "short for the departure"


def _percent(soc: float | None) -> str:
    return "an unknown charge" if soc is None else f"{soc:.0f} %"
