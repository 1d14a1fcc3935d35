"""Play a rehearsed night with faults in virtual time, and check the state after every step.

Like `daemon.rehearsal.rehearsal`, but the daemon is a process that may die at any instant, and the
broker may be lost. Time stands still while either is down, unless the mischief lets it pass.
"""

from __future__ import annotations

import json
import signal
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Final, Protocol

from tests.faults.daemon_process import mark
from tests.faults.evenings import POINT, PersonRequest
from tests.faults.handle import LIMIT_SECONDS, Died, Stuck
from tests.faults.ledger_contents import read_ledger
from tests.faults.stage import Stage
from tests.support.waiting import patience

TICK: Final = timedelta(minutes=5)
ENOUGH_SECONDS: Final = 1.0
"""Design, section 5, invariant 4: the command is in force within a second of being connected.

That is on an idle machine; a busy one is given as much longer as it is slower.
"""

ARRIVES_SECONDS = 10.0
"""A message that is not handled after so long is lost."""

CommandText = tuple[str, float | None, str]
"""The contents of a command: do, amps, why."""

Commands = list[tuple[datetime, CommandText]]
"""Commands with their instants, in order."""


class Mischief(Protocol):
    """The faults of one night."""

    instants: list[datetime]
    """When it strikes; the first one is the next."""

    def prepare(self, night: Night) -> None:
        """Cause a fault before the daemon is first started."""
        ...

    def strike(self, night: Night) -> None:
        """Cause a fault, and repair what only people could repair."""
        ...


@dataclass(slots=True)
class Quiet:
    """No mischief at all."""

    instants: list[datetime] = field(default_factory=list)

    def prepare(self, night: Night) -> None:
        """Do nothing."""

    def strike(self, night: Night) -> None:
        """Do nothing."""


