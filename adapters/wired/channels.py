"""Send commands to hardware that does not understand the daemon's own messages.

A channel sends commands to one charge point. What the charge point reports goes into the daemon's
queue like every other message. The controller does not know about channels.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from typing import Protocol

from adapters.bus.bus import BusEvent, Connected, MqttBus
from adapters.contract.current_period import CurrentPeriod
from adapters.contract.messages import Command
from adapters.wired.command_messages import OutgoingMessage, command_messages, stop_message
from config.household.household_file import Bus
from config.household.wiring import Telling


class HardwareChannel(Protocol):
    """The way to one charge point."""

    @property
    def stores_plan(self) -> bool:
        """Whether it keeps the plan that it is told, so that a new one must be told at once."""

    def send(self, command: Command, periods: Sequence[CurrentPeriod], now: datetime) -> None:
        """Tell it what is in force; the same again does no harm."""

    def next_repeat(self) -> datetime | None:
        """Say when the same should be told again, because it may have been forgotten."""


class Sender(Protocol):
    """The part of the bus that is written to."""

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:
        """Hand a message to the broker; False, and nothing sent, while there is none."""
        ...


class WiredChannel:
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

    stores_plan = False

    def __init__(self, telling: Telling, sender: Sender, *, watts_per_amp: float) -> None:
        self._telling = telling
        self._sender = sender
        self._watts_per_amp = watts_per_amp
        self._sent_at: datetime | None = None

    def send(
        self,
        command: Command,
        periods: Sequence[CurrentPeriod],  # noqa: ARG002 - a plug holds no plan
        now: datetime,
    ) -> None:
        """Tell it what is in force, in its own words."""
        self._sent_at = now
        for wire in command_messages(self._telling, command, now, self._watts_per_amp):
            self._send(wire)

    @property
    def stays_on_without_stop(self) -> bool:
        """Whether nothing but a stop would end a charge: it is told no time limit."""
        limits = {"seconds", "valid_until"}
        return self._telling.stop_as_will or not limits & self._telling.start.placeholders

    def send_stop(self) -> None:
        """Tell it to stop, because nobody will be there to tell it later."""
        self._send(stop_message(self._telling))

    def next_repeat(self) -> datetime | None:
        """Say when it is to be told again."""
        minutes = self._telling.repeat_minutes
        if minutes is None or self._sent_at is None:
            return None
        return self._sent_at + timedelta(minutes=minutes)

    def _send(self, wire: OutgoingMessage) -> None:
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
        wire = stop_message(telling)
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
