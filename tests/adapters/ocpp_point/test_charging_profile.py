"""Charging profiles never allow more than the command.

Checked with the JSON schema of OCPP 1.6 (Open Charge Alliance, from the ocpp package).
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft4Validator
from ocpp.charge_point import remove_nones, snake_to_camel_case

from adapters.contract.messages import Command
from adapters.ocpp_point.abilities import MOST_PERIODS
from adapters.ocpp_point.charging_profile import (
    AHEAD,
    Form,
    Limit,
    charging_profile,
    limits,
    tenths,
)
from adapters.ocpp_point.point import Equipment

NOW = datetime(2026, 6, 3, 9, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
EQUIPMENT = Equipment("driveway", "driveway-1", Path("secret"), 1, 3, 230.0, 32.0)
SCHEMA = json.loads(
    (files("ocpp.v16") / "schemas" / "SetChargingProfile.json").read_text(encoding="utf-8-sig"),
    parse_float=Decimal,
)


@dataclass(frozen=True)
class Part:
    start: datetime
    end: datetime
    amps: float


def part(start: float, end: float, amps: float) -> Part:
    return Part(NOW + start * MINUTE, NOW + end * MINUTE, amps)


def start(amps: float = 16.0, minutes: float = 30) -> Command:
    until = NOW + minutes * MINUTE
    return Command(serial=7, do="start", amps=amps, valid_until=until, why="because")


STOP = Command(serial=8, do="stop", valid_until=NOW + 60 * MINUTE, why="because")


def profile(command: Command, *schedule: Part, transaction: int | None = None) -> dict[str, Any]:
    return charging_profile(limits(command, schedule, NOW, 32.0), EQUIPMENT, transaction)


def periods(command: Command, *schedule: Part) -> list[tuple[float, float]]:
    """List (minute from now, limit)."""
    found = profile(command, *schedule)["charging_schedule"]["charging_schedule_period"]
    ahead = AHEAD / MINUTE
    starts = [max(0.0, each["start_period"] / 60 - ahead) for each in found]
    return list(zip(starts, [each["limit"] for each in found], strict=True))


@given(
    amps=st.floats(0, 80), volts=st.floats(100, 400), phases=st.integers(1, 3),
    fewest=st.integers(0, 3),
)  # fmt: skip
def test_watts_are_never_more_than_the_amperes(
    amps: float, volts: float, phases: int, fewest: int
) -> None:
    """Rounded down, and reckoned with the fewest phases that the charge may take."""
    equipment = replace(EQUIPMENT, volts=volts, phases=phases, vehicle_phases=fewest)
    form = Form("W")
    made = charging_profile([Limit(NOW, amps)], equipment, None, form)
    ((period),) = made["charging_schedule"]["charging_schedule_period"]
    used = min(phases, fewest or phases)
    assert period["limit"] <= amps * volts * used * (1 + 1e-12)
    assert period["limit"] > amps * volts * used - 1.000001
    assert period["number_phases"] == used


@pytest.mark.parametrize("most", [1, 2, 3, 4])
def test_a_plan_in_few_periods(most: int) -> None:
    """What does not fit is cut off, and what is left ends in 0 A if there is room for that."""
    plan = (part(0, 30, 16), part(60, 90, 16), part(120, 150, 16))
    found = limits(start(16, 30), plan, NOW, 32.0)
    made = charging_profile(found, EQUIPMENT, None, Form(most_periods=most))
    sent = [each["limit"] for each in made["charging_schedule"]["charging_schedule_period"]]
    assert sent == {1: [16], 2: [16, 0], 3: [16, 0, 0], 4: [16, 0, 16, 0]}[most]
    assert "duration" not in made["charging_schedule"]


def test_a_profile_in_full() -> None:
    """It is a TxProfile in amperes per phase, and starts a minute ago."""
    assert profile(start(), transaction=41) == {
        "charging_profile_id": 1,
        "transaction_id": 41,
        "stack_level": 1,
        "charging_profile_purpose": "TxProfile",
        "charging_profile_kind": "Absolute",
        "charging_schedule": {
            "charging_rate_unit": "A",
            "start_schedule": "2026-06-03T08:59:00Z",
            "charging_schedule_period": [
                {"start_period": 0, "limit": 16.0, "number_phases": 3},
                {"start_period": 31 * 60, "limit": 0.0, "number_phases": 3},
            ],
        },
    }


@pytest.mark.parametrize(
    ("command", "schedule", "wanted"),
    [
        # Without a plan the current ends when the start expires.
        (start(16, 30), [], [(0, 16), (30, 0)]),
        # With a plan it goes on to the end of its period, even without the daemon.
        (start(16, 30), [part(-5, 90, 16)], [(0, 16), (90, 0)]),
        # ... and later periods follow, never above the commanded current.
        (
            start(16, 30),
            [part(-5, 90, 16), part(120, 180, 10), part(200, 220, 32)],
            [(0, 16), (90, 0), (120, 10), (180, 0), (200, 16), (220, 0)],
        ),
        # Periods that touch leave no gap.
        (start(16, 30), [part(0, 60, 16), part(60, 90, 8)], [(0, 16), (60, 8), (90, 0)]),
        # A start that no period covers ends where one begins.
        (start(10, 30), [part(20, 60, 6)], [(0, 10), (20, 6), (60, 0)]),
        (start(10, 30), [part(45, 60, 6)], [(0, 10), (30, 0), (45, 6), (60, 0)]),
        # Past periods are left out.
        (start(10, 30), [part(-60, -30, 6)], [(0, 10), (30, 0)]),
        # A stop does not expire.
        (STOP, [], [(0, 0)]),
        # Not even in a period that has begun: the command counts.
        (STOP, [part(-5, 30, 16)], [(0, 0)]),
        (STOP, [part(30, 60, 40)], [(0, 0), (30, 32), (60, 0)]),
    ],
)
def test_which_current_is_allowed_when(
    command: Command, schedule: list[Part], wanted: list[tuple[float, float]]
) -> None:
    """The command now, then the plan, then 0 A."""
    assert periods(command, *schedule) == wanted


def test_a_long_plan_is_cut_off_with_a_stop() -> None:
    """Equipment stores few periods; a plan that is cut off must end in 0 A."""
    plan = [part(60 * hour, 60 * hour + 30, 10) for hour in range(1, 40)]
    found = periods(start(16, 30), *plan)
    assert len(found) == MOST_PERIODS
    assert found[-1][1] == 0


@pytest.mark.parametrize(
    ("amps", "wanted"), [(16, 16.0), (13.59, 13.5), (6.3, 6.3), (16.1, 16.1), (0.3, 0.3)]
)
def test_tenths_are_rounded_down(amps: float, wanted: float) -> None:
    """The standard has one decimal; rounding up would be more than the command."""
    assert tenths(amps) == wanted


_AMPS = st.floats(6, 80)
_PLANS = st.lists(st.tuples(st.floats(0, 90), st.floats(0.02, 90), _AMPS), max_size=15)
_COMMANDS = st.just(STOP) | st.builds(start, _AMPS, st.floats(0.02, 120))


@given(_COMMANDS, st.floats(-60, 0), _PLANS)
def test_laws_of_a_profile(
    command: Command, begins: float, gaps: list[tuple[float, float, float]]
) -> None:
    """Any plan fits the schema, its starts grow from 0, and no limit exceeds command or file."""
    plan, minute = [], begins
    for gap, length, amps in gaps:
        plan.append(part(minute + gap, minute + gap + length, amps))
        minute += gap + length
    made = profile(command, *plan)
    found = made["charging_schedule"]["charging_schedule_period"]
    sent = remove_nones(snake_to_camel_case({"connector_id": 1, "cs_charging_profiles": made}))
    as_read = json.loads(json.dumps(sent), parse_float=Decimal)
    assert list(Draft4Validator(SCHEMA).iter_errors(as_read)) == []
    starts = [each["start_period"] for each in found]
    assert starts[0] == 0
    assert all(one < two for one, two in pairwise(starts))
    assert max(each["limit"] for each in found) <= min(32.0, command.amps or 32.0)
    assert found[-1]["limit"] == 0
    assert len(found) <= MOST_PERIODS
