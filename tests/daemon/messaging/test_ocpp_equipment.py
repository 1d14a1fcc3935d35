"""Equipment that stores its plan and waits until its messages are stored."""

from __future__ import annotations

from datetime import UTC, datetime
from threading import Thread
from typing import TYPE_CHECKING

import pytest
from structlog.testing import capture_logs

from adapters.clocks.clock import VirtualClock
from adapters.contract.messages import Reading
from adapters.ledger.ledger import open_ledger
from adapters.ocpp.server import OcppServer
from config.files.errors import BusError
from config.household.loading import load_household
from daemon.control.events import HouseholdHealth
from daemon.messaging.hardware_channels import HardwareChannels
from daemon.messaging.incoming import HardwareReport
from daemon.messaging.ocpp_equipment import EquipmentMessages, OcppEquipment
from daemon.service.clock_watch import ClockWatch
from tests.daemon.sites import Site, household_file
from tests.daemon.worlds import EVENING, HOUR, MINUTE, POINT
from tests.support.waiting import patience, wait_until

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from adapters.contract.current_period import CurrentPeriod
    from adapters.contract.messages import Command
    from daemon.messaging.incoming import Incoming

READING = Reading(at=EVENING, register_kwh=1000.0)


class PlanStore:
    """Hardware that stores the plan it is sent."""

    stores_plan = True

    def __init__(self) -> None:
        self.sent: list[tuple[int, str, list[datetime]]] = []

    def send(self, command: Command, periods: Sequence[CurrentPeriod], _now: datetime) -> None:
        self.sent.append((command.serial, command.do, [period.end for period in periods]))

    def next_repeat(self) -> datetime | None:
        return None


def test_a_new_plan_is_sent_while_the_command_stays(tmp_path: Path) -> None:
    """Otherwise equipment would start by the old plan while the daemon believes it stopped."""
    hardware = PlanStore()
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger, capture_logs():
        site = Site(
            household_file(tmp_path), ledger, EVENING, channels=HardwareChannels({POINT: hardware})
        )
        site.begin()
        site.read()
        site.plug_in(35.0)
        before = hardware.sent[-1]
        assert before[1] == "stop"
        site.ask(want_percent=60)
        serial, do, ends = hardware.sent[-1]
        assert (serial, do) == before[:2]
        assert ends < before[2]
        times = len(hardware.sent)
        site.pass_time(MINUTE)
        assert len(hardware.sent) == times, "nothing is new"


def test_while_the_clock_is_not_set_nothing_is_stored(tmp_path: Path) -> None:
    """Equipment learns so at once, and may connect when the clock is right."""
    begun: list[bool] = []
    stored: list[bool] = []
    channels = HardwareChannels({POINT: PlanStore()}, begin=lambda: begun.append(True))
    unset = datetime(1970, 3, 1, tzinfo=UTC)
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger, capture_logs():
        site = Site(
            household_file(tmp_path), ledger, unset, clock_watch=ClockWatch(), channels=channels
        )
        site.begin()
        site.service.handle(HardwareReport(POINT, READING, stored.append))
        assert (stored, begun) == ([False], [])
        site.clock.at = site.true_now = EVENING + HOUR
        site.wake_up()
        site.service.handle(HardwareReport(POINT, READING, stored.append))
        assert (stored, begun) == ([False, True], [True])
        assert ledger.last_reading(POINT) is not None


@pytest.mark.parametrize("daemon_ends", [False, True])
def test_a_message_that_is_not_stored_is_refused_at_once(*, daemon_ends: bool) -> None:
    """Equipment then repeats it: when the ledger refuses, and when the daemon ends."""
    posted: list[Incoming] = []
    refused: list[bool] = []
    messages = EquipmentMessages(posted.append, VirtualClock(EVENING))

    def receive() -> None:
        with pytest.raises(BusError, match="could not be stored"):
            messages.receive(POINT, READING)
        refused.append(True)

    thread = Thread(target=receive)
    thread.start()
    wait_until(lambda: posted, what="posted")
    (report,) = posted
    assert isinstance(report, HardwareReport)
    if daemon_ends:
        messages.end()
    else:
        report.confirm(daemon_ends)
    thread.join(patience(5))
    assert refused


def test_guessed_passwords_raise_an_alert(tmp_path: Path) -> None:
    """It is published and stays in the status until nobody guesses any more."""
    news: list[HouseholdHealth] = []
    channels = HardwareChannels(news=lambda: news.pop() if news else None)
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger, capture_logs():
        site = Site(household_file(tmp_path), ledger, EVENING, channels=channels)
        site.begin()
        news.append(HouseholdHealth("wrong-passwords", "10 lately"))
        site.wake_up()
        assert [alert["code"] for alert in site.bus.on("alert")] == ["wrong-passwords"]
        assert "wrong-passwords" in site.state.alerts
        news.append(HouseholdHealth("wrong-passwords", None))
        site.wake_up()
        assert "wrong-passwords" not in site.state.alerts


def test_guessed_passwords_are_reported_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And their end once."""
    alarms: list[str | None] = [None, "10 lately", "11 lately", None, None]
    monkeypatch.setattr(OcppServer, "alarm", property(lambda _: alarms.pop(0)))
    file = load_household(household_file(tmp_path))
    equipment = OcppEquipment(file, VirtualClock(EVENING), lambda _: None)
    assert [equipment.news() for _ in range(5)] == [
        None,
        HouseholdHealth("wrong-passwords", "10 lately"),
        None,
        HouseholdHealth("wrong-passwords", None),
        None,
    ]
