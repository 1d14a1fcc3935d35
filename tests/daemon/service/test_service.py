"""The loop: what it does when a part of it fails."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from structlog.testing import capture_logs

from adapters.bus.events import MessageArrived
from adapters.clocks.clock import VirtualClock
from adapters.contract.messages import Reading, Request, VehicleReport
from adapters.ledger.ledger import Ledger
from config.files.errors import LedgerError
from daemon.control.events import Issue
from daemon.service.household_watch import HouseholdWatch
from daemon.service.service import Halt, HandledEvent, Service
from tests.daemon.worlds import (
    EVENING,
    HOUR,
    LEAVES,
    MINUTE,
    NIGHT_BEGINS,
    POINT,
    RecordedBus,
    arrived,
    topics_of,
)

if TYPE_CHECKING:
    from datetime import datetime

    from adapters.contract.messages import Message


class Home:
    """A service on a real ledger, its bus and its clock in the test's hands."""

    def __init__(self, directory: Path, ledger: Ledger) -> None:
        household = directory / "house.yaml"
        text = files("config").joinpath("examples", "kowhai.yaml").read_text("utf-8")
        household.write_text(text, "utf-8")
        watch = HouseholdWatch(household)
        self.topics = topics_of(watch.house)
        self.bus = RecordedBus()
        self.acknowledged = 0
        self.waiting = 0
        self.handled: list[HandledEvent] = []
        self.clock = VirtualClock(EVENING)
        self.coming: list[tuple[datetime, str, Message]] = []
        self.service = Service(
            watch, ledger, self.clock,
            bus=self.bus, wake_at=lambda _instant: None, observer=self._observe,
        )  # fmt: skip

    def _observe(self, handled: HandledEvent) -> None:
        self.handled.append(handled)
        if self.waiting and isinstance(handled.event, MessageArrived):
            self.waiting -= 1
            if not self.waiting:  # earlier, it would overtake messages on a slow machine
                self.service.post(Halt())
        if self.coming:
            at, topic, message = self.coming.pop(0)
            self.clock.advance_to(at)
            self.service.post(arrived(topic, message))
            if not self.coming:
                self.service.post(Halt())

    def run_over_time(self, *coming: tuple[datetime, str, Message]) -> None:
        """Take each message at its instant, once the one before is handled, and end."""
        self.coming = list(coming)
        self.service.run()

    def run(self, *messages: tuple[str, Message | bytes]) -> None:
        """Take these messages, one after the other, and end."""
        for topic, message in messages:
            self.service.post(self._counted(arrived(topic, message)))
        self.waiting = len(messages)
        if not messages:
            self.service.post(Halt())
        self.service.run()

    def _counted(self, message: MessageArrived) -> MessageArrived:
        def ack() -> None:
            self.acknowledged += 1

        return type(message)(message.topic, message.payload, message.retain, ack)


def refuses(*_args: object, **_named: object) -> None:
    raise LedgerError("the disk is full")


PLUGGED_IN = VehicleReport(at=EVENING, pilot="B", soc_percent=35)


@pytest.mark.parametrize("failing", ["add_plan", "save_open_night", "add_command"])
def test_a_command_goes_out_though_something_else_can_not_be_recorded(
    tmp_path: Path, ledger: Ledger, monkeypatch: pytest.MonkeyPatch, failing: str
) -> None:
    """What the ledger refuses is logged, and delays no command."""
    home = Home(tmp_path, ledger)
    monkeypatch.setattr(ledger, failing, refuses)
    with capture_logs() as logs:
        home.run((home.topics.vehicle(POINT), PLUGGED_IN))
    issued = [action for done in home.handled for _, action in done.actions]
    commands = [action.command for action in issued if isinstance(action, Issue)]
    assert [sent["serial"] for sent in home.bus.on("command")] == [c.serial for c in commands]
    assert home.bus.on("command")[-1]["why"] == "cheaper hours are to come"
    assert any("the disk is full" in log.get("why", "") for log in logs)


