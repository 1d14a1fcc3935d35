"""Let real connections to a real broker do the models' steps: ``python -m`` it, or ``make faults``.

Daemons and charge points use `adapters.bus`, each with a connection of its own that is broken as a
kill or a power cut breaks it. What the broker retains, sends again and sends as a Will is its own
doing. After each step the charge point must be on or off as the model says, and as many messages
must be on their way. The sequences are those of `covering`: each kind of step at least once.
"""

from __future__ import annotations

import socket
import sys
import tempfile
import time
from collections import deque
from contextlib import ExitStack, contextmanager
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeVar

from adapters.bus.bus import Connected, MessageArrived, MqttBus
from adapters.contract.messages import Command, decode
from adapters.simulated.charge_point import SimulatedChargePoint
from adapters.wired.channels import StopAsWill, WiredChannel
from config.household.wiring import WiringOutputs
from tests.daemon.worlds import EVENING
from tests.faults.tally import say, silent
from tests.lease_protocol.checking import CHARGING
from tests.lease_protocol.covering import covering
from tests.lease_protocol.plain_plug import MOST_ON_THE_WAY, SAFE, Home
from tests.lease_protocol.protocol import ON_THE_WAY, RIGHT, World
from tests.lease_protocol.replaying import Replay
from tests.support.brokers import quick_broker
from tests.support.remembered_plans import plans_remembered
from tests.support.waiting import wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator

    from adapters.bus.events import BusEvent
    from tests.support.brokers import Mosquitto

LONGEST: Final = 10
LEASE: Final = timedelta(minutes=30)
NEVER_SECONDS: Final = 600.0


class Client:
    """A connection that can be broken, and what arrived on it and was not taken yet.

    Parameters
    ----------
    broker : Mosquitto
        The broker.
    name : str
        The client id.
    topics : tuple of str
        What it subscribes to.
    will : tuple of str and bytes, optional
        What the broker publishes if the connection breaks.
    pause_seconds : float
        The pause before it connects again.
    """

    def __init__(
        self,
        broker: Mosquitto,
        name: str,
        *topics: str,
        will: tuple[str, bytes] | None = None,
        pause_seconds: float = NEVER_SECONDS,
    ) -> None:
        self._own = f"own/{name}"
        self._arrived: deque[MessageArrived] = deque()
        self._connections = self._asked = 0
        self._bus = MqttBus(
            broker.bus, client_id=name, on_event=self._note, will=will,
            subscriptions=(*topics, self._own), first_pause_seconds=pause_seconds,
        )  # fmt: skip
        self._bus.start()
        self._wait_connected(1)

    def _note(self, event: BusEvent) -> None:
        if isinstance(event, MessageArrived):
            self._arrived.append(event)
        elif isinstance(event, Connected):
            self._connections += 1

    def _wait_connected(self, times: int) -> None:
        wait_until(lambda: self._connections >= times, what="connected")

    def publish(self, topic: str, payload: bytes, *, retain: bool = True, qos: int = 1) -> bool:
        """Publish a message, and wait until the broker has passed it on."""
        assert self._bus.publish(topic, payload, retain=retain, qos=qos)
        return self._bus.wait_acknowledged(NEVER_SECONDS)

    def arrived(self) -> list[MessageArrived]:
        """Return all that the broker has sent by now: a message of its own comes after it."""
        self._asked += 1
        last = str(self._asked).encode()
        self._bus.publish(self._own, last, retain=False)
        wait_until(
            lambda: any((each.topic, each.payload) == (self._own, last) for each in self._known())
        )
        messages = [self._arrived.popleft() for _ in self._known()]
        for each in messages:
            if each.topic == self._own:
                each.ack()
        return [each for each in messages if each.topic != self._own]

    def _known(self) -> list[MessageArrived]:
        return list(self._arrived)

    def breaks(self) -> None:
        breaks(self._bus)

    def returns(self) -> None:
        """Break the connection, and let it come back with its session."""
        times = self._connections
        self.breaks()
        self._wait_connected(times + 1)

    def ends(self) -> None:
        self._bus.stop()


