"""Play hardware that misbehaves: each fault in a separate night, at random instants.

The service runs in this process, with a fault between it and the simulated charge point. It must
raise the alerts of `daemon.control.alerts`, and account for all the energy.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any, Final

from typing_extensions import override

from adapters.simulated.charge_point import SimulatedChargePoint, SimulatedVehicle
from daemon.control.alerts import (
    ENDED_SHORT,
    NO_POWER,
    NO_READING,
    OVER_CURRENT,
    POWER_AFTER_STOP,
)
from daemon.rehearsal.rehearsal import REGISTER_WH
from tests.faults.evenings import POINT, SCENES, Scene
from tests.faults.garbage import Sent
from tests.faults.ledger_contents import read_ledger
from tests.faults.served import Served
from tests.faults.tally import Tally

MINUTE: Final = timedelta(minutes=1)
PLUGGED: Final = 12 * 60 + 45
"""The vehicle is unplugged five minutes before it leaves at 07:20 [min after 18:30]."""

STEPS: Final = tuple(step for step in range(15 * 60) if step % 5 == 0 or 145 < step < 400)
"""Minutes after the plug-in at which the hardware reports: more often while it charges."""

CHARGES: Final = (155, 350)
"""Minutes after the plug-in between which the demo household charges."""

MOST_STARTS: Final = 4
"""A night needs one; a failed start is tried again, but not all night."""

LONGEST_EXCESS: Final = 3
"""Steps after which more current than is allowed must have ended: the hardware reports each minute.
"""

MINUTE_WH: Final = 32 * 230 / 60
"""What flows in a minute at the highest current [Wh]."""


class FaultyPoint(SimulatedChargePoint):
    """A charge point whose relay may stick, or that takes a current of its own at any start."""

    stuck: str | None = None
    takes_amps: float | None = None
    excess_steps = 0

    @property
    @override
    def offered_amps(self) -> float:
        if self.stuck == "on":
            return self._max_amps
        offered = 0.0 if self.stuck == "off" else super().offered_amps
        return offered if self.takes_amps is None or not offered else self.takes_amps


@dataclass
class StubbornVehicle(SimulatedVehicle):
    """A vehicle that ends its charge by itself at a state of charge."""

    ends_at_percent: float = 100.0

    @property
    @override
    def is_full(self) -> bool:
        return self.soc_percent >= self.ends_at_percent


@dataclass(slots=True)
class HardwareMessages:
    """The messages that hardware sends now; a fault changes them.

    Attributes
    ----------
    step : int
        Minutes since the plug-in.
    begins : int
        The step at which the fault begins.
    messages : list of (str, dict)
        Last topic level and body of each message.
    """

    step: int
    begins: int
    point: FaultyPoint
    chance: Random
    messages: list[tuple[str, dict[str, Any]]]
    memory: dict[str, Any]

    @property
    def on(self) -> bool:
        """Whether the fault has begun."""
        return self.step >= self.begins


def relay_stuck_on(hardware: HardwareMessages) -> None:
    """Never open again, once it has charged."""
    hardware.point.stuck = "on" if hardware.on else None


def relay_stuck_off(hardware: HardwareMessages) -> None:
    """Never close."""
    hardware.point.stuck = "off"


def too_much_current(hardware: HardwareMessages) -> None:
    """Take 40 A at any start, in the middle of a charge."""
    hardware.point.takes_amps = 40.0 if hardware.on else None


def meter_silent(hardware: HardwareMessages) -> None:
    """Send nothing for forty minutes of the charge."""
    if hardware.begins <= hardware.step < hardware.begins + 40:
        hardware.messages.clear()


def meter_reset(hardware: HardwareMessages) -> None:
    """Begin at 0 again in the middle of a charge."""
    if not hardware.on:
        return
    for body in _readings(hardware):
        offset = hardware.memory.setdefault("offset", body["register_kwh"])
        body["register_kwh"] = round(body["register_kwh"] - offset, 3)


def meter_backwards(hardware: HardwareMessages) -> None:
    """Go back by some watt-hours now and then."""
    for body in _readings(hardware):
        if hardware.on and hardware.chance.random() < 0.3:
            body["register_kwh"] = round(body["register_kwh"] - 0.003, 3)


def doubled_and_late(hardware: HardwareMessages) -> None:
    """Send everything twice, and now and then minutes late."""
    late = hardware.memory.setdefault("late", [])
    if hardware.on and hardware.chance.random() < 0.2:
        late.append((hardware.step + hardware.chance.randint(2, 9), list(hardware.messages)))
        return
    for due, messages in list(late):
        if due <= hardware.step:
            late.remove((due, messages))
            hardware.messages += messages
    hardware.messages += list(hardware.messages)


def clock_behind(hardware: HardwareMessages) -> None:
    """Date everything an hour too early."""
    _shift(hardware, -timedelta(hours=1))


def clock_ahead(hardware: HardwareMessages) -> None:
    """Date everything an hour too late, until somebody corrects the clock."""
    if hardware.begins <= hardware.step < hardware.begins + 40:
        _shift(hardware, timedelta(hours=1))


def as_it_should(_line: HardwareMessages) -> None:
    """Change nothing: the fault is the vehicle's."""


def _readings(hardware: HardwareMessages) -> list[dict[str, Any]]:
    return [body for leaf, body in hardware.messages if leaf == "reading"]


def _shift(hardware: HardwareMessages, by: timedelta) -> None:
    for _, body in hardware.messages:
        body["at"] = (datetime.fromisoformat(body["at"]) + by).isoformat()


