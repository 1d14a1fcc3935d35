"""Control a daemon's process from the campaign: start it, kill it, receive its reports."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from multiprocessing import get_context
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from threading import Timer
from time import monotonic
from typing import Any, Final

from daemon.control.events import CommandInForce
from planners.plan.plan import Period
from tests.faults.daemon_process import Aim, ChildReport, Mark, Order, run_child
from tests.support.waiting import patience

LIMIT_SECONDS: Final = 20.0

_PROCESSES: Final = get_context("forkserver")
_PROCESSES.set_forkserver_preload(["tests.faults.daemon_process"])


class Died(Exception):  # noqa: N818 - that is what happened
    """The daemon's process is dead."""


class Stuck(Exception):  # noqa: N818 - that is what happened
    """The daemon is alive, but something that must happen does not."""


class DaemonHandle:
    """One daemon, started again after each kill.

    Attributes
    ----------
    arrived : set of Mark
        Every message that was handled.
    issued : list of CommandInForce
        Every command, in order.
    command, periods, charges_now, wake
        What was in force at the last report.
    """

    def __init__(
        self, house: Path, *, keepalive_seconds: int = 10, plant: str | None = None
    ) -> None:
        self._house = house
        self._keepalive_seconds = keepalive_seconds
        self._plant = plant
        self._pipe: Connection | None = None
        self._process: BaseProcess | None = None
        self._is_over = False
        self._clock_ticks = 0
        self.wake_ups = 0
        self.connections = 0
        self.disconnections = 0
        self.connected_at_seconds = 0.0
        self.arrived: set[Mark] = set()
        self.issued: list[CommandInForce] = []
        self.nights: list[dict[str, Any]] = []
        self.alerts: list[str] = []
        self.command: CommandInForce | None = None
        self.periods: tuple[Period, ...] = ()
        self.charges_now = False
        self.wake: datetime | None = None

    @property
    def serial(self) -> int:
        """The highest serial so far, also of a command that it recorded but died before sending."""
        known = [*self.issued, *([] if self.command is None else [self.command])]
        return max((command.serial for command in known), default=0)

    def start(self, at: datetime, aim: Aim | None = None) -> None:
        """Start it at a virtual instant, on the ledger that it left."""
        self._pipe, theirs = _PROCESSES.Pipe()
        order = Order(self._house, at, self._keepalive_seconds, aim, self._plant)
        self._process = _PROCESSES.Process(target=run_child, args=(theirs, order), daemon=True)
        self._process.start()
        theirs.close()
        self._is_over = False
        self.wake = self.command = None

    def kill(self) -> None:
        """Kill it (SIGKILL), now."""
        assert self._process is not None
        self._process.kill()

    def kill_after(self, seconds: float) -> Timer:
        """Kill it (SIGKILL) after so many seconds."""
        assert self._process is not None
        timer = Timer(seconds, self._process.kill)
        timer.start()
        return timer

    def end_life(self) -> int | None:
        """Receive its last reports, wait for its end, and return its exit code."""
        if self._process is None:
            return None
        if not self._is_over:  # one that has ended by itself must not seem killed
            self._process.kill()
        try:
            while True:
                self._receive(patience(LIMIT_SECONDS), "its end")
        except Died:
            pass
        self._process.join(patience(LIMIT_SECONDS))
        code = self._process.exitcode
        self._process.close()
        self._process = None
        assert self._pipe is not None
        self._pipe.close()
        return code

    def aim(self, aim: Aim) -> None:
        """Have it kill itself when it passes a place."""
        self._send(aim)

    def set_clock(self, now: datetime) -> None:
        """Move its clock."""
        ticks = self._clock_ticks
        self._send(now)
        self.wait(lambda: self._clock_ticks > ticks, "the clock")

    def wake_up(self) -> None:
        """Wake it, and wait until the wake-up is handled."""
        wake_ups = self.wake_ups
        self._send("wake-up")
        self.wait(lambda: self.wake_ups > wake_ups, "a wake-up is handled")

    def wait(
        self, condition: Callable[[], bool], what: str, limit_seconds: float = LIMIT_SECONDS
    ) -> None:
        """Receive its reports until a condition is true."""
        deadline = monotonic() + patience(limit_seconds)
        while not condition():
            self._receive(max(0.0, deadline - monotonic()), what)

    def drain(self) -> None:
        """Receive the reports that are there, without waiting."""
        while self._pipe is not None and self._pipe.poll(0):
            self._receive(0, "what is there")

    def _send(self, what: object) -> None:
        assert self._pipe is not None
        try:
            self._pipe.send(what)
        except OSError as error:
            self._is_over = True
            raise Died from error

    def _receive(self, patience_seconds: float, what: str) -> None:
        assert self._pipe is not None
        try:
            if not self._pipe.poll(patience_seconds):
                raise Stuck(what)
            report = self._pipe.recv()
        except (EOFError, OSError) as error:
            self._is_over = True
            raise Died from error
        self._record(report)

    def _record(self, report: ChildReport) -> None:
        self._count(report)
        if report.kind == "clock":
            return
        self.wake, self.command = report.wake, report.command
        self.periods, self.charges_now = report.periods, report.charges_now
        self.issued += report.issued
        self.nights += report.nights
        self.alerts += report.alerts
        if report.mark is not None:
            self.arrived.add(report.mark)

    def _count(self, report: ChildReport) -> None:
        self._clock_ticks += report.kind == "clock"
        self.wake_ups += report.kind == "wake-up"
        self.disconnections += report.kind == "disconnected"
        if report.kind == "connected":
            self.connections += 1
            self.connected_at_seconds = report.connected_at_seconds
