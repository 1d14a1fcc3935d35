"""Send commands to hardware that does not use the daemon's own messages.

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
from config.household.wiring import WiringOutputs


class HardwareChannel(Protocol):
    """Sends commands to one charge point."""

    @property
    def stores_plan(self) -> bool:
        """Whether the hardware stores the plan, so that a new plan must be sent at once."""

    def send(self, command: Command, periods: Sequence[CurrentPeriod], now: datetime) -> None:
        """Send the command in force and the plan; sending the same again does no harm."""

    def next_repeat(self) -> datetime | None:
        """Return when to send the command again, in case the hardware has forgotten it."""


class Sender(Protocol):
    """The publishing part of the bus."""

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:
        """Hand a message to the broker; False, and nothing sent, while there is none."""
        ...


class WiredChannel:
    """Sends commands to hardware in its own topics and payloads.

    Parameters
    ----------
    outputs
        The charge point's wiring.
    sender
        The bus.
    watts_per_amp
        Power of each ampere [W]: phases times volts.
    """

    stores_plan = False

    def __init__(self, outputs: WiringOutputs, sender: Sender, *, watts_per_amp: float) -> None:
        self._outputs = outputs
        self._sender = sender
        self._watts_per_amp = watts_per_amp
        self._sent_at: datetime | None = None

    def send(
        self,
        command: Command,
        periods: Sequence[CurrentPeriod],  # noqa: ARG002 - a plug stores no plan
        now: datetime,
    ) -> None:
        """Send the command in force, as the wiring writes it."""
        self._sent_at = now
        for message in command_messages(self._outputs, command, now, self._watts_per_amp):
            self._publish(message)

    @property
    def needs_a_stop(self) -> bool:
        """Whether only a stop ends a charge, because a start carries no time limit."""
        return self._outputs.stop_as_will or not self._outputs.is_start_limited

    def send_stop(self) -> None:
        """Send a stop, because the daemon ends and can't send one later."""
        self._publish(stop_message(self._outputs))

    def next_repeat(self) -> datetime | None:
        """Return when to send the command again; None if the wiring asks for no repeats."""
        minutes = self._outputs.repeat_minutes
        if minutes is None or self._sent_at is None:
            return None
        return self._sent_at + timedelta(minutes=minutes)

    def _publish(self, message: OutgoingMessage) -> None:
        self._sender.publish(message.topic, message.payload, retain=message.retain, qos=message.qos)


class StopAsWill:
    """A separate connection whose Will is a charge point's stop.

    It publishes nothing itself. If the daemon or its machine dies, the broker publishes the
    stop. It also does so if only this connection breaks, perhaps during a charge: `on_return` then
    has the command sent again.

    Parameters
    ----------
    bus
        The household's broker.
    client_id
        Used by this connection only.
    outputs
        The charge point's wiring.
    on_return
        Called on the connection's own thread each time it is up.
    """

    def __init__(
        self, bus: Bus, client_id: str, outputs: WiringOutputs, on_return: Callable[[], None]
    ) -> None:
        stop = stop_message(outputs)
        self._on_return = on_return
        self._mqtt = MqttBus(
            bus,
            client_id=client_id,
            on_event=self._on_event,
            will=(stop.topic, stop.payload),
            will_is_kept=stop.retain,
            keep_session=False,
        )

    def start(self) -> None:
        """Connect, in the background."""
        self._mqtt.start()

    def stop(self) -> None:
        """Disconnect; the broker then publishes no Will."""
        self._mqtt.stop()

    def _on_event(self, event: BusEvent) -> None:
        if isinstance(event, Connected):
            self._on_return()
