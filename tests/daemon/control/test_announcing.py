"""What goes out first: commands before the plans that say why, and stops before others' plans."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from adapters.clocks.clock import VirtualClock
from adapters.contract.messages import Message, Request, VehicleReport
from adapters.ledger.ledger import Ledger, open_ledger
from daemon.control.controller import react, step
from daemon.control.events import Action, AnnouncePlan, Event, Issue, PersonAsked, VehicleReported
from daemon.control.replanning import announce
from daemon.control.state import PointState
from daemon.messaging.incoming import Halt, WakeUp
from daemon.service.household_watch import HouseholdWatch
from daemon.service.service import Service
from tests.benchmarks.households import many, point_names
from tests.daemon.worlds import EVENING, HOUR, RecordedBus, World, arrived, kowhai, topics_of

POINTS = point_names(3)
FIRST, SECOND, LAST = POINTS
PLUGGED_IN = VehicleReport(at=EVENING, pilot="B", soc_percent=35)
FULLER = VehicleReport(at=EVENING + timedelta(seconds=1), soc_percent=50)
UNPLUGGED = VehicleReport(at=EVENING + timedelta(seconds=2), pilot="A")


class Home:
    """A service with three charge points."""

    def __init__(self, directory: Path, ledger: Ledger) -> None:
        watch = HouseholdWatch(many(directory, "mqtt://127.0.0.1:1", len(POINTS)))
        self.topics = topics_of(watch.house)
        self.clock = VirtualClock(EVENING)
        self.bus = RecordedBus()
        self.service = Service(
            watch, ledger, self.clock, bus=self.bus, wake_at=lambda _instant: None
        )
        # However long a plan takes on a busy machine, no message waits for so long as to be urgent.
        self.service._queue._seconds = lambda: 0.0
        self.service.handle(WakeUp())
        self.bus.clear()

    def handle(self, *messages: tuple[str, Message]) -> list[str]:
        """Let the service handle messages that are all in the queue; return the topics it uses."""
        for topic, message in messages:
            self.service.post(arrived(topic, message))
        self.service.post(Halt())
        self.service.run()
        return [topic for topic, payload, _ in self.bus.messages if payload]


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Home]:
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        yield Home(tmp_path, ledger)


def reacted(world: World, state: PointState, event: Event) -> tuple[PointState, tuple[Action, ...]]:
    """React to an event to the end."""
    done: tuple[Action, ...] = ()
    for known, actions in react(state, event, world.now, world.house):
        state, done = known, (*done, *actions)
    return state, done


@pytest.mark.parametrize("wish", [{"charge_now": True}, {"skip_until": EVENING + HOUR}])
def test_what_a_person_asks_for_does_not_wait_for_a_plan(wish: dict[str, Any]) -> None:
    """The command that a wish settles goes out first; the plan that it changes comes after."""
    world = World(kowhai(), EVENING)
    world.plug_in(35.0)
    world.wait(EVENING + HOUR / 2)
    asked = PersonAsked(Request.model_validate(wish))
    (_, first), (_, second) = react(world.state, asked, world.now, world.house)
    command = [action.command for action in first if isinstance(action, Issue)]
    assert [each.do for each in command] == ["start" if "charge_now" in wish else "stop"]
    assert not any(isinstance(action, Issue) for action in second)


def test_reacting_leaves_the_sentences_for_later() -> None:
    """A reaction has the command and no plan; with the announcement it equals a step."""
    world = World(kowhai(), EVENING)
    event = VehicleReported(PLUGGED_IN)
    state, actions = reacted(world, world.state, event)
    assert any(isinstance(action, Issue) for action in actions)
    assert not any(isinstance(action, AnnouncePlan) for action in actions)
    announced, (announcement,) = announce(state)
    whole, stepped = step(world.state, event, world.now, world.house)
    assert stepped == (*actions, announcement)
    assert whole == announced
    assert announced.plan is not None
    assert announced.plan.why
    assert announce(announced) == (announced, ())


def test_a_plan_that_is_gone_is_not_announced() -> None:
    """A vehicle that left before its plan was announced has none."""
    world = World(kowhai(), EVENING)
    state, _ = reacted(world, world.state, VehicleReported(PLUGGED_IN))
    assert state.draft is not None
    state, _ = reacted(world, state, VehicleReported(UNPLUGGED))
    assert announce(state)[1] == ()


def test_commands_do_not_wait_for_plans_to_be_announced(home: Home) -> None:
    """Three vehicles that come at one instant are all commanded before any plan is published."""
    topics = home.handle(*((home.topics.vehicle(point), PLUGGED_IN) for point in POINTS))
    commands = [topics.index(home.topics.command(point)) for point in POINTS]
    plans = [topics.index(home.topics.plan(point)) for point in POINTS]
    assert max(commands) < min(plans)


def test_a_plan_that_another_replaces_at_once_is_passed_over(home: Home) -> None:
    """Of two plans that are made while messages wait, only the one in force is announced."""
    topic = home.topics.vehicle(FIRST)
    home.handle((topic, PLUGGED_IN), (topic, FULLER))
    (plan,) = home.bus.on("plan")
    assert plan["soc_percent"] == FULLER.soc_percent


def test_those_that_charge_come_first(home: Home) -> None:
    """What stops a charge goes out before the others are looked at, whatever their place."""
    for point in POINTS:
        home.service.handle(arrived(home.topics.vehicle(point), PLUGGED_IN))
    home.service.handle(arrived(home.topics.request(LAST), Request(charge_now=True)))
    home.bus.clear()
    home.clock.advance_to(EVENING + timedelta(hours=5, minutes=55))
    home.service.handle(WakeUp())
    renewed = [topic for topic, _, _ in home.bus.messages if topic.endswith("/command")]
    assert renewed[0] == home.topics.command(LAST)
    assert set(renewed) > {home.topics.command(LAST)}


def test_only_those_concerned_say_how_they_are(home: Home) -> None:
    """A message for one charge point brings no other's status; a wake-up brings all due ones."""
    topic = home.topics.vehicle(SECOND)
    home.service.handle(arrived(topic, PLUGGED_IN))
    topics = {topic for topic, _, _ in home.bus.messages if topic.endswith("/status")}
    assert topics == {home.topics.status(SECOND)}
    home.clock.advance_to(EVENING + timedelta(minutes=3))
    home.bus.clear()
    home.service.handle(WakeUp())
    topics = {topic for topic, _, _ in home.bus.messages if topic.endswith("/status")}
    assert topics == {home.topics.status(point) for point in POINTS}
