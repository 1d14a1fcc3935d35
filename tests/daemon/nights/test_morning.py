"""The line that the user's own command gets each morning."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from adapters.ledger.ledger import Ledger
from tests.daemon.sites import Site, household_file
from tests.daemon.worlds import EVENING, HOUR, LEAVES, MINUTE, NIGHT_BEGINS, NOON

pytestmark = pytest.mark.usefixtures("no_log")

TEN_MINUTES = timedelta(minutes=10)
SEVEN = LEAVES - 20 * MINUTE


class Home:
    """A service that gives a line to a command each morning at a time."""

    def __init__(self, directory: Path, ledger: Ledger, at: str) -> None:
        self.lines: list[dict[str, Any]] = []
        keys = f'on_alert: [./tell-me]\n  morning_line: "{at}"\n '
        self.path = household_file(directory, ("# on_alert: [./tell-me]", keys))
        self.site = Site(self.path, ledger, EVENING, run_command=self._run)
        self.site.begin()

    def until_seven(self) -> None:
        self.site.pass_time(SEVEN + MINUTE - self.site.true_now, every=TEN_MINUTES)

    @property
    def message(self) -> str:
        """The line's text; there must be one line."""
        [line] = self.lines
        text: str = line["message"]
        return text

    def _run(self, _command: object, payload: bytes) -> None:
        body = json.loads(payload)
        if body["code"] == "morning":
            self.lines.append(body)


HomeAt = Callable[[str], Home]


@pytest.fixture
def home_at(tmp_path: Path, ledger: Ledger) -> HomeAt:
    """Make a home whose line is due at a time."""
    return lambda at: Home(tmp_path, ledger, at)


def test_a_good_night(home_at: HomeAt) -> None:
    """Battery, energy and cost, once a day at its time; it is no alert."""
    home = home_at("07:00")
    home.site.plug_in(35.0)
    home.until_seven()
    assert home.lines == [
        {
            "v": 1,
            "code": "morning",
            "at": "2026-06-03T19:00:00Z",
            "message": "All well: 80 %, 26.0 kWh, NZD 5.02.",
            "household": "Kowhai Cottage",
            "charge_point": "driveway",
        }
    ]
    assert home.site.bus.on("alert") == []
    assert home.site.ledger.alerts_between(EVENING, NOON) == ()
    home.site.pass_time(24 * HOUR, every=TEN_MINUTES)
    assert [line["at"] for line in home.lines[1:]] == ["2026-06-04T19:00:00Z"]


def test_a_charge_that_goes_on(home_at: HomeAt) -> None:
    """In the middle of a charge it says how much more comes, and until when."""
    home = home_at("00:00")
    home.site.plug_in(35.0)
    home.site.pass_time(NIGHT_BEGINS + 3 * HOUR + MINUTE - EVENING)
    assert home.message == "All well: 73 %, 22.0 kWh, NZD 4.24, 3.9 kWh to come until 00:32."


def test_nobody_came_home(home_at: HomeAt) -> None:
    """It says so: the line also shows that the daemon runs."""
    home = home_at("07:00")
    home.until_seven()
    assert home.message == "All well: no vehicle has been plugged in since noon."


def test_a_night_with_an_alert(home_at: HomeAt) -> None:
    """An alert that holds is named."""
    home = home_at("00:00")
    home.site.plug_in(35.0)
    home.site.is_there = False  # nothing flows, though a vehicle is reported
    home.until_seven()
    assert home.message.startswith("Not well (alert no-power-after-start): 35 %, 0.0 kWh, NZD 0.00")


def test_hours_that_passed_without_power(home_at: HomeAt) -> None:
    """The alert still holds, and the hours that are left are planned."""
    home = home_at("07:00")
    home.site.plug_in(35.0)
    home.site.is_there = False
    home.until_seven()
    assert home.message == (
        "Not well (alert need-out-of-reach, alert no-power-after-start): 35 %, 0.0 kWh, NZD 0.00,"
        " 2.5 kWh to come until 07:20."
    )


def test_a_need_that_no_charge_will_meet(home_at: HomeAt, monkeypatch: pytest.MonkeyPatch) -> None:
    """The hours of the plan have passed, and no meter shows what has flowed."""
    home = home_at("07:00")
    monkeypatch.setattr(home.site, "read", lambda: None)
    home.site.plug_in(35.0)
    home.until_seven()
    assert home.message == (
        "Not well (60 % are needed at 07:20, and no charge is planned): 35 %, 0.0 kWh, NZD 0.00."
    )


def test_a_need_that_a_person_skips(home_at: HomeAt) -> None:
    """Whoever skips a charge was told what will be missing."""
    home = home_at("07:00")
    home.site.plug_in(35.0)
    home.site.ask(skip_until=NOON)
    home.until_seven()
    assert home.message == "All well: 35 %, 0.0 kWh, NZD 0.00."


def test_a_need_that_was_missed(home_at: HomeAt) -> None:
    """Once the departure has passed, it says what was needed."""
    home = home_at("08:00")
    home.site.pass_time(SEVEN - HOUR - EVENING, every=TEN_MINUTES)
    home.site.plug_in(35.0)
    home.site.pass_time(LEAVES - MINUTE - home.site.true_now, every=TEN_MINUTES)
    home.site.unplug()
    home.site.pass_time(HOUR, every=TEN_MINUTES)
    assert home.message.startswith("Not well (at 07:20 the battery held ")
    assert " % of the 60 % needed): " in home.message


@pytest.mark.parametrize(("asleep", "lines"), [(30 * MINUTE, 1), (2 * HOUR, 0)])
def test_a_late_line(home_at: HomeAt, asleep: timedelta, lines: int) -> None:
    """A machine that slept sends it within the hour, and after that leaves it out."""
    home = home_at("07:00")
    home.site.pass_time(SEVEN - MINUTE - EVENING, every=TEN_MINUTES)
    home.site.pass_time(asleep, alive=False)
    home.site.wake_up()
    home.site.wake_up()
    assert len(home.lines) == lines


def test_a_file_that_names_another_time(home_at: HomeAt) -> None:
    """A changed file counts from the next line."""
    home = home_at("07:00")
    text = home.path.read_text("utf-8")
    home.path.write_text(text.replace('"07:00"\n', '"06:30"\n'), "utf-8")
    home.until_seven()
    assert [line["at"] for line in home.lines] == ["2026-06-03T18:30:00Z"]
