"""One rehearsed night under fire: conducts it in virtual time, and looks after every step.

Like `daemon.rehearsal.rehearsal`, but the daemon is a process that may die at any instant, the
broker may go away, and time stands still while either is dead, unless the mischief lets it pass.
"""

from __future__ import annotations

import json
import signal
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Final, Protocol

from tests.faults.daemon_process import mark
from tests.faults.evenings import POINT, Asked
from tests.faults.handle import LIMIT_SECONDS, Died, Stuck
from tests.faults.kept import read_ledger
from tests.faults.stage import Stage
from tests.support.waiting import patience

TICK: Final = timedelta(minutes=5)
ENOUGH_SECONDS: Final = 1.0
"""Design, section 5, invariant 4: the command stands within a second of being connected."""

ARRIVES_SECONDS = 10.0
"""What has not been dealt with after so long is lost."""

Told = tuple[str, float | None, str]
"""What a command says: do, amps, why."""


class Mischief(Protocol):
    """What befalls a night."""

    instants: list[datetime]
    """When it strikes next; the first one is the next."""

    def prepare(self, night: Night) -> None:
        """Do harm before the daemon is first started."""
        ...

    def strike(self, night: Night) -> None:
        """Do harm, and put right what only people could put right."""
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
    """Conducts one night.

    Attributes
    ----------
    reference : sequence of (datetime, Told)
        The commands of the same night without mischief; empty in that night itself.
    told : list of (datetime, Told)
        The commands of this night.
    pending : list of (str, bytes)
        What was published and not seen to arrive.
    """

    stage: Stage
    mischief: Mischief
    reference: list[tuple[datetime, Told]] = field(default_factory=list)
    told: list[tuple[datetime, Told]] = field(default_factory=list)
    pending: list[tuple[str, bytes]] = field(default_factory=list)
    asks: list[Asked] = field(default_factory=list)
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
            self._people()
            if self.mischief.instants and self.now >= self.mischief.instants[0]:
                del self.mischief.instants[0]
                self.mischief.strike(self)
            self.live()
            self.look()
            self._next(leaves)

    def live(self) -> None:
        """Let this instant happen, through as many deaths as it takes."""
        while True:
            try:
                self.stage.daemon.tell(self.now)
                self.stage.hardware.step(self.now)
                self.settle()
            except Died:
                self.revive()
            else:
                return

    def settle(self) -> None:
        """Wait until every word has been heard on both sides; raises `Died` if it dies."""
        daemon, hardware = self.stage.daemon, self.stage.hardware
        self.collect()
        self._await_arrivals()
        while daemon.wake is not None and daemon.wake <= self.now:
            daemon.wake_up()
        if not hardware.wait_obeyed(daemon.serial, patience(LIMIT_SECONDS)):
            raise Stuck(f"the hardware has not heard command {daemon.serial}")

    def revive(self) -> None:
        """Start the daemon again where it died, and see that its command comes at once."""
        stage = self.stage
        while True:
            self.bury()
            self.serial_before = max(stage.daemon.serial, stage.hardware.last_serial)
            before = stage.daemon.connections
            self.start()
            try:
                stage.daemon.wait(lambda: stage.daemon.connections > before, "it connects again")  # noqa: B023
                self.restarted = True
                self.is_prompt(stage.hardware.connections)
            except Died:
                continue
            break
        # What is in the ledger was dealt with, even if it died before it could tell.
        kept = read_ledger(stage.ledger)
        self.collect()
        for topic, payload in self.pending:
            is_wish = topic.endswith("/request") and kept.requests >= self.asked
            if is_wish or kept.holds(topic, payload):
                stage.daemon.arrived.add(mark(topic, payload))

    def start(self) -> None:
        """Start the daemon anew, a moment later: of two daemons the later one stays."""
        self.now += timedelta(microseconds=1)
        self.stage.daemon.start(self.now)

    def bury(self) -> None:
        """Count a death that was meant; one that was not ends the campaign."""
        stage = self.stage
        code = stage.daemon.bury()
        stage.tally.tried["kills of the daemon"] += 1
        if code != -signal.SIGKILL:
            stage.tally.wrong("stopped", f"exit code {code}, {self.place()}")
            raise Stuck("the daemon has ended by itself")

    def is_prompt(self, connections: int) -> None:
        """See that a command is heard within a second of both sides being connected."""
        daemon, hardware = self.stage.daemon, self.stage.hardware
        if not hardware.wait_for(connections, daemon.connected_at_seconds, patience(LIMIT_SECONDS)):
            raise Stuck("no command after a connection")
        since = max(daemon.connected_at_seconds, hardware.connected_at_seconds)
        took = hardware.command_at_seconds - since
        tally = self.stage.tally
        tally.slowest_seconds = max(tally.slowest_seconds, took)
        if took > ENOUGH_SECONDS:
            tally.wrong("late", f"{took:.2f} s, {self.place()}")

    def burst(self, count: int) -> None:
        """Let the hardware say the same again and again, a second apart, and wait for nothing."""
        for _ in range(count):
            self.now += timedelta(seconds=1)
            self.stage.daemon.tell(self.now)
            self.stage.hardware.say_again(self.now)
            self.stage.hardware.step(self.now)

    def collect(self) -> None:
        """Take note of what the hardware has published since."""
        published = self.stage.hardware.published
        self.pending += published[self.seen_published :]
        self.seen_published = len(published)

    def look(self) -> None:
        """See that what holds now may hold."""
        stage, command = self.stage, self.stage.daemon.command
        assert command is not None
        told = (command.do, command.amps, command.why)
        if not self.told or self.told[-1][1] != told:
            self.told.append((self.now, told))
        allowed = stage.scene.allowed_amps(self.now)
        if max(stage.point.offered_amps, command.amps or 0.0) > allowed + 1e-9:
            stage.tally.wrong("over the current", f"{command}, {self.place()}")
        if stage.point.watts() > 0 and not self._may_charge():
            stage.tally.wrong("left charging", f"outside of all periods, {self.place()}")
        if self.restarted:
            self.restarted = False
            self._same_as_before(told, command.serial)

    def place(self) -> str:
        """Say where this is, so that it can be found again."""
        return f"{self.stage.scene.name} at {self.now.isoformat()} ({self.stage.seed})"

    def ask(self, wish: dict[str, Any]) -> None:
        """Publish what a person asks for."""
        payload = json.dumps({"v": 1, **wish}).encode()
        topic = self.stage.topics.request(POINT)
        assert self.stage.person.publish(topic, payload, retain=False)
        self.asked += 1
        self.pending.append((topic, payload))

    def _await_arrivals(self) -> None:
        try:
            self.stage.daemon.wait(self._all_arrived, "arrivals", ARRIVES_SECONDS)
        except Stuck:
            for topic, payload in self.pending:
                self.stage.tally.wrong("lost", f"{topic} {payload[:200]!r}, {self.place()}")
            self.pending.clear()

    def _people(self) -> None:
        while self.asks and self.now >= self.stage.scene.begins + self.asks[0].after:
            self.ask(self.asks.pop(0).wish)

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

    def _same_as_before(self, told: Told, serial: int) -> None:
        stage = self.stage
        if serial < self.serial_before or stage.hardware.last_serial != serial:
            how = f"serial {serial} after {self.serial_before}, {self.place()}"
            stage.tally.wrong("wrong after a restart", how)
        if self.reference:
            right = told in said_around(self.reference, self.now)
        else:
            right = (told[0] == "start") == self._may_charge()
        if not right:
            stage.tally.wrong("wrong after a restart", f"{told}, {self.place()}")


def said_around(told: list[tuple[datetime, Told]], now: datetime) -> set[Told]:
    """Give what was said within a tick of an instant."""
    before = [each for at, each in told if at <= now - TICK]
    return {*before[-1:], *(each for at, each in told if now - TICK < at <= now + TICK)}
