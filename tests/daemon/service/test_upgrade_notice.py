"""The first start after an upgrade names what a household now buys less of; no later start does."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.daemon.sites import Site, household_file
from tests.daemon.worlds import EVENING, HOUR

if TYPE_CHECKING:
    from pathlib import Path

    from adapters.ledger.ledger import Ledger

pytestmark = pytest.mark.usefixtures("no_log")

LESS = (
    "hatchback, sat sun at 10:00, is charged to 50 % only. Version 0.1.0 charged it to 80 %; for"
    " that, add want_percent: 80."
)


ONLY_NEEDS = ("need_percent: 50, want_percent: 80", "need_percent: 50")


def told(tmp_path: Path, ledger: Ledger, *changes: tuple[str, str], hours: int = 0) -> list[str]:
    """Start the daemon, and return its alerts about departures."""
    file = household_file(tmp_path, *(changes or (ONLY_NEEDS,)))
    site = Site(file, ledger, EVENING + hours * HOUR)
    site.begin()
    return [
        alert["message"] for alert in site.bus.on("alert") if alert["code"] == "departure-buys-less"
    ]


def used_by_previous_version(ledger: Ledger) -> None:
    ledger.add_reading("driveway", EVENING - 24 * HOUR, register_wh=1_000_000, watts=0.0)


def test_the_first_start_after_an_upgrade_names_the_departures(
    tmp_path: Path, ledger: Ledger
) -> None:
    """The ledger of the version before, also one that recorded its starts."""
    used_by_previous_version(ledger)
    ledger.add_happening(EVENING - HOUR, "started")
    assert told(tmp_path, ledger) == [LESS]
    alerts = ledger.alerts_between(EVENING - HOUR, EVENING + HOUR)
    assert [alert.code for alert in alerts] == ["departure-buys-less"]


def test_it_is_told_once(tmp_path: Path, ledger: Ledger) -> None:
    """A second start says nothing, though the file is the same."""
    used_by_previous_version(ledger)
    assert told(tmp_path, ledger) == [LESS]
    assert told(tmp_path, ledger, hours=1) == []


def test_a_new_household_is_told_nothing(tmp_path: Path, ledger: Ledger) -> None:
    """It has no habit that could change."""
    assert told(tmp_path, ledger) == []


def test_a_household_that_buys_as_much_is_told_nothing(tmp_path: Path, ledger: Ledger) -> None:
    """It says what it wants beyond the need."""
    used_by_previous_version(ledger)
    assert told(tmp_path, ledger, ("need_percent: 50", "need_percent: 50")) == []
