"""The daemon learns what the home draws: by the hour, and from readings that can be true only."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from adapters.bus.events import MessageArrived
from adapters.contract.messages import MainFuse
from daemon.check.fuse import explain_fuse
from daemon.control.state import PointState
from daemon.messaging.incoming import WakeUp
from daemon.messaging.status import status_of
from daemon.service.house_loading import load_house, with_learned_load
from daemon.service.household_watch import HouseholdWatch
from planners.home.learned_load import LEAST_WEEKS
from planners.local_time.wished_departures import next_departure
from planners.plan.horizon import Situation
from planners.plan.planning import make_plan
from planners.power.live_load import LoadHour
from tests.daemon.load_guard.test_guarding import Home
from tests.daemon.worlds import EVENING, HOUR, KOWHAI, MINUTE, NOON, kowhai

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from adapters.ledger.ledger import Ledger
    from config.household.household_file import HouseholdFile

NEXT_HOUR = EVENING + HOUR - 30 * MINUTE
"""19:00 at Kowhai Cottage."""
WEEK = timedelta(weeks=1)


def stored(ledger: Ledger) -> list[tuple[float, ...]]:
    return [each.amps for each in ledger.load_hours()]


def hear_an_hour(home: Home, disturb: Callable[[Home], None] | None = None) -> None:
    """Let a meter send 7 A each minute from 19:00 to 20:00, and whatever a test puts between."""
    home.advance(NEXT_HOUR - home.clock.now())
    for minute in range(60):
        home.load(7.0, 2.0, 0.5)
        if disturb is not None and minute == 30:
            disturb(home)
        home.advance(MINUTE)
    home.load(1.0, 1.0, 1.0)


def test_the_highest_load_of_an_hour_is_stored_and_nothing_finer(
    tmp_path: Path, ledger: Ledger
) -> None:
    """One row for the hour; what the home drew in a minute of it can't be found again."""
    home = Home(tmp_path, ledger)
    hear_an_hour(home, lambda home: home.load(12.0, 2.0, 0.5))
    assert ledger.load_hours() == (LoadHour(NEXT_HOUR, (12.0, 2.0, 0.5)),)


CAPACITY_CHARGE = "    capacity_charge: {per: month, interval_minutes: 15, rate_per_kw: 4}\n"


def test_quarter_hours_are_stored_where_a_tariff_charges_for_power(
    tmp_path: Path, ledger: Ledger
) -> None:
    """9.5 A in sum are 2185 W; in the third quarter 38 A on one phase for a minute, 2 W more each.

    By hand: (38 - 7) x 230 W for 1 of 15 minutes is 475 W more.
    """
    home = Home(tmp_path, ledger, of_tariff=CAPACITY_CHARGE)
    hear_an_hour(home, lambda home: home.load(38.0, 2.0, 0.5))
    found = ledger.load_quarters(NEXT_HOUR, NEXT_HOUR + HOUR)
    quarter = 15 * MINUTE
    assert [each.start for each in found] == [NEXT_HOUR + n * quarter for n in range(4)]
    assert [each.watts for each in found] == [2185, 2185, pytest.approx(2185 + 475, abs=1), 2185]


def test_no_quarter_hour_is_stored_without_such_a_tariff(tmp_path: Path, ledger: Ledger) -> None:
    """What a home draws is its own affair where nothing needs it."""
    hear_an_hour(Home(tmp_path, ledger))
    assert ledger.load_quarters(NEXT_HOUR, NEXT_HOUR + HOUR) == ()


@pytest.mark.parametrize(
    "payload",
    [
        {"amps": [10_000]},
        {"amps": [81.0, 2.0, 0.5]},
        {"amps": [-10_000.0]},
        {"amps": ["NaN"]},
        {"amps": [39.0], "at": "2026-06-03T07:00:00Z"},
        {"amps": [39.0], "topic": "lullwatt/another-home/load"},
    ],
    ids=["10 kA", "twice the fuse", "negative", "NaN", "old", "another home"],
)
def test_a_bad_reading_is_not_learned(
    payload: dict[str, object], tmp_path: Path, ledger: Ledger
) -> None:
    """What can't be true, is too old or is of another home leaves no trace in the hour."""

    def disturb(home: Home) -> None:
        topic = str(payload.get("topic", home.topics.load))
        body = {"v": 1, "at": home.clock.now().isoformat(), **payload}
        text = json.dumps(body).replace('"NaN"', "NaN").encode()
        home.service.handle(MessageArrived(topic, text, False, lambda: None))  # noqa: FBT003 - not retained

    home = Home(tmp_path, ledger)
    hear_an_hour(home, disturb)
    assert stored(ledger) == [(7.0, 2.0, 0.5)]


