"""Simulated hardware with its own topics and payloads, as the example files wire it.

Each shares only its topics with the household files: its payloads are written out here. It also
receives the daemon's own command, but only to know that all earlier messages have arrived.
"""

from __future__ import annotations

import json
from datetime import timedelta

from typing_extensions import override

from adapters.contract.messages import Command, Message, Reading, VehicleReport, decode
from adapters.simulated.hardware import SimulatedHardware

FOR_EVER = timedelta(days=2)


class WiredHardware(SimulatedHardware):
    """The base of the devices below."""

    topics: tuple[str, ...] = ()
    _serial = 0
    _arrived_serial = 0

    @override
    def _subscriptions(self, command_topic: str) -> list[str]:
        self._command_topic = command_topic
        return [command_topic, *self.topics]

    @override
    def wait_obeyed(self, serial: int, timeout: float) -> bool:
        with self.changed:
            return self.changed.wait_for(lambda: self._arrived_serial >= serial, timeout)

    @override
    def _on_command(self, topic: str, payload: bytes) -> None:
        with self.changed:
            if topic == self._command_topic:
                self._arrived_serial = decode(Command, payload).serial
            else:
                self.receive(topic, payload.decode())
            self.changed.notify_all()

    def receive(self, topic: str, text: str) -> None:
        """Obey a payload on one of its own topics; nothing for hardware without such topics."""

    def switch(self, amps: float | None, lasts: timedelta = FOR_EVER) -> None:
        """Offer a current, or none."""
        self._serial += 1
        at = self._point.now
        command = Command(
            serial=self._serial,
            do="stop" if amps is None else "start",
            amps=amps,
            valid_until=at + lasts,
            why="commanded",
        )
        self._point.obey(command, at)


class Plug(WiredHardware):
    """A smart plug: on and off, power and energy in one JSON report; it has no time limit."""

    topics: tuple[str, ...] = ("carport/plug/set",)

    @override
    def receive(self, topic: str, text: str) -> None:
        self.switch({"on": 10.0, "off": None}[text])

    @override
    def _encoded(self, topic: str, report: Message) -> list[tuple[str, bytes]]:
        if not isinstance(report, Reading):
            return []  # it does not know its vehicle
        values = {"power": report.watts, "total": report.register_kwh, "voltage": 231}
        return [("carport/plug/energy", json.dumps(values).encode())]


class RelayAndMeter(WiredHardware):
    """A relay with a time limit and an input for the cable, and a pulse meter beside it."""

    topics: tuple[str, ...] = ("shed/relay/1",)

    @override
    def receive(self, topic: str, text: str) -> None:
        command = json.loads(text)
        seconds = command.get("for_seconds", 0)
        self.switch(16.0 if command["closed"] else None, timedelta(seconds=seconds))

    @override
    def _encoded(self, topic: str, report: Message) -> list[tuple[str, bytes]]:
        match report:
            case Reading(watts=float(watts), register_kwh=float(kwh)):
                return [
                    ("shed/meter/pulses", str(round(kwh * 1000)).encode()),
                    ("shed/meter/kilowatts", f"{watts / 1000:.4f}".encode()),
                ]
            case VehicleReport(pilot=str(pilot)):
                cable = {"cable": "out" if pilot == "A" else "in"}
                return [("shed/relay/input/2", json.dumps(cable).encode())]
            case _:
                return []


class AdjustableChargePoint(WiredHardware):
    """A charge point with one topic for the current and another for the switch."""

    topics: tuple[str, ...] = ("garage/box/limit", "garage/box/allow")
    _limit_amps = 0.0

    @override
    def receive(self, topic: str, text: str) -> None:
        if topic == "garage/box/limit":
            self._limit_amps = float(text)
        else:
            self.switch({"1": self._limit_amps, "0": None}[text])

    @override
    def _encoded(self, topic: str, report: Message) -> list[tuple[str, bytes]]:
        match report:
            case Reading(watts=float(watts), register_kwh=float(kwh), amps=float(amps)):
                values = {"amps": [amps, 0, 0], "watts": watts, "total_wh": round(kwh * 1000)}
                return [("garage/box/meter", json.dumps(values).encode())]
            case VehicleReport(pilot=str(pilot)):
                state = {"A": "free", "B": "plugged", "C": "charging"}[pilot].encode()
                percent = report.soc_percent
                battery = json.dumps({"battery": {"percent": percent}}).encode()
                soc = [] if percent is None else [("garage/car", battery)]
                return [("garage/box/state", state), *soc]
            case _:
                return []
