"""A bad edit of the household file reaches a person, once, until it is mended."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from adapters.ledger.ledger import Ledger
from tests.daemon.sites import Site, household_file
from tests.daemon.worlds import EVENING, HOUR

pytestmark = pytest.mark.usefixtures("no_log")

LOOKS_EVERY = timedelta(seconds=15)


class Edited:
    """A running service whose household file a person edits."""

    def __init__(self, directory: Path, ledger: Ledger) -> None:
        self.path = household_file(directory)
        self.good = self.path.read_text("utf-8")
        self.site = Site(self.path, ledger, EVENING)
        self.site.begin()

    def save(self, text: str) -> None:
        self.path.write_text(text, "utf-8")
        self.look()

    def look(self) -> None:
        self.site.pass_time(LOOKS_EVERY, every=HOUR)
        self.site.wake_up()

    @property
    def alerts(self) -> list[str]:
        alerts = self.site.bus.on("alert")
        assert {alert["code"] for alert in alerts} <= {"file-refused"}
        return [alert["message"] for alert in alerts]


@pytest.fixture
def edited(tmp_path: Path, ledger: Ledger) -> Edited:
    return Edited(tmp_path, ledger)


def test_a_file_with_faults_is_an_alert_until_it_is_mended(edited: Edited) -> None:
    """The alert names the first fault and how many there are."""
    edited.save(edited.good.replace("rate: 0.168", "rate: twelve").replace("0.412", "many"))
    edited.look()
    [message] = edited.alerts
    assert message.startswith(f"The changed household file is not in force: {edited.path}:2")
    assert message.endswith('expected a number of NZD per kWh, got "twelve" (and 1 more).')
    edited.save(edited.good.replace("rate: 0.168", "rate: 0.0.2"))
    edited.look()
    assert len(edited.alerts) == 1, "it is not warned of twice"
    assert edited.site.bus.last("status")["alerts"] == ["file-refused"]
    edited.save(edited.good.replace("rate: 0.168", "rate: 0.2"))
    assert edited.site.bus.last("status")["alerts"] == []


def test_a_change_that_needs_a_restart_is_an_alert(edited: Edited) -> None:
    """It says so, and what was changed."""
    edited.save(edited.good.replace("Pacific/Auckland ", "Europe/London "))
    edited.look()
    [message] = edited.alerts
    assert message.endswith("not in force: to change household.timezone, restart Lullwatt.")
    edited.save(edited.good)
    assert edited.site.state.alerts == frozenset()


def test_a_file_that_an_editor_is_saving_is_no_alert(edited: Edited) -> None:
    """Gone or half written for a moment, and whole at the next look."""
    edited.path.unlink()
    edited.site.wake_up()
    edited.save(edited.good)
    edited.look()
    edited.path.write_text(edited.good[:2000], "utf-8")
    edited.site.wake_up()
    edited.save(edited.good)
    edited.look()
    assert edited.alerts == []
