"""Go on from any world with a working bus and an honest plug: a need in reach is met.

From then on the vehicle is there, draws what it is told, and its meter is read every ten minutes.
A person asks for nothing more, but what was asked for before holds: a pause that reaches too far
puts the need out of reach. A vehicle that the daemon believes to have ended its charge is plugged
in again, as the alert says.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, NamedTuple

from adapters.contract.messages import Reading, VehicleReport
from daemon.control import controller
from daemon.control.events import BusConnected, MeterRead, TimePassed, VehicleReported
from daemon.control.state import counted_soc_percent, departure_of, rests_until
from planners.power.allowed_currents import charge_model, highest_amps
from tests.daemon.worlds import POINT
from tests.every_sequence.invariants import CAR, wrong_with
from tests.every_sequence.points import LOAD_LEAVES_AMPS, World, stepped

if TYPE_CHECKING:
    from datetime import datetime

    from daemon.control.events import Event

READ_EVERY = timedelta(minutes=10)
SLACK_PERCENT = 3.0
"""A need that could be met with less to spare than this, and a tick, is not judged [percent]."""

SHORT_PERCENT = 1.0
HOUR = timedelta(hours=1)


class BrokenPromiseError(Exception):
    """A step on the way to the departure has broken something else."""


class Honest(NamedTuple):
    """A world, and the true state of charge of its vehicle [percent]."""

    world: World
    soc: float

    def handled(self, event: Event) -> Honest:
        moved = stepped(self.world, event)
        wrong = wrong_with(moved)
        if wrong is not None:
            raise BrokenPromiseError(wrong)
        return Honest(moved.after, self.soc)

    @property
    def amps(self) -> float:
        """The current that flows: what the hardware was told, until that expires."""
        held, world = self.world.held, self.world
        is_on = held is not None and held.amps is not None and held.valid_until > world.now
        return held.amps or 0.0 if is_on and held is not None and self.soc < 100 else 0.0

    def later(self, until: datetime) -> Honest:
        """Let energy flow; what a command that expires meanwhile allowed ends with it."""
        world, amps = self.world, self.amps
        held = world.held
        ends = until if held is None else min(until, held.valid_until)
        hours = max(timedelta(0), ends - world.now) / HOUR
        model = charge_model(world.house.file, CAR)
        kwh = model.metered_kw(0.0, amps) * hours if amps else 0.0
        gained = model.soc_percent(kwh * model.full_power_efficiency)
        after = replace(world, now=until, meter_wh=world.meter_wh + round(1000 * kwh))
        return Honest(after, min(100.0, self.soc + gained))

    def read(self) -> Honest:
        world = self.world
        watts = 230.0 * self.amps
        reading = Reading(at=world.now, register_kwh=world.meter_wh / 1000, watts=watts)
        after = replace(world, flows=watts)
        return Honest(after, self.soc).handled(MeterRead(reading))


def honest_from(world: World) -> Honest:
    """Connect the bus, and let the vehicle say that it is there and how full it is."""
    honest = Honest(replace(world, is_up=True), 0.0)
    if not world.is_up:
        honest = honest.handled(BusConnected())
    if honest.world.state.stopped_itself:
        honest = honest.handled(VehicleReported(VehicleReport(at=world.now, pilot="A")))
    register = honest.world.state.register
    since = world.now - register.at if register is not None else timedelta(0)
    wh = world.meter_wh + round(world.flows * (min(max(timedelta(0), since), HOUR) / HOUR))
    honest = Honest(replace(honest.world, meter_wh=wh), 0.0).read()
    state, house = honest.world.state, honest.world.house
    counted = counted_soc_percent(state, house.file, world.now)
    honest = honest._replace(soc=30.0 if counted is None else round(counted, 1))
    report = VehicleReport(at=world.now, pilot="C", soc_percent=honest.soc)
    return honest.handled(VehicleReported(report)).read()


def missed_from(world: World) -> str | None:
    """Return by how much a need in reach is missed; None if it is met, or out of reach."""
    try:
        return _missed_from(world)
    except BrokenPromiseError as error:
        return f"on the way to the departure: {error}"


def _missed_from(world: World) -> str | None:
    honest = honest_from(world)
    state, house, now = honest.world.state, honest.world.house, honest.world.now
    departure = departure_of(state, house.file, now)
    if departure is None:
        return None
    pauses = (state.wishes.skip_until, rests_until(state, house.file, now), now)
    begins = max(each for each in pauses if each is not None)
    best = honest.soc + _gain_percent(honest.world, begins, departure.ready_by)
    need = departure.need_percent
    if best < need + SLACK_PERCENT:
        return None
    while honest.world.now < departure.instant:
        wake = controller.next_wake(honest.world.state, honest.world.now, house)
        honest = honest.later(min(wake, honest.world.now + READ_EVERY, departure.instant))
        honest = honest.handled(TimePassed()).read()
    if honest.soc >= need - SHORT_PERCENT:
        return None
    return f"{honest.soc:.1f} % at the departure, {need:.0f} % needed, {best:.1f} % in reach"


def _gain_percent(world: World, begins: datetime, ends: datetime) -> float:
    """Return what could be charged, less a tick at each end."""
    house, setting = world.house, world.setting
    point = house.file.charge_points[POINT]
    most = highest_amps(house.file, POINT, CAR)
    left = [setting.limit_amps or most, LOAD_LEAVES_AMPS if setting.is_loaded else most]
    amps = min(most, *left)
    if amps < (most if point.switching == "on_off" else point.min_amps):
        return 0.0
    tick = timedelta(minutes=house.file.household.tick_minutes)
    hours = max(timedelta(0), ends - begins - 2 * tick) / HOUR
    model = charge_model(house.file, CAR)
    return model.soc_percent(model.metered_kw(0.0, amps) * hours * model.full_power_efficiency)
