"""A vehicle that leaves late goes on to the need that was out of reach, for an hour."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from functools import cache
from typing import Any

import pytest

from daemon.control.state import House
from tests.daemon.worlds import EVENING, HOUR, LEAVES, MINUTE, World, household

WEAK: dict[str, Any] = {"charging_mode": 2, "max_amps": 10.0, "switching": "on_off"}
"""It gives 4.14 % an hour: from 7 % to 60.1 % in the 12 hours and 50 minutes until 07:20."""

DEAR_BY_DAY = {
    "bands": [
        {"name": "night", "rate": Decimal("0.1"), "hours": ["21:00-07:00"]},
        {"name": "day", "rate": Decimal("0.5")},
    ]
}

SHORT, NEARLY = 0.0, 5.5
"""States of charge in the evening: much too low, and 1.4 % too low."""


def at_departure(soc: float = SHORT, *, pilot: bool = True, **parts: dict[str, Any]) -> World:
    """Charge all night, until a minute before the departure."""
    if (soc, pilot, parts) == (SHORT, True, {}):
        return _short_at_departure().copied()
    return _charged_till_departure(household(**({"point": WEAK} | parts)), soc, pilot=pilot)


@cache
def _short_at_departure() -> World:
    return _charged_till_departure(household(point=WEAK), SHORT, pilot=True)


def _charged_till_departure(house: House, soc: float, *, pilot: bool) -> World:
    world = World(house, EVENING)
    world.read()
    if pilot:
        world.plug_in(soc)
    else:
        world.is_there = True
        world.report(soc_percent=soc)
    world.wait(LEAVES - MINUTE)
    return world


def test_the_margin_is_used_and_the_charge_goes_on() -> None:
    """At the departure and half an hour later it still charges, without a new start."""
    world = at_departure()
    assert world.doing() == ("start", 10.0)
    world.wait(LEAVES + 30 * MINUTE)
    assert world.doing() == ("start", 10.0)
    command = world.state.command
    assert command is not None
    assert command.why == "60 % was needed by 07:20, and the vehicle is still there"
    assert [at for at, _ in world.switches()] == [EVENING, EVENING]


def test_a_wish_for_the_next_minutes_stops_no_charge() -> None:
    """It is out of reach: charging goes on until its instant, and then to its need."""
    world = World(household(), EVENING)
    world.read()
    world.plug_in(30.0)
    world.wait(EVENING + 33 * MINUTE)
    assert world.doing()[0] == "start"
    by = world.now + 2 * MINUTE
    world.ask(need_percent=95, by=by)
    assert world.doing()[0] == "start"
    world.wait(by + 30 * MINUTE)
    assert world.doing()[0] == "start"
    assert [do for at, do in world.switches() if at > EVENING] == []


def test_it_ends_after_an_hour() -> None:
    """To the minute; then the next departure is planned for."""
    world = at_departure(tariff=DEAR_BY_DAY)
    world.wait(LEAVES + 2 * HOUR)
    assert world.switches()[-1] == (LEAVES + HOUR, "stop")
    assert world.state.plan is not None
    assert world.state.plan.departure == LEAVES + 24 * HOUR


def test_it_ends_when_the_need_is_met() -> None:
    """Twenty minutes after the departure; it does not go on to the want."""
    world = at_departure(NEARLY, tariff=DEAR_BY_DAY)
    world.wait(LEAVES + 2 * HOUR)
    stop = world.switches()[-1][0]
    assert LEAVES + 15 * MINUTE < stop < LEAVES + 30 * MINUTE
    assert world.state.plan is not None
    assert all(period.band == "night" for period in world.state.plan.periods)


def test_a_vehicle_that_leaves_ends_it() -> None:
    """Its departure is over then."""
    world = at_departure()
    world.wait(LEAVES + 10 * MINUTE)
    world.unplug()
    assert world.doing() == ("stop", None)
    assert world.state.alerts == frozenset()
    (closing,) = world.closings()
    assert closing.facts.closed_at == LEAVES + 10 * MINUTE
    assert closing.facts.stays[0].departure == LEAVES


def test_the_alert_is_over_when_its_departure_has_passed() -> None:
    """Charging goes on after it, and nothing is wrong with that."""
    world = at_departure()
    assert "need-out-of-reach" in world.state.alerts
    world.wait(LEAVES + MINUTE)
    assert world.doing() == ("start", 10.0)
    assert world.state.alerts == frozenset()
    world.wait(LEAVES + HOUR - MINUTE)
    assert world.state.alerts == frozenset()


def test_a_vehicle_with_its_need_met_stops_at_the_departure() -> None:
    """Nothing goes on."""
    world = at_departure(45.0)
    world.wait(LEAVES + MINUTE)
    (closing,) = world.closings()
    assert closing.facts.closed_at == LEAVES


def test_a_vehicle_that_comes_back_within_the_hour_has_left() -> None:
    """Plugged in again at 07:40, it is there for the next departure."""
    world = at_departure()
    world.wait(LEAVES + 5 * MINUTE)
    world.unplug()
    world.wait(LEAVES + 20 * MINUTE)
    world.plug_in(40.0)
    assert world.state.plan is not None
    assert world.state.plan.departure == LEAVES + 24 * HOUR
    assert world.state.night is not None
    assert world.state.night.departure is not None
    assert world.state.night.departure.instant == LEAVES + 24 * HOUR


def test_a_person_may_end_it() -> None:
    """Asked to skip, it stops and stays so."""
    world = at_departure()
    world.wait(LEAVES + 10 * MINUTE)
    world.ask(skip_until=LEAVES + 5 * HOUR)
    assert world.doing() == ("stop", None)
    world.wait(LEAVES + 20 * MINUTE)
    assert world.doing() == ("stop", None)


@pytest.mark.parametrize("pilot", ["E", "F"])
def test_a_fault_ends_it(pilot: str) -> None:
    """And it does not begin again by itself for the departure that is past."""
    world = at_departure()
    world.wait(LEAVES + 10 * MINUTE)
    world.report(pilot=pilot)
    assert world.doing() == ("stop", None)
    assert world.state.night is not None
    assert world.state.night.stays[0].departure == LEAVES


def test_hardware_without_a_pilot_state_goes_on_while_power_flows() -> None:
    """Power shows that the vehicle is there; without it, it has left, and nobody is warned."""
    world = at_departure(pilot=False)
    world.wait(LEAVES + 10 * MINUTE)
    assert world.doing() == ("start", 10.0)
    world.is_there = False
    world.wait(LEAVES + 15 * MINUTE)
    assert world.doing() == ("stop", None)
    assert not world.state.plugged_in
    assert world.warned() == ["need-out-of-reach"]


def test_without_a_meter_or_a_pilot_state_it_ends_at_the_departure() -> None:
    """Nothing shows that the vehicle is still there."""
    world = World(household(point=WEAK), EVENING)
    world.is_there = True
    world.report(soc_percent=0.0)
    world.wait(LEAVES + MINUTE, read_every=None)
    assert world.doing() == ("stop", None)


def test_after_a_start_it_goes_on_as_before(ledger: Any) -> None:  # noqa: ANN401 - a fixture
    """The daemon is killed in the middle of it."""
    world = World(household(point=WEAK), EVENING, ledger)
    world.read()
    world.plug_in(SHORT)
    world.wait(LEAVES + 20 * MINUTE)
    assert world.doing() == ("start", 10.0)
    again = world.restarted()
    assert again.doing() == ("start", 10.0)
    assert again.state.command is not None
    assert world.state.command is not None
    assert again.state.command.why == world.state.command.why


def test_a_daemon_that_was_down_at_the_departure_does_not_begin_again() -> None:
    """The start has expired long ago: only a charge in progress goes on."""
    world = at_departure()
    world.advance(LEAVES + 40 * MINUTE)
    world.read(watts=0.0)
    assert world.closings()


def test_the_energy_of_the_late_charge_is_in_the_night() -> None:
    """Once, and all of it."""
    world = at_departure()
    world.wait(LEAVES + 30 * MINUTE)
    world.unplug()
    world.read()
    world.wait(LEAVES + 6 * HOUR)
    (record,) = world.records().values()
    kwh = 2.3 * (12 + 50 / 60 + 0.5)
    assert float(record["energy_kwh"]) == pytest.approx(kwh, abs=0.01)
    assert not record["need_met"]


def test_the_next_wake_up_is_no_later_than_the_end() -> None:
    """Without a reading, too, it ends after the hour."""
    world = at_departure()
    world.wait(LEAVES + 20 * MINUTE)
    assert world.wake <= LEAVES + HOUR
    assert world.wake - world.now <= timedelta(minutes=30)


def test_a_person_who_is_away_ends_it() -> None:
    """No departure before the instant counts, and so not the one that is past either."""
    world = at_departure(tariff=DEAR_BY_DAY)
    world.wait(LEAVES + 10 * MINUTE)
    assert world.doing() == ("start", 10.0)
    world.ask(away_until=LEAVES + 50 * HOUR)
    assert world.doing()[0] == "stop"


def test_a_wish_that_is_cancelled_ends_it() -> None:
    """With the wish's 95 % gone, the file's 60 % count; the battery holds more."""
    world = World(household(point=WEAK), EVENING)
    world.read()
    world.plug_in(30.0)
    world.ask(need_percent=95.0)
    world.wait(LEAVES + 10 * MINUTE)
    assert world.doing() == ("start", 10.0)
    world.ask(clear=True)
    assert world.doing()[0] == "stop"
