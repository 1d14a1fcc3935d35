"""A series that stops is an alert, raised once and cleared when prices come."""

from __future__ import annotations

from datetime import timedelta

import pytest

from daemon.control.events import HouseChanged, Note, TimePassed, Warn
from tests.daemon.messaging.test_rates_status import FULL_HOUR, priced
from tests.daemon.worlds import EVENING, HOUR, LEAVES, World, kowhai

CODE = "prices-ended"


def world_on(hours: range) -> World:
    return World(priced(hours), EVENING)


def alerts(world: World) -> list[str]:
    return [
        action.message
        for _, action in world.actions
        if isinstance(action, Warn) and action.code == CODE
    ]


def test_prices_that_end_are_one_alert() -> None:
    """With or without a vehicle: it says what ended, when by local time, and what follows."""
    world = world_on(range(-24, 2))
    world.handle(TimePassed())
    assert alerts(world) == []
    world.advance(FULL_HOUR + 2 * HOUR)
    world.handle(TimePassed())
    world.plug_in(50.0)
    world.wait(EVENING + 8 * HOUR)
    world.unplug()
    world.wait(EVENING + 9 * HOUR)
    (message,) = alerts(world)
    assert message == (
        "The prices of Hourly ended on Wed 03 Jun at 20:00: until new ones come, plans rest on"
        " estimates."
    )


def test_new_prices_clear_it() -> None:
    """New prices clear the alert, which is logged; when they end, it is raised again."""
    world = world_on(range(-24, 2))
    world.advance(FULL_HOUR + 2 * HOUR)
    world.handle(TimePassed())
    assert CODE in world.state.alerts
    world.house = priced(range(-24, 6))
    actions = world.handle(HouseChanged("prices"))
    assert CODE not in world.state.alerts
    assert [note.event for note in actions if isinstance(note, Note)][:1] == ["prices-came-again"]
    world.advance(FULL_HOUR + 6 * HOUR)
    world.handle(TimePassed())
    assert len(alerts(world)) == 2
    assert "on Thu 04 Jun at 00:00" in alerts(world)[1]


def test_a_hole_is_no_end() -> None:
    """Hours missing between known ones are estimated, and nobody is warned."""
    world = World(priced([-24, -23, -1, 4, 5]), EVENING)
    world.advance(EVENING + HOUR)
    world.plug_in(50.0)
    assert alerts(world) == []


def test_prices_that_were_never_known_have_not_ended() -> None:
    """Without any price the alert is another one: that nothing can be planned."""
    world = World(priced([]), EVENING)
    world.plug_in(50.0)
    assert world.warned() == ["no-rate"]


def test_bands_never_end() -> None:
    """A household on bands gets no alert about prices."""
    world = World(kowhai(), EVENING)
    world.plug_in(35.0)
    world.wait(LEAVES + timedelta(days=2))
    assert alerts(world) == []


def test_a_household_with_two_charge_points_is_warned_once() -> None:
    """The first charge point's controller raises the household's alert."""
    house = priced(range(-24, -1))
    first = house.file.charge_points["driveway"]
    both = {"driveway": first, "carport": first}
    object.__setattr__(house, "file", house.file.model_copy(update={"charge_points": both}))
    worlds = [World(house, EVENING), World(house, EVENING)]
    worlds[1].state = type(worlds[1].state)("carport")
    for world in worlds:
        world.handle(TimePassed())
    assert [len(alerts(world)) for world in worlds] == [1, 0]


def test_prices_that_are_all_ahead_are_planned_with() -> None:
    """A feed whose first price is yet to come: its days give the rates until then."""
    world = world_on(range(2, 30))
    world.plug_in(50.0)
    assert world.warned() == []
    assert world.state.plan is not None
    assert world.state.plan.reaches_percent == pytest.approx(80)
