"""A charge point whose circuit has power at times only: nothing is started while it has none."""

from __future__ import annotations

from daemon.control.controller import NO_POWER
from daemon.messaging.status import status_of
from tests.daemon.worlds import EVENING, MINUTE, World, household

CIRCUIT = {"powered": [{"hours": ["19:00-07:00"]}]}
"""EVENING is 18:30."""


def test_charge_now_waits_for_power() -> None:
    """A person's wish starts on the minute at which the circuit is switched on, and says why."""
    world = World(household(point=CIRCUIT), EVENING)
    world.read()
    world.plug_in(20.0)
    world.ask(charge_now=True)
    assert world.doing()[0] == "stop"
    assert status_of(world.state, world.now, world.house).why == NO_POWER
    world.wait(EVENING + 30 * MINUTE)
    assert world.doing() == ("start", 32.0)


def test_a_start_ends_when_the_power_does() -> None:
    """Whoever hears nothing more does not go on after the circuit is switched off."""
    point = {"powered": [{"hours": ["18:00-18:45"]}]}
    world = World(household(point=point), EVENING)
    world.read()
    world.plug_in(20.0)
    world.ask(charge_now=True)
    assert world.state.command is not None
    assert world.state.command.valid_until == EVENING + 15 * MINUTE
    world.wait(EVENING + 15 * MINUTE)
    assert world.doing()[0] == "stop"