def breaks(bus: MqttBus) -> None:
    """Break a connection as a kill does: without a farewell."""
    connection = bus._connection
    client = connection._client if connection is not None else None
    opened = client.socket() if client is not None else None
    assert isinstance(opened, socket.socket)
    opened.shutdown(socket.SHUT_RDWR)


class PlugOnTheBus:
    """The charge point's end: what is on its way to it, in order."""

    def __init__(self, broker: Mosquitto, home: str, topic: str, most: int) -> None:
        self._broker, self._home, self._topic, self._most = broker, home, topic, most
        self._client: Client | None = None
        self._connections = 0
        self.wire: list[MessageArrived] = []

    def connects(self) -> None:
        """Connect with a clean session: what the broker retains comes, and nothing else."""
        self.is_cut_off()
        self._connections += 1
        name = f"{self._home}-plug-{self._connections}"
        self._client = Client(self._broker, name, self._topic, pause_seconds=0.01)

    def is_cut_off(self) -> None:
        if self._client is not None:
            self._client.breaks()
            self._client.ends()
        self._client, self.wire = None, []

    def listens(self) -> None:
        """Take up what has arrived; a full way loses the oldest."""
        if self._client is not None:
            self.wire += self._client.arrived()
            while len(self.wire) > self._most:
                self.loses()

    def takes(self, *, once_more: bool) -> bytes:
        """Take the first message; if it is to come once more, before it is acknowledged."""
        first = self.wire[0]
        if not once_more:
            self.loses()
            return first.payload
        assert self._client is not None
        self.listens()  # what was acknowledged is known to the broker then
        self._client.returns()
        again, wire = self._client.arrived(), []
        for each in self.wire:  # they may have been put out of order here
            same = next((one for one in again if one.payload == each.payload), None)
            assert same is not None, "not sent again"
            again.remove(same)
            wire.append(same)
        # A connection that is new gets what is retained as well: the model's does not.
        for each in again:
            assert each.retain, "sent again though it was taken"
            each.ack()
        self.wire = wire
        return first.payload

    def loses(self) -> None:
        self.wire.pop(0).ack()


class ProtocolOnTheBus:
    """The parts of `replaying`, whose messages go over real connections."""

    def __init__(self, broker: Mosquitto, home: str) -> None:
        self._broker, self._home = broker, home
        self._topic = f"{home}/command"
        self.parts = Replay.begun(self._send)
        self._daemons: dict[str, Client] = {}
        self._box = SimulatedChargePoint(self.parts.now)
        self._plug = PlugOnTheBus(broker, home, self._topic, ON_THE_WAY)
        self._plug.connects()

    def _send(self, who: str, payload: bytes) -> None:
        self._daemons[who].publish(self._topic, payload)

    @property
    def is_on(self) -> bool:
        return self._box.offered_amps > 0

    @property
    def wire(self) -> int:
        return len(self._plug.wire)

    def after(self, name: str) -> None:
        """Do a step of the model."""
        who, _, what = name.partition(" ")
        if what.startswith("starts"):
            if who == "second" and "first" in self._daemons:
                self._daemons.pop("first").ends()
            # Both sign in under one client id, as daemons of one home do.
            self._daemons[who] = Client(self._broker, f"{self._home}-daemon")
        self.parts = self.parts.after(name)
        self._box.advance(self.parts.now)
        if what.startswith("dies"):
            killed = self._daemons.pop(who)
            killed.breaks()
            killed.ends()
        self._wire_step(name)
        self._plug.listens()

    def _wire_step(self, name: str) -> None:
        plug = self._plug
        match name:
            case "arrives" | "arrives, and once more":
                payload = plug.takes(once_more=name != "arrives")
                self._box.obey(decode(Command, payload), self.parts.now)
            case "lost":
                plug.loses()
            case "out of order":
                plug.wire.reverse()
            case "cut off":
                plug.is_cut_off()
            case "boots":
                self._box = SimulatedChargePoint(self.parts.now)
                plug.connects()
            case "connected":
                plug.connects()
            case "broker forgets":
                self._forget()
            case _:
                pass  # a daemon's

    def _forget(self) -> None:
        other = Client(self._broker, f"{self._home}-other")
        other.publish(self._topic, b"")
        other.ends()
        self._plug.listens()
        while self._plug.wire:
            self._plug.loses()

    def ends(self) -> None:
        self._plug.is_cut_off()
        for each in self._daemons.values():
            each.ends()


