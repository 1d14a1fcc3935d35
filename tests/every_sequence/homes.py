"""Two charge points under one main fuse, whose hardware may miss commands and restart its daemon.

The parts are those of the service, in its order: `daemon.service.fuse` between two controllers.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import cache
from typing import TYPE_CHECKING, Any, Final

from adapters.contract.messages import Reading, Request, VehicleReport
from config.household.household_file import HouseholdFile
from daemon.control import controller
from daemon.control.events import (
    Assert,
    BusConnected,
    CommandInForce,
    CurrentAllotted,
    Event,
    Issue,
    MeterRead,
    PersonAsked,
    TimePassed,
    VehicleReported,
)
from daemon.control.state import House, PointState, is_charging
from daemon.service.fuse import FuseKeeper
from daemon.service.recovery import lowest_serial
from daemon.service.service import MOST_ROUNDS_OF_SHARING
from daemon.sharing.planning_task import JointPlanMade
from planners.home.together import HomePlan
from planners.power.allowed_currents import AmpsSpan
from planners.power.excess_current import VEHICLE_FOLLOWS
from planners.rates.prices import prices_of
from tests.daemon.sharing.homes import home_of
from tests.daemon.worlds import HERE, utc
from tests.every_sequence.abstraction import ago, digest_of, known
from tests.every_sequence.restarting import recovered
from tests.every_sequence.search import Rules

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from daemon.sharing.planning_task import PlanningTask

EAST, WEST = "east", "west"
NAMES: Final = (EAST, WEST)
FUSE_AMPS: Final = 40.0
NIGHT: Final = utc("2026-06-03T11:30")
"""23:30, in the cheap hours."""

SECOND, MINUTE = timedelta(seconds=1), timedelta(minutes=1)
BEHIND, EXACT = timedelta(hours=8), 1e-6


@cache
def house() -> House:
    document = home_of(NAMES, main_fuse_amps=FUSE_AMPS, tick_minutes=30)
    for point in document["charge_points"].values():
        point["confirm_seconds"] = 60
    file = HouseholdFile.model_validate(document, context={"directory": HERE})
    return House(file, prices_of(file, {}))


@dataclass(frozen=True, slots=True)
class Plug:
    """The hardware of a charge point, which draws what the last command that reached it allows."""

    is_there: bool = False
    is_deaf: bool = False
    held: CommandInForce | None = None
    sent: tuple[CommandInForce, ...] = ()
    meter_wh: int = 1_000_000
    read_watts: float = 0.0
    reported: float | None = None

    def drawn_at(self, now: datetime) -> float:
        held = self.held
        if held is None or held.amps is None or not self.is_there or held.valid_until <= now:
            return 0.0
        return held.amps


@dataclass
class Home:
    """Two charge points, the daemon, and the time.

    Attributes
    ----------
    now : datetime
        UTC.
    states : dict of str to PointState
        What the controllers know.
    keeper : FuseKeeper
        What they share.
    plugs : dict of str to Plug
        Their hardware.
    task : PlanningTask or None
        The joint plan that was asked for last.
    wrong : str or None
        The first thing that was broken.
    """

    now: datetime
    states: dict[str, PointState]
    keeper: FuseKeeper
    plugs: dict[str, Plug]
    task: PlanningTask | None = None
    wrong: str | None = None
    serials: dict[str, int] = field(default_factory=dict)

    # --- as the service does ----------------------------------------------------------------

    def step_all(self, event: Event) -> None:
        for point in self._charging_first(NAMES):
            self._step_alone(point, event)
        self._share()

    def step(self, point: str, event: Event) -> None:
        self._step_alone(point, event)
        self._share()

    def _charging_first(self, points: Any) -> list[str]:  # noqa: ANN401
        return sorted(points, key=lambda point: not is_charging(self.states[point]))

    def _share(self) -> None:
        for _ in range(MOST_ROUNDS_OF_SHARING):
            allotted, waiting = self.keeper.to_step(self.now)
            for point in self._charging_first(allotted):
                self._step_alone(point, CurrentAllotted())
            for point in waiting:
                self._step_alone(point, TimePassed())
            if not allotted and not waiting:
                return

    def _step_alone(self, point: str, event: Event) -> None:
        seen = self.keeper.house_beside(point, house(), self.now)
        for state, actions in controller.react(self.states[point], event, self.now, seen):
            self.states[point] = replace(state, draft=None)
            for action in actions:
                if isinstance(action, Issue | Assert):
                    self._send(point, action)
        self.keeper.after_step(self.states[point], self.now, seen)

    def _send(self, point: str, action: Issue | Assert) -> None:
        plug, command = self.plugs[point], action.command
        if isinstance(action, Issue):
            if command.serial <= self.serials.get(point, 0):
                self._break("a serial does not grow")
            self.serials[point] = command.serial
            sent = (*plug.sent, command)
            sent = tuple(each for each in sent if each.valid_until > self.now - VEHICLE_FOLLOWS)
            plug = replace(plug, sent=sent)
        if not plug.is_deaf:
            plug = replace(plug, held=command)
        before = self.drawn
        self.plugs[point] = plug
        if self.drawn > before:
            self.look()

    # --- what must hold ---------------------------------------------------------------------

    def _break(self, what: str) -> None:
        self.wrong = self.wrong or what

    @property
    def drawn(self) -> float:
        """The current that the hardware allows now, whatever has reached it [A]."""
        return sum(plug.drawn_at(self.now) for plug in self.plugs.values())

    def look(self) -> None:
        """Look at the fuse; a vehicle begins to draw no sooner than the daemon has reacted."""
        if self.drawn > FUSE_AMPS + EXACT:
            self._break(f"the fuse carries {FUSE_AMPS:g} A, and {self.drawn:g} A may flow")

    def look_at_rest(self) -> None:
        self.look()
        for point, state in self.states.items():
            command = state.command
            if command is None or command.valid_until <= self.now:
                self._break("no command is in force")
                continue
            if controller.next_wake(state, self.now, house()) > command.valid_until:
                self._break("it wakes after its command has expired")
            amps = command.amps
            if amps is None:
                continue
            if amps > 32 or amps < 6:
                self._break("a start outside what the charge point takes")
            lasts = command.valid_until - self.now
            if amps > FUSE_AMPS / 2 and lasts > MINUTE:
                self._break(f"{point} has more than its fixed part for more than a minute")
            if not state.plugged_in or state.pilot in {"A", "E", "F"}:
                self._break("a start without a vehicle, or under a fault")

    # --- copies -----------------------------------------------------------------------------

    def copied(self) -> Home:
        states = dict(self.states)
        again = Home(
            self.now, states, self.keeper, dict(self.plugs), self.task, None, dict(self.serials)
        )
        again.keeper = _copied(self.keeper, again)
        return again

    def asked(self, task: PlanningTask) -> None:
        self.task = task


def _copied(keeper: FuseKeeper, home: Home) -> FuseKeeper:
    again = FuseKeeper(home.states, home.asked)
    again._sharing, again._asked, again._loaded = keeper._sharing, keeper._asked, keeper._loaded
    again._seen, again._caught_up = dict(keeper._seen), dict(keeper._caught_up)
    again._claims, again._shown = dict(keeper._claims), dict(keeper._shown)
    again._not_given_way = dict(keeper._not_given_way)
    again._is_shared = keeper._is_shared
    return again


def begun(now: datetime = NIGHT) -> Home:
    """Give a home whose daemon has just begun, without vehicles."""
    serial = lowest_serial(now)
    states = {name: PointState(name, serial=serial) for name in NAMES}
    home = Home(now, states, FuseKeeper(states), {name: Plug() for name in NAMES})
    home.keeper = FuseKeeper(home.states, home.asked)
    home.step_all(TimePassed())
    return home


# --- what may happen ---------------------------------------------------------------------------


def _report(point: str, pilot: str, soc: float | None) -> Callable[[Home], None]:
    def happen(home: Home) -> None:
        home.plugs[point] = replace(
            home.plugs[point], is_there=pilot != "A", reported=soc or home.plugs[point].reported
        )
        report = VehicleReport(at=home.now, pilot=pilot, soc_percent=soc)  # type: ignore[arg-type]
        home.step(point, VehicleReported(report))

    return happen


def _ask(point: str, **wish: Any) -> Callable[[Home], None]:  # noqa: ANN401
    def happen(home: Home) -> None:
        home.step(point, PersonAsked(Request.model_validate(wish)))

    return happen


def _read(point: str) -> Callable[[Home], None]:
    def happen(home: Home) -> None:
        plug, state = home.plugs[point], home.states[point]
        since = home.now - state.register.at if state.register else timedelta(0)
        since = min(since, timedelta(hours=1))
        wh = plug.meter_wh + round(plug.read_watts * (since / timedelta(hours=1)))
        watts = 230.0 * plug.drawn_at(home.now)
        home.plugs[point] = replace(plug, meter_wh=wh, read_watts=watts)
        home.step(point, MeterRead(Reading(at=home.now, register_kwh=wh / 1000, watts=watts)))

    return happen


def _deaf(point: str) -> Callable[[Home], None]:
    def happen(home: Home) -> None:
        plug = home.plugs[point]
        held = plug.held if not plug.is_deaf else (home.states[point].command or plug.held)
        home.plugs[point] = replace(plug, is_deaf=not plug.is_deaf, held=held)

    return happen


def _joint_plan(*first: str) -> Callable[[Home], bool | None]:
    """Let a joint plan come that serves one charge point first; without a name, none comes."""

    def happen(home: Home) -> bool | None:
        task = home.task
        if task is None:
            return False
        plan = None
        if first:
            left = FUSE_AMPS
            allotted: dict[str, tuple[AmpsSpan, ...]] = {}
            for name in (*first, *(each for each in NAMES if each not in first)):
                amps = min(32.0, left)
                amps = amps if amps >= 6 else 0.0
                allotted[name] = (AmpsSpan(home.now, home.now + BEHIND, amps),)
                left -= amps
            plan = HomePlan(allotted, 0.0, 0.0, is_short=False)
        home.keeper.take_plan(JointPlanMade(task, plan), home.now)
        home.task = None
        home._share()
        return None

    return happen


def _wake(home: Home) -> None:
    wakes = [controller.next_wake(state, home.now, house()) for state in home.states.values()]
    due = home.keeper.due(home.now)
    wakes += [due] if due is not None and due > home.now else []
    home.now = min(wakes)
    home.step_all(TimePassed())


def _later(by: timedelta) -> Callable[[Home], None]:
    def happen(home: Home) -> None:
        home.now += by
        home.look()
        home.step_all(TimePassed())

    return happen


def _restart(home: Home) -> None:
    for name, state in list(home.states.items()):
        plug = home.plugs[name]
        sent = plug.sent[-1] if plug.sent else state.command
        home.states[name] = recovered(
            state, home.now, house(), sent=sent, reported=plug.reported, watts=plug.read_watts
        )
    home.keeper, home.task = FuseKeeper(home.states, home.asked), None
    for name, state in home.states.items():
        in_force = tuple(
            AmpsSpan(home.now, each.valid_until + VEHICLE_FOLLOWS, each.amps)
            for each in home.plugs[name].sent
            if each.amps is not None and each.valid_until > home.now - VEHICLE_FOLLOWS
        )
        home.keeper.begin(state, in_force, home.now)
    home.step_all(TimePassed())
    home.step_all(BusConnected())


HAPPENINGS: Final[dict[str, Callable[[Home], bool | None]]] = {
    **{f"{name} comes": _report(name, "B", 30.0) for name in NAMES},
    **{f"{name} leaves": _report(name, "A", None) for name in NAMES},
    **{f"{name} ask now": _ask(name, charge_now=True) for name in NAMES},
    **{f"{name} ask clear": _ask(name, clear=True) for name in NAMES},
    **{f"{name} is read": _read(name) for name in NAMES},
    **{f"{name} deaf": _deaf(name) for name in NAMES},
    "plan for east": _joint_plan(EAST),
    "plan for west": _joint_plan(WEST),
    "no plan": _joint_plan(),
    "wake": _wake,
    "6 s": _later(6 * SECOND),
    "a minute": _later(MINUTE),
    "restart": _restart,
}  # fmt: skip


def moved(home: Home, name: str) -> tuple[Home | None, str | None]:
    """Let one thing happen; return the home after it, and what it broke."""
    after = home.copied()
    if HAPPENINGS[name](after) is False:
        return None, None
    after.look_at_rest()
    return after, after.wrong


def home_at(name: str) -> Home:
    """Give the home of a start."""
    home = begun()
    for what in HOME_STARTS[name]:
        after, wrong = moved(home, what)
        assert after is not None
        assert wrong is None, wrong
        home = after
    return home


def key_of(home: Home) -> bytes:
    """Give the same bytes for homes that will behave alike."""
    now, sharing = home.now, home.keeper.sharing
    values = (
        now.timestamp() % 86_400,
        home.task is not None,
        ago(sharing.awaited_since, now, 60.0),
        ago(sharing.due, now, 0.0),
        sharing.has_plan,
        tuple(sorted(sharing.together)),
        tuple(_point(home, name) for name in NAMES),
    )
    return digest_of(values)


def _point(home: Home, name: str) -> tuple[Any, ...]:
    now, plug, sharing = home.now, home.plugs[name], home.keeper.sharing
    claim, held = sharing.claims.get(name), plug.held
    return (
        plug.is_there,
        plug.is_deaf,
        held and (held.amps, ago(held.valid_until, now, 0.0)),
        tuple((each.amps, ago(each.valid_until, now, 0.0)) for each in plug.sent if each.amps),
        plug.read_watts,
        plug.reported,
        known(home.states[name], now, house(), 0.0),
        claim
        and (
            tuple(_spans(claim.commanded, now)), tuple(_spans(claim.shown, now)),
            tuple(_spans(claim.earlier, now)), ago(claim.lowered_at, now, 60.0),
            claim.amps_before.amps, claim.is_open,
        ),
        tuple(_spans(sharing.allotted.get(name, ()), now)),
    )  # fmt: skip


def _spans(spans: tuple[AmpsSpan, ...], now: datetime) -> Iterator[tuple[Any, ...]]:
    for each in spans:
        if each.end > now:
            yield ago(each.start, now, 0.0), ago(each.end, now, 0.0), each.amps


BOTH: Final = ("east comes", "west comes", "plan for east", "a minute", "east is read")
HOME_STARTS: Final = {"empty": (), "one": ("east comes", "a minute", "east is read"), "both": BOTH}
HOME_RULES: Final[Rules[Home]] = Rules(moved, key_of, lambda _home: None)
