"""A charge point that switches between one phase and three: only at a confirmed stop, seldom."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from daemon.control.events import BusConnected, Issue
from planners.power.rest import LastSwitches
from tests.daemon.worlds import EVENING, MINUTE, World, household

SECOND = MINUTE / 60

if TYPE_CHECKING:
    from daemon.control.state import House

THREE = {"phases": 3, "max_amps": 16.0, "phase_switching_seconds": 30, "confirm_seconds": 60}


def switched_house() -> House:
    """Return a household whose charge point switches phases."""
    return household(point=THREE, vehicle={"phases": 3, "usable_kwh": 200.0})


def on_one(**more: object) -> World:
    """Have a person ask to charge now, a minute after a start on one phase."""
    world = World(switched_house(), EVENING, **more)  # type: ignore[arg-type]  # as its fields
    world.state = replace(world.state, switches=LastSwitches(phases=1, phases_at=EVENING - MINUTE))
    world.read()
    world.plug_in(35.0)
    world.ask(charge_now=True)
    return world


def told(world: World) -> list[tuple[float, str, float | None, int | None]]:
    """List the commands that say something new: minute, what, amps and phases."""
    found: list[tuple[float, str, float | None, int | None]] = []
    for at, action in world.actions:
        if isinstance(action, Issue):
            command = action.command
            news = (command.do, command.amps, command.phases)
            if not found or found[-1][1:] != news:
                found.append(((at - EVENING) / MINUTE, *news))
    return found


def test_a_start_says_its_phases() -> None:
    """Each start does, also one that a person asks for; a stop does not."""
    world = World(switched_house(), EVENING)
    world.read()
    world.plug_in(35.0)
    world.ask(charge_now=True)
    assert told(world)[-1][1:] == ("start", 16.0, 3)
    world.ask(stop=True)
    assert told(world)[-1][1:] == ("stop", None, None)


def test_without_the_key_nothing_is_said_of_phases() -> None:
    """Other charge points are told what they were told before."""
    world = World(household(), EVENING)
    world.read()
    world.plug_in(35.0)
    world.ask(charge_now=True)
    assert told(world)[-1][1:] == ("start", 32.0, None)


def test_it_waits_until_it_may_switch_and_switches_while_nothing_flows() -> None:
    """A quarter of an hour on one phase; then a stop of 30 seconds, and a start on all."""
    world = on_one()
    world.wait(EVENING + 20 * MINUTE)
    assert told(world)[-3:] == [
        (0.0, "start", 16.0, 1), (14.0, "stop", None, 3), (14.5, "start", 16.0, 3),
    ]  # fmt: skip


def test_power_that_still_flows_forbids_to_switch() -> None:
    """A relay that is stuck is not switched to other phases, however long it takes."""
    world = on_one()
    world.wait(EVENING + 13 * MINUTE)
    world.stuck_watts = 3680.0
    world.wait(EVENING + 40 * MINUTE)
    assert {phases for _, do, _, phases in told(world) if do == "start"} == {1}
    world.stuck_watts = None
    world.wait(EVENING + 120 * MINUTE)
    assert told(world)[-1][1:] == ("start", 16.0, 3)


def test_without_readings_it_goes_on_as_before() -> None:
    """Nothing shows that power has ended: after confirm_seconds the same phases are used again."""
    world = on_one()
    world.wait(EVENING + 13 * MINUTE)
    world.wait(EVENING + 20 * MINUTE, read_every=None)
    assert told(world)[-2:] == [(14.0, "stop", None, 3), (15.5, "start", 16.0, 1)]


def test_the_bus_is_told_again_what_was_told() -> None:
    """A broker that is back gets the same phases: nothing is switched by it."""
    world = on_one()
    world.wait(EVENING + 5 * MINUTE)
    before = told(world)
    world.handle(BusConnected())
    assert told(world) == before


@pytest.mark.parametrize("seconds", [0, 1, 12])
def test_equipment_that_keeps_all_phases_is_told_one_no_more(seconds: int) -> None:
    """One reading proves nothing; then it is warned of, and it charges on all phases."""
    world = on_one(keeps_all_phases=True, reports_amps=True)
    world.advance(EVENING + 40 * SECOND)
    world.read()
    world.advance(world.now + seconds * SECOND)
    world.read()
    assert not world.warned()
    world.wait(EVENING + 3 * MINUTE)
    assert world.warned() == ["all-phases"]
    world.wait(EVENING + 20 * MINUTE)
    assert told(world)[-1][1:] == ("start", 16.0, 3)


def test_too_much_power_on_one_phase_is_too_much_current() -> None:
    """Where a power alone is read, three times the power may overload the one phase: it stops."""
    world = on_one(keeps_all_phases=True)
    world.wait(EVENING + 3 * MINUTE)
    assert world.warned()[0] == "over-current"
    assert told(world)[-1][1] == "stop"


def test_what_was_never_switched_is_on_all_phases() -> None:
    """Without any reading, equipment that was never told its phases is not told to switch."""
    world = World(switched_house(), EVENING)
    world.plug_in(35.0)
    world.ask(charge_now=True)
    world.wait(EVENING + 10 * MINUTE, read_every=None)
    assert told(world)[-1][1:] == ("start", 16.0, 3)


def test_a_pilot_alone_does_not_confirm_a_stop() -> None:
    """A stuck relay with pilot B is not switched; without a vehicle it may be."""
    world = on_one()
    world.wait(EVENING + 13 * MINUTE)
    world.stuck_watts = 3680.0
    world.read()
    world.wait(EVENING + 14 * MINUTE + 20 * SECOND)
    world.report(pilot="B")
    world.wait(EVENING + 15 * MINUTE)
    assert all(phases != 3 for _, do, _, phases in told(world) if do == "start")


def test_a_meter_that_confirms_nothing_costs_few_stops() -> None:
    """The meter's clock is late: after each stop it is believed to be silent, once an hour."""
    world = on_one()
    while world.now < EVENING + 180 * MINUTE:
        world.wait(world.now + MINUTE, read_every=None)
        world.read(at=world.now - 5 * MINUTE)
    stops = [at for at, do, *_ in told(world) if do == "stop" and at > 0]
    assert len(stops) <= 3
