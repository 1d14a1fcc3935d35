"""A joint plan is made apart from the loop: nothing waits for it but what it decides."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest

from daemon.sharing.household import LATE
from daemon.sharing.planning_task import JointPlanMade, PlanningTask, plan_for
from planners.power.allowed_currents import AmpsSpan
from tests.daemon.sharing.homes import Home, home_of
from tests.daemon.worlds import HOUR, MINUTE, utc

if TYPE_CHECKING:
    from pathlib import Path

    from adapters.ledger.ledger import Ledger
    from planners.home.together import HomePlan

NIGHT = utc("2026-06-03T11:20")
"""23:20 in Auckland; the night band began at 23:00 and ends at 07:00."""

SECOND = timedelta(seconds=1)
SETTLED = timedelta(seconds=75)


@dataclass
class Planner:
    """Makes a joint plan when the test says so."""

    tasks: list[PlanningTask] = field(default_factory=list)

    def ask(self, task: PlanningTask) -> None:
        self.tasks.append(task)

    def give(self, home: Home, place: int = -1) -> None:
        """Hand over the plan for one of the tasks, the last by default."""
        task = self.tasks[place]
        self.hand(home, task, plan_for(task))

    def hand(self, home: Home, task: PlanningTask, plan: HomePlan | None) -> None:
        home.service.handle(JointPlanMade(task, plan))


@pytest.fixture
def planner() -> Planner:
    return Planner()


@pytest.fixture
def home(tmp_path: Path, ledger: Ledger, planner: Planner) -> Home:
    """Give a home in which one vehicle charges at 32 A, and another has just come."""
    home = Home(tmp_path, ledger, NIGHT, home_of(), ask_for_plan=planner.ask)
    home.plug_in("east", 10)
    home.pass_time(2 * MINUTE)
    assert home.currents() == {"east": 32.0, "west": 0.0}
    assert planner.tasks == []  # one alone needs no joint plan
    home.plug_in("west", 10)
    assert len(planner.tasks) == 1
    return home


def commands(home: Home, point: str) -> list[tuple[str, float | None]]:
    """List what the hardware of a charge point was commanded."""
    topic = f"{home.topics.base}/{point}/command"
    found = [json.loads(payload) for sent_on, payload, _ in home.bus.messages if sent_on == topic]
    return [(each["do"], each.get("amps")) for each in found]


def test_what_charges_goes_on_and_nothing_starts_until_the_plan_is_there(
    home: Home, planner: Planner
) -> None:
    """The other would start and be stopped again, if the plan gave it later hours."""
    home.pass_time(5 * SECOND)
    assert home.currents() == {"east": 32.0, "west": 0.0}
    assert commands(home, "east")[-1] == ("start", 32.0)
    assert {do for do, _ in commands(home, "west")} == {"stop"}
    planner.give(home)
    home.pass_time(SETTLED)
    assert home.drawn == pytest.approx(40.0)
    assert commands(home, "west")[-1][0] == "start"


def test_a_load_above_the_fuse_is_answered_at_once_while_the_plan_is_made(home: Home) -> None:
    home.set_load(30.0)
    home.read_load()
    assert commands(home, "east")[-1] == ("start", 10.0)


def test_a_plan_that_is_late_leaves_the_fixed_shares_until_it_comes(
    home: Home, planner: Planner
) -> None:
    home.pass_time(LATE + SETTLED)
    assert home.currents() == {"east": 20.0, "west": 20.0}
    task = planner.tasks[-1]
    plan = plan_for(task)
    assert plan is not None
    amps = {"east": 32.0, "west": 8.0}
    spans: dict[str, tuple[AmpsSpan, ...]] = {
        name: (AmpsSpan(each[0].start, each[-1].end, amps[name]),)
        for name, each in plan.allotted.items()
    }
    planner.hand(home, task, replace(plan, allotted=spans))
    home.pass_time(SETTLED)
    assert home.currents() == amps


def test_a_plan_that_failed_leaves_the_fixed_shares(home: Home, planner: Planner) -> None:
    planner.hand(home, planner.tasks[-1], None)
    home.pass_time(SETTLED)
    assert home.currents() == {"east": 20.0, "west": 20.0}
    home.pass_time(15 * MINUTE)
    assert len(planner.tasks) == 2  # it is tried again


def test_a_plan_for_a_vehicle_that_left_again_is_not_taken_up(home: Home, planner: Planner) -> None:
    home.unplug("west")
    planner.give(home)
    home.pass_time(SETTLED)
    assert home.currents() == {"east": 32.0, "west": 0.0}


def test_a_plan_for_a_need_that_has_changed_is_not_taken_up(home: Home, planner: Planner) -> None:
    home.ask("west", need_percent=30)
    assert len(planner.tasks) == 2
    planner.give(home, 0)
    home.pass_time(SECOND)
    assert home.currents() == {"east": 32.0, "west": 0.0}
    planner.give(home, 1)
    home.pass_time(SETTLED)
    assert home.drawn == pytest.approx(40.0)


def test_a_request_is_answered_with_the_plan(home: Home, planner: Planner) -> None:
    home.ask("west", id="more", need_percent=60)
    assert home.bus.last("answer") is None
    planner.give(home)
    answer = home.bus.last("answer")
    assert answer is not None
    assert answer["understood"]
    assert home.state("west").plan is not None
    assert answer["departures"][0]["reaches_percent"] == pytest.approx(60, abs=0.5)


def test_a_preview_is_planned_apart_too_and_changes_nothing(home: Home, planner: Planner) -> None:
    planner.give(home)
    home.pass_time(SETTLED)
    plan, asked = home.state("west").plan, len(planner.tasks)
    home.ask("west", id="what if", need_percent=60, preview=True)
    assert home.bus.last("answer") is None
    assert [task.is_preview for task in planner.tasks[asked:]] == [True]
    planner.give(home)
    answer = home.bus.last("answer")
    assert answer is not None
    assert answer["departures"][0]["reaches_percent"] == pytest.approx(60, abs=0.5)
    assert home.state("west").plan is plan


def test_a_preview_of_no_change_plans_nothing(home: Home, planner: Planner) -> None:
    planner.give(home)
    home.pass_time(SETTLED)
    asked = len(planner.tasks)
    home.ask("west", id="what if", clear=True, preview=True)
    assert len(planner.tasks) == asked
    assert home.bus.last("answer") is not None


def test_the_plan_is_made_again_after_a_while_and_nothing_waits_for_it(
    home: Home, planner: Planner
) -> None:
    """What it rests on is the same: until it is there, the plan in force is good."""
    planner.give(home)
    home.pass_time(20 * MINUTE)
    assert len(planner.tasks) == 2
    assert home.drawn == pytest.approx(40.0)
    home.pass_time(LATE + SETTLED)
    assert home.drawn == pytest.approx(40.0)


def test_a_better_proof_of_the_same_plan_is_told_and_switches_nothing(
    home: Home, planner: Planner
) -> None:
    task = planner.tasks[-1]
    plan = plan_for(task)
    assert plan is not None
    planner.hand(home, task, replace(plan, gap=1.0, gap_share=0.05))
    home.pass_time(SETTLED)
    sent = [commands(home, name) for name in ("east", "west")]
    planner.hand(home, task, replace(plan, gap=0.0, gap_share=0.0))
    for name in ("east", "west"):
        made = home.state(name).plan
        assert made is not None
        assert any("proven to be the cheapest" in line for line in made.why)
    home.pass_time(SETTLED)
    assert [commands(home, name) for name in ("east", "west")] == sent


def test_a_restart_keeps_what_charges_on_its_current(home: Home, planner: Planner) -> None:
    planner.give(home)
    home.pass_time(HOUR)
    before = home.currents()
    home.start()
    asked = len(planner.tasks)
    assert [commands(home, name)[-1] for name in ("east", "west")] == [
        ("start", before["east"]),
        ("start", before["west"]),
    ]
    planner.give(home, asked - 1)
    home.pass_time(SETTLED)
    assert home.drawn == pytest.approx(40.0)
    assert "stop" not in {do for name in ("east", "west") for do, _ in commands(home, name)}


@pytest.mark.parametrize("load", [25.0, 39.0])
def test_a_vehicle_that_the_load_delays_is_planned_for_again_soon(
    home: Home, planner: Planner, load: float
) -> None:
    """A percent is 0.5 kWh: 10 minutes at 13 A less, 6.5 minutes at 20 A less; then anew."""
    planner.give(home)
    home.read_load()
    home.pass_time(2 * MINUTE)
    asked: list[float] = []
    begun, known = home.clock.at, len(planner.tasks)
    home.set_load(load)
    while home.clock.at < begun + 14 * MINUTE:
        home.pass_time(10 * SECOND)
        if len(planner.tasks) > known:
            known = len(planner.tasks)
            asked.append((home.clock.at - begun) / MINUTE)
            planner.give(home)
    assert asked
    assert 5 < asked[0] < 12
    assert len(asked) <= 4
    assert all(later - sooner > 0.9 for sooner, later in pairwise(asked))
