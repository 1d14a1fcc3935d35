"""The process that makes joint plans: what it sends is taken up, and its faults end nothing."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from threading import Event
from typing import cast

import pytest

from adapters.host.worker_process import WorkerFailed, WorkerProcess
from daemon.sharing.planning_process import MOST_PREVIEWS, PlanningProcess
from daemon.sharing.planning_task import JointPlanMade, PlanningTask, plan_for
from planners.home.together import HomePlan
from planners.rates.prices import prices_of
from tests.planners.home.test_together import TwoCars
from tests.support.waiting import wait_until

Answers = Callable[[PlanningTask], Iterable[object]]


def task_of(*, is_preview: bool = False) -> PlanningTask:
    home = TwoCars()
    file = home.file()
    cars = tuple(home.situations(79.0, 79.0))
    return PlanningTask(file, prices_of(file, {}), cars, (), is_preview)


@dataclass
class Worker:
    """A worker that does what the test says."""

    answers: Answers
    is_closed: bool = False
    is_hurried: Event = field(default_factory=Event)

    def hurry(self) -> None:
        self.is_hurried.set()

    def ask(self, task: PlanningTask, _limit_seconds: float) -> Iterable[object]:
        return self.answers(task)

    def kill(self) -> None:
        pass

    def close(self) -> None:
        self.is_closed = True


@dataclass
class Plans:
    """A planning process with workers of the test's, and the plans that it posts."""

    answers: list[Answers]
    made: list[JointPlanMade] = field(default_factory=list)
    workers: list[Worker] = field(default_factory=list)

    def start_worker(self) -> WorkerProcess:
        self.workers.append(Worker(self.answers.pop(0)))
        return cast("WorkerProcess", self.workers[-1])

    def wait_for(self, count: int) -> None:
        wait_until(lambda: len(self.made) >= count, what="the plans are there")


def dies(_task: PlanningTask) -> Iterator[object]:
    raise WorkerFailed("gone")


def good(_task: PlanningTask) -> Iterator[object]:
    yield None


def talks_nonsense(_task: PlanningTask) -> Iterator[object]:
    yield {"allotted": {"driveway": -1}}


def plans_another_home(_task: PlanningTask) -> Iterator[object]:
    yield HomePlan({"elsewhere": ()}, 0.0, 0.0, is_short=False)


@pytest.mark.parametrize("fails", [dies, talks_nonsense, plans_another_home])
def test_a_worker_that_fails_is_replaced_and_asked_again(fails: Answers) -> None:
    plans = Plans([fails, good])
    process = PlanningProcess(plans.made.append, plans.start_worker)
    task = task_of()
    process.ask(task)
    plans.wait_for(1)
    process.stop()
    assert [each.task for each in plans.made] == [task]
    assert [each.is_closed for each in plans.workers] == [True, True]


def test_a_task_that_fails_twice_has_no_plan_and_the_next_one_is_planned() -> None:
    plans = Plans([dies, dies, good])
    process = PlanningProcess(plans.made.append, plans.start_worker)
    process.ask(task_of())
    plans.wait_for(1)
    assert plans.made[0].plan is None
    process.ask(task_of())
    plans.wait_for(2)
    process.stop()
    assert len(plans.workers) == 3


def test_of_tasks_that_wait_the_newest_is_planned_and_previews_come_after_it() -> None:
    goes_on, begun = Event(), Event()

    def slow(_task: PlanningTask) -> Iterator[object]:
        begun.set()
        goes_on.wait()
        yield None

    plans = Plans([slow])
    process = PlanningProcess(plans.made.append, plans.start_worker)
    first, second, third = task_of(), task_of(), task_of()
    previews = [task_of(is_preview=True) for _ in range(MOST_PREVIEWS + 1)]
    process.ask(first)
    begun.wait()
    for each in (second, *previews, third):
        process.ask(each)
    goes_on.set()
    plans.wait_for(len(previews) + 2)
    process.stop()
    assert [each.task for each in plans.made] == [previews[0], first, third, *previews[1:]]


def test_a_plan_that_only_gets_better_is_hurried_by_the_next_task() -> None:
    def refines(_task: PlanningTask) -> Iterator[object]:
        yield None
        assert plans.workers[0].is_hurried.wait(60)
        yield None

    plans = Plans([refines])
    process = PlanningProcess(plans.made.append, plans.start_worker)
    first, second = task_of(), task_of()
    process.ask(first)
    plans.wait_for(1)
    process.ask(second)
    plans.wait_for(3)
    process.stop()
    assert [each.task for each in plans.made][:3] == [first, first, second]


def test_a_process_with_nothing_to_plan_ends_and_another_plans_the_next() -> None:
    plans = Plans([good, good])
    process = PlanningProcess(plans.made.append, plans.start_worker, idle_seconds=0.01)
    process.ask(task_of())
    wait_until(lambda: plans.workers and plans.workers[0].is_closed)
    process.ask(task_of())
    plans.wait_for(2)
    process.stop()
    assert len(plans.workers) == 2


def test_a_real_process_makes_the_same_plan_and_ends_with_the_daemon() -> None:
    made: list[JointPlanMade] = []
    process = PlanningProcess(made.append)
    task = task_of()
    process.ask(task)
    wait_until(lambda: made, 30)
    worker = process._worker
    process.stop()
    assert made[0].plan == plan_for(task)
    assert worker is not None
    with pytest.raises(ProcessLookupError):
        os.kill(worker.pid, 0)
