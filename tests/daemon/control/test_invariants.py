"""Invariants of the daemon (design, section 5) against whatever may happen, in any order."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from adapters.contract.messages import Reading, VehicleReport
from daemon.control.events import Assert, BusConnected, HouseChanged, TimePassed
from daemon.control.state import counted_soc_percent
from daemon.messaging.outbox import command_message
from daemon.messaging.status import status_of
from planners.power.allowed_currents import highest_amps
from tests.daemon.worlds import EVENING, HOUR, MINUTE, POINT, World, household, kowhai

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from daemon.control.events import CommandInForce
    from daemon.control.state import House

SOC = st.integers(0, 100).map(float)
HOUSES: dict[str, Callable[[], House]] = {
    "kowhai": kowhai,
    "flat": household,
    "weak": lambda: household(point={"max_amps": 10.0, "min_run_minutes": 30}),
    "hours": lambda: household(point={"plugged_in": "18:30-07:30"}),
    "idle": lambda: household(departure={}),
    "plug": lambda: household(point={"max_amps": 10.0, "switching": "on_off"}),
    "slow": lambda: household(point={"min_run_minutes": 40, "min_rest_minutes": 20}),
}


class Household(RuleBasedStateMachine):
    """A household in which anything may happen to its one charge point."""

    def __init__(self) -> None:
        super().__init__()
        self.world = World(kowhai(), EVENING)
        self.last: CommandInForce | None = None
        self.on_at: datetime | None = None
        self.off_at: datetime | None = None

    @initialize(name=st.sampled_from(sorted(HOUSES)), hours=st.integers(0, 40))
    def begin(self, name: str, hours: int) -> None:
        self.world = World(HOUSES[name](), EVENING + hours * HOUR, watch=self.look)
        self.world.handle(TimePassed())

    # --- what may happen ----------------------------------------------------------------------

    @rule(minutes=st.integers(1, 900), every=st.sampled_from([None, MINUTE * 5]))
    def time_passes(self, minutes: int, every: timedelta | None) -> None:
        self.world.wait(self.world.now + minutes * MINUTE, read_every=every)

    @rule(seconds=st.integers(1, 40_000))
    def time_passes_unseen(self, seconds: int) -> None:
        self.world.advance(self.world.now + timedelta(seconds=seconds))
        self.world.handle(TimePassed())

    @rule(soc=st.none() | SOC)
    def plug_in(self, soc: float | None) -> None:
        self.world.plug_in(soc)

    @rule()
    def unplug(self) -> None:
        self.world.unplug()

    @rule(pilot=st.sampled_from("ABCDEF"), soc=st.none() | SOC, minutes=st.integers(-60, 60))
    def report(self, pilot: str, soc: float | None, minutes: int) -> None:
        at = self.world.now + minutes * MINUTE
        report = VehicleReport.model_validate({"at": at, "pilot": pilot, "soc_percent": soc})
        self.world.receive(report)

    @rule(soc=SOC)
    def report_soc(self, soc: float) -> None:
        self.world.report(soc_percent=soc)

    @rule(minutes=st.integers(-60, 60), wh=st.integers(0, 2_000_000), watts=st.floats(-1e5, 1e5))
    def read_anything(self, minutes: int, wh: int, watts: float) -> None:
        at = self.world.now + minutes * MINUTE
        self.world.receive(Reading(at=at, register_kwh=wh / 1000, watts=watts))

    @rule()
    def reset_register(self) -> None:
        self.world.meter_wh = 0.0
        self.world.read()

    @rule(
        want=st.none() | SOC,
        now=st.none() | st.booleans(),
        clear=st.none() | st.booleans(),
    )
    def ask(self, want: float | None, now: bool | None, clear: bool | None) -> None:  # noqa: FBT001 - drawn
        if (want, now, clear) != (None, None, None):
            self.world.ask(want_percent=want, charge_now=now, clear=clear)

    @rule(minutes=st.integers(-60, 900))
    def skip(self, minutes: int) -> None:
        self.world.ask(skip_until=self.world.now + minutes * MINUTE)

    @rule(name=st.sampled_from(sorted(HOUSES)))
    def change_file(self, name: str) -> None:
        self.world.house = HOUSES[name]()
        self.world.handle(HouseChanged("file"))

    @rule()
    def connect(self) -> None:
        actions = self.world.handle(BusConnected())
        asserted = [action for action in actions if isinstance(action, Assert)]
        assert len(asserted) <= 1
        assert [action.command for action in asserted] in ([], [self.world.state.command])

    @precondition(lambda self: self.world.state.register is not None)
    @rule(minutes=st.integers(1, 10_000))
    def late_reading(self, minutes: int) -> None:
        world = self.world
        before = world.state
        if before.register is None or before.register.at > world.now:
            return
        world.handle(TimePassed())
        before = world.state
        at = before.register.at - minutes * MINUTE if before.register else world.now
        assert world.receive(Reading(at=at, register_kwh=1.0, watts=50_000)) == ()
        assert world.state == before

    @rule()
    def twice_at_one_instant(self) -> None:
        """Do at an instant what was done at it: nothing is left to do."""
        self.world.handle(TimePassed())
        before = self.world.state
        assert self.world.handle(TimePassed()) == ()
        assert self.world.state == before

    # --- what must hold after every single step -----------------------------------------------

    def look(self, world: World) -> None:
        command, state = world.state.command, world.state
        assert command is not None
        assert command.valid_until > world.now, "what is in force has not lapsed"
        assert world.wake > world.now
        assert command.serial == state.serial
        if self.last is not None and command != self.last:
            assert command.serial > self.last.serial, "a serial means one command, for good"
        self.look_at_switching(world, command)
        self.last = command
        command_message(command)
        status_of(state, world.now, world.house)
        if command.do == "start":
            self.look_at_start(world)

    def look_at_switching(self, world: World, command: CommandInForce) -> None:
        """Hold the runs and rests that the file declares; a stop may cut a run short."""
        last, now = self.last, world.now
        was_on = last is not None and last.do == "start"
        if last is not None and was_on and last.valid_until < now - MINUTE:
            was_on, self.off_at = False, last.valid_until  # the hardware stopped by itself
        if was_on and command.do == "stop":
            self.off_at = now
        if command.do == "start" and was_on:
            return
        point = world.house.file.charge_points[POINT]
        rest = point.rest_minutes * MINUTE
        if self.off_at is None or self.on_at is None:
            may_start = now
        else:
            may_start = max(self.off_at + rest, self.on_at + point.min_run_minutes * MINUTE + rest)
        if command.do == "start":
            assert now >= may_start, "it has not rested"
            self.on_at = now
        elif world.state.plan is not None:
            ahead = [each.start for each in world.state.plan.periods if each.end > now]
            assert all(start >= may_start for start in ahead if may_start > now)

    def look_at_start(self, world: World) -> None:
        state, command = world.state, world.state.command
        assert command is not None
        assert command.amps is not None
        assert command.amps <= highest_amps(world.house.file, POINT, "hatchback")
        assert state.plugged_in
        assert state.pilot not in {"A", "E", "F"}
        if state.plan is None and self.goes_on_after_departure(world):
            return
        if state.wishes.charge_now:
            return
        assert state.wishes.skip_until is None or state.wishes.skip_until <= world.now
        assert state.plan is not None
        period = state.plan.period_at(world.now)
        assert period is not None, "outside the plan's periods it is stop"
        assert command.amps == period.amps
        ends = [p.end for p in state.plan.periods if p.start <= command.valid_until]
        assert command.valid_until <= max(ends)

    def goes_on_after_departure(self, world: World) -> bool:
        """Whether a departure passed with its need unmet, and the vehicle is still there."""
        state, command = world.state, world.state.command
        departure = state.night.departure if state.night else None
        if departure is None or command is None:
            return False
        assert departure.instant <= world.now < departure.instant + HOUR
        assert command.valid_until <= departure.instant + HOUR
        assert state.wishes.skip_until is None or state.wishes.skip_until <= world.now
        soc = counted_soc_percent(state, world.house.file, world.now)
        return soc is not None and soc < departure.need_percent

    @invariant()
    def a_copy_decides_the_same(self) -> None:
        one, other = replace(self.world, actions=[]), replace(self.world, actions=[])
        one.watch = other.watch = lambda _world: None
        assert one.handle(TimePassed()) == other.handle(TimePassed())


TestHousehold = Household.TestCase
TestHousehold.settings = settings(stateful_step_count=25, deadline=None, derandomize=True)


@pytest.mark.parametrize("minutes", [0, 1, 5, 10, 29, 31])
def test_a_start_never_outlives_its_renewals(minutes: int) -> None:
    """A daemon that falls silent leaves a start that ends by itself within half an hour."""
    world = World(household(), EVENING)
    world.plug_in(35.0)
    world.wait(EVENING + HOUR + minutes * MINUTE)
    command = world.state.command
    assert command is not None
    assert command.do == "start"
    assert timedelta(0) < command.valid_until - world.now <= 30 * MINUTE
