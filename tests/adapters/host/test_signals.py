"""Signals are passed on at once, whichever thread the kernel gives them to."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from queue import SimpleQueue
from threading import Lock, Thread

import pytest

from adapters.host.signals import heed_signals
from tests.support.waiting import DEFAULT_LIMIT_SECONDS, patience, wait_until

TELL_AND_WAIT = """
import os, signal, sys
from threading import Event
from adapters.host.signals import heed_signals

with heed_signals({signal.SIGTERM: lambda: os.write(1, b"heard")}):
    os.write(1, b"ready")
    Event().wait()
"""


@contextmanager
def switching_only_at_waits() -> Iterator[None]:
    """Let a thread run until it waits for something."""
    usual = sys.getswitchinterval()
    sys.setswitchinterval(DEFAULT_LIMIT_SECONDS)
    try:
        yield
    finally:
        sys.setswitchinterval(usual)


def test_a_signal_is_passed_on_while_the_main_thread_waits() -> None:
    """Another thread receives it while the main thread waits for its effect."""
    heard: SimpleQueue[str] = SimpleQueue()
    gate = Lock()
    gate.acquire()

    def get_a_signal() -> None:
        with gate:
            signal.raise_signal(signal.SIGHUP)

    other = Thread(target=get_a_signal)
    other.start()
    with heed_signals({signal.SIGHUP: lambda: heard.put("reload")}), switching_only_at_waits():
        gate.release()
        assert heard.get(timeout=patience()) == "reload"
    other.join()


def test_each_signal_comes_to_its_own_call() -> None:
    """Two that arrive together are both passed on, in order."""
    heard: SimpleQueue[str] = SimpleQueue()
    calls = {signal.SIGHUP: lambda: heard.put("reload"), signal.SIGTERM: lambda: heard.put("end")}
    with heed_signals(calls):
        signal.raise_signal(signal.SIGHUP)
        signal.raise_signal(signal.SIGTERM)
        arrived = [heard.get(timeout=patience()) for _ in range(2)]
    assert arrived == ["reload", "end"]


@pytest.fixture
def child() -> Iterator[subprocess.Popen[bytes]]:
    command = [sys.executable, "-c", TELL_AND_WAIT]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as running:
        yield running
        running.kill()


def test_a_second_signal_to_end_means_now(child: subprocess.Popen[bytes]) -> None:
    """The first one is passed on; the next ends the process, whatever it waits for."""
    assert child.stdout is not None
    assert child.stdout.read(5) == b"ready"
    child.terminate()
    assert child.stdout.read(5) == b"heard"

    def ends_by_another() -> bool:
        child.terminate()
        return child.poll() is not None

    wait_until(ends_by_another, what="ends")
    assert child.returncode == -signal.SIGTERM
