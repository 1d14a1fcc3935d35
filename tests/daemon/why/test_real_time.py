"""`lullwatt why` where time is real: timers are a little late, and readings a little old."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from adapters.clocks.clock import SystemClock
from adapters.ledger.ledger import open_ledger
from daemon.why.history import TimeSpan
from tests.daemon.why.nights import LATER, Home
from tests.daemon.worlds import EVENING, HOUR, LEAVES, MINUTE, NIGHT_BEGINS
from tests.support.brokers import Mosquitto
from tests.support.commands import Ran
from tests.support.daemons import POINT, TOPICS, Person, RunningDaemon

SECOND = timedelta(seconds=1)


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return Home(tmp_path)


def texts(home: Home, kind: str, **options: Any) -> list[str]:  # noqa: ANN401 - passed on
    return [entry.text for entry in home.why(**options).story if entry.kind == kind]


@pytest.mark.parametrize("late", [timedelta(milliseconds=3), 20 * SECOND])
def test_a_stop_just_after_the_start_expired_is_no_outage(home: Home, late: timedelta) -> None:
    """The daemon was running: its timer was late by moments."""
    with home.place() as place:
        place.late = late
        place.plug_in(35.0)
        place.leave()
    why = home.why()
    assert all(outage.is_first for outage in why.history.outages)
    assert not any("not running" in entry.text for entry in why.story)


def test_a_vehicle_that_is_assumed_stays_for_the_whole_night(tmp_path: Path) -> None:
    """A late stop does not look as if the vehicle had left for a moment."""
    hours = 'switching: current\n    plugged_in: "18:30-07:20"'
    home = Home(tmp_path, ("switching: current", hours))
    with home.place() as place:
        place.late = timedelta(milliseconds=3)
        place.is_there = True
        place.until(LATER)
    assert len(home.why().history.stays) == 1


def test_power_still_flows_between_two_readings(home: Home) -> None:
    """The last reading is some seconds old, and nothing says that power has stopped."""
    with home.place() as place:
        place.plug_in(35.0)
        place.until(NIGHT_BEGINS + HOUR, every=MINUTE)
        now = place.clock.now() + 20 * SECOND
        assert texts(home, "meter", now=now)[-1] == "power still flows: 7.36 kWh since 21:00"


def test_power_that_the_last_reading_does_not_show_has_stopped(home: Home) -> None:
    """The vehicle takes no more, and the meter says so at once."""
    with home.place() as place:
        place.plug_in(35.0)
        place.until(NIGHT_BEGINS + HOUR, every=MINUTE)
        place.pass_time(30 * SECOND, every=HOUR)
        place.draws = False
        place.read()
        now = place.clock.now() + SECOND
        assert texts(home, "meter", now=now)[-1] == "power has stopped: 7.42 kWh since 21:00"


def test_a_silent_meter_does_not_say_that_power_has_stopped(home: Home) -> None:
    """It may still flow: after a quarter of an hour nobody knows."""
    with home.place() as place:
        place.plug_in(35.0)
        place.until(NIGHT_BEGINS + HOUR, every=MINUTE)
        place.mute = True
        place.until(NIGHT_BEGINS + HOUR + 20 * MINUTE, every=MINUTE)
        assert texts(home, "meter", now=place.clock.now())[-1] == (
            "the last reading: 7.36 kWh since 21:00"
        )


def test_power_that_flows_as_the_night_ends_has_not_stopped(home: Home) -> None:
    """A charge that goes on past noon goes on in the next night."""
    with home.place(EVENING + 16 * HOUR) as place:
        place.plug_in(35.0)
        place.ask(charge_now=True)
        place.until(LATER, every=MINUTE)
    assert texts(home, "meter")[-1].startswith("power still flows as the night ends: ")
    assert texts(home, "meter")[-1].endswith(" since 10:30")


def test_the_total_follows_power_after_the_departure(home: Home) -> None:
    """The night was closed at the departure, and somebody has charged since: all is counted."""
    with home.place() as place:
        place.plug_in(35.0)
        place.until(LEAVES + MINUTE, every=MINUTE)
        closed = home.why(LEAVES + MINUTE).history.night
        assert closed.closed
        place.ask(charge_now=True, need_percent=95)
        place.until(LEAVES + HOUR, every=MINUTE)
        why = home.why(LEAVES + HOUR)
        place.until(LATER)
    assert why.history.night.energy_wh > closed.energy_wh + 1000
    assert why.history.night.energy_wh == sum(flow.wh for flow in why.history.flows)
    assert " so far in 2 parts between 21:00 and 08:20" in why.explanation.text
    assert "At 07:20 the battery held about 80 %; 60 % were needed." in why.explanation.text
    assert "night" not in [entry.kind for entry in why.story], "its account is not final"
    whole = home.why().history
    assert whole.night.closed
    assert whole.night.energy_wh == sum(flow.wh for flow in whole.flows)


def test_a_span_that_leaves_the_night_has_both_its_days(home: Home) -> None:
    """A plan from this night into the next one."""
    with home.place() as place:
        place.plug_in(35.0)
    history = home.why().history
    assert history.span(TimeSpan(EVENING, EVENING + HOUR)) == "from 18:30 to 19:30"
    assert history.span(TimeSpan(EVENING, EVENING + 24 * HOUR)) == (
        "from Wed 03 Jun 18:30 to Thu 04 Jun 18:30"
    )
    begins = history.night.begins
    assert history.span(TimeSpan(begins - HOUR, begins + HOUR)) == "from Wed 03 Jun 11:00 to 13:00"


def test_a_refused_request_is_not_told_as_if_it_were_obeyed(home: Home) -> None:
    """Nor is it stored: a restart would obey it."""
    with home.place() as place:
        place.plug_in(35.0)
        place.ask(id="a", remove="99")
        place.ask(id="b", soc_percent=40)
        answers = place.bus.on("answer")
        assert [answer["understood"] for answer in answers] == [False, True]
    assert texts(home, "request") == ["somebody asks: the battery holds 40 %"]


def test_a_charge_of_seconds_by_the_machines_clock(
    mosquitto: Mosquitto,
    run_daemon: Callable[..., RunningDaemon],
    meet: Callable[..., Person],
    run: Callable[..., Ran],
) -> None:
    """A real daemon stops just after its start has expired, and `why` calls that no outage."""
    daemon = run_daemon("home", mosquitto.bus)
    text = daemon.house.read_text("utf-8")
    daemon.house.write_text(text.replace("usable_kwh: 52", "usable_kwh: 2"), "utf-8")
    daemon.daemon.reload()
    person = meet(mosquitto.bus)
    person.wait_for(TOPICS.daemon, state="online")
    now = SystemClock().now()

    def read(register_kwh: float, watts: float) -> None:
        at = SystemClock().now().isoformat()
        reading = {"at": at, "register_kwh": register_kwh, "watts": watts}
        person.say(TOPICS.reading(POINT), reading)

    read(1000.0, 0)
    report = {"at": now.isoformat(), "pilot": "B", "soc_percent": 79.6}
    person.say(TOPICS.vehicle(POINT), report)
    by = (now + HOUR / 2).isoformat()
    person.say(TOPICS.request(POINT), {"need_percent": 80, "want_percent": 80, "by": by})
    person.wait_for(TOPICS.command(POINT), do="start")
    read(1000.004, 7360)
    person.wait_for(TOPICS.command(POINT), do="stop")
    with open_ledger(daemon.house.with_name("ledger.sqlite3"), read_only=True) as ledger:
        *_, start, stop = ledger.commands_between(POINT, now, now + HOUR)
    assert start.do == "start"
    assert start.valid_until < stop.at
    ran = run("why", str(daemon.house), "--json")
    [point] = json.loads(ran.out)["charge_points"]
    texts = [each["text"] for each in point["story"] if each["at"] >= point["charged"][0]["start"]]
    assert any(text.startswith("stop: ") for text in texts)
    assert not any("not running" in text for text in texts)


def test_power_flows_and_stops_after_its_cause_and_not_at_the_reading_before(home: Home) -> None:
    """A relay that is stuck gives power while the vehicle is there, between two readings."""
    with home.place() as place:
        place.until(EVENING)
        place.pass_time(5 * SECOND, every=HOUR)
        place.plug_in(35.0)
        place.stuck = True
        place.until(EVENING + HOUR)
        place.pass_time(2 * SECOND, every=HOUR)
        place.unplug()
        place.stuck = False
        place.until(EVENING + 2 * HOUR)
        story = home.why(now=place.clock.now()).story
    told = [entry.text for entry in story if entry.kind in {"vehicle", "meter"}]
    assert told == [
        "the vehicle is plugged in",
        "power flows, without a command to charge",
        "the vehicle is unplugged",
        "power has stopped: 7.35 kWh since 18:30",
    ]
