"""The lines of `lullwatt status`, for statuses of every kind."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from adapters.contract.messages import DaemonState, Status
from daemon.messaging.answering import answer_of
from daemon.remote.health import PointReport, Report
from daemon.remote.show_status import status_lines
from tests.daemon.worlds import EVENING, HOUR, MINUTE, POINT, World, kowhai

COUNTED = "counted by the meter since Wed 03 Jun 18:30"


def rows_of(plan: dict[str, Any] | None = None, **known: object) -> dict[str, str]:
    """Lay out a status with these values half an hour after 18:30."""
    values = {"at": EVENING, "stale_after": EVENING, "connected": True, "charging": False}
    status = Status.model_validate(values | known)
    report = Report({POINT: PointReport(status, plan)}, DaemonState(state="online"))
    lines = list(status_lines(report, kowhai().file, EVENING + 30 * MINUTE))
    return {line[2:18].strip(): line[18:] for line in lines[2:]}


@pytest.mark.parametrize(
    ("known", "text"),
    [
        ({}, "41 %"),
        ({"soc_from": "person"}, "41 %, given by a person"),
        (
            {"soc_from": "vehicle", "soc_at": EVENING + 18 * MINUTE},
            "41 %, reported by the vehicle 12 min ago",
        ),
        (
            {"soc_from": "person", "soc_at": EVENING + timedelta(minutes=29.5)},
            "41 %, given by a person just now",
        ),
        (
            {"soc_from": "person", "soc_at": EVENING + HOUR},  # by another clock
            "41 %, given by a person just now",
        ),
        (
            {"soc_from": "vehicle", "soc_at": EVENING - 2 * HOUR},
            "41 %, reported by the vehicle on Wed 03 Jun 16:30",
        ),
        (
            {"soc_from": "assumed", "soc_at": EVENING},
            "41 %, estimated from the household file (30 min ago)",
        ),
        (
            {"soc_from": "recalled", "soc_at": EVENING},
            "41 %, what it left with last, less the usual use while away (30 min ago)",
        ),
        (
            {"soc_from": "counted", "soc_at": EVENING + 10 * MINUTE},
            "41 %, counted by the meter since Wed 03 Jun 18:40",
        ),
        (
            {"soc_from": "counted", "soc_at": EVENING, "soc_counted_from": "assumed"},
            f"41 %, {COUNTED}; at that time estimated from the household file",
        ),
    ],
)
def test_a_state_of_charge_with_its_source_and_age(known: dict[str, Any], text: str) -> None:
    """A reader sees where the state of charge comes from and how old that is."""
    assert rows_of(soc_percent=41.0, **known)["state of charge"] == text


def test_a_wish_in_the_time_away_is_marked() -> None:
    """It is still there to be taken back, and counts again if the time away is."""
    wishes = [
        {"id": str(hours), "vehicle": "van", "by": EVENING + hours * HOUR, "need_percent": 90.0}
        for hours in (12, 36)
    ]
    rows = rows_of(wishes=wishes, away_until=EVENING + 24 * HOUR)
    assert rows["wish 12"] == (
        "van: 90 % needed by Thu 04 Jun 06:30; in the time away, so it does not count"
    )
    assert rows["wish 36"] == "van: 90 % needed by Fri 05 Jun 06:30"


@pytest.mark.parametrize(
    ("known", "text"),
    [
        ({"vehicle": "van"}, "van, connected"),
        ({"vehicle": "van", "connected": False}, "none connected; van is expected"),
        ({}, "connected"),
        ({"connected": False}, "none connected"),
        ({"vehicle": "van", "charging": True}, "van, connected, charging"),
    ],
)
def test_the_vehicle_is_named(known: dict[str, Any], text: str) -> None:
    """The vehicle that is planned for has its name, except from a daemon that does not say it."""
    assert rows_of(**known)["vehicle"] == text


def planned(*periods: tuple[int, int], **more: object) -> dict[str, Any]:
    """Return a plan's document with periods between these minutes after 19:00."""
    at = EVENING + 30 * MINUTE
    times = [
        {"start": (at + a * MINUTE).isoformat(), "end": (at + b * MINUTE).isoformat()}
        for a, b in periods
    ]
    return {
        "cost": 0.82, "currency": "NZD", "departure": "2026-06-03T19:20:00Z", "energy_kwh": 8.25,
        "reaches_percent": 80.0, "periods": times, **more,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("plan", "text"),
    [
        (planned((60, 90)), "8.25 kWh for NZD 0.82, {to}; next start Wed 03 Jun 20:00"),
        (planned((-30, 30), (30, 90), as_of="…"), "8.25 kWh more for NZD 0.82, {to}"),
        (
            planned((-30, 30), (30, 90), (120, 150)),
            "8.25 kWh for NZD 0.82, {to}; next start Wed 03 Jun 21:00",
        ),
    ],
)
def test_a_change_of_rate_or_current_is_no_start(plan: dict[str, Any], text: str) -> None:
    """A period that follows another without a break does not start anything."""
    assert rows_of(plan)["plan"] == text.format(to="to 80 % by Thu 04 Jun 07:20")


