"""Simulated hardware with topics and words of its own, as the examples wire it.

Each shares only its topics with the household files: what it says and obeys is written out here.
The daemon's own command is heard too, but only to know that all before it has arrived.
"""

from __future__ import annotations

import json
from datetime import timedelta

from typing_extensions import override

from adapters.contract.messages import Command, Message, Reading, VehicleReport, decode
from adapters.simulated.hardware import SimulatedHardware

FOR_EVER = timedelta(days=2)


class ForeignHardware(SimulatedHardware):
    """What the devices below have in common."""

    topics: tuple[str, ...] = ()
    _told = 0
    _arrived = 0

    @override
    def _subscriptions(self, command_topic: str) -> list[str]:
        self._command_topic = command_topic
        return [command_topic, *self.topics]

    @override
    def wait_obeyed(self, serial: int, timeout: float) -> bool:
        with self.changed:
            return self.changed.wait_for(lambda: self._arrived >= serial, timeout)

    @override
    def _on_command(self, topic: str, payload: bytes) -> None:
        with self.changed:
            if topic == self._command_topic:
                self._arrived = decode(Command, payload).serial
            else:
                self.obey(topic, payload.decode())
            self.changed.notify_all()

    def obey(self, topic: str, words: str) -> None:
        """Do what it is told in its own words; nothing, where it listens to no topic of its own."""

    def switch(self, amps: float | None, holds: timedelta = FOR_EVER) -> None:
        """Offer a current, or none."""
        self._told += 1
        at = self._point.now
        command = Command(
            serial=self._told,
            do="stop" if amps is None else "start",
            amps=amps,
            valid_until=at + holds,
            why="told",
        )
        self._point.obey(command, at)


class Plug(ForeignHardware):
    """A smart plug: on and off, power and energy in one JSON report; it has no time limit."""

    topics: tuple[str, ...] = ("carport/plug/set",)

    @override
    def obey(self, topic: str, words: str) -> None:
        self.switch({"on": 10.0, "off": None}[words])

    @override
    def _encoded(self, topic: str, report: Message) -> list[tuple[str, bytes]]:
        if not isinstance(report, Reading):
            return []  # it does not know its vehicle
        said = {"power": report.watts, "total": report.register_kwh, "voltage": 231}
        return [("carport/plug/energy", json.dumps(said).encode())]


class RelayAndMeter(ForeignHardware):
    """A relay with a time limit and an input for the cable, and a pulse meter beside it."""

    topics: tuple[str, ...] = ("shed/relay/1",)

    @override
    def obey(self, topic: str, words: str) -> None:
        told = json.loads(words)
        seconds = told.get("for_seconds", 0)
        self.switch(16.0 if told["closed"] else None, timedelta(seconds=seconds))

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


class Settable(ForeignHardware):
    """A charge point that takes a current on one topic and a switch on another."""

    topics: tuple[str, ...] = ("garage/box/limit", "garage/box/allow")
    _limit_amps = 0.0

    @override
    def obey(self, topic: str, words: str) -> None:
        if topic == "garage/box/limit":
            self._limit_amps = float(words)
        else:
            self.switch({"1": self._limit_amps, "0": None}[words])

    @override
    def _encoded(self, topic: str, report: Message) -> list[tuple[str, bytes]]:
        match report:
            case Reading(watts=float(watts), register_kwh=float(kwh), amps=float(amps)):
                said = {"amps": [amps, 0, 0], "watts": watts, "total_wh": round(kwh * 1000)}
                return [("garage/box/meter", json.dumps(said).encode())]
            case VehicleReport(pilot=str(pilot)):
                word = {"A": "free", "B": "plugged", "C": "charging"}[pilot].encode()
                percent = report.soc_percent
                battery = json.dumps({"battery": {"percent": percent}}).encode()
                soc = [] if percent is None else [("garage/car", battery)]
                return [("garage/box/state", word), *soc]
            case _:
                return []
