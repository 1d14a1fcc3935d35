"""Alerts for messages that the broker refuses, and for commands without a subscriber."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from adapters.bus.events import Published
from adapters.ledger.ledger import open_ledger
from daemon.control.events import Assert, BusConnected, Delivered, TimePassed, Warn
from daemon.control.undelivered import delivered
from daemon.messaging.status import status_of
from tests.daemon.worlds import EVENING, MINUTE, POINT, World, kowhai, topics_of

if TYPE_CHECKING:
    from pathlib import Path

TOPICS = topics_of(kowhai())
COMMAND, PLAN = TOPICS.command(POINT), TOPICS.plan(POINT)
WHY = "its access list does not allow it"


def at_home() -> World:
    world = World(kowhai(), EVENING)
    world.handle(TimePassed())
    world.handle(BusConnected())
    return world


def codes_raised(world: World, topic: str, outcome: str) -> list[str]:
    """Let the bus report a delivery, and return the codes of the alerts that it raises."""
    event = Delivered(topic, outcome, topic == COMMAND, WHY)  # type: ignore[arg-type]  # one of three
    return [action.code for action in world.handle(event) if isinstance(action, Warn)]


def alerts(world: World) -> tuple[str, ...]:
    return status_of(world.state, world.now, world.house).alerts


def test_commands_without_a_subscriber() -> None:
    """The alert is raised once, stands in the status, and is cleared by a subscriber."""
    world = at_home()
    assert alerts(world) == ()
    assert codes_raised(world, COMMAND, "nobody-listens") == ["nobody-listens"]
    assert codes_raised(world, COMMAND, "nobody-listens") == []
    assert alerts(world) == ("nobody-listens",)
    assert codes_raised(world, COMMAND, "accepted") == []
    assert alerts(world) == ()
    assert codes_raised(world, COMMAND, "nobody-listens") == ["nobody-listens"]


def test_other_messages_without_a_subscriber_are_no_alert() -> None:
    """A plan that nobody listens to is no trouble."""
    world = at_home()
    assert codes_raised(world, PLAN, "nobody-listens") == []
    assert alerts(world) == ()


def test_hardware_that_reports_gets_the_command_again() -> None:
    """While nobody listens, any report makes the daemon publish the command again, unchanged."""
    world = at_home()
    before = world.state.command
    assert not [a for a in world.read() if isinstance(a, Assert)]
    codes_raised(world, COMMAND, "nobody-listens")
    world.advance(EVENING + MINUTE)
    assert Assert(before) in world.read()  # type: ignore[arg-type]  # there is one
    codes_raised(world, COMMAND, "accepted")
    world.advance(EVENING + 2 * MINUTE)
    assert not [a for a in world.read() if isinstance(a, Assert)]


def test_topics_that_the_broker_refuses() -> None:
    """The alert names the topic, is raised once, and holds until none is refused any more."""
    world = at_home()
    assert codes_raised(world, PLAN, "refused") == ["broker-refuses"]
    (warning,) = [action for _, action in world.actions if isinstance(action, Warn)]
    assert warning.message == f"The broker refuses what is published on {PLAN}: {WHY}."
    assert codes_raised(world, COMMAND, "refused") == []
    assert codes_raised(world, PLAN, "nobody-listens") == []
    assert alerts(world) == ("broker-refuses",)
    assert codes_raised(world, COMMAND, "accepted") == []
    assert alerts(world) == ()
    assert codes_raised(world, COMMAND, "refused") == ["broker-refuses"]


def test_such_alerts_hold_whether_or_not_a_vehicle_is_there() -> None:
    """A vehicle that comes and goes clears neither."""
    world = at_home()
    codes_raised(world, COMMAND, "nobody-listens")
    codes_raised(world, PLAN, "refused")
    world.plug_in(35.0)
    world.unplug()
    assert alerts(world) == ("broker-refuses", "nobody-listens")


def test_the_next_process_starts_without_such_alerts(tmp_path: Path) -> None:
    """It finds out again: nothing would tell it that all is well by now."""
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        world = World(kowhai(), EVENING, ledger)
        world.read()
        world.plug_in(35.0)
        codes_raised(world, COMMAND, "nobody-listens")
        codes_raised(world, PLAN, "refused")
        world.report(soc_percent=40.0)
        assert alerts(world.restarted()) == ()


@pytest.mark.parametrize(
    ("topic", "point", "is_command"),
    [
        (TOPICS.command("Driveway 2"), "Driveway 2", True),
        (TOPICS.status("driveway"), "driveway", False),
        (TOPICS.daemon, "driveway", False),
    ],
)
def test_whose_topic_it_is(topic: str, point: str, *, is_command: bool) -> None:
    """A topic is its charge point's; the first one takes those of the whole household."""
    found = delivered(Published(topic, "refused", WHY), TOPICS, ["driveway", "Driveway 2"])
    assert found == (point, Delivered(topic, "refused", is_command, WHY))