@pytest.mark.parametrize(
    ("cost", "text"),
    [(1.43496, "NZD 1.43"), (1.4249999999999998, "NZD 1.42"), (1.435001, "NZD 1.44")],
)
def test_an_answer_and_the_status_round_a_cost_once(cost: float, text: str) -> None:
    """The status reads the plan's document, the answer the plan; both say the same, and exactly."""
    world = World(kowhai(), EVENING)
    world.read()
    world.plug_in(35.0)
    assert world.state.plan is not None
    plan = replace(world.state.plan, cost=cost)
    answer = answer_of(replace(world.state, plan=plan), world.now, world.house)
    assert f"takes 26.00 kWh for {text} and" in answer
    assert rows_of(plan.to_json())["plan"].startswith(f"26.00 kWh for {text},")


def test_a_charge_that_goes_on_after_a_missed_departure_has_an_end() -> None:
    """No plan is in force then, and the status says what is done instead."""
    rows = rows_of(goes_on_until=EVENING + 50 * MINUTE)
    assert rows["plan"] == (
        "goes on until Wed 03 Jun 19:20 at the latest, towards the need of Wed 03 Jun 18:20; what"
        " comes next is planned after that"
    )
    assert rows_of()["plan"] == "none"


def test_all_instants_of_a_status_are_rounded_alike() -> None:
    """A status of 18:30:59 is not from before something at 18:30:40."""
    at, soc_at = EVENING + MINUTE * 59 / 60, EVENING + MINUTE * 40 / 60
    rows = rows_of(soc_percent=41, soc_from="counted", at=at, soc_at=soc_at)
    assert rows["as of"] == "Wed 03 Jun 18:31"
    assert rows["state of charge"].endswith("since Wed 03 Jun 18:31")


def test_a_wish_to_charge_now_is_shown() -> None:
    """Only while it is in force."""
    assert "charge now" not in rows_of()
    assert rows_of(charge_now=True)["charge now"] == "asked for, at any price"


def test_alerts_are_shown_with_what_they_mean() -> None:
    """A code says little; one of a newer daemon is shown as it is."""
    assert rows_of()["alerts"] == "none"
    alerts = ("from-tomorrow", "over-current", "prices-ended")
    rows = rows_of(alerts=alerts)
    assert rows["alerts"] == "from-tomorrow"
    assert rows[""] == (
        "prices-ended: a price series stopped, or no day is announced: plans rest on estimates"
    )
    rows = rows_of(alerts=alerts[1:2])
    assert rows["alerts"] == "over-current: more current flows than was commanded: look at it"


PARTS = "the charge points keep to their fixed parts of the fuse"


@pytest.mark.parametrize(
    ("load", "text"),
    [
        (
            {"at": EVENING + 30 * MINUTE, "amps": (25.4,), "leaves_amps": (14.6,)},
            "25.4 A just now; leaves 14.6 A of the main fuse",
        ),
        (
            {
                "at": EVENING + 30 * MINUTE,
                "amps": (1.0, 30.0, 5.0),
                "leaves_amps": (39.0, 10.0, 35.0),
            },
            "L1 1 A, L2 30 A, L3 5 A just now; leaves L1 39 A, L2 10 A, L3 35 A of the main fuse",
        ),
        (
            {"at": EVENING, "amps": (25.4,)},
            "25.4 A 30 min ago; nothing is known now",
        ),
        (
            {"at": EVENING, "amps": (25.4,), "fixed_parts": True},
            f"25.4 A 30 min ago; silent since then: {PARTS}",
        ),
        (
            {
                "at": EVENING + 30 * MINUTE,
                "amps": (5.0,),
                "leaves_amps": (35.0,),
                "leaves_kw": 8.05,
                "gap_seconds": 60,
                "fixed_parts": True,
            },
            (
                "5 A just now; leaves 35 A of the main fuse and 8.05 kW of the home's power; 60 s"
                f" passed between two readings: {PARTS}"
            ),
        ),
    ],
)
def test_the_load_of_the_home(load: dict[str, Any], text: str) -> None:
    """A reading is shown with its age and with what it leaves."""
    assert rows_of(home_load=load)["home's load"] == text


@pytest.mark.parametrize(
    ("fuse", "text"),
    [
        (
            {"amps": (40.0,) * 3},
            "40 A; the plan expects no load of the home beside the charging",
        ),
        (
            {"amps": (40.0,), "max_power_kw": 9.0},
            "40 A, at most 9 kW together; the plan expects no load of the home beside the charging",
        ),
        (
            {
                "amps": (40.0, 32.0, 40.0),
                "reserve_amps": 2.0,
                "expects_amps": (15.0, 0.0, 0.0),
                "expects_from": "known_load",
            },
            (
                "L1 40 A, L2 32 A, L3 40 A, 2 A of it kept free; the plan expects the home to draw"
                " L1 15 A, L2 0 A, L3 0 A now"
            ),
        ),
    ],
)
def test_the_main_fuse(fuse: dict[str, Any], text: str) -> None:
    """It is shown with what is kept free, and with what plans expect of the home."""
    assert rows_of(main_fuse=fuse)["main fuse"] == text
