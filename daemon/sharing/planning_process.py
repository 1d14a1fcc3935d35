"""Have joint plans made by a process of its own, so that the daemon's loop never waits for one.

The process is started with the first plan: a home with one charge point never has one. One that
dies, hangs or sends nonsense is replaced, and its plan fails.
"""

from __future__ import annotations

from collections import deque
from threading import Condition, Thread
from typing import TYPE_CHECKING, Final

import structlog

from daemon.sharing.planning_task import JointPlanMade, is_plan_for

if TYPE_CHECKING:
    from collections.abc import Callable

    from adapters.host.worker_process import WorkerProcess
    from daemon.sharing.planning_task import PlanningTask

LIMIT_SECONDS: Final = 60.0
"""A plan that takes longer fails."""

MOST_PREVIEWS: Final = 8
"""Previews that wait; of more, the oldest fails."""

STOPS_SECONDS: Final = 2.0

IDLE_SECONDS: Final = 1800.0
"""A process that had nothing to plan for so long ends, and gives back its memory."""

_CHILD: Final = "daemon.sharing.planning_child"

_log = structlog.get_logger(__name__)


class PlanningProcess:
    """Makes joint plans, one after the other.

    Parameters
    ----------
    post : callable
        Called with each plan, on a thread of its own.
    start_worker : callable
        Starts the process.
    idle_seconds : float
        A process that had nothing to plan for so long ends.
    """

    def __init__(
        self,
        post: Callable[[JointPlanMade], None],
        start_worker: Callable[[], WorkerProcess] | None = None,
        idle_seconds: float = IDLE_SECONDS,
    ) -> None:
        self._post = post
        self._start_worker = start_worker or _start_worker
        self._idle_seconds = idle_seconds
        self._changed = Condition()
        self._task: PlanningTask | None = None
        self._previews: deque[PlanningTask] = deque()
        self._worker: WorkerProcess | None = None
        self._thread: Thread | None = None
        # Whether the plan that is being made is there already, and only gets better.
        self._is_refining = False
        self._stopping = False

    def ask(self, task: PlanningTask) -> None:
        """Ask for a joint plan; returns at once. An older task that is no preview is forgotten.

        Parameters
        ----------
        task : PlanningTask
            What to plan.
        """
        with self._changed:
            dropped = None
            if not task.is_preview:
                self._task = task
            else:
                self._previews.append(task)
                dropped = self._previews.popleft() if len(self._previews) > MOST_PREVIEWS else None
            if self._is_refining and self._worker is not None:
                self._worker.hurry()
            self._changed.notify()
            if self._thread is None:
                self._thread = Thread(target=self._work, name="joint plans", daemon=True)
                self._thread.start()
        if dropped is not None:
            self._post(JointPlanMade(dropped, None))

    def stop(self) -> None:
        """Stop at once, whatever is being planned."""
        with self._changed:
            self._stopping = True
            if self._worker is not None:
                self._worker.kill()
            self._changed.notify()
        if self._thread is not None:
            self._thread.join(STOPS_SECONDS)

    def _work(self) -> None:
        while (task := self._next()) is not None:
            # The second try is for a process that was killed.
            if not self._has_planned(task) and not self._has_planned(task) and not self._stopping:
                self._post(JointPlanMade(task, None))
        self._end_worker()

    def _next(self) -> PlanningTask | None:
        """Wait for a task; None at the end."""
        while not self._has_news():
            self._end_worker()
        with self._changed:
            if self._stopping:
                return None
            if self._task is not None:
                task, self._task = self._task, None
                return task
            return self._previews.popleft()

    def _has_news(self) -> bool:
        """Wait for a task or the end; False if none comes for long."""
        with self._changed:
            return bool(
                self._changed.wait_for(
                    lambda: self._stopping or self._task or self._previews, self._idle_seconds
                )
            )

    def _has_planned(self, task: PlanningTask) -> bool:
        try:
            self._plan(task)
        except Exception as error:  # noqa: BLE001 - a new process may succeed
            if not self._stopping:
                _log.error("the process that plans together failed", why=str(error))
            self._end_worker()
            return False
        return True

    def _plan(self, task: PlanningTask) -> None:
        with self._changed:
            if self._stopping:
                return
            worker = self._worker = self._worker or self._start_worker()
            self._is_refining = False
        for plan in worker.ask(task, LIMIT_SECONDS):
            if not is_plan_for(task, plan):
                raise ValueError("it sent something that is no plan")
            self._post(JointPlanMade(task, plan))
            with self._changed:
                self._is_refining = True
                if self._task or self._previews:
                    worker.hurry()

    def _end_worker(self) -> None:
        with self._changed:
            worker, self._worker = self._worker, None
        if worker is not None:
            worker.close()


def _start_worker() -> WorkerProcess:
    # Loaded only where a plan is made together: it takes memory.
    from adapters.host.worker_process import WorkerProcess  # noqa: PLC0415

    return WorkerProcess(_CHILD)
