"""Share tasks on a Dask cluster. The only module that uses distributed.

A task whose worker dies is tried once more, when no other runs: then it can't be another one that
killed it.
"""

from __future__ import annotations

import logging
import signal
from contextlib import contextmanager
from multiprocessing.resource_tracker import ensure_running
from typing import TYPE_CHECKING, Any, Final

import dask
from distributed import Client, KilledWorker, LocalCluster, as_completed

from config.files.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

AHEAD: Final = 4
"""So many tasks wait at the cluster for each of its threads."""
CONNECT_SECONDS: Final = 20


class Cluster:
    """A cluster that is connected to."""

    def __init__(self, client: Client) -> None:
        self._client = client

    def results(
        self, work: Callable[..., Any], tasks: Iterable[tuple[Any, ...]]
    ) -> Iterator[tuple[tuple[Any, ...], Any]]:
        """Do tasks in any order.

        Parameters
        ----------
        work : callable
            Can be pickled; every worker can import it.
        tasks : iterable of tuple
            What it is called with.

        Yields
        ------
        tuple
            Each task, and its result; None if its worker died, twice.
        """
        waiting, killed = iter(tasks), []
        threads = sum(self._client.nthreads().values())
        running = as_completed()
        by_key = {}

        def submit() -> None:
            for task in waiting:
                future = self._client.submit(work, *task, pure=False)
                by_key[future.key] = task
                running.add(future)
                return

        for _ in range(max(1, threads) * AHEAD):
            submit()
        for future in running:
            task = by_key.pop(future.key)
            try:
                result = future.result()
            except KilledWorker:
                killed.append(task)
                submit()
                continue
            submit()
            yield task, result
        for task in killed:
            try:
                yield task, self._client.submit(work, *task, pure=False).result()
            except KilledWorker:
                yield task, None


@contextmanager
def _without_interrupts(**options: Any) -> Iterator[LocalCluster]:  # noqa: ANN401 - of the cluster
    """Start a cluster whose processes leave Ctrl-C to this one: they would all complain of it."""
    # Whatever starts while a signal is blocked has it blocked, too, and so have the threads of the
    # cluster, which start its processes.
    ensure_running()  # it would let the signal through again
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        cluster = LocalCluster(**options)
    finally:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    with cluster:
        yield cluster


@contextmanager
def connected(scheduler: str | None, workers: int) -> Iterator[Cluster]:
    """Connect to a cluster; start one on this machine if none is named, and end it afterwards.

    Parameters
    ----------
    scheduler : str or None
        The address of its scheduler, such as ``tcp://10.0.0.5:8786``.
    workers : int
        Processes of a cluster on this machine.

    Yields
    ------
    Cluster
        It has at least one worker.

    Raises
    ------
    UsageError
        If the scheduler does not answer, or has no workers.
    """
    if scheduler is not None:
        try:
            client = Client(scheduler, timeout=CONNECT_SECONDS)
        except (OSError, ValueError) as error:
            raise UsageError(f"--scheduler: {scheduler}: does not answer") from error
        with client:
            if not client.nthreads():
                raise UsageError(f"--scheduler: {scheduler}: expected workers, and it has none")
            yield Cluster(client)
        return
    settings = {"distributed.scheduler.allowed-failures": 0}
    with (
        dask.config.set(settings),
        _without_interrupts(
            n_workers=workers, threads_per_worker=1, host="127.0.0.1",
            dashboard_address="127.0.0.1:0", memory_limit=0, silence_logs=logging.CRITICAL,
        ) as cluster,
        Client(cluster) as client,
    ):  # fmt: skip
        yield Cluster(client)
