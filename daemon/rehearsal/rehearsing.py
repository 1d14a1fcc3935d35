"""Sets a rehearsal up, and tells what happens as it happens."""

from __future__ import annotations

import tempfile
from contextlib import ExitStack
from datetime import UTC, datetime, time, timedelta
from importlib.resources import as_file, files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from adapters.bus.embedded_broker import EmbeddedBroker
from adapters.clocks.clock import SystemClock
from adapters.ledger.ledger import open_ledger
from adapters.ledger.stored_prices import stored_prices
from config.files.errors import UsageError
from config.household.broker import Bus
from daemon.control.events import AnnouncePlan, CloseNight, Issue, Note, Warn
from daemon.control.replanning import NEARLY_PERCENT
from daemon.control.state import assumed_soc_percent, counted_soc_percent
from daemon.presentation.figures import local_time
from daemon.rehearsal.rehearsal import Evening, Rehearsal, Rehearsed
from daemon.service.household_watch import HouseholdWatch
from planners.accounts.money import format_money
from planners.local_time.conversion import instant_of_local, local_date

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from adapters.clocks.clock import Clock
    from adapters.ledger.ledger import Ledger
    from config.household.household_file import HouseholdFile
    from daemon.control.events import Action
    from daemon.service.service import HandledEvent
    from planners.plan.plan import Plan

DEMO = "kowhai.yaml"
"""The demo household, of our own invention, in `config/examples`."""

DEMO_EVENING = datetime(2026, 6, 3, 6, 30, tzinfo=UTC)
"""A winter Wednesday, 18:30 at Kowhai Cottage."""

DEMO_SOC_PERCENT = 35.0
EVENING = time(18, 30)


def rehearse_night(
    path: Path | None,
    *,
    vehicle: str | None,
    soc_percent: float | None,
    at: datetime | None,
    say: Callable[[str], None],
) -> Rehearsed:
    """Rehearse a night.

    Parameters
    ----------
    path : Path or None
        The household file; None for the demo household.
    vehicle : str or None
        A vehicle of it; None for its first.
    soc_percent : float or None
        State of charge at plug-in; None for what the file assumes.
    at : datetime or None
        When it is plugged in; None for the demo's evening, or the coming 18:30.
    say : callable
        Takes each line of the story, as it happens.

    Returns
    -------
    Rehearsed
        What happened.

    Raises
    ------
    LullwattError
        If the file has faults, or the rehearsal fails.
    """  # noqa: DOC502 - raised by the parts
    with ExitStack() as ending:
        if path is None:
            path = ending.enter_context(as_file(files("config") / "examples" / DEMO))
            at = at or DEMO_EVENING
            soc_percent = DEMO_SOC_PERCENT if soc_percent is None else soc_percent
        watch = HouseholdWatch(path)
        file = watch.house.file
        evening = _evening(file, vehicle, soc_percent, at)
        directory = Path(ending.enter_context(tempfile.TemporaryDirectory(prefix="lullwatt-")))
        ledger = open_ledger(directory / "ledger.sqlite3")
        ending.callback(ledger.close)
        _copy_prices(file, ledger)
        broker = EmbeddedBroker()
        port = broker.start()
        ending.callback(broker.stop)
        bus = Bus(broker=f"mqtt://127.0.0.1:{port}", root=file.bus.root)
        narrator = Narrator(file, evening, say)
        rehearsal = Rehearsal(watch, ledger, bus, evening, narrator.tell)
        narrator.open(rehearsal.clock)
        result = rehearsal.run()
        narrator.close(result)
        return result


def _copy_prices(file: HouseholdFile, ledger: Ledger) -> None:
    """Let the rehearsal know the prices that have come over the household's bus."""
    series = [tariff.name for tariff in file.tariffs if tariff.prices is not None]
    for name, points in stored_prices(file.ledger.path, series).items():
        ledger.add_prices(name, points)


def _evening(
    file: HouseholdFile, vehicle: str | None, soc_percent: float | None, at: datetime | None
) -> Evening:
    names = list(file.vehicles)
    if vehicle is not None and vehicle not in names:
        raise UsageError(f"--vehicle: expected one of {', '.join(names)}, got {vehicle!r}")
    name = vehicle or names[0]
    if soc_percent is None:
        soc_percent = assumed_soc_percent(file, name)
    return Evening(name, at or _coming_evening(file), soc_percent)


def _coming_evening(file: HouseholdFile) -> datetime:
    now = SystemClock().now()
    today = instant_of_local(local_date(now, file.zone), EVENING, file.zone)
    return today if today >= now else today + timedelta(days=1)


class Narrator:
    """Tells the story of a night, a line for each thing that happens.

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
        self._point = file.vehicles[evening.vehicle].charge_point

    def open(self, clock: Clock) -> None:
        """Begin, with the clock of the rehearsal."""
        self._clock = clock
        self._say(
            f"Rehearsing {self._file.household.name}: the real daemon and a real broker on this"
            " machine, simulated hardware, virtual time."
        )

    def tell(self, handled: HandledEvent) -> None:
        """Tell what the daemon has just done."""
        for point, action in handled.actions:
            if point == self._point:
                soc = counted_soc_percent(handled.states[point], self._file, self._now())
                for line in self._lines(action, soc):
                    self._line(line)

    def close(self, result: Rehearsed) -> None:
        """Tell how the night ended."""
        night = result.night
        if night is None:
            self._line("the night was not closed: no departure and no charging")
            return
        for line in night_lines(night):
            self._say(line)
        self._say(f"  The simulated meter itself counted {result.register_kwh:.3f} kWh.")

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
            case Warn(_code, message):
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
    """Write a night's record for people.

    Parameters
    ----------
    night : dict
        From `daemon.nights.account.night_record`.

    Yields
    ------
    str
        Lines of text.
    """
    currency = night["currency"]
    before, after = night["soc_before_percent"], night["soc_after_percent"]
    met = "need met" if night["need_met"] else "need not met"
    yield (
        f"Night of {night['night']}: {night['energy_kwh']} kWh for {currency} {night['cost']},"
        f" {before:.0f} % to {after:.0f} %, {met}, starts: {night['starts']}."
    )
    for line in night["by_band"]:
        yield (
            f"  {line['band']:<10} {line['kwh']:>8} kWh at {line['rate']:.4f}"
            f"  {currency} {line['cost']:.4f}"
        )
    costs = {name: outcome["cost"] for name, outcome in night["baselines"].items()}
    if not costs:
        return
    yield (
        f"  The same energy at once: {currency} {costs['at_once']}; on a timer:"
        f" {currency} {costs['timer']}; with hindsight: {currency} {costs['hindsight']}."
    )
