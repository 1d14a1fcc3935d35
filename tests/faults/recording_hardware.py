"""Simulated hardware that records what it published and when it received a command."""

from __future__ import annotations

from datetime import datetime
from time import monotonic

from typing_extensions import override

from adapters.bus.bus import BusEvent, Connected, MessageArrived
from adapters.contract.topics import Topics
from adapters.simulated.charge_point import SimulatedChargePoint
from adapters.simulated.hardware import SimulatedHardware
from config.household.household_file import Bus
from tests.faults.evenings import POINT


class RecordingHardware(SimulatedHardware):
    """A simulated charge point on the bus that records its messages and connections.

    Attributes
    ----------
    published : list of (str, bytes)
        Every message handed to the broker.
    command_at_seconds : float
        When it last received a command, new or repeated [s, monotonic].
    connections : int
        How often it was connected.
    """

    def __init__(self, point: SimulatedChargePoint, bus: Bus, topics: Topics) -> None:
        self.published: list[tuple[str, bytes]] = []
        self.command_at_seconds = 0.0
        self.connected_at_seconds = 0.0
        self.connections = 0
        self.losses = 0
        super().__init__(point, bus, topics, POINT)
        publish = self._bus.publish

        def recorded(topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:
            sent = publish(topic, payload, retain=retain, qos=qos)
            if sent:
                self.published.append((topic, payload))
            return sent

        self._bus.publish = recorded  # type: ignore[method-assign]

    def say_again(self, now: datetime) -> None:
        """Report everything at the next `step`, changed or not."""
        with self.changed:
            self._reported_power = self._reported_vehicle = None
            self._retry_at = now

    def wait_for(self, connections: int, command_since_seconds: float, timeout: float) -> bool:
        """Wait until it has connected so often, and received a command since an instant."""
        with self.changed:
            return self.changed.wait_for(
                lambda: (
                    self.connections >= connections
                    and self.command_at_seconds >= command_since_seconds
                ),
                timeout,
            )

    def wait_lost(self, losses: int, timeout: float) -> bool:
        """Wait until its connection has been lost so often."""
        with self.changed:
            return self.changed.wait_for(lambda: self.losses >= losses, timeout)

    @override
    def _on_event(self, event: BusEvent) -> None:
        with self.changed:
            if isinstance(event, MessageArrived):
                self.command_at_seconds = monotonic()
            elif isinstance(event, Connected):
                self.connections += 1
                self.connected_at_seconds = monotonic()
            else:
                self.losses += 1
        super()._on_event(event)
