"""Send a hundred thousand bad messages to a service, beside a twin that gets only good ones.

The twin gets every good message in order and once. The other one gets them doubled, late, out of
order, and with the garbage between them. Only its commands reach the charge point. After every step
both must have the same state, and at the end their ledgers must hold the same rows.
"""

from __future__ import annotations

import json
from collections import Counter
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any, Final

from adapters.simulated.charge_point import SimulatedChargePoint, SimulatedVehicle
from daemon.control.state import PointState, counted_soc_percent
from daemon.rehearsal.rehearsal import REGISTER_WH
from tests.faults.evenings import POINT, SCENES, Scene
from tests.faults.garbage import Garbage, Sent
from tests.faults.ledger_contents import read_ledger
from tests.faults.served import Served
from tests.faults.tally import Tally

MINUTE: Final = timedelta(minutes=1)
STEPS: Final = 15 * 60
"""From the plug-in until after the departure [min]."""

PLUGGED: Final = 13 * 60
LATE_STEPS: Final = 4


@dataclass(slots=True)
class Twins:
    """One night with garbage in it.

    Attributes
    ----------
    late : list of (int, Sent)
        Good messages to deliver late, with their step.
    """

    scene: Scene
    tally: Tally
    garbage: Garbage
    tried: Served
    twin: Served
    point: SimulatedChargePoint
    seed: str
    late: list[tuple[int, Sent]] = field(default_factory=list)

    def run(self, count: int) -> None:
        """Spread so many bad messages over the night."""
        each = -(-count // STEPS)
        for step in range(STEPS):
            now = self.scene.begins + step * MINUTE
            if not (self.tried.move(now) and self.twin.move(now)):
                self.tally.wrong("stopped", f"{self.tried.failure!r}, {self._place(now)}")
                return
            self._good(step, now)
            self._bad(min(each, count - step * each), now)
            if not (self.tried.wait() and self.twin.wait()):
                self.tally.wrong("stopped", f"{self.tried.failure!r}, {self._place(now)}")
                return
            self._compare(now)
        for _, sent in self.late:
            self._deliver_some_times(sent)
        self.tried.wait()
        self._compare_ledgers()

    def _good(self, step: int, now: datetime) -> None:
        if step == PLUGGED:
            self.point.unplug(now)
        for sent in self._hardware_messages(step, now):
            self.twin.deliver(sent)
            self.garbage.remember(sent)
            # A reading may come late, after a later one; a report may not.
            is_late = sent.topic.endswith("/reading") and step % 9 == 5
            if is_late:
                self.late.append((step + self.garbage.chance.randint(1, LATE_STEPS), sent))
            else:
                self._deliver_some_times(sent)
        for due, sent in list(self.late):
            if due <= step:
                self.late.remove((due, sent))
                self._deliver_some_times(sent)

    def _deliver_some_times(self, sent: Sent) -> None:
        for _ in range(self.garbage.chance.choice([1, 1, 1, 2, 3])):
            self.tried.deliver(sent)

    def _bad(self, count: int, now: datetime) -> None:
        for _ in range(max(0, count)):
            kind, sent = self.garbage.make(now)
            self.tally.tried["bad messages, beside a twin"] += 1
            self.tally.tried[f"bad messages, beside a twin: {kind}"] += 1
            self.tried.deliver(sent)

    def _hardware_messages(self, step: int, now: datetime) -> list[Sent]:
        point, topics = self.point, self.tried.topics
        at = now.isoformat().replace("+00:00", "Z")
        reading = {
            "v": 1, "at": at, "register_kwh": point.register_kwh, "watts": round(point.watts(), 1),
        }  # fmt: skip
        messages = [Sent(topics.reading(POINT), json.dumps(reading).encode())]
        if step % 7 == 0 or step == PLUGGED:
            report: dict[str, Any] = {"v": 1, "at": at, "pilot": point.pilot}
            if point.vehicle is not None:
                report["soc_percent"] = round(point.vehicle.soc_percent, 1)
            messages.append(Sent(topics.vehicle(POINT), json.dumps(report).encode()))
        return messages

    def _compare(self, now: datetime) -> None:
        allowed = self.scene.allowed_amps(now)
        if self.point.offered_amps > allowed + 1e-9:
            self.tally.wrong("over the current", f"{self.point.offered_amps} A, {self._place(now)}")
        if self.late:
            return
        tried, twin = known(self.tried, now), known(self.twin, now)
        if tried != twin:
            differs = {key: (tried[key], twin[key]) for key in tried if tried[key] != twin[key]}
            kind = "changed by what should change nothing"
            self.tally.wrong(kind, f"{differs}, {self._place(now)}")

    def _compare_ledgers(self) -> None:
        tried, twin = read_ledger(self.tried.ledger), read_ledger(self.twin.ledger)
        rise_wh = round(self.point.register_kwh * 1000) - REGISTER_WH
        if tried.nights_wh != rise_wh:
            kind = "lost" if tried.nights_wh < rise_wh else "counted twice"
            self.tally.wrong(kind, f"{tried.nights_wh} Wh of {rise_wh} Wh, {self.seed}")
        if self.tried.acknowledged != self.tried.delivered:
            how = f"{self.tried.acknowledged} of {self.tried.delivered} acknowledged, {self.seed}"
            self.tally.wrong("stopped", how)
        for table in ("readings", "reports", "requests", "nights_wh"):
            found, right = getattr(tried, table), getattr(twin, table)
            if found != right:
                kind = "changed by what should change nothing"
                how = f"{table}: {_differences(found, right)}"
                self.tally.wrong(kind, f"{how} in the ledger, {self.seed}")

    def _place(self, now: datetime) -> str:
        return f"{self.scene.name} at {now.isoformat()} ({self.seed})"


def _differences(found: object, right: object) -> str:
    if isinstance(found, Counter) and isinstance(right, Counter):
        return f"{list(found - right)[:3]} too much, {list(right - found)[:3]} missing"
    return f"{found} for {right}"


def known(served: Served, now: datetime) -> dict[str, Any]:
    """Return the state of a service, without what depends on when a message arrived."""
    state = served.state
    assert isinstance(state, PointState)
    command, night = state.command, state.night
    soc = counted_soc_percent(state, served.watch.house.file, now)
    return {
        "plugged_in": state.plugged_in,
        "pilot": state.pilot,
        "soc": None if soc is None else round(soc, 1),
        "register": state.register,
        "watts": (state.watts, state.watts_at),
        "wishes": state.wishes,
        "stopped_itself": state.stopped_itself,
        "command": command and (command.do, command.amps, command.why),
        "plan": state.plan and [
            (round(period.start.timestamp() / 60), round(period.end.timestamp() / 60), period.amps)
            for period in state.plan.periods if period.end > now
        ],
        "night": night and (night.night, night.vehicle, night.starts, night.closed),
        "alerts": state.alerts,
    }  # fmt: skip


def bad_messages(directory: Path, tally: Tally, chance: Random, count: int, seed: str) -> None:
    """Send so many bad messages, in one night."""
    scene = SCENES[0]
    point = SimulatedChargePoint(scene.begins, register_wh=REGISTER_WH)
    point.plug_in(SimulatedVehicle(52, scene.soc_percent), scene.begins)
    with ExitStack() as ending:
        served = []
        for name, obeys in (("tried", point), ("twin", None)):
            (directory / name).mkdir(parents=True)
            house = scene.write(directory / name, "mqtt://127.0.0.1:1")
            served.append(ending.enter_context(Served(house, scene.begins, obeys).running()))
        garbage = Garbage(chance, served[0].topics)
        Twins(scene, tally, garbage, served[0], served[1], point, seed).run(count)
