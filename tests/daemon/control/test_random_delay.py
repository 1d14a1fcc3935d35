"""A start or another current that a price or a time causes waits for a random delay.

The limits are those of SI 2021/1467, regulation 11 (its text as reprinted by a secondary source):
to the second, at each start and each increase or decrease, not where somebody overrides it, and not
where an equivalent delay was applied.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from functools import cache
from typing import TYPE_CHECKING

import pytest

from daemon.control.controller import next_wake
from daemon.control.events import TimePassed
from daemon.control.state import departure_of
from daemon.sharing.claims import stored_periods
from planners.home.left_beside import LeftByLoad
from tests.daemon.worlds import (
    EVENING,
    HOUR,
    LEAVES,
    MINUTE,
    NIGHT_BEGINS,
    POINT,
    World,
    household,
    kowhai,
)

if TYPE_CHECKING:
    from adapters.ledger.ledger import Ledger
    from daemon.control.state import House

SECOND = timedelta(seconds=1)
MOST = 600 * SECOND


def delaying(house: House, **keys: int) -> House:
    """Give the charge point of a household a random delay of up to 600 s, or other keys."""
    point = house.file.charge_points[POINT]
    changed = point.model_copy(update=keys or {"random_delay_seconds": 600})
    points = house.file.charge_points | {POINT: changed}
    return replace(
        house, file=house.file.model_copy(update={"charge_points": points}), seed=b"seed"
    )


@cache
def evening() -> World:
    """Plug in at 18:30; the cheap hours begin at 21:00."""
    world = World(delaying(kowhai()), EVENING)
    world.plug_in(35)
    world.wait(NIGHT_BEGINS)
    return world


def test_a_start_waits_and_the_plan_says_so() -> None:
    """The stop names the delay; the plan begins after it; the start comes to the second."""
    world = evening().copied()
    command = world.state.command
    assert command is not None
    until = command.delayed_until
    assert until is not None
    seconds = (until - NIGHT_BEGINS) // SECOND
    assert command.why.startswith(f"a random delay of {seconds} s, ")
    assert world.state.plan is not None
    assert world.state.plan.periods[0].start == until
    assert any(f"a random delay of {seconds} s" in each for each in world.plans()[-1].plan.why)
    world.wait(until + MINUTE)
    assert world.switches()[-1] == (until, "start")
    assert timedelta(0) < until - NIGHT_BEGINS <= MOST


def test_other_homes_start_at_other_times() -> None:
    """With other seeds, in the same ten minutes."""
    starts = set()
    for seed in (b"1", b"2", b"3"):
        world = evening().copied()
        world.house = replace(world.house, seed=seed)
        world.state = replace(world.state, command=None, plan_stale=True)
        world.handle(TimePassed())
        world.wait(NIGHT_BEGINS + MOST + SECOND)
        starts.add(world.switches()[-1])
    assert len(starts) == 3
    assert all(do == "start" for _, do in starts)


def test_a_restart_draws_no_other_delay(ledger: Ledger) -> None:
    """What waits goes on waiting until the same second."""
    world = World(delaying(kowhai()), EVENING, ledger)
    world.plug_in(35)
    world.wait(NIGHT_BEGINS + SECOND)
    assert world.state.command is not None
    until = world.state.command.delayed_until
    assert until is not None
    again = world.restarted()
    assert again.doing()[0] == "stop"
    assert next_wake(again.state, again.now, again.house) <= until
    again.wait(until + SECOND)
    assert again.switches()[-1] == (until, "start")


def test_a_person_is_obeyed_at_once() -> None:
    """Neither a start nor a stop that a person asks for is delayed."""
    world = evening().copied()
    world.ask(charge_now=True)
    assert world.doing() == ("start", 32)
    world.ask(stop=True)
    assert world.doing()[0] == "stop"


@pytest.mark.parametrize("pilot", ["A", "F"])
def test_a_stop_for_safety_is_at_once(pilot: str) -> None:
    """A fault, or a vehicle that is gone, ends a charge in the same turn."""
    world = evening().copied()
    world.wait(NIGHT_BEGINS + MOST + MINUTE)
    assert world.doing()[0] == "start"
    world.report(pilot=pilot)
    assert world.doing()[0] == "stop"


def test_what_the_home_takes_and_gives_back_is_not_delayed() -> None:
    """A current that rises again because the home draws less is no change of the plan."""
    world = evening().copied()
    world.wait(NIGHT_BEGINS + MOST + MINUTE)
    free = world.house
    world.house = replace(free, left_by_load=(LeftByLoad(14.0, {POINT: 1.0}),))
    world.handle(TimePassed())
    assert world.doing() == ("start", 14)
    world.house = free
    world.handle(TimePassed())
    assert world.doing() == ("start", 32)


def test_what_a_price_ends_goes_on_for_a_delay() -> None:
    """One cheap hour is too short: its end is delayed, and the rest is charged in the next one."""
    hours = {"hours": ["21:00-22:00", "02:00-06:00"]}
    bands = [{"name": "low", "rate": 0.1, **hours}, {"name": "high", "rate": 0.5}]
    house = household(tariff={"bands": bands}, departure={"max_rate": 0.2})
    world = World(delaying(house), EVENING)
    world.plug_in(10)
    world.wait(NIGHT_BEGINS + 2 * HOUR)
    starts, ends = [at for at, _ in world.switches()][-2:]
    assert [do for _, do in world.switches()][-2:] == ["start", "stop"]
    assert timedelta(0) < starts - NIGHT_BEGINS <= MOST
    assert timedelta(0) < ends - (NIGHT_BEGINS + HOUR) <= MOST
    renewed = [each.command for each in world.issued() if each.command.do == "start"]
    assert renewed[-1].valid_until == ends  # no gap in which the equipment would stop by itself
    assert all(each.valid_until <= ends for each in renewed)


def test_equipment_that_stores_the_plan_does_not_start_before_the_daemon() -> None:
    """Its own clock starts it after the longest delay; a run in progress goes on as planned."""
    world = World(delaying(kowhai()), EVENING)
    world.plug_in(35)
    assert stored_periods(world.state, world.house.file)[0].start == NIGHT_BEGINS + MOST
    world = evening().copied()
    world.wait(NIGHT_BEGINS + MOST + MINUTE)
    (stored,), plan = stored_periods(world.state, world.house.file), world.state.plan
    assert plan is not None
    assert (stored.start, stored.end) == (plan.periods[0].start, plan.periods[0].end)


def test_a_delay_may_take_up_the_last_minutes() -> None:
    """Plugged in five minutes before it leaves: nothing breaks, and "charge now" still works."""
    for minutes in (1, 5, 12, 20):
        world = World(delaying(kowhai()), LEAVES - minutes * MINUTE)
        world.plug_in(35)
        world.wait(LEAVES - SECOND)
        world.ask(charge_now=True)
        assert world.doing()[0] == "start"


def test_the_margin_covers_it() -> None:
    """It must be charged ten minutes earlier, whoever delays; 07:20 less 15 min and these."""
    for keys in ({"random_delay_seconds": 600}, {"delays_itself_seconds": 541}):
        house = delaying(kowhai(), **keys)
        departure = departure_of(evening().state, house.file, EVENING)
        assert departure is not None
        assert departure.instant - departure.ready_by == 25 * MINUTE


def test_equipment_that_delays_itself_is_given_time() -> None:
    """Nothing is delayed here, and a start that nothing answers is repeated only later."""
    world = World(delaying(kowhai(), delays_itself_seconds=600), EVENING)
    world.draws = 0.0
    world.plug_in(35)
    world.wait(NIGHT_BEGINS + MINUTE)
    assert world.switches()[-1] == (NIGHT_BEGINS, "start")
    serial = world.state.serial
    world.wait(NIGHT_BEGINS + 11 * MINUTE)
    assert world.state.serial == serial
    world.wait(NIGHT_BEGINS + 13 * MINUTE)
    assert world.state.serial > serial