def test_what_may_be_the_vehicle_is_not_learned(tmp_path: Path, ledger: Ledger) -> None:
    """A meter that includes the charge points is learned from only while their current is known."""
    home = Home(tmp_path, ledger)  # told to charge at 32 A, and no meter shows what it draws
    hear_an_hour(home, lambda home: home.load(45.0, 2.0, 0.5, whole=True))
    assert stored(ledger) == [(7.0, 2.0, 0.5)]


def fill(ledger: Ledger, weeks: int = LEAST_WEEKS, amps: float = 30.0) -> None:
    """Give a ledger past weeks in which the home drew 30 A from 21:00 to 23:00 of each day."""
    evening = EVENING + 2 * HOUR + 30 * MINUTE
    for day in range(7 * weeks, 0, -1):
        for hour in (0, 1):
            start = evening - timedelta(days=day) + hour * HOUR
            ledger.add_load_hour(LoadHour(start, (amps,) * 3), EVENING - 12 * WEEK)


def file_behind(tmp_path: Path, fuse: int, more: str = "") -> Path:
    text = KOWHAI.read_text("utf-8").replace("main_fuse_amps: 63", f"main_fuse_amps: {fuse}{more}")
    path = tmp_path / "house.yaml"
    path.write_text(text, "utf-8")
    return path


def test_plan_status_and_check_say_what_is_learned(tmp_path: Path, ledger: Ledger) -> None:
    """30 A of 40 A leave 10 A from 21:00 to 23:00; each says that it is learned."""
    fill(ledger)
    watch = HouseholdWatch(file_behind(tmp_path, 40))
    assert watch.learn_load(ledger, EVENING)
    assert not watch.learn_load(ledger, EVENING + HOUR)  # once a day is enough
    house = watch.house
    departure = next_departure(house.file, "hatchback", EVENING)
    assert departure is not None
    plan = make_plan(house.file, house.prices, Situation(EVENING, 35.0, departure))
    assert [(each.start, each.amps) for each in plan.periods] == [
        (EVENING + 2.5 * HOUR, 10.0),
        (EVENING + 4.5 * HOUR, 32.0),
    ]
    sentence = (
        "In past weeks the home drew up to 30 A in these hours, as its meter showed: the plan"
        " leaves it that much of the main fuse."
    )
    assert sentence in plan.why
    lines = list(explain_fuse(house.file, EVENING))
    at = lines.index("Learned load of the rest of the home (main fuse: 40 A):")
    assert lines[at + 2] == "  The most is 30 A from 21:00 to 23:00 on mon tue wed thu fri sat sun."
    assert lines[at + 3] == "  Tonight hatchback can charge at 10 A at most from 21:00 to 23:00."
    assert _main_fuse(house.file) == MainFuse(
        amps=(40.0,) * 3, expects_amps=(30.0,) * 3, expects_from="learned"
    )


def _main_fuse(file: HouseholdFile) -> MainFuse | None:
    house = replace(kowhai(), file=file)
    return status_of(PointState("driveway"), EVENING + 3 * HOUR, house).main_fuse


def test_a_declared_load_is_not_replaced(tmp_path: Path, ledger: Ledger) -> None:
    """A known_load of the file holds, whatever the meter has shown; so does having no fuse."""
    fill(ledger)
    declared = '\n  known_load: [{amps: 5, hours: ["17:00-18:00"]}]'
    house = load_house(file_behind(tmp_path, 40, declared))
    assert with_learned_load(house, ledger.load_hours(), EVENING) is house


def test_too_few_weeks_change_nothing(tmp_path: Path, ledger: Ledger) -> None:
    """Three weeks are not trusted; and what has not changed is no news."""
    fill(ledger, weeks=LEAST_WEEKS - 1)
    watch = HouseholdWatch(file_behind(tmp_path, 40))
    before = watch.house
    assert not watch.learn_load(ledger, EVENING)
    assert watch.house is before


def test_the_daemon_learns_at_its_start_and_at_noon(tmp_path: Path, ledger: Ledger) -> None:
    """What it stores during a day counts from the next noon on, in plans too."""
    fill(ledger, weeks=LEAST_WEEKS - 1)
    home = Home(tmp_path, ledger)
    assert "expects_from" not in home.bus.last("status")["main_fuse"]
    fill(ledger)
    for instant, learned in ((NOON - MINUTE, None), (NOON + MINUTE, "learned")):
        home.clock.advance_to(instant)
        home.service.handle(WakeUp())
        assert home.bus.last("status")["main_fuse"].get("expects_from") == learned
    assert home.service.house.file.household.known_load
    again = Home(tmp_path, ledger)
    assert again.bus.last("status")["main_fuse"]["expects_from"] == "learned"
