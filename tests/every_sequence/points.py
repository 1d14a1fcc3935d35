"""One charge point in a world where anything may happen: its settings, and what happens to it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from decimal import Decimal
from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple

from adapters.contract.messages import Reading, Request, VehicleReport
from config.home.grid_limit import LimitInForce
from daemon.control import controller
from daemon.control.events import (
    Assert,
    BusConnected,
    CommandInForce,
    Delivered,
    Event,
    HouseChanged,
    HouseholdHealth,
    Issue,
    MeterRead,
    PersonAsked,
    TimePassed,
    VehicleReported,
)
from daemon.control.state import House, PointState
from planners.home.grid_limit import left_by_grid
from planners.home.left_beside import LeftByLoad
from tests.daemon.worlds import POINT, household
from tests.every_sequence.restarting import recovered

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from daemon.control.events import Action

SECOND, MINUTE, HOUR = timedelta(seconds=1), timedelta(minutes=1), timedelta(hours=1)

TARIFF = {
    "name": "Two-band",
    "bands": [
        {"name": "night", "rate": Decimal("0.10"), "hours": ["23:00-07:00"]},
        {"name": "day", "rate": Decimal("0.40")},
    ],
}
OTHER_TARIFF = {
    "name": "Two-band",
    "bands": [
        {"name": "night", "rate": Decimal("0.10"), "hours": ["19:00-23:00"]},
        {"name": "day", "rate": Decimal("0.40")},
    ],
}
LIMITS = {"none": None, "eight": 8.0, "three": 3.0}
"""What the grid operator allows [A per phase]."""

LOAD_LEAVES_AMPS = 9.0

KINDS: dict[str, dict[str, Any]] = {
    "settable": {},
    "rests": {"min_run_minutes": 30, "min_rest_minutes": 10},
    "plug": {"max_amps": 10.0, "switching": "on_off", "charging_mode": 2},
}
"""Charge points that differ in kind, by the fields of the household file."""


class Setting(NamedTuple):
    """What the charge point works under: file, prices, limit of the grid operator, live load."""

    kind: str = "settable"
    is_other_file: bool = False
    is_other_tariff: bool = False
    limit: str = "none"
    is_loaded: bool = False

    @property
    def limit_amps(self) -> float | None:
        return LIMITS[self.limit]


@cache
def _plain_house(kind: str, *, is_other_file: bool, is_other_tariff: bool) -> House:
    point = {"confirm_seconds": 60, **KINDS[kind]}
    departure: dict[str, Any] = {"at": "07:00"}
    if is_other_file:
        point = {**point, "max_amps": 10.0, "min_run_minutes": 20}
        departure = {"at": "06:00", "need_percent": 40.0, "want_percent": 70.0}
    common: dict[str, Any] = {
        "point": point,
        "departure": departure,
        "household": {"tick_minutes": 30, "main_fuse_amps": 63},
    }
    house = household(tariff=TARIFF, **common)
    if is_other_tariff:
        house = House(house.file, household(tariff=OTHER_TARIFF, **common).prices)
    return house


@cache
def _limited(setting: Setting) -> House:
    house = _plain_house(
        setting.kind,
        is_other_file=setting.is_other_file,
        is_other_tariff=setting.is_other_tariff,
    )
    amps = setting.limit_amps
    if amps is None:
        return house
    limit = LimitInForce(amps=amps, charge_point=POINT)
    return replace(house, file=house.file.with_grid_limits((limit,)))


@cache
def house_at(setting: Setting, now: datetime) -> House:
    """Give the household as the controller sees it, as `daemon.service.fuse` does."""
    house = _limited(setting)
    limits = left_by_grid(house.file, now) if setting.limit != "none" else ()
    if setting.is_loaded:
        limits = (*limits, LeftByLoad(LOAD_LEAVES_AMPS, {POINT: 1.0}, load_amps=54.0))
    return replace(house, left_by_load=limits) if limits else house


@dataclass(frozen=True, slots=True)
class Contactor:
    """When the commands sent have switched the charge point, as its hardware sees it."""

    is_on: bool = False
    on_at: datetime | None = None
    off_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class World:
    """One charge point, the daemon's state of it, and what lies outside the daemon.

    Attributes
    ----------
    now : datetime
        UTC.
    state : PointState
        What the controller knows.
    setting : Setting
        The household it works under.
    is_up : bool
        Whether the broker is there.
    sent : CommandInForce or None
        The last command that was issued; the ledger's last.
    held : CommandInForce or None
        The last one that reached the hardware.
    meter_wh : int
        The register at the last reading [Wh].
    flows : float
        The power of the last reading [W].
    reported : float or None
        The state of charge that the vehicle reported last [percent].
    contactor : Contactor
        Its runs and rests.
    defied_since : datetime or None
        Since when readings show that power flows although a stop was sent before.
    """

    now: datetime
    state: PointState
    setting: Setting = Setting()  # noqa: RUF009 - it never changes
    is_up: bool = True
    sent: CommandInForce | None = None
    held: CommandInForce | None = None
    meter_wh: int = 1_000_000
    flows: float = 0.0
    reported: float | None = None
    contactor: Contactor = Contactor()
    defied_since: datetime | None = None

    @property
    def house(self) -> House:
        return house_at(self.setting, self.now)

    @property
    def is_start(self) -> bool:
        command = self.state.command
        return command is not None and command.do == "start"


class Moved(NamedTuple):
    """One step of the controller: the worlds before and after, the event, and the actions."""

    before: World
    event: Event
    after: World
    actions: tuple[Action, ...]


def stepped(world: World, event: Event) -> Moved:
    """Let the controller handle an event, and deliver its commands if there is a broker."""
    # A new plan is not announced: its sentences change nothing that the controller does.
    house, state = world.house, world.state
    done: tuple[Action, ...] = ()
    for known, actions in controller.react(state, event, world.now, house):
        state, done = known, (*done, *actions)
    if state.draft is not None:
        state = replace(state, draft=None)
    issued = [action.command for action in done if isinstance(action, Issue | Assert)]
    sent = issued[-1] if issued else world.sent
    after = replace(
        world,
        state=state,
        sent=sent,
        held=sent if issued and world.is_up else world.held,
        contactor=_switched(world.contactor, world.sent, sent, world.now),
        defied_since=_defied(world, event, state),
    )
    return Moved(world, event, after, done)


def _switched(
    before: Contactor, last: CommandInForce | None, command: CommandInForce | None, now: datetime
) -> Contactor:
    """Switch as the hardware does: by each command, and by itself once one has expired."""
    if command is None:
        return before
    is_on = command.do == "start" and command.valid_until > now
    has_expired = last is not None and last.valid_until < now - MINUTE
    if before.is_on and last is not None and (has_expired or not is_on):
        before = Contactor(is_on=False, on_at=before.on_at, off_at=min(now, last.valid_until))
    return replace(before, is_on=True, on_at=now) if is_on and not before.is_on else before


def _defied(world: World, event: Event, state: PointState) -> datetime | None:
    command = world.state.command
    if command is None or command.do == "start" or state.command is None:
        return None
    if state.command.do == "start" or not state.plugged_in:
        return None
    if isinstance(event, VehicleReported) and event.report.pilot is not None:
        return None if event.report.pilot == "B" else world.defied_since
    if not isinstance(event, MeterRead):
        return world.defied_since
    if not event.reading.watts:
        return None
    response = world.state.response
    is_later = response is not None and world.now > response.since
    return world.defied_since or (world.now if is_later else None)


# --- what may happen ---------------------------------------------------------------------------

Happening = tuple[World, tuple[Event, ...]]
"""A world after something happened outside the daemon, and the events that the daemon gets."""


def _report(pilot: str | None = None, soc: float | None = None) -> Callable[[World], Happening]:
    def happen(world: World) -> Happening:
        report = VehicleReport(at=world.now, pilot=pilot, soc_percent=soc)  # type: ignore[arg-type]
        after = world if soc is None else replace(world, reported=soc)
        return after, (VehicleReported(report),)

    return happen


def read(world: World, watts: float) -> Happening:
    """Let the meter send a reading; the power of the last one has flowed since, for an hour."""
    register = world.state.register
    since = world.now - register.at if register is not None else timedelta(0)
    wh = world.meter_wh + round(world.flows * (min(max(timedelta(0), since), HOUR) / HOUR))
    reading = Reading(at=world.now, register_kwh=wh / 1000, watts=watts)
    return replace(world, meter_wh=wh, flows=watts), (MeterRead(reading),)


def _told_watts(world: World) -> float:
    command = world.state.command
    amps = command.amps if command is not None else None
    return 230.0 * (amps if amps is not None else 32.0)


def _flows(world: World) -> Happening:
    return read(world, _told_watts(world))


def _above(world: World) -> Happening:
    return read(world, 1.5 * _told_watts(world))


def _ask(**wish: Any) -> Callable[[World], Happening]:  # noqa: ANN401 - fields of a request
    def happen(world: World) -> Happening:
        return world, (PersonAsked(Request.model_validate(wish)),)

    return happen


def _skip(world: World) -> Happening:
    request = Request(skip_until=world.now + 2 * HOUR)
    return world, (PersonAsked(request),)


def _set(what: str, part: str) -> Callable[[World], Happening | None]:
    """Switch a part of the setting, or switch it back."""

    def happen(world: World) -> Happening | None:
        switched: dict[str, Any] = {part: not getattr(world.setting, part)}
        events: tuple[Event, ...] = (TimePassed(),)
        if what in {"file", "prices"}:
            events = (HouseChanged(what),)  # type: ignore[arg-type]
        return replace(world, setting=world.setting._replace(**switched)), events

    return happen


def _limit(limit: str) -> Callable[[World], Happening | None]:
    def happen(world: World) -> Happening | None:
        if limit == world.setting.limit:
            return None
        setting = world.setting._replace(limit=limit)
        return replace(world, setting=setting), (TimePassed(), HouseChanged("limit"))

    return happen


def _bus(world: World) -> Happening:
    if world.is_up:
        return replace(world, is_up=False), (HouseholdHealth("no-broker", "gone"),)
    return replace(world, is_up=True), (BusConnected(), HouseholdHealth("no-broker", None))


def _delivery(outcome: str) -> Callable[[World], Happening]:
    def happen(world: World) -> Happening:
        return world, (Delivered("t/command", outcome, is_command=True, why="no"),)  # type: ignore[arg-type]

    return happen


def _ledger(world: World) -> Happening:
    is_full = "ledger-refuses" in world.state.alerts
    return world, (HouseholdHealth("ledger-refuses", None if is_full else "full"),)


def _restart(world: World) -> Happening:
    state = recovered(
        world.state, world.now, world.house,
        sent=world.sent, reported=world.reported, watts=world.flows,
    )  # fmt: skip
    events: tuple[Event, ...] = (TimePassed(),)
    return replace(world, state=state), (*events, BusConnected()) if world.is_up else events


def _later(by: timedelta) -> Callable[[World], Happening]:
    def happen(world: World) -> Happening:
        return replace(world, now=world.now + by), (TimePassed(),)

    return happen


def _wake(world: World) -> Happening:
    now = controller.next_wake(world.state, world.now, world.house)
    return replace(world, now=now), (TimePassed(),)


FROM_OUTSIDE: dict[str, Callable[[World], Happening | None]] = {
    **{f"pilot {pilot}": _report(pilot=pilot) for pilot in "ABCDEF"},
    "soc below": _report(soc=45.0),
    "soc at need": _report(soc=60.0),
    "soc above": _report(soc=85.0),
    "flows": _flows,
    "none flows": lambda world: read(world, 0.0),
    "above flows": _above,
    "ask now": _ask(charge_now=True),
    "ask not now": _ask(charge_now=False),
    "ask stop": _ask(stop=True),
    "ask skip": _skip,
    "ask 100": _ask(need_percent=100),
    "ask soc": _ask(soc_percent=50),
    "ask clear": _ask(clear=True),
    "ask checked": _ask(equipment_checked=True),
}
"""What comes over the bus, and only while it is there."""

INSIDE: dict[str, Callable[[World], Happening | None]] = {
    "file": _set("file", "is_other_file"),
    "prices": _set("prices", "is_other_tariff"),
    "load": _set("load", "is_loaded"),
    "limit 8": _limit("eight"),
    "limit 3": _limit("three"),
    "limit over": _limit("none"),
    "bus": _bus,
    "refused": _delivery("refused"),
    "nobody": _delivery("nobody-listens"),
    "accepted": _delivery("accepted"),
    "ledger": _ledger,
    "restart": _restart,
    "wake": _wake,
    "a minute": _later(MINUTE),
    "a lease": _later(35 * MINUTE),
    "past all": _later(6 * HOUR + 5 * MINUTE),
}
NEEDS_BUS = frozenset(FROM_OUTSIDE) | {"refused", "nobody", "accepted"}
HAPPENINGS = {**FROM_OUTSIDE, **INSIDE}


def happen(world: World, name: str) -> Iterator[Moved] | None:
    """Let something happen; give the steps of the controller one by one, or None if it can't."""
    if name in NEEDS_BUS and not world.is_up:
        return None
    happened = HAPPENINGS[name](world)
    return None if happened is None else _steps(*happened)


def _steps(world: World, events: tuple[Event, ...]) -> Iterator[Moved]:
    for event in events:
        moved = stepped(world, event)
        world = moved.after
        yield moved
