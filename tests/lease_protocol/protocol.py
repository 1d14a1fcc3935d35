"""The model: what each side does, one step at a time. A tick is ten minutes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterator

LEASE: Final = 3
"""A start lasts so many ticks."""

RENEWED_BEFORE: Final = 1
STOP_LASTS: Final = 36
SERIALS_PER_TICK: Final = 120
"""Serials of an empty ledger begin at the steps of five seconds since a fixed day."""

ON_THE_WAY: Final = 2
"""So many messages may be on their way to the charge point."""

Do = Literal["start", "stop"]


class Command(NamedTuple):
    serial: int
    do: Do
    until: int
    sent_at: int


class Daemon(NamedTuple):
    """A daemon: whether it runs, what it wants, its last serial, and its ledger's last command."""

    is_up: bool = False
    wants: Do = "stop"
    serial: int = 0
    recorded: Command | None = None


class Plug(NamedTuple):
    """The charge point, whether it is connected, and what it was told last."""

    is_connected: bool = True
    serial: int = 0
    command: Command | None = None


class World(NamedTuple):
    """Everything: the time, two daemons of which the second starts later, the broker, the plug."""

    now: int = 0
    first: Daemon = Daemon()
    second: Daemon = Daemon()
    retained: Command | None = None
    wire: tuple[Command, ...] = ()
    plug: Plug = Plug()
    starts: int = 0

    def having(self, name: str, daemon: Daemon) -> World:
        """Return the world with another state of one daemon."""
        return self._replace(first=daemon) if name == "first" else self._replace(second=daemon)


