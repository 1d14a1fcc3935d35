"""Simulated hardware that speaks a household's own wiring, from the hardware's side."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Final

from typing_extensions import override

from adapters.contract.messages import Command, Message, Reading, VehicleReport
from adapters.simulated.backwards import (
    Reports,
    Told,
    acknowledging,
    told_by,
    told_topics,
)
from adapters.simulated.faults import Fault
from adapters.simulated.hardware import Connect, SimulatedHardware
from adapters.wired.command_messages import shown_payload

if TYPE_CHECKING:
    from datetime import datetime

    from adapters.contract.topics import Topics
    from adapters.simulated.charge_point import SimulatedChargePoint
    from adapters.wired.values import Value
    from config.doors.broker import Bus
    from config.household.wiring import Wiring

FOR_EVER: Final = timedelta(days=2)
"""How long a start lasts that says nothing of its end."""

MISSED: Final = 1.5
"""Hardware that must hear its command every so often waits so much longer before it stops."""


class SimulatedWiredHardware(SimulatedHardware):
    """A simulated charge point with its own topics and payloads.

    Parameters
    ----------
    point, bus, topics, charge_point, fault, connect
        As for `SimulatedHardware`.
    wiring
        As the household file has it; half of it may be missing.
    max_amps, watts_per_amp, phases
        The current of a start that names none [A], the power of an ampere [W], and how many phases
        that is.

    Raises
    ------
    UsageError
        If no hardware could report as the wiring says.
    """

    def __init__(
        self,
        point: SimulatedChargePoint,
        bus: Bus,
        topics: Topics,
        charge_point: str,
        *,
        wiring: Wiring,
        max_amps: float,
        watts_per_amp: float,
        phases: int = 1,
        fault: Fault | None = None,
        connect: Connect | None = None,
    ) -> None:
        self._wiring = wiring
        self._max_amps = max_amps
        self._watts_per_amp = watts_per_amp
        self._phases = phases
        self._written = None if wiring.hear is None else Reports(wiring.hear)
        self._values: dict[str, Value] = {}
        self._waiting: list[tuple[str, bytes, bool]] = []
        self._serial = 0
        self._set_amps: float | None = None
        self._set_phases: int | None = None
        self._is_on = False
        super().__init__(point, bus, topics, charge_point, fault=fault, connect=connect)

    @property
    def hear_topics(self) -> tuple[str, ...]:
        """The topics on which it reports."""
        answered = self._wiring.tell.acknowledgement if self._wiring.tell else None
        said = self._written.topics if self._written is not None else ()
        return (*said, *((acknowledging(answered, "0")[0],) if answered else ()))

    @override
    def _subscriptions(self, command_topic: str) -> list[str]:
        own = [] if self._written is not None else [self._daemon_topic]
        return list(dict.fromkeys([command_topic, *own, *told_topics(self._wiring)]))

    @property
    @override
    def will(self) -> tuple[str, bytes] | None:
        gone = self._of({"availability": False}, {"availability"})
        return gone[0] if gone else None

    @override
    def say_goodbye(self) -> None:
        """Say that it is gone, and leave nothing stored that real hardware did not say."""
        if self.will is not None:
            topic, payload = self.will
            self._publish(topic, payload)
            self._publish(topic, b"", retain=True)

    @override
    def _on_command(self, topic: str, payload: bytes) -> None:
        if topic == self._command_topic:
            super()._on_command(topic, payload)
            return
        told = told_by(self._wiring, topic, payload)
        with self.changed:
            if self._lost_in.loses_next():
                told = None
            elif told is None:
                self.narrate(f"hears  {topic}  {shown_payload(payload)}: not understood")
            if told is not None:
                self.narrate(f"hears  {topic}  {shown_payload(payload)}: {told.what}")
                self._do(told)
            self.changed.notify_all()

    @override
    def _obey(self, command: Command) -> None:
        if self._wiring.tell is None:
            super()._obey(command)

    def _do(self, told: Told) -> None:
        match told.what:
            case "question":
                if self._fault is Fault.SILENT and self._has_charged:
                    return
                self._note_all()
                self._waiting += [
                    (*each, False) for each in self._of(self._values, set(self._values))
                ]
                return
            case "start":
                self._switch(self._amps_of(told), self._lasts(told))
            case "stop":
                self._switch(None, FOR_EVER)
            case "current":
                self._set_amps = self._amps_of(told)
            case "change over":
                self._switch(None if self._is_on else self._set_amps or self._max_amps, FOR_EVER)
        answered = self._wiring.tell.acknowledgement if self._wiring.tell else None
        if answered is not None:
            serial = f"{told.number('serial') or 0:.0f}"
            self._waiting.append((*acknowledging(answered, serial), False))

    def _amps_of(self, told: Told) -> float:
        amps, watts, phases = (told.number(name) for name in ("amps", "watts", "phases"))
        self._set_phases = self._set_phases if phases is None else int(phases)
        if amps is None and watts is not None:
            amps = watts / self._watts_per_amp * self._phases / (self._set_phases or self._phases)
        return amps or self._set_amps or self._max_amps

    def _lasts(self, told: Told) -> timedelta:
        lasts = [FOR_EVER]
        seconds, until = told.number("seconds"), told.valid_until
        if seconds is not None:
            lasts.append(timedelta(seconds=seconds))
        if until is not None:
            lasts.append(max(timedelta(0), until - self._point.now))
        often = self._wiring.tell.repeat_seconds if self._wiring.tell else None
        if often is not None:
            lasts.append(MISSED * timedelta(seconds=often))
        return min(lasts)

    def _switch(self, amps: float | None, lasts: timedelta) -> None:
        self._serial += 1
        at = self._point.now
        until = at + lasts
        do = "start" if amps is not None else "stop"
        command = {"serial": self._serial, "do": do, "valid_until": until, "why": "commanded"}
        phases = self._set_phases if amps is not None else None
        more = {"amps": amps, "phases": phases}
        self._point.obey(Command.model_validate({**command, **more}), at)
        self._is_on = amps is not None
        self._note_state()

    def _note_state(self) -> None:
        states: dict[str, Value] = {"switched_on": self._is_on}
        if self._values.get("switched_on") != self._is_on:
            self._values |= states
            if not self._is_polled:
                self._waiting += [(*each, False) for each in self._of(self._values, set(states))]

    # --- reports ------------------------------------------------------------------------------

    @property
    def _is_polled(self) -> bool:
        return self._wiring.hear is not None and bool(self._wiring.hear.ask)

    def _of(self, values: dict[str, Value], keys: set[str]) -> list[tuple[str, bytes]]:
        return [] if self._written is None else self._written.messages(values, keys)

    @override
    def _next_due(self) -> datetime:
        return self._point.now if self._waiting else super()._next_due()

    @override
    def _reports(self) -> list[tuple[str, Message]]:
        return super()._reports() if super()._next_due() <= self._point.now else []

    @override
    def _send(self, reports: list[tuple[str, Message]], at: datetime) -> None:
        with self.changed:
            waiting, self._waiting = self._waiting, []
            if self._point.offered_amps == 0 and self._is_on and self._point.expires_at is None:
                self._is_on = False  # a start that has expired
                self._note_state()
        for topic, payload, retain in waiting:
            self._publish(topic, payload, retain=retain)
        super()._send(reports, at)

    @override
    def _encoded(self, topic: str, report: Message) -> list[tuple[str, bytes]]:
        if self._written is None:
            return super()._encoded(topic, report)
        noted = self._note(report)
        self._values.setdefault("switched_on", self._is_on)
        self._bring_up_to_date(report)
        return [] if self._is_polled else self._of(self._values, noted | {"switched_on"})

    def _note(self, report: Message) -> set[str]:
        new: dict[str, Value | None] = {}
        match report:
            case Reading():
                new = {
                    "power": report.watts, "energy": report.register_kwh, "current": report.amps,
                }  # fmt: skip
            case VehicleReport(pilot=str(pilot)):
                new = {"pilot": pilot, "plugged_in": pilot != "A", "soc": report.soc_percent}
            case _:
                pass
        known = {key: value for key, value in new.items() if value is not None}
        self._values |= known
        return set(known)

    def _bring_up_to_date(self, report: Message) -> None:
        """Let what a message carries beside its report be as it is now."""
        vehicle = self._point.vehicle
        if not isinstance(report, Reading):
            if self._fault is None and "energy" in self._values:
                self._values["energy"] = self._point.register_kwh
        elif vehicle is not None and "soc" in self._values:
            self._values["soc"] = round(vehicle.soc_percent, 2)

    def _note_all(self) -> None:
        """Take up what there is to report now, for an answer."""
        for _topic, report in super()._reports():
            self._note(report)
        point = self._point
        pilot, vehicle = point.pilot, point.vehicle
        self._values |= {"pilot": pilot, "plugged_in": pilot != "A", "switched_on": self._is_on}
        if vehicle is not None:
            self._values["soc"] = round(vehicle.soc_percent, 2)

    @override
    def _report_again(self) -> None:
        super()._report_again()
        self._waiting += [
            (*each, True) for each in self._of({"availability": True}, {"availability"})
        ]
