"""Let the real parts do the model's steps: controller, recovery, messages, simulated charge point.

Each time a step of a daemon sends several commands (a real one plans first), the last one counts.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Final

from adapters.contract.messages import Command, Request, VehicleReport, decode, encode
from adapters.simulated.charge_point import SimulatedChargePoint
from daemon.control.controller import react
from daemon.control.events import (
    Assert,
    BusConnected,
    Issue,
    PersonAsked,
    TimePassed,
    VehicleReported,
)
from daemon.control.state import PointState
from daemon.messaging.outbox import command_message
from daemon.service.recovery import lowest_serial
from tests.daemon.worlds import EVENING, POINT, household
from tests.every_sequence.restarting import recovered
from tests.lease_protocol.protocol import ON_THE_WAY

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from daemon.control.events import CommandInForce, Event

TICK: Final = timedelta(minutes=10)
MINUTE: Final = timedelta(minutes=1)
HOUSE: Final = household(household={"tick_minutes": 30})


@dataclass(frozen=True)
class RealDaemon:
    """A daemon: what its controller knows, and the last command in its ledger."""

    is_up: bool = False
    state: PointState = PointState(POINT)  # noqa: RUF009 - it never changes
    sent: CommandInForce | None = None


@dataclass(frozen=True)
class Replay:
    """The real parts, and what the broker holds."""

    plug: SimulatedChargePoint
    now: datetime = EVENING
    first: RealDaemon = RealDaemon()
    second: RealDaemon = RealDaemon()
    retained: bytes | None = None
    wire: tuple[bytes, ...] = ()
    is_connected: bool = True
    send: Callable[[str, bytes], None] = lambda _who, _payload: None

    @classmethod
    def begun(cls, send: Callable[[str, bytes], None] | None = None) -> Replay:
        """Give the parts before anything has happened; `send` is told what a daemon publishes."""
        begun = cls(SimulatedChargePoint(EVENING))
        return begun if send is None else replace(begun, send=send)

    @property
    def is_on(self) -> bool:
        """Whether the charge point offers a current."""
        return self.plug.offered_amps > 0

    def after(self, name: str) -> Replay:
        """Return the parts after a step of the model with this name."""
        who, _, what = name.partition(" ")
        if who in {"first", "second"}:
            return self._daemon_step(who, what)
        if name == "tick":
            return self._ticked()
        if name.startswith("arrives"):
            arrived = self._arrived()
            return arrived if "once more" in name else replace(arrived, wire=self.wire[1:])
        if name in {"connected", "boots"}:
            plug = SimulatedChargePoint(self.now) if name == "boots" else self.plug
            return replace(self, plug=plug)._connected()
        wire = {"lost": self.wire[1:], "out of order": self.wire[::-1]}.get(name, ())
        retained = None if name == "broker forgets" else self.retained
        is_connected = self.is_connected and name != "cut off"
        return replace(self, wire=wire, retained=retained, is_connected=is_connected)

    def _with(self, who: str, daemon: RealDaemon) -> Replay:
        return replace(self, first=daemon) if who == "first" else replace(self, second=daemon)

    def _later(self, by: timedelta) -> Replay:
        plug = copy(self.plug)
        plug.advance(self.now + by)
        return replace(self, now=self.now + by, plug=plug)

    def _ticked(self) -> Replay:
        after = self._later(TICK)
        for who in ("first", "second"):
            if getattr(after, who).is_up:
                after = after._handled(who, TimePassed())
        return after

    def _arrived(self) -> Replay:
        plug = copy(self.plug)
        plug.obey(decode(Command, self.wire[0]), self.now)
        return replace(self, plug=plug)

    def _connected(self) -> Replay:
        told = () if self.retained is None else (self.retained,)
        return replace(self, is_connected=True, wire=told)

    def _daemon_step(self, who: str, what: str) -> Replay:
        daemon: RealDaemon = getattr(self, who)
        match what.split():
            case ["starts", *empty]:
                return self._started(who, daemon, is_empty=bool(empty))
            case ["dies"]:
                return self._with(who, replace(daemon, is_up=False))
            case ["wants", do]:
                return self._handled(who, _wish(do))
            case ["dies", *_]:
                is_on = daemon.state.wishes.charge_now
                event = _wish("stop" if is_on else "start")
                changed = self._handled(who, event, is_published=False)
                return changed._with(who, replace(getattr(changed, who), is_up=False))
            case _:
                raise AssertionError(what)

    def _started(self, who: str, daemon: RealDaemon, *, is_empty: bool) -> Replay:
        """Start a daemon, which takes a minute; a person asks again what its new ledger lacks."""
        world, wishes = self._later(MINUTE), daemon.state.wishes
        state, sent = PointState(POINT, serial=lowest_serial(world.now)), daemon.sent
        if sent is not None and not is_empty:
            known = (daemon.state, world.now, HOUSE)
            state = recovered(*known, sent=sent, reported=30.0, watts=0.0)
        fresh = RealDaemon(is_up=True, state=state, sent=None if is_empty else sent)
        world = world._with(who, fresh)
        if who == "second":
            world = replace(world, first=replace(world.first, is_up=False))
        if state.pilot is not None:
            return world._handled(who, TimePassed(), BusConnected())
        report = VehicleReport(at=world.now, pilot="C", soc_percent=30)
        wish = _wish("start" if wishes.charge_now else "stop")
        return world._handled(who, VehicleReported(report), wish, BusConnected())

    def _handled(self, who: str, *events: Event, is_published: bool = True) -> Replay:
        """Let a controller handle events; publish the last command that it sends, if any."""
        daemon: RealDaemon = getattr(self, who)
        state, told = daemon.state, None
        for event in events:
            for known, actions in react(state, event, self.now, HOUSE):
                state = replace(known, draft=None)
                said = [each.command for each in actions if isinstance(each, Issue | Assert)]
                told = said[-1] if said else told
        after = self._with(who, RealDaemon(daemon.is_up, state, told or daemon.sent))
        if told is None or not is_published:
            return after
        payload = encode(command_message(told))
        self.send(who, payload)
        wire = (*self.wire, payload)[-ON_THE_WAY:] if self.is_connected else ()
        return replace(after, retained=payload, wire=wire)


def _wish(do: str) -> PersonAsked:
    return PersonAsked(Request(charge_now=True) if do == "start" else Request(stop=True))
