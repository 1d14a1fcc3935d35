"""Do the same work for many items with several processes, and give the results in order.

One thread for each process asks it for one item after another. Few results wait for an earlier
one, so that memory does not grow with the number of items.
"""

from __future__ import annotations

import os
from contextlib import suppress
from dataclasses import dataclass, field
from threading import Condition, Thread
from typing import TYPE_CHECKING, Final, Generic, NamedTuple, TypeVar

from adapters.host.worker_process import WorkerFailed, WorkerProcess

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterator, Sequence

Item = TypeVar("Item")
Result = TypeVar("Result")

MOST_WORKERS: Final = 64
WAITING_PER_WORKER: Final = 8
"""How many items ahead of the first one that is not done each process may be."""
START_SECONDS: Final = 120.0
"""How long a process may take to start and load its work."""
_CHILD: Final = "adapters.workers.child"


class Lost(NamedTuple):
    """What became of an item that has no result: why, in words."""

    reason: str


@dataclass(frozen=True, slots=True)
class Workers:
    """How work is shared: among how many processes, and how long one item may take.

    With one, the work is done in this process, where nothing limits its time.
    """

    count: int = 1
    limit_seconds: float = 900.0


def own_cores() -> int:
    """Count the cores that this process may use, `MOST_WORKERS` at most."""
    return min(len(os.sched_getaffinity(0)), MOST_WORKERS)


def in_order(
    work: Callable[[Item], Result], items: Sequence[Item], workers: Workers
) -> Generator[Result | Lost, None, None]:
    """Do the same work for each item.

    Parameters
    ----------
    work : callable
        Can be pickled if there are several workers, as its items and results can. It raises
        nothing.
    items : sequence
        What it is called with.
    workers : Workers
        How the work is shared.

    Yields
    ------
    object
        The result of each item, in order; `Lost` for one whose process died, or took too long. All
        processes end when the iteration ends, also early.
    """
    count = min(workers.count, len(items))
    if count <= 1:
        yield from map(work, items)
        return
    pool = _Pool(work, items, count, workers.limit_seconds)
    try:
        yield from pool.results()
    finally:
        pool.close()


@dataclass
class _Pool(Generic[Item, Result]):
    """Threads, each with a process; what is done and not yet given; which item is next."""

    work: Callable[[Item], Result]
    items: Sequence[Item]
    count: int
    limit_seconds: float
    done: dict[int, Result | Lost] = field(default_factory=dict)
    next_item: int = 0
    given: int = 0
    closing: bool = False
    changed: Condition = field(default_factory=Condition)
    processes: dict[int, WorkerProcess] = field(default_factory=dict)
    threads: list[Thread] = field(default_factory=list)

    def results(self) -> Iterator[Result | Lost]:
        """Start the processes, and give each result once those before it are given."""
        for number in range(self.count):
            thread = Thread(target=self._serve, args=(number,), daemon=True)
            self.threads.append(thread)
            thread.start()
        for place in range(len(self.items)):
            with self.changed:
                self.changed.wait_for(lambda place=place: place in self.done)  # type: ignore[misc]
                result = self.done.pop(place)
                self.given = place + 1
                self.changed.notify_all()
            yield result

    def close(self) -> None:
        """Kill all processes, and wait until they have ended."""
        with self.changed:
            self.closing = True
            self.changed.notify_all()
            for process in self.processes.values():
                process.kill()
        for thread in self.threads:
            thread.join()

    def _serve(self, number: int) -> None:
        """Have one process do one item after another; start another one if it dies."""
        try:
            while (place := self._take()) is not None:
                result = self._ask(number, self.items[place])
                with self.changed:
                    self.done[place] = result
                    self.changed.notify_all()
        finally:
            self._end(number)

    def _take(self) -> int | None:
        """Take the next item, once it is not too far ahead; None if there is none."""
        ahead = WAITING_PER_WORKER * self.count
        with self.changed:
            self.changed.wait_for(lambda: self.closing or self.next_item < self.given + ahead)
            if self.closing or self.next_item >= len(self.items):
                return None
            self.next_item += 1
            return self.next_item - 1

    def _ask(self, number: int, item: Item) -> Result | Lost:
        try:
            process = self.processes.get(number) or self._start(number)
            [result] = process.ask(item, self.limit_seconds)
        except WorkerFailed as error:
            self._end(number)
            return Lost(self._why(error))
        except OSError as error:
            return Lost(f"no process could be started for it: {error.strerror}")
        made: Result = result
        return made

    def _start(self, number: int) -> WorkerProcess:
        process = WorkerProcess(_CHILD)
        with self.changed:
            self.processes[number] = process
            if self.closing:
                process.kill()
        for _nothing in process.ask(self.work, START_SECONDS):
            pass
        return process

    def _end(self, number: int) -> None:
        with self.changed:
            process = self.processes.pop(number, None)
        if process is not None:
            with suppress(OSError):
                process.close()

    def _why(self, error: WorkerFailed) -> str:
        if error.was_late:
            return f"it took more than {self.limit_seconds / 60:g} minutes, and was stopped"
        return "the process that worked on it ended unexpectedly, perhaps for lack of memory"
