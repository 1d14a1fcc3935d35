"""The status messages of a charge point."""

from __future__ import annotations

from dataclasses import replace

import pytest

from adapters.contract.messages import KnownRates, MainFuse, Status, decode, encode
from config.home.known_load import KnownLoad
from daemon.control.state import PointState
from daemon.messaging.status import BELIEVE_FOR, status_of
from tests.daemon.worlds import EVENING, HOUR, LEAVES, MINUTE, NIGHT_BEGINS, POINT, World, kowhai


def believed(world: World) -> Status:
    status = status_of(world.state, world.now, world.house)
    assert decode(Status, encode(status)) == status
    return status


def at_home(soc: float | None = 35.0) -> World:
    world = World(kowhai(), EVENING)
    world.read()
    world.plug_in(soc)
    return world


def test_a_charge_point_without_messages() -> None:
    """It has no command, state of charge, plan or reading."""
    status = status_of(PointState(POINT), EVENING, kowhai())
    assert status == Status(
        at=EVENING,
        stale_after=EVENING + BELIEVE_FOR,
        connected=False,
        charging=False,
        vehicle="hatchback",
        rates=KnownRates(tariff="Three-band", now="known"),
        main_fuse=MainFuse(amps=(63.0,) * 3),
    )


def test_the_main_fuse_and_what_plans_expect_of_the_home() -> None:
    """The fuse, what is kept free, and the known load of the hour; none without a fuse."""
    world = at_home()
    file = world.house.file
    load = KnownLoad.model_validate({"amps": 15, "hours": ["17:00-21:00"], "connected_to": ["L2"]})
    home = file.household.model_copy(
        update={"main_fuse_amps": (40.0,) * 3, "reserve_amps": 2.0, "known_load": (load,)}
    )
    house = replace(world.house, file=file.model_copy(update={"household": home}))
    fuse = MainFuse(amps=(40.0,) * 3, reserve_amps=2.0, expects_from="known_load")
    evening, night = (status_of(world.state, at, house).main_fuse for at in (EVENING, NIGHT_BEGINS))
    assert evening == fuse.model_copy(update={"expects_amps": (0.0, 15.0, 0.0)})
    assert night == fuse.model_copy(update={"expects_amps": (0.0, 0.0, 0.0)})


def test_an_evening_before_the_cheap_hours() -> None:
    """Plugged in and waiting: connected, not charging, the vehicle's charge, the plan's name."""
    world = at_home()
    status = believed(world)
    assert (status.connected, status.charging, status.do) == (True, False, "stop")
    assert (status.soc_percent, status.soc_from) == (35.0, "vehicle")
    assert (status.vehicle, status.soc_at, status.soc_counted_from) == ("hatchback", EVENING, None)
    assert status.plan == "hatchback@2026-06-03T06:30:00Z"
    assert status.reading is not None
    assert (status.reading.register_kwh, status.reading.at) == (1000.0, EVENING)


def test_a_charge_in_progress() -> None:
    """While power flows the state of charge is counted, and the status says so."""
    world = at_home()
    world.wait(NIGHT_BEGINS + HOUR)
    status = believed(world)
    assert (status.connected, status.charging, status.do) == (True, True, "start")
    assert (status.soc_percent, status.soc_from) == (47.7, "counted")
    assert (status.soc_at, status.soc_counted_from) == (EVENING, "vehicle")
    assert status.serial == world.state.serial


@pytest.mark.parametrize("who", ["vehicle", "person", "assumed"])
def test_where_the_state_of_charge_came_from(who: str) -> None:
    """The status says whether the vehicle, a person or the household file gave it."""
    world = at_home(35.0 if who == "vehicle" else None)
    if who == "person":
        world.ask(soc_percent=50.0)
    assert believed(world).soc_from == who


def test_charging_at_once_is_in_the_status_until_it_is_taken_back() -> None:
    """A reader sees that somebody asked for it, and so can take it back."""
    world = at_home()
    assert believed(world).charge_now is None
    world.ask(charge_now=True)
    assert believed(world).charge_now is True
    world.ask(remove="charge_now")
    assert believed(world).charge_now is None


def test_away() -> None:
    """Without a vehicle there is no state of charge and no plan."""
    world = at_home()
    world.unplug()
    status = believed(world)
    assert (status.connected, status.soc_percent, status.plan) == (False, None, None)
    assert (status.do, status.why) == ("stop", "no vehicle is plugged in")


def test_a_status_becomes_stale() -> None:
    """A status says until when to believe it."""
    world = at_home()
    world.wait(LEAVES + MINUTE)
    status = believed(world)
    assert status.stale_after - status.at == BELIEVE_FOR
