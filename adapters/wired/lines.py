"""Ways to hardware that does not speak the daemon's own messages: what it is told, and when again.

A line knows how to tell one charge point a command. What it hears goes into the daemon's queue like
everything else. The controller does not know of lines.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from typing import Protocol

from adapters.bus.bus import BusEvent, Connected, MqttBus
from adapters.contract.messages import Command
from adapters.wired.phrases import Wire, stop_wire, wires
from config.household.household_file import Bus
from config.household.wiring import Telling


class PlannedPeriod(Protocol):
    """A stretch of charging, as equipment that can hold a plan is told of it."""

    @property
    def start(self) -> datetime:
        """UTC."""

    @property
    def end(self) -> datetime:
        """UTC, the first instant outside."""

    @property
    def amps(self) -> float:
        """Current per phase [A]."""


class Line(Protocol):
    """The way to one charge point."""

    @property
    def holds_plan(self) -> bool:
        """Whether it keeps the plan that it is told, so that a new one must be told at once."""

    def tell(self, command: Command, periods: Sequence[PlannedPeriod], now: datetime) -> None:
        """Tell it what is in force; the same again does no harm."""

    def next_due(self) -> datetime | None:
        """Say when the same should be told again, because it may have been forgotten."""


class Sender(Protocol):
    """The part of the bus that is written to."""

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:
        """Hand a message to the broker; False, and nothing sent, while there is none."""
        ...


class WiredLine:
    """The way to hardware with topics and words of its own.

    Parameters
    ----------
    telling
        The charge point's wiring.
    sender
        The bus.
    watts_per_amp
        Power of each ampere [W]: phases times volts.
    """

    holds_plan = False

    def __init__(self, telling: Telling, sender: Sender, *, watts_per_amp: float) -> None:
        self._telling = telling
        self._sender = sender
        self._watts_per_amp = watts_per_amp
        self._told_at: datetime | None = None

    def tell(
        self,
        command: Command,
        periods: Sequence[PlannedPeriod],  # noqa: ARG002 - a plug holds no plan
        now: datetime,
    ) -> None:
        """Tell it what is in force, in its own words."""
        self._told_at = now
        for wire in wires(self._telling, command, now, self._watts_per_amp):
            self._send(wire)

    @property
    def would_stay_on(self) -> bool:
        """Whether nothing but a stop would end a charge: it is told no time limit."""
        limits = {"seconds", "valid_until"}
        return self._telling.stop_as_will or not limits & self._telling.start.placeholders

    def stop(self) -> None:
        """Tell it to stop, because nobody will be there to tell it later."""
        self._send(stop_wire(self._telling))

    def next_due(self) -> datetime | None:
        """Say when it is to be told again."""
        minutes = self._telling.repeat_minutes
        if minutes is None or self._told_at is None:
            return None
        return self._told_at + timedelta(minutes=minutes)

    def _send(self, wire: Wire) -> None:
        self._sender.publish(wire.topic, wire.payload, retain=wire.retain, qos=wire.qos)


class StopAsWill:
    """A connection that says nothing, and whose Will is a charge point's stop.

    If the daemon or its machine dies, the broker says stop. If only this connection breaks, the
    broker does so too, though a charge may be under way: `on_return` then has it told again.

    Parameters
    ----------
    bus
        The household's broker.
    client_id
        Of this connection alone.
    telling
        The charge point's wiring.
    on_return
        Called on the connection's own thread each time it is up.
    """

    def __init__(
        self, bus: Bus, client_id: str, telling: Telling, on_return: Callable[[], None]
    ) -> None:
        wire = stop_wire(telling)
        self._on_return = on_return
        self._mqtt = MqttBus(
            bus,
            client_id=client_id,
            on_event=self._heard,
            will=(wire.topic, wire.payload),
            will_is_kept=wire.retain,
            keep_session=False,
        )

    def start(self) -> None:
        """Connect, in the background."""
        self._mqtt.start()

    def stop(self) -> None:
        """Disconnect; the broker says nothing."""
        self._mqtt.stop()

    def _heard(self, event: BusEvent) -> None:
        if isinstance(event, Connected):
            self._on_return()
