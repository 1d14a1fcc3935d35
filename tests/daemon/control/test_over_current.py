"""Equipment that takes more current than it is told: it is stopped, and stays so while it must."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from adapters.contract.messages import Reading, Request
from daemon.control.alerts import OVER_CURRENT
from daemon.control.events import HouseChanged
from daemon.control.state import House, counted_soc_percent
from daemon.messaging.answering import answer_of
from daemon.messaging.status import status_of
from tests.daemon.worlds import EVENING, HOUR, MINUTE, POINT, World, household, utc

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from adapters.ledger.ledger import Ledger

S = timedelta(seconds=1)
DEPARTURE = utc("2026-06-03T19:20:00")
NIGHT = utc("2026-06-03T10:00:00")
"""22:00 at Kowhai Cottage: the heat pump of `by_day` stops."""


def fused(ledger: Ledger | None = None) -> World:
    """Have a 16 A fuse, and equipment that takes 32 A whatever it is told."""
    house = household(household={"main_fuse_amps": 16.0})
    return World(house, EVENING, ledger=ledger, takes_amps=32.0, reports_amps=True)


def by_day() -> House:
    """Have a heat pump that leaves 16 A of the fuse in the evening, and all 32 A at night."""
    load = [{"amps": 16.0, "hours": ["17:00-22:00"]}]
    return household(
        household={"main_fuse_amps": 32.0, "known_load": load},
        departure={"need_percent": 80.0},
    )


def charged(world: World, soc: float = 30.0) -> World:
    """Plug a vehicle in, and let the equipment take too much, until the alert."""
    world.read()
    world.plug_in(soc)
    world.wait(world.now + 3 * MINUTE)
    assert world.warned() == [OVER_CURRENT, "need-out-of-reach"]
    return world


def began(world: World) -> datetime:
    return next(at for at, do in world.switches() if do == "start")


@pytest.mark.parametrize("reports_amps", [True, False])
@pytest.mark.parametrize("seconds", [1, 5, 10, 15, 60, 300])
def test_it_is_stopped(*, reports_amps: bool, seconds: int) -> None:
    """32 A on 16 A: within 30 s of the second reading that shows it."""
    world = fused()
    world.reports_amps = reports_amps
    every = seconds * S
    world.read()
    world.plug_in(30.0)
    assert world.doing() == ("start", 16.0)
    while world.doing()[0] == "start" and world.now < EVENING + HOUR:
        world.wait(min(world.wake, world.readings[-1].at + every), read_every=None)
        if world.now >= world.readings[-1].at + every:
            world.read()
    shown = [each.at for each in world.readings if each.at > EVENING]
    assert world.now - shown[1] <= 30 * S
    assert world.warned()[0] == OVER_CURRENT
    assert world.now - EVENING >= 15 * S


def test_it_is_not_started_again() -> None:
    """Where what it takes is never allowed, nothing is planned; plan and status say why."""
    world = charged(fused())
    stopped = world.now
    world.wait(DEPARTURE - MINUTE)
    assert [do for at, do in world.switches() if at >= stopped] == []
    assert world.state.alerts == {OVER_CURRENT, "need-out-of-reach"}
    plan = world.state.plan
    assert plan is not None
    assert plan.periods == ()
    said = "driveway took 32 A when it was told 16 A: it charges only where 32 A are allowed"
    assert any(sentence.startswith(said) for sentence in plan.why)
    status = status_of(world.state, world.now, world.house)
    assert status.why == "it took 32 A when it was told 16 A, which is more than is allowed now"
    world.wait(DEPARTURE + 2 * HOUR)
    world.unplug()
    world.plug_in(30.0)
    world.wait(world.now + 4 * HOUR)
    assert [do for at, do in world.switches() if at >= stopped] == [], "not for another vehicle"
    (warning,) = [
        action for _, action in world.actions if getattr(action, "code", "") == OVER_CURRENT
    ]
    assert getattr(warning, "message", "").startswith(
        "driveway took 32 A when it was told 16 A. Look at it"
    )


def test_a_new_file_without_a_vehicle_for_it_keeps_it_stopped() -> None:
    """Nothing is allowed then, and nothing need be asked."""
    world = charged(fused())
    file = world.house.file.model_copy(update={"vehicles": {}, "departures": ()})
    world.house = House(file, world.house.prices)
    world.handle(HouseChanged("file"))
    assert world.doing() == ("stop", None)


def test_a_person_who_wants_power_now_does_not_start_it() -> None:
    """Neither charging now, nor a new wish, nor a new file is a word about the equipment."""
    world = charged(fused())
    world.ask(charge_now=True)
    world.ask(clear=True, need_percent=90.0)
    world.handle(HouseChanged("file"))
    world.wait(world.now + HOUR)
    assert world.doing()[0] == "stop"
    assert OVER_CURRENT in world.state.alerts


def test_a_person_has_checked_it() -> None:
    """Then it is started as before; if it still takes too much, it is stopped again."""
    world = charged(fused())
    before, request = world.state, Request(equipment_checked=True)
    world.ask(equipment_checked=True)
    assert answer_of(world.state, world.now, world.house, request, before).startswith(
        f"The equipment at {POINT} counts as checked: plans no longer expect the 32 A that it took."
        " If it takes too much again, it is stopped again."
    )
    assert world.doing() == ("start", 16.0)
    assert OVER_CURRENT not in world.state.alerts
    world.wait(world.now + 3 * MINUTE)
    assert world.doing()[0] == "stop"
    assert world.warned().count(OVER_CURRENT) == 2
    world.ask(equipment_checked=True)
    world.takes_amps = None
    world.wait(world.now + HOUR)
    assert world.doing() == ("start", 16.0)
    assert world.state.alerts == set()


def test_it_is_kept_across_a_restart(ledger: Ledger) -> None:
    """The ledger remembers what the equipment took: a new process does not start it either."""
    world = charged(fused(ledger))
    again = world.restarted()
    assert again.state.current_watch.excess == world.state.current_watch.excess
    assert again.doing()[0] == "stop"
    assert OVER_CURRENT in again.state.alerts
    again.takes_amps, again.reports_amps = 32.0, True
    again.wait(again.now + 2 * HOUR)
    assert again.doing()[0] == "stop"


def hungry(takes_amps: float | None = 32.0) -> World:
    """Have the vehicle ask for power at once, in the evening."""
    world = World(by_day(), EVENING, takes_amps=takes_amps, reports_amps=True)
    world.read()
    world.plug_in(10.0)
    world.ask(charge_now=True)
    assert world.doing() == ("start", 16.0)
    world.wait(EVENING + 5 * MINUTE)
    return world


def test_it_charges_where_what_it_takes_is_allowed() -> None:
    """At night the fuse leaves the 32 A that it takes: these hours are planned with 32 A."""
    world = hungry()
    assert world.doing()[0] == "stop"
    assert OVER_CURRENT in world.state.alerts
    assert "need-out-of-reach" not in world.state.alerts
    world.wait(NIGHT - MINUTE)
    assert world.doing()[0] == "stop"
    plan = world.state.plan
    assert plan is not None
    assert {period.amps for period in plan.periods} == {32.0}
    assert plan.periods[0].start == NIGHT
    world.wait(NIGHT + HOUR)
    assert world.doing() == ("start", 16.0), "what it was told, which is safe if it obeys, too"
    assert world.state.actual_share.planned == 1.0
    why = status_of(world.state, world.now, world.house).why
    assert why == "a person asked to charge now"
    world.wait(DEPARTURE - MINUTE)
    soc = counted_soc_percent(world.state, world.house.file, world.now)
    assert soc == pytest.approx(80.0, abs=0.5)
    assert world.warned() == [OVER_CURRENT]
    assert len([do for _, do in world.switches() if do == "start"]) == 2


def test_a_vehicle_that_draws_less_than_that_is_planned_with_less() -> None:
    """The share is one of the current that the equipment takes, not of the one it is told."""
    world = hungry()
    world.wait(NIGHT)
    world.draws = 0.7
    world.wait(NIGHT + 10 * MINUTE)
    assert world.state.actual_share.planned == pytest.approx(0.7, abs=0.01)


def test_readings_that_obey_end_it() -> None:
    """Equipment that keeps to the lower current at night gets the whole current again."""
    world = hungry()
    world.takes_amps = None
    world.wait(NIGHT + 3 * MINUTE)
    assert world.state.alerts == set()
    assert world.doing() == ("start", 32.0)
    assert world.state.current_watch.excess is None


def test_what_it_takes_may_rise() -> None:
    """Equipment that then takes more still is stopped as well, and the person told anew."""
    world = hungry()
    world.wait(NIGHT + 30 * MINUTE)
    world.takes_amps = 40.0
    world.wait(NIGHT + 35 * MINUTE)
    assert world.doing()[0] == "stop"
    assert world.warned().count(OVER_CURRENT) == 2


def jumps(world: World) -> None:
    """Show twice the current in single readings."""
    for _ in range(10):
        world.takes_amps = 32.0
        world.read()
        world.takes_amps = None
        world.advance(world.now + 30 * S)
        world.read()
        world.advance(world.now + 30 * S)


def jumps_between_messages(world: World) -> None:
    """Show twice the current once, where amperes and power come in messages of their own."""
    for amps in (16.0, 32.0, 16.0):
        world.receive(Reading(at=world.now, amps=amps))
        for _ in range(5):
            world.advance(world.now + 5 * S)
            world.receive(Reading(at=world.now, watts=3680.0))


def has_high_voltage(world: World) -> None:
    """Have more power flow by a lawful 253 V, not by more current."""
    world.reports_amps, world.draws = False, 1.1
    world.wait(world.now + 30 * MINUTE)


def test_a_lower_command_is_followed_late() -> None:
    """The current falls to a lower command within ten seconds, and then no reading comes."""
    world = World(by_day(), NIGHT - 2 * HOUR, takes_amps=None, reports_amps=True)
    load = [{"amps": 16.0, "hours": ["20:30-21:30"]}]
    world.house = household(household={"main_fuse_amps": 32.0, "known_load": load})
    world.read()
    world.plug_in(10.0)
    world.ask(charge_now=True)
    lowered = NIGHT - 90 * MINUTE
    world.wait(lowered)
    assert world.doing() == ("start", 16.0)
    for amps in (32.0, 32.0, 24.0, 20.0):
        world.takes_amps = amps
        world.advance(world.now + 2 * S)
        world.read()
    world.takes_amps = None
    world.wait(world.now + 20 * S, read_every=None)
    world.wait(lowered + HOUR + MINUTE)
    assert world.doing() == ("start", 32.0)
    assert world.warned() == []


@pytest.mark.parametrize("happens", [jumps, jumps_between_messages, has_high_voltage])
def test_no_false_alarm(happens: Callable[[World], None]) -> None:
    """Bad readings and a high voltage neither alarm nor stop a charge."""
    world = hungry(None)
    happens(world)
    assert world.doing() == ("start", 16.0)
    assert world.warned() == []


def test_a_share_above_one_is_learnt() -> None:
    """1.18 times the planned power, which is no excess, is what plans are then made with."""
    world = World(household(), EVENING, draws=1.18)
    world.read()
    world.plug_in(20.0)
    world.wait(EVENING + 10 * MINUTE)
    assert world.state.actual_share.planned == pytest.approx(1.18, abs=0.01)
    assert world.warned() == []