@dataclass(slots=True)
class Night:
    """Plays one night.

    Attributes
    ----------
    reference : Commands
        The commands of the same night without faults; empty in that night itself.
    commands : Commands
        The commands of this night.
    pending : list of (str, bytes)
        Published messages that the daemon has not handled yet.
    """

    stage: Stage
    mischief: Mischief
    reference: Commands = field(default_factory=list)
    commands: Commands = field(default_factory=list)
    pending: list[tuple[str, bytes]] = field(default_factory=list)
    asks: list[PersonRequest] = field(default_factory=list)
    asked: int = 0
    seen_published: int = 0
    serial_before: int = 0
    restarted: bool = False
    now: datetime = field(init=False)

    def run(self) -> None:
        """Run from the plug-in until half an hour after the vehicle has left."""
        stage = self.stage
        self.now = stage.scene.begins
        self.asks = list(stage.scene.asks)
        self.mischief.prepare(self)
        stage.daemon.start(self.now)
        stage.daemon.wait(lambda: stage.daemon.connections > 0, "no broker")
        stage.hardware.plug_in(stage.vehicle, self.now)
        stage.hardware.start()
        assert stage.hardware.wait_connected(patience(LIMIT_SECONDS))
        leaves: datetime | None = stage.leaves
        while self.now <= stage.leaves + timedelta(minutes=30):
            if leaves is not None and self.now >= leaves:
                stage.hardware.unplug(self.now)
                leaves = None
            self._send_requests()
            if self.mischief.instants and self.now >= self.mischief.instants[0]:
                del self.mischief.instants[0]
                self.mischief.strike(self)
            self.play()
            self.check()
            self._next(leaves)

    def play(self) -> None:
        """Play this instant, restarting the daemon as often as it dies."""
        while True:
            try:
                self.stage.daemon.set_clock(self.now)
                self.stage.hardware.step(self.now)
                self.settle()
            except Died:
                self.restart()
            else:
                return

    def settle(self) -> None:
        """Wait until both sides have received every message; raises `Died` if the daemon dies."""
        daemon, hardware = self.stage.daemon, self.stage.hardware
        self.collect()
        self._wait_for_arrivals()
        while daemon.wake is not None and daemon.wake <= self.now:
            daemon.wake_up()
        if not hardware.wait_obeyed(daemon.serial, patience(LIMIT_SECONDS)):
            raise Stuck(f"the hardware has not received command {daemon.serial}")

    def restart(self) -> None:
        """Start the daemon again where it died, and check that its command comes at once."""
        stage = self.stage
        while True:
            self.end_life()
            self.serial_before = max(stage.daemon.serial, stage.hardware.last_serial)
            before = stage.daemon.connections
            self.start()
            try:
                stage.daemon.wait(lambda: stage.daemon.connections > before, "it connects again")  # noqa: B023
                self.restarted = True
                self.check_prompt(stage.hardware.connections)
            except Died:
                continue
            break
        # What is in the ledger was handled, even if the daemon died before it could report it.
        kept = read_ledger(stage.ledger)
        self.collect()
        for topic, payload in self.pending:
            is_request = topic.endswith("/request") and kept.requests >= self.asked
            if is_request or kept.holds(topic, payload):
                stage.daemon.arrived.add(mark(topic, payload))

    def start(self) -> None:
        """Start the daemon again, a moment later: of two daemons the later one goes on."""
        self.now += timedelta(microseconds=1)
        self.stage.daemon.start(self.now)

    def end_life(self) -> None:
        """Count a death that was intended; any other ends the campaign."""
        stage = self.stage
        code = stage.daemon.end_life()
        stage.tally.tried["kills of the daemon"] += 1
        if code != -signal.SIGKILL:
            stage.tally.wrong("stopped", f"exit code {code}, {self.place()}")
            raise Stuck("the daemon has ended by itself")

    def check_prompt(self, connections: int) -> None:
        """Check that a command arrives within a second of both sides being connected."""
        daemon, hardware = self.stage.daemon, self.stage.hardware
        if not hardware.wait_for(connections, daemon.connected_at_seconds, patience(LIMIT_SECONDS)):
            raise Stuck("no command after a connection")
        since = max(daemon.connected_at_seconds, hardware.connected_at_seconds)
        took = hardware.command_at_seconds - since
        tally = self.stage.tally
        tally.slowest_seconds = max(tally.slowest_seconds, took)
        if took > patience(ENOUGH_SECONDS, most_seconds=LIMIT_SECONDS):
            tally.wrong("late", f"{took:.2f} s, {self.place()}")

    def burst(self, count: int) -> None:
        """Let the hardware repeat its reports, a second apart, and wait for nothing."""
        for _ in range(count):
            self.now += timedelta(seconds=1)
            self.stage.daemon.set_clock(self.now)
            self.stage.hardware.say_again(self.now)
            self.stage.hardware.step(self.now)

    def collect(self) -> None:
        """Collect what the hardware has published since."""
        published = self.stage.hardware.published
        self.pending += published[self.seen_published :]
        self.seen_published = len(published)

    def check(self) -> None:
        """Check that the present state is allowed."""
        stage, command = self.stage, self.stage.daemon.command
        assert command is not None
        text = (command.do, command.amps, command.why)
        if not self.commands or self.commands[-1][1] != text:
            self.commands.append((self.now, text))
        allowed = stage.scene.allowed_amps(self.now)
        if max(stage.point.offered_amps, command.amps or 0.0) > allowed + 1e-9:
            stage.tally.wrong("over the current", f"{command}, {self.place()}")
        if stage.point.watts() > 0 and not self._may_charge():
            stage.tally.wrong("left charging", f"outside of all periods, {self.place()}")
        if self.restarted:
            self.restarted = False
            self._check_after_restart(text, command.serial)

    def place(self) -> str:
        """Return where this is, so that it can be found again."""
        return f"{self.stage.scene.name} at {self.now.isoformat()} ({self.stage.seed})"

    def ask(self, request: dict[str, Any]) -> None:
        """Publish a person's request."""
        payload = json.dumps({"v": 1, **request}).encode()
        topic = self.stage.topics.request(POINT)
        assert self.stage.person.publish(topic, payload, retain=False)
        self.asked += 1
        self.pending.append((topic, payload))

    def _wait_for_arrivals(self) -> None:
        try:
            self.stage.daemon.wait(self._all_arrived, "arrivals", ARRIVES_SECONDS)
        except Stuck:
            for topic, payload in self.pending:
                self.stage.tally.wrong("lost", f"{topic} {payload[:200]!r}, {self.place()}")
            self.pending.clear()

    def _send_requests(self) -> None:
        while self.asks and self.now >= self.stage.scene.begins + self.asks[0].after:
            self.ask(self.asks.pop(0).request)

    def _all_arrived(self) -> bool:
        arrived = self.stage.daemon.arrived
        self.pending = [each for each in self.pending if mark(*each) not in arrived]
        return not self.pending

    def _next(self, leaves: datetime | None) -> None:
        wake = self.stage.daemon.wake
        assert wake is not None
        due = [wake, self.stage.hardware.next_due(), *self.mischief.instants[:1]]
        due += [self.stage.scene.begins + each.after for each in self.asks[:1]]
        due += [] if leaves is None else [leaves]
        self.now = max(self.now + timedelta(microseconds=1), min(due))

    def _may_charge(self) -> bool:
        daemon = self.stage.daemon
        return daemon.charges_now or any(
            period.start <= self.now < period.end for period in daemon.periods
        )

    def _check_after_restart(self, text: CommandText, serial: int) -> None:
        stage = self.stage
        if serial < self.serial_before or stage.hardware.last_serial != serial:
            how = f"serial {serial} after {self.serial_before}, {self.place()}"
            stage.tally.wrong("wrong after a restart", how)
        if self.reference:
            right = text in commands_around(self.reference, self.now)
        else:
            right = (text[0] == "start") == self._may_charge()
        if not right:
            stage.tally.wrong("wrong after a restart", f"{text}, {self.place()}")


def commands_around(
    commands: list[tuple[datetime, CommandText]], now: datetime
) -> set[CommandText]:
    """Return the commands within a tick of an instant."""
    before = [each for at, each in commands if at <= now - TICK]
    return {*before[-1:], *(each for at, each in commands if now - TICK < at <= now + TICK)}