@dataclass(frozen=True)
class Rules:
    """How the two sides work; a planted fault replaces one of them."""

    lasts: int = LEASE
    expires: bool = True
    takes_late: bool = False
    takes_expired: bool = False
    retains_stops: bool = True
    records_first: bool = True
    asserts_again: bool = True
    old_one_ends: bool = True
    serials_per_tick: int = SERIALS_PER_TICK
    serials_kept: bool = True

    # --- the charge point -----------------------------------------------------------------------

    def is_on(self, plug: Plug, now: int) -> bool:
        command = plug.command
        if command is None or command.do == "stop":
            return False
        return now < command.until or not self.expires

    def obeyed(self, plug: Plug, command: Command, now: int) -> Plug:
        is_late = command.serial <= plug.serial
        if is_late and not self.takes_late:
            return plug
        if command.do == "start" and command.until <= now and self.takes_expired:
            command = command._replace(until=now + 1)
        return plug._replace(serial=command.serial, command=command)

    # --- a daemon --------------------------------------------------------------------------------

    def started(self, daemon: Daemon, now: int, *, is_empty: bool, starts: int) -> Daemon:
        """Start a daemon with its ledger, or with an empty one; a start takes a minute."""
        recorded = None if is_empty else daemon.recorded
        by_time = self.serials_per_tick * (10 * now + 10 + starts) // 10
        kept = recorded.serial if recorded is not None and self.serials_kept else 0
        return Daemon(is_up=True, wants=daemon.wants, serial=max(by_time, kept), recorded=recorded)

    def due(self, daemon: Daemon, now: int) -> Command | None:
        """Return the command that a daemon sends now: another one, or one that is extended."""
        last = daemon.recorded
        if last is not None and last.do == daemon.wants and now < last.until - RENEWED_BEFORE:
            return None
        lasts = self.lasts if daemon.wants == "start" else STOP_LASTS
        return Command(daemon.serial + 1, daemon.wants, now + lasts, now)

    def published(self, world: World, command: Command) -> World:
        """Let the broker retain a command and pass it on; a full way loses the oldest."""
        is_retained = command.do == "start" or self.retains_stops
        world = world._replace(retained=command if is_retained else world.retained)
        if not world.plug.is_connected:
            return world
        return world._replace(wire=(*world.wire, command)[-ON_THE_WAY:])

    def acted(self, world: World, name: str) -> World:
        """Let a daemon send what is due."""
        daemon: Daemon = getattr(world, name)
        command = self.due(daemon, world.now) if daemon.is_up else None
        if command is None:
            return world
        sent = daemon._replace(serial=command.serial, recorded=command)
        return self.published(world.having(name, sent), command)

    # --- steps -----------------------------------------------------------------------------------

    def steps(self, world: World) -> Iterator[tuple[str, World]]:
        """Yield everything that may happen next, by name."""
        yield "tick", self._ticked(world)
        for name in ("first", "second"):
            yield from self._daemon_steps(world, name)
        yield from self._wire_steps(world)
        plug = world.plug
        if plug.is_connected:
            cut = world._replace(plug=plug._replace(is_connected=False), wire=())
            yield "cut off", cut
        else:
            yield "connected", self._connected(world, plug)
        yield "boots", self._connected(world, Plug())
        if world.retained is not None:
            yield "broker forgets", world._replace(retained=None, wire=())

    def _ticked(self, world: World) -> World:
        world = world._replace(now=world.now + 1)
        return self.acted(self.acted(world, "first"), "second")

    def _connected(self, world: World, plug: Plug) -> World:
        """Connect a plug with a clean session: only what is retained reaches it."""
        told = () if world.retained is None else (world.retained,)
        return world._replace(plug=plug._replace(is_connected=True), wire=told)

    def _daemon_steps(self, world: World, name: str) -> Iterator[tuple[str, World]]:
        daemon: Daemon = getattr(world, name)
        if not daemon.is_up:
            is_over = name == "first" and world.second.is_up and self.old_one_ends
            for is_empty in (False, True) if not is_over else ():
                up = self.started(daemon, world.now, is_empty=is_empty, starts=world.starts)
                kind = " with an empty ledger" if is_empty else ""
                yield (
                    f"{name} starts{kind}",
                    self._online(world.having(name, up)._replace(starts=world.starts + 1), name),
                )
            return
        yield f"{name} dies", world.having(name, daemon._replace(is_up=False))
        other: Do = "stop" if daemon.wants == "start" else "start"
        wanting = world.having(name, daemon._replace(wants=other))
        yield f"{name} wants {other}", self.acted(wanting, name)
        command = self.due(daemon._replace(wants=other), world.now)
        if command is not None:
            dead = daemon._replace(is_up=False, wants=other)
            if self.records_first:
                lost = dead._replace(serial=command.serial, recorded=command)
                yield f"{name} dies before it sends", world.having(name, lost)
            else:
                unsaved = self.published(world.having(name, dead), command)
                yield f"{name} dies before it records", unsaved

    def _online(self, world: World, name: str) -> World:
        """Let a daemon that has started send its command, or that in force again."""
        before: Daemon = getattr(world, name)
        world = self.acted(world, name)
        if name == "second" and self.old_one_ends:
            world = world._replace(first=world.first._replace(is_up=False))
        last = before.recorded
        is_silent = last is None or getattr(world, name).recorded != last
        if is_silent or last is None or not self.asserts_again:
            return world
        return self.published(world, last)

    def _wire_steps(self, world: World) -> Iterator[tuple[str, World]]:
        wire, plug = world.wire, world.plug
        if not wire:
            return
        arrived = self.obeyed(plug, wire[0], world.now)
        yield "arrives", world._replace(plug=arrived, wire=wire[1:])
        yield "arrives, and once more", world._replace(plug=arrived)
        yield "lost", world._replace(wire=wire[1:])
        if len(wire) > 1:
            yield "out of order", world._replace(wire=(wire[1], wire[0]))

    # --- at rest ---------------------------------------------------------------------------------

    def told(self, world: World) -> World:
        """Let the plug connect, and get what the broker retains; no daemon does anything."""
        return self._drained(self._connected(world, world.plug))

    def settled(self, world: World) -> World:
        """Let everything work: one daemon runs and connects, and all that it sends arrives."""
        name = "second" if world.second.serial > 0 else "first"
        if name == "second" and self.old_one_ends:
            world = world._replace(first=world.first._replace(is_up=False))
        daemon: Daemon = getattr(world, name)
        if not daemon.is_up:
            daemon = self.started(daemon, world.now, is_empty=False, starts=world.starts + 1)
        world = self.acted(self.told(world.having(name, daemon)), name)
        recorded = getattr(world, name).recorded
        if recorded is not None and self.asserts_again:
            world = self.published(world, recorded)
        world, daemon = self._drained(world), getattr(world, name)
        if recorded is None or world.plug.serial <= recorded.serial:
            return world
        # Another daemon has commanded since. The meter shows it, and the command is repeated.
        again = recorded._replace(serial=daemon.serial + 1)
        repeated = daemon._replace(serial=again.serial, recorded=again)
        return self._drained(self.published(world.having(name, repeated), again))

    def _drained(self, world: World) -> World:
        for command in world.wire:
            world = world._replace(plug=self.obeyed(world.plug, command, world.now))
        return world._replace(wire=())


RIGHT: Final = Rules()

PLANTED: Final = {
    "a start lasts too long": replace(RIGHT, lasts=LEASE + 2),
    "the charge point knows no expiry": replace(RIGHT, expires=False),
    "the charge point takes late commands": replace(RIGHT, takes_late=True),
    "an expired start is begun": replace(RIGHT, takes_expired=True),
    "stops are not retained": replace(RIGHT, retains_stops=False),
    "a command is sent before it is recorded": replace(
        RIGHT, records_first=False, serials_per_tick=0
    ),
    "nothing is sent again at a start": replace(RIGHT, asserts_again=False),
    "the older daemon goes on": replace(RIGHT, old_one_ends=False),
    "serials of an empty ledger begin at 0": replace(RIGHT, serials_per_tick=0),
    "serials of an empty ledger begin at the minutes": replace(RIGHT, serials_per_tick=10),
    "a restart forgets the serial": replace(RIGHT, serials_per_tick=0, serials_kept=False),
}
"""Faults of either side that the check must find."""
