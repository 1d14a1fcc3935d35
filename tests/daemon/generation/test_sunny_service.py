"""A whole service beside a roof: forecasts and readings over the bus change its plan."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from adapters.clocks.clock import VirtualClock
from adapters.contract.messages import Reading, VehicleReport
from adapters.ledger.ledger import Ledger
from daemon.service.household_watch import HouseholdWatch
from daemon.service.service import Halt, HandledEvent, Service, WakeUp
from planners.local_time.conversion import minute_of
from tests.daemon.worlds import HOUR, KOWHAI, MINUTE, POINT, RecordedBus, arrived, topics_of, utc

if TYPE_CHECKING:
    from daemon.messaging.incoming import Incoming

pytestmark = pytest.mark.usefixtures("no_log")

SATURDAY = utc("2026-12-04T20:00")
"""09:00 at Kowhai Cottage; the hatchback leaves at 16:00."""


class SunnyHome:
    """A service on the example with a roof, led through a morning by a script."""

    def __init__(self, directory: Path, ledger: Ledger) -> None:
        for name in ("own-roof.yaml", "sun-forecast.csv"):
            (directory / name).write_bytes(KOWHAI.with_name(name).read_bytes())
        self.watch = HouseholdWatch(directory / "own-roof.yaml")
        self.topics = topics_of(self.watch.house)
        self.bus, self.clock = RecordedBus(), VirtualClock(SATURDAY)
        self.script: list[tuple[datetime, Incoming]] = []
        self.service = Service(
            self.watch, ledger, self.clock,
            bus=self.bus, wake_at=lambda _instant: None, observer=self._next,
        )  # fmt: skip
        plugged = VehicleReport(at=SATURDAY, pilot="B", soc_percent=40.0)
        reading = Reading(at=SATURDAY, register_kwh=1000.0, watts=0.0)
        self.at(SATURDAY, self.topics.reading(POINT), reading)
        self.at(SATURDAY, self.topics.vehicle(POINT), plugged)

    def at(self, instant: datetime, topic: str, message: Any) -> None:  # noqa: ANN401
        payload = json.dumps(message).encode() if isinstance(message, dict) else message
        self.script += [(instant, WakeUp()), (instant, arrived(topic, payload))]

    def run(self) -> list[dict[str, Any]]:
        """Play the script, and return the plans that were published."""
        self.service.run()
        return self.bus.on("plan")

    def _next(self, _handled: HandledEvent) -> None:
        if not self.script:
            self.service.post(Halt())
            return
        at, event = self.script.pop(0)
        self.clock.advance_to(max(at, self.clock.now()))
        self.service.post(event)


def roof_kwh(plan: dict[str, Any]) -> float:
    return float(plan.get("by_source", {"roof": {"energy_kwh": 0.0}})["roof"]["energy_kwh"])


def test_a_new_forecast_makes_another_plan(tmp_path: Path, ledger: Ledger) -> None:
    """A dull one takes the roof out of the plan; a bad one changes nothing, and is an alert."""
    home = SunnyHome(tmp_path, ledger)
    hours = [(SATURDAY + n * HOUR).isoformat() for n in range(12)]
    for minutes, kw in ((5, 0.2), (10, 400.0)):
        at = SATURDAY + minutes * MINUTE
        power = [{"start": start, "kw": kw} for start in hours]
        issued = {"v": 1, "issued": at.isoformat(), "power": power}
        home.at(at, home.topics.forecast, issued)
    home.script.append((SATURDAY + 12 * MINUTE, WakeUp()))
    plans = home.run()
    assert roof_kwh(plans[0]) > 10
    assert roof_kwh(plans[-1]) == 0
    assert home.bus.on("status")[-1]["alerts"] == ["forecast-refused"]
    assert "are the values in watts?" in home.bus.on("alert")[-1]["message"]


def test_clouds_make_another_plan(tmp_path: Path, ledger: Ledger) -> None:
    """A roof that gives a fifth of what was expected: the next hours count on less."""
    home = SunnyHome(tmp_path, ledger)
    sun = home.watch.house.prices.sun
    assert sun is not None
    for minutes in range(1, 35):
        at = SATURDAY + minutes * MINUTE
        kw = sun.expected_kw(minute_of(at), minute_of(at) + 1)[0]
        home.at(at, home.topics.generation, {"v": 1, "at": at.isoformat(), "watts": kw * 200})
    home.script.append((SATURDAY + timedelta(minutes=36), WakeUp()))
    plans = home.run()
    assert 0 < roof_kwh(plans[-1]) < 0.85 * roof_kwh(plans[0])


def test_bad_messages_change_nothing(tmp_path: Path, ledger: Ledger) -> None:
    """The plan stays, whatever they hold; of them only what is merely too old is stored."""
    home = SunnyHome(tmp_path, ledger)
    at = SATURDAY + MINUTE
    now, soon = at.isoformat(), (at + HOUR).isoformat()
    power = [{"start": soon, "kw": 0.1}]
    for message in (
        {"v": 1, "issued": now, "power": []},
        {"v": 1, "issued": now, "power": [{"start": soon, "kw": -0.1}]},
        {"v": 1, "issued": now, "power": [{"start": "2026-12-05T10:00:00", "kw": 0.1}]},
        {"v": 1, "issued": (at + 5 * HOUR).isoformat(), "power": power},
        {"v": 1, "issued": now, "power": [{"start": (at - HOUR).isoformat(), "kw": 0.1}]},
        {"v": 1, "issued": now, "power": [{"start": "2026-12-05T12:00:00Z", "kw": 5}]},
        {"v": 1, "issued": "2026-12-01T00:00:00Z", "power": power},
        {"v": 1, "power": power},
    ):
        home.at(at, home.topics.forecast, message)
    for watts, when in ((1e9, at), ("3000", at), (3000, at - HOUR), (3000, at + HOUR)):
        given = {"v": 1, "at": when.isoformat(), "watts": watts}
        home.at(at, home.topics.generation, given)
    for topic in (home.topics.forecast, home.topics.generation):
        for payload in (b"", b"null", b"[]", b"{" * 70_000, b"\xff", b'{"v":1}'):
            home.script.append((at, arrived(topic, payload)))
    home.script.append((at + MINUTE, WakeUp()))
    plans = home.run()
    assert {roof_kwh(plan) for plan in plans} == {roof_kwh(plans[0])}
    assert [each.issued for each in ledger.forecast_points()] == [utc("2026-12-01T00:00")]
    assert ledger.generation_hours() == ()