@dataclass(frozen=True, slots=True)
class Case:
    """A fault, and the result that it must have.

    Attributes
    ----------
    fault : callable
        Changes the messages.
    alerts : frozenset of str
        The alerts that it must raise.
    met : bool
        Whether the battery can still be ready for the departure.
    off_by_wh : float
        Energy that nobody can know of [Wh].
    draws_amps, ends_at_percent : float
        How the vehicle differs from the usual.
    """

    fault: Callable[[HardwareMessages], None]
    alerts: frozenset[str] = frozenset()
    met: bool = True
    off_by_wh: float = 0.0
    draws_amps: float = 32.0
    ends_at_percent: float = 100.0


CASES: Final[Mapping[str, Case]] = {
    "relay stuck on": Case(relay_stuck_on, frozenset({POWER_AFTER_STOP})),
    "relay stuck off": Case(relay_stuck_off, frozenset({NO_POWER}), met=False),
    "takes more than it is told": Case(
        too_much_current, frozenset({OVER_CURRENT}), met=False, draws_amps=40.0
    ),
    "meter silent": Case(meter_silent, frozenset({NO_READING})),
    "meter begins again": Case(meter_reset, off_by_wh=2 * MINUTE_WH),
    "meter goes backwards": Case(meter_backwards, off_by_wh=4),
    "readings doubled and late": Case(doubled_and_late),
    "hardware's clock an hour behind": Case(clock_behind),
    "hardware's clock an hour ahead": Case(clock_ahead, frozenset({NO_READING})),
    "vehicle ends by itself": Case(
        as_it_should, frozenset({ENDED_SHORT}), met=False, ends_at_percent=50.0
    ),
    "vehicle draws a third": Case(as_it_should, draws_amps=32 / 3),
}


def misbehave(directory: Path, tally: Tally, chance: Random, seed: str) -> None:
    """Play every case once, each in its own folder."""
    for index, (name, case) in enumerate(CASES.items()):
        tally.tried["nights with hardware that misbehaves"] += 1
        here = f"{name} ({seed})"
        _play(directory / str(index), tally, case, Random(chance.random()), here)


def _play(directory: Path, tally: Tally, case: Case, chance: Random, here: str) -> None:
    scene = SCENES[0]
    directory.mkdir(parents=True)
    point = FaultyPoint(scene.begins, register_wh=REGISTER_WH)
    vehicle = StubbornVehicle(
        52, scene.soc_percent, max_amps=case.draws_amps, ends_at_percent=case.ends_at_percent
    )
    point.plug_in(vehicle, scene.begins)
    house = scene.write(directory, "mqtt://127.0.0.1:1")
    begins = chance.randint(CHARGES[0] + 5, CHARGES[1] - 60)
    with Served(house, scene.begins, point).running() as served:
        memory: dict[str, Any] = {}
        for step in STEPS:
            now = scene.begins + step * MINUTE
            if not served.move(now):
                tally.wrong("stopped", f"{served.failure!r}, {here}")
                return
            if step == PLUGGED:
                point.unplug(now)
            hardware = HardwareMessages(
                step, begins, point, chance, _messages_of(point, now, step), memory
            )
            case.fault(hardware)
            for leaf, body in hardware.messages:
                topic = f"{served.topics.base}/{POINT}/{leaf}"
                served.deliver(Sent(topic, json.dumps(body).encode()))
            served.wait()
            _look(tally, point, scene, now, here)
    _judge(tally, case, served, (point, vehicle), here)


def _messages_of(point: FaultyPoint, now: datetime, step: int) -> list[tuple[str, dict[str, Any]]]:
    at = now.isoformat()
    register, watts = point.register_kwh, round(point.watts(), 1)
    messages: list[tuple[str, dict[str, Any]]] = [
        ("reading", {"at": at, "register_kwh": register, "watts": watts})
    ]
    if step % 10 == 0 or step == PLUGGED:
        body: dict[str, Any] = {"at": at, "pilot": point.pilot}
        if point.vehicle is not None:
            body["soc_percent"] = round(point.vehicle.soc_percent, 1)
        messages.append(("vehicle", body))
    return messages


def _look(tally: Tally, point: FaultyPoint, scene: Scene, now: datetime, here: str) -> None:
    is_over = point.stuck is None and point.offered_amps > scene.allowed_amps(now) + 1e-9
    point.excess_steps = point.excess_steps + 1 if is_over else 0
    if point.excess_steps > (0 if point.takes_amps is None else LONGEST_EXCESS):
        tally.wrong("over the current", f"{now.isoformat()}, {here}")


def _judge(
    tally: Tally, case: Case, served: Served, there: tuple[FaultyPoint, StubbornVehicle], here: str
) -> None:
    point, vehicle = there
    raised = {code for _, code in served.alerts}
    if not case.alerts <= raised:
        tally.wrong("alert not raised", f"{sorted(case.alerts - raised)}, {here}")
    rise_wh = point.register_kwh * 1000 - REGISTER_WH
    contents = read_ledger(served.ledger)
    difference = contents.nights_wh - rise_wh
    if abs(difference) > 1 + contents.bands + case.off_by_wh:
        kind = "counted twice" if difference > 0 else "lost"
        tally.wrong(kind, f"{contents.nights_wh} Wh of {rise_wh:.0f} Wh, {here}")
    if case.met and vehicle.soc_percent < SCENES[0].need_percent - 0.5:
        tally.wrong("short for the departure", f"{vehicle.soc_percent:.1f} %, {here}")
    if point.stuck is None and point.offered_amps > 0:
        tally.wrong("left charging", here)
    starts = sum(night["starts"] for night in contents.nights)
    if starts > MOST_STARTS:
        tally.wrong("left charging", f"{starts} starts in one night, {here}")