class PlainPlugOnTheBus:
    """A plug that knows no expiry, and a daemon's real channel to it, whose stop is a Will."""

    def __init__(self, broker: Mosquitto, home: str) -> None:
        self._broker, self._home = broker, home
        self._topic = f"{home}/switch"
        texts = {do: {"topic": self._topic, "text": do, "retain": True} for do in ("start", "stop")}
        self._outputs = WiringOutputs.model_validate({**texts, "stop_as_will": True})
        self._wants, self.is_on = "stop", False
        self._witness = Client(broker, f"{home}-witness", self._topic)
        self._sender: Client | None = None
        self._will: StopAsWill | None = None
        self._plug = PlugOnTheBus(broker, home, self._topic, MOST_ON_THE_WAY)
        self._plug.connects()
        self._connects()

    def _connects(self) -> None:
        self._sender = Client(self._broker, f"{self._home}-daemon")
        self._holds()

    def _holds(self) -> None:
        will = StopAsWill(self._broker.bus, f"{self._home}-will", self._outputs, lambda: None)
        will.start()
        wait_until(lambda: will.is_up, what="the Will's connection")
        self._will = will

    def _command(self) -> None:
        will, sender = self._will, self._sender
        assert sender is not None
        channel = WiredChannel(
            self._outputs, sender, watts_per_amp=230.0,
            may_start=lambda: will is not None and will.is_up,
        )  # fmt: skip
        until, amps = EVENING + LEASE, 16.0 if self._wants == "start" else None
        command = {"v": 1, "serial": 1, "do": self._wants, "amps": amps, "valid_until": until}
        channel.send(Command.model_validate({**command, "why": "-"}), (), EVENING)

    @property
    def wire(self) -> int:
        return len(self._plug.wire)

    def after(self, name: str) -> None:
        """Do a step of the model."""
        match name.split():
            case ["it", "wants", do]:
                self._wants = do
                self._command()
            case ["it", "dies"] | ["its", *_, "breaks"]:
                self._breaks(is_dead=name == "it dies")
                return  # the broker's Will is the next step
            case ["it", "starts"]:
                self._connects()
                self._command()
            case ["its", *_, "returns"]:
                self._holds()
                self._command()
            case _:
                self._plug_step(name)
        self._plug.listens()

    def _breaks(self, *, is_dead: bool) -> None:
        if self._will is not None:
            _forget(self._witness.arrived())
            breaks(self._will._mqtt)
            self._will.stop()
            self._will = None
            wait_until(lambda: _forget(self._witness.arrived()), what="the Will")
        if is_dead and self._sender is not None:
            self._sender.breaks()
            self._sender.ends()
            self._sender = None

    def _plug_step(self, name: str) -> None:
        match name:
            case "arrives" | "arrives, and once more":
                self.is_on = self._plug.takes(once_more=name != "arrives") == b"start"
            case "the plug is cut off":
                self._plug.is_cut_off()
            case "the plug connects":
                self._plug.connects()
            case "the plug boots":
                self.is_on = False
                self._plug.connects()
            case _:
                pass  # the broker has sent the Will already

    def ends(self) -> None:
        self._plug.is_cut_off()
        for each in (self._witness, self._sender):
            if each is not None:
                each.ends()
        if self._will is not None:
            self._will.stop()