def test_what_can_not_be_kept_is_not_acknowledged(
    tmp_path: Path, ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A report that the ledger refuses is acted on and left unacknowledged; a mangled one is not.

    The broker still has it: it comes again after a restart.
    """
    home = Home(tmp_path, ledger)
    monkeypatch.setattr(ledger, "add_vehicle_report", refuses)
    home.run((home.topics.vehicle(POINT), PLUGGED_IN), (home.topics.vehicle(POINT), b"{"))
    assert home.acknowledged == 1
    assert len(home.bus.on("plan")) == 1


def test_a_plan_is_published_again_while_it_is_carried_out(tmp_path: Path, ledger: Ledger) -> None:
    """With the status goes what is left of the plan; one that has not begun is not repeated."""
    home = Home(tmp_path, ledger)
    begins, later = NIGHT_BEGINS, NIGHT_BEGINS + HOUR
    register = {EVENING: 1000.0, EVENING + HOUR: 1000.0, begins: 1000.0, later: 1007.36}
    topic = home.topics.reading(POINT)
    home.run_over_time(
        (EVENING, home.topics.vehicle(POINT), PLUGGED_IN),
        *((at, topic, Reading(at=at, register_kwh=kwh)) for at, kwh in register.items()),
    )
    first, *others = home.bus.on("plan")
    assert first["made_at"] == "2026-06-03T06:30:00Z"
    [rest] = others
    assert (rest["made_at"], rest["as_of"]) == (first["made_at"], "2026-06-03T10:00:00Z")
    assert rest["energy_kwh"] == pytest.approx(first["energy_kwh"] - 7.36, abs=0.01)
    assert [plan.made_at for plan in ledger.plans_between(POINT, EVENING, LEAVES)] == [EVENING]


def test_a_preview_changes_nothing(tmp_path: Path, ledger: Ledger) -> None:
    """A preview is answered with its figures; no command, no plan, no row of the ledger."""
    home = Home(tmp_path, ledger)
    request = home.topics.request(POINT)
    home.run_over_time(
        (EVENING, home.topics.vehicle(POINT), PLUGGED_IN),
        (EVENING + MINUTE, request, Request(id="7", charge_now=True, preview=True)),
        (EVENING + 2 * MINUTE, request, Request(id="8", want_percent=90.0, preview=True)),
    )
    seven, eight = home.bus.on("answer")
    assert (seven["id"], seven["understood"], seven["preview"]) == ("7", True, True)
    assert seven["cost"] > eight["cost"] > 0
    assert [effect["effect"] for effect in eight["departures"]] == ["changed"]
    assert {command["do"] for command in home.bus.on("command")} == {"stop"}
    assert len(home.bus.on("plan")) == 1
    assert home.bus.last("status")["wishes"] == []
    assert list(ledger.requests_since(POINT, EVENING)) == []


def test_the_new_status_and_its_plan_are_there_when_a_request_is_answered(
    tmp_path: Path, ledger: Ledger
) -> None:
    """Whoever reads the answer and asks for the status sees what the answer says."""
    home = Home(tmp_path, ledger)
    home.run_over_time(
        (EVENING, home.topics.vehicle(POINT), PLUGGED_IN),
        (EVENING + MINUTE, home.topics.request(POINT), Request(id="7", soc_percent=60.0)),
    )
    last: dict[str, Any] = {}
    for topic, payload, _retain in home.bus.messages:
        last[topic.rsplit("/", 1)[-1]] = json.loads(payload)
        if topic == home.topics.answer(POINT):
            break
    status, plan, answer = last["status"], last["plan"], last["answer"]
    assert (status["soc_percent"], plan["soc_percent"]) == (60.0, 60.0)
    assert status["plan"] == f"hatchback@{plan['made_at']}"
    assert f"takes {plan['energy_kwh']:.2f} kWh" in answer["message"]
    assert answer["energy_kwh"] == plan["energy_kwh"]
    assert home.bus.last("plan")["why"], "the reasons come after that"


def test_it_ends_offline(tmp_path: Path, ledger: Ledger) -> None:
    """The last word is that nobody is there."""
    home = Home(tmp_path, ledger)
    home.run()
    assert [message["state"] for message in home.bus.on("daemon")] == ["online", "offline"]
