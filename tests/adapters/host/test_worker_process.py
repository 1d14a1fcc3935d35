"""A process that computes for the daemon: it dies with it, and may die, hang or talk nonsense."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from adapters.host.worker_process import WorkerFailed, WorkerProcess
from tests.support.waiting import patience, wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

ECHO = """
from adapters.host.worker_process import serve
def answer(question, send, is_hurried):
    for each in question:
        send(each)
        while each == "wait" and not is_hurried():
            pass
serve(answer)
"""
"""A worker whose answers are the items of the question."""


@pytest.fixture
def module(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    (tmp_path / "echo_worker.py").write_text(ECHO, "utf-8")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    return "echo_worker"


@pytest.fixture
def worker(module: str) -> Iterator[WorkerProcess]:
    worker = WorkerProcess(module)
    yield worker
    worker.close()


def is_alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def test_a_worker_answers_with_a_low_priority_and_dies_only_when_told(
    worker: WorkerProcess,
) -> None:
    assert list(worker.ask(["one", 2], patience(20))) == ["one", 2]
    assert os.getpriority(os.PRIO_PROCESS, worker.pid) == min(19, os.nice(0) + 10)
    os.kill(worker.pid, signal.SIGTERM)  # as a service manager does to all processes
    assert list(worker.ask([3], patience(20))) == [3]
    os.kill(worker.pid, signal.SIGKILL)
    with pytest.raises(WorkerFailed):
        list(worker.ask([4], patience(20)))


def test_a_worker_that_is_hurried_knows_it(worker: WorkerProcess) -> None:
    answers = iter(worker.ask(["wait", "gone on"], patience(20)))
    assert next(answers) == "wait"
    worker.hurry()
    assert list(answers) == ["gone on"]
    assert list(worker.ask([1], patience(20))) == [1]


def test_a_worker_that_hangs_is_killed_when_it_is_late(worker: WorkerProcess) -> None:
    assert list(worker.ask([1], patience(20))) == [1]
    os.kill(worker.pid, signal.SIGSTOP)
    with pytest.raises(WorkerFailed):
        list(worker.ask([2], 0.1))


def test_nonsense_from_a_worker_is_a_failure(worker: WorkerProcess) -> None:
    assert list(worker.ask([1], patience(20))) == [1]
    worker._connection.send_bytes(b"nonsense")  # it can't read that, and says so by its end
    with pytest.raises(WorkerFailed):
        list(worker.ask([2], patience(20)))


PARENT = """
import sys
from adapters.host.worker_process import WorkerProcess
worker = WorkerProcess("echo_worker")
assert list(worker.ask([1], 60)) == [1]
print(worker.pid, flush=True)
sys.stdin.read()
"""


@pytest.mark.usefixtures("module")
def test_a_worker_ends_with_the_process_that_started_it_even_if_that_is_killed() -> None:
    with subprocess.Popen(
        [sys.executable, "-c", PARENT], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as parent:
        assert parent.stdout is not None
        pid = int(parent.stdout.readline())
        assert is_alive(pid)
        parent.kill()
        wait_until(lambda: not is_alive(pid), what="the worker has ended")
