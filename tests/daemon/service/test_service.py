"""The loop: what it does when a part of it fails."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from structlog.testing import capture_logs

from adapters.clocks.clock import VirtualClock
from adapters.contract.messages import VehicleReport
from adapters.ledger.ledger import Ledger
from config.files.errors import LedgerError
from daemon.control.events import Issue
from daemon.service.household_watch import HouseholdWatch
from daemon.service.service import Halt, HandledEvent, Service
from tests.daemon.worlds import EVENING, POINT, RecordedBus, arrived, topics_of

if TYPE_CHECKING:
    from adapters.bus.events import MessageArrived
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
        self.handled: list[HandledEvent] = []
        self.service = Service(
            watch, ledger, VirtualClock(EVENING),
            bus=self.bus, wake_at=lambda _instant: None, observer=self.handled.append,
        )  # fmt: skip

    def run(self, *messages: tuple[str, Message | bytes]) -> None:
        """Take these messages, one after the other, and end."""
        for topic, message in messages:
            self.service.post(self._counted(arrived(topic, message)))
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


def test_it_ends_offline(tmp_path: Path, ledger: Ledger) -> None:
    """The last word is that nobody is there."""
    home = Home(tmp_path, ledger)
    home.run()
    assert [message["state"] for message in home.bus.on("daemon")] == ["online", "offline"]