def _forget(messages: list[MessageArrived]) -> int:
    for each in messages:
        each.ack()
    return len(messages)


# --- what is replayed -----------------------------------------------------------------------------


def begun() -> World:
    """Give the model's world in which a start is in force."""
    world = World()
    for name in CHARGING:
        world = dict(RIGHT.steps(world))[name]
    return world


def protocol_kind(world: World, name: str) -> tuple[object, ...]:
    """Give what counts as one kind of step of `protocol`."""
    plug, retained = world.plug, world.retained
    return (
        name, world.first.is_up, world.second.is_up, retained and retained.do, plug.is_connected,
        len(world.wire), RIGHT.is_on(plug, world.now),
    )  # fmt: skip


def plain_steps(home: Home) -> Iterator[tuple[str, Home]]:
    """Yield the steps of `plain_plug` that can be had of a real broker: it sends a Will at once."""
    for name, after in SAFE.steps(home):
        if not home.will_due or name == "the broker sends the Will":
            yield name, after


def plain_kind(home: Home, name: str) -> tuple[object, ...]:
    """Give what counts as one kind of step of `plain_plug`."""
    return (name, *home[:5], len(home.wire), home.is_connected, home.is_on)


def protocol_sequences() -> list[tuple[str, ...]]:
    return list(covering(begun(), RIGHT.steps, protocol_kind, LONGEST))


def plain_sequences() -> list[tuple[str, ...]]:
    return list(covering(Home(), plain_steps, plain_kind, LONGEST))


def replay_protocol(broker: Mosquitto, home: str, names: tuple[str, ...]) -> None:
    """Do steps of `protocol` and hold each against the model."""
    world = World()
    with _ended(ProtocolOnTheBus(broker, home)) as real:
        for name in (*CHARGING, *names):
            world = dict(RIGHT.steps(world))[name]
            real.after(name)
            assert real.is_on == RIGHT.is_on(world.plug, world.now), (names, name)
            assert real.wire == len(world.wire), (names, name)


def replay_plain(broker: Mosquitto, home: str, names: tuple[str, ...]) -> None:
    """Do steps of `plain_plug` and hold each against the model."""
    model = Home()
    with _ended(PlainPlugOnTheBus(broker, home)) as real:
        for name in names:
            model = dict(SAFE.steps(model))[name]
            real.after(name)
            if not model.will_due:
                assert real.is_on == model.is_on, (names, name)
                assert real.wire == len(model.wire), (names, name)


RealT = TypeVar("RealT", ProtocolOnTheBus, PlainPlugOnTheBus)


@contextmanager
def _ended(real: RealT) -> Iterator[RealT]:
    try:
        yield real
    finally:
        real.ends()


def main() -> int:
    """Replay all of them; the first difference ends it."""
    started, steps = time.process_time(), 0
    protocol, plain = protocol_sequences(), plain_sequences()
    with ExitStack() as stack:
        broker = stack.enter_context(quick_broker(Path(stack.enter_context(_folder()))))
        stack.enter_context(plans_remembered())
        stack.enter_context(silent())
        for number, names in enumerate(protocol):
            replay_protocol(broker, f"home-{number}", names)
            steps += len(names)
        for number, names in enumerate(plain):
            replay_plain(broker, f"plain-{number}", names)
            steps += len(names)
    seconds = time.process_time() - started
    say(f"the lease on a real broker: {len(protocol)} and {len(plain)} sequences, {steps} steps")
    say(f"as the models say, in {seconds:.1f} s of a processor")
    return 0


def _folder() -> tempfile.TemporaryDirectory[str]:
    return tempfile.TemporaryDirectory(prefix="lullwatt-lease-")


if __name__ == "__main__":
    sys.exit(main())
