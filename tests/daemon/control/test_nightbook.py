"""When nights open and close, what they remember, and that no energy is lost between them."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, time, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.control.events import CloseNight, TimePassed
from daemon.control.state import Wishes
from daemon.nights.saved_state import read_saved, saved_body
from tests.daemon.worlds import (
    EVENING,
    HOUR,
    LEAVES,
    MINUTE,
    NIGHT_BEGINS,
    NOON,
    World,
    household,
    kowhai,
    utc,
)

if TYPE_CHECKING:
    from adapters.ledger.ledger import Ledger

DAY = timedelta(days=1)


def evening(soc: float = 35.0) -> World:
    world = World(kowhai(), EVENING)
    world.read()
    world.plug_in(soc)
    return world


def idle_until(world: World, until: object) -> None:
    """Let time pass without anything flowing, the meter read on the hour."""
    while world.now < until:  # type: ignore[operator]  # a datetime
        world.now += HOUR
        world.read()


# --- closing ----------------------------------------------------------------------------------


def test_the_departure_closes_the_night_once() -> None:
    """A night is closed at its departure with what it was for; noon has nothing to add."""
    world = evening()
    world.wait(LEAVES)
    world.unplug()
    world.wait(NOON + HOUR)
    (closing,) = world.closings()
    facts = closing.facts
    assert (facts.night, facts.stays[0].vehicle) == (date(2026, 6, 3), "hatchback")
    assert (facts.stays[0].departure, facts.closed_at) == (LEAVES, LEAVES)
    assert facts.stays[0].plugged_since == EVENING
    assert (
        facts.stays[0].need_percent,
        facts.stays[0].soc_before_percent,
        facts.stays[0].soc_from,
    ) == (60.0, 35.0, "vehicle")
    assert facts.stays[0].soc_after_percent == pytest.approx(80.0, abs=0.3)
    assert facts.stays[0].starts == 1
    assert facts.stays[0].planned_cost == pytest.approx(26 * 0.168 * 1.15)
    assert world.state.night is None


@pytest.mark.parametrize(("watt_hours", "times"), [(0, 1), (1, 2), (60, 2), (5000, 2)])
def test_noon_closes_a_night_again_only_if_energy_flowed(watt_hours: int, times: int) -> None:
    """Whatever flows between the departure and noon is in the night, be it one watt-hour."""
    world = evening()
    world.wait(LEAVES)
    world.unplug()
    world.wait(LEAVES + HOUR)
    world.meter_wh += watt_hours
    world.wait(NOON + HOUR)
    assert len(world.closings()) == times
    record = world.records()["2026-06-03"]
    assert record["energy_kwh"] * 1000 == round(world.meter_wh) - 1_000_000
    assert record["departure"] == "2026-06-03T19:20:00Z"
    assert record["soc_after_percent"] == pytest.approx(80.0, abs=0.3)


def test_a_vehicle_that_comes_back_does_not_change_what_it_left_with() -> None:
    """A night says with what the vehicle came and left, though it is back before noon with less."""
    world = evening(85.0)
    world.wait(LEAVES)
    world.unplug()
    world.wait(LEAVES + HOUR)
    world.plug_in(20.0)
    world.ask(charge_now=True)
    world.wait(NOON + HOUR)
    *_, closing = world.closings()
    assert closing.facts.closed_at == NOON, "energy flowed after the departure"
    assert (
        closing.facts.stays[0].soc_before_percent,
        closing.facts.stays[0].soc_after_percent,
    ) == (85.0, 85.0)


def test_a_vehicle_that_leaves_early_is_accounted_for_at_the_departure() -> None:
    """Unplugged before it is due, a vehicle is remembered with the charge it left with."""
    world = evening()
    world.wait(NIGHT_BEGINS + HOUR)
    world.unplug()
    world.wait(NOON + HOUR)
    (closing,) = world.closings()
    assert closing.facts.closed_at == LEAVES
    assert closing.facts.stays[0].soc_after_percent == pytest.approx(
        35 + 100 * 7.36 * 0.9 / 52, abs=0.1
    )
    assert not world.records()["2026-06-03"]["need_met"]


def test_without_a_departure_noon_closes_the_night() -> None:
    """A household without departures still has its nights, from noon to noon."""
    world = World(household(departure={}), EVENING)
    world.read()
    world.plug_in(50.0)
    world.ask(charge_now=True)
    world.wait(NOON + HOUR)
    (closing,) = world.closings()
    assert (closing.facts.stays[0].departure, closing.facts.closed_at) == (None, NOON)
    assert closing.facts.stays[0].need_percent == 0.0
    assert world.state.night is not None
    assert world.state.night.night == date(2026, 6, 4)


def test_a_day_of_the_account_may_end_at_midnight() -> None:
    """Then what flows before and after it are two days, and each watt-hour is in one of them."""
    world = World(household(household={"account_day": "midnight"}), EVENING)
    world.read()
    world.plug_in(5.0)
    world.wait(LEAVES)
    world.unplug()
    world.wait(NOON + DAY)
    # In Auckland it is midnight at noon UTC.
    first, second = (world.records()[night] for night in ("2026-06-03", "2026-06-04"))
    assert [each.facts.closed_at for each in world.closings()] == [utc("2026-06-03T12:00"), LEAVES]
    assert first["energy_kwh"] > 0 < second["energy_kwh"]
    assert 1000 * (first["energy_kwh"] + second["energy_kwh"]) == round(world.meter_wh) - 1_000_000
    assert first["need_met"], "its departure is on the next day"
    assert (second["departure"], second["need_met"]) == ("2026-06-03T19:20:00Z", True)


def test_a_night_waits_a_while_for_the_reading_past_noon() -> None:
    """Noon is accounted for with a reading past it, or twenty minutes later without one."""
    world = World(household(departure={}), EVENING)
    world.read()
    world.plug_in(50.0)
    world.now = NOON
    world.handle(TimePassed())
    assert world.closings() == []
    assert world.wake == NOON + 20 * MINUTE
    silent = World(world.house, world.now, state=world.state)
    world.now = NOON + MINUTE
    world.read()
    assert len(world.closings()) == 1
    silent.now = silent.wake
    silent.handle(TimePassed())
    assert [closing.facts.closed_at for closing in silent.closings()] == [NOON]


def test_a_daemon_that_slept_through_the_departure_closes_the_night_when_it_wakes() -> None:
    """Hours late, the night is closed once, for its own departure, and the next one opens."""
    world = evening()
    world.wait(NIGHT_BEGINS + 4 * HOUR)
    world.now = NOON + 3 * HOUR
    world.read()
    world.handle(TimePassed())
    (closing,) = world.closings()
    assert closing.facts.night == date(2026, 6, 3)
    assert closing.facts.stays[0].departure == LEAVES
    assert world.state.night is not None
    assert world.state.night.night == date(2026, 6, 4)


# --- what is remembered -----------------------------------------------------------------------


def test_a_vehicle_that_stays_over_noon_has_its_next_night_closed_at_its_departure() -> None:
    """The night that opens at noon under a vehicle that stayed knows what it is for."""
    world = evening()
    world.wait(LEAVES + DAY + MINUTE)
    first, second = world.closings()
    assert (first.facts.closed_at, second.facts.closed_at) == (LEAVES, LEAVES + DAY)
    assert second.facts.night == date(2026, 6, 4)
    assert second.facts.stays[0].departure == LEAVES + DAY
    assert second.facts.stays[0].need_percent == 60.0
    assert second.facts.stays[0].soc_before_percent == pytest.approx(80.0, abs=0.3)


def test_a_promise_is_renewed_until_charging_begins() -> None:
    """What a night was promised to cost is the last plan before its first start."""
    world = World(kowhai(), EVENING)
    world.plug_in()
    world.now += MINUTE
    world.read()
    world.report(soc_percent=60.0)
    night = world.state.night
    assert night is not None
    assert (night.soc_before_percent, night.soc_from) == (60.0, "vehicle")
    promised = night.planned_cost
    assert promised == pytest.approx(52 * 0.2 / 0.9 * 0.168 * 1.15)
    world.wait(NIGHT_BEGINS + HOUR)
    world.ask(want_percent=100.0)
    night = world.state.night
    assert night is not None
    assert (night.soc_before_percent, night.planned_cost) == (60.0, promised)


@pytest.mark.parametrize("by", ["person", "vehicle"])
@pytest.mark.parametrize(("flowed_wh", "corrected"), [(6, True), (500, False)])
def test_a_state_of_charge_corrected_before_energy_flows_is_the_nights_first(
    by: str, flowed_wh: int, *, corrected: bool
) -> None:
    """Charging may begin at once: seconds later a person still says what it came with."""
    # The departure is so near that charging begins at once.
    world = World(household(vehicle={"arrives_with_percent": 32.0}), LEAVES - 3 * HOUR)
    world.read()
    world.plug_in()
    night = world.state.night
    assert night is not None
    assert (night.soc_before_percent, night.soc_from, night.starts) == (32.0, "assumed", 1)
    world.meter_wh += flowed_wh
    world.now += timedelta(seconds=3)
    world.read()
    tell = world.ask if by == "person" else world.report
    tell(soc_percent=50.0)
    after = world.state.night
    assert after is not None
    expected = (50.0, by) if corrected else (32.0, "assumed")
    assert (after.soc_before_percent, after.soc_from) == expected
    assert (after.planned_cost < night.planned_cost) is corrected


def test_energy_that_nobody_asked_for_keeps_the_promise_too() -> None:
    """What the vehicle came with is not what it has after the first kWh, started or not."""
    world = evening()
    assert world.state.night is not None
    promised = world.state.night.planned_cost
    world.now += MINUTE
    world.meter_wh += 1_000
    world.read()
    world.report(soc_percent=36.7)
    assert world.state.night.starts == 0
    assert (world.state.night.soc_before_percent, world.state.night.planned_cost) == (35, promised)


def test_a_short_errand_is_part_of_the_same_night() -> None:
    """Away and back before the departure: one night, its starts and energy together."""
    world = evening()
    world.wait(NIGHT_BEGINS + HOUR)
    world.unplug()
    world.wait(NIGHT_BEGINS + 2 * HOUR)
    world.plug_in(40.0)
    world.wait(NOON + HOUR)
    facts = world.closings()[0].facts
    assert (facts.stays[0].plugged_since, facts.stays[0].starts) == (EVENING, 2)
    assert facts.stays[0].soc_after_percent == pytest.approx(80.0, abs=0.3)


def test_wishes_end_with_the_departure() -> None:
    """What was asked for one morning does not hold for the next."""
    world = evening()
    world.ask(want_percent=100.0, need_percent=90.0)
    world.wait(LEAVES)
    assert world.state.wishes == Wishes()
    assert world.closings()[0].facts.stays[0].need_percent == 90.0
    world.wait(LEAVES + HOUR)
    assert world.state.plan is not None
    assert (world.state.plan.need_percent, world.state.plan.want_percent) == (60.0, 80.0)


@pytest.mark.parametrize("hardware", ["pilot", "none"])
def test_the_departure_ends_the_stay_where_nobody_would_say(hardware: str) -> None:
    """Hardware without a pilot state can't tell of leaving: the departure is taken for it."""
    world = World(household(), EVENING)
    if hardware == "pilot":
        world.plug_in(70.0)
    else:
        world.is_there = True
        world.report(soc_percent=70.0)
    world.wait(LEAVES)
    assert world.sees_vehicle() is (hardware == "pilot")


# --- no energy twice, none lost (invariant 7) -------------------------------------------------


def sum_of_nights(world: World) -> Decimal:
    return sum((record["energy_kwh"] for record in world.records().values()), Decimal(0)) * 1000


@pytest.mark.parametrize("every", [MINUTE, 7 * MINUTE, 14 * MINUTE])
def test_energy_that_flows_across_noon_is_in_one_night_or_the_other(every: timedelta) -> None:
    """Charging right through noon is cut at noon, and both nights together are the register."""
    world = World(household(vehicle={"usable_kwh": 100.0}), utc("2026-06-03T21:30"))
    world.read()
    world.plug_in(10.0)
    world.ask(charge_now=True, want_percent=100.0)
    world.wait(NOON + 5 * HOUR, read_every=every)
    world.unplug()
    idle_until(world, NOON + DAY + HOUR)
    records = world.records()
    assert set(records) == {"2026-06-03", "2026-06-04"}
    assert records["2026-06-03"]["energy_kwh"] == pytest.approx(
        Decimal("18.4"), abs=Decimal("0.002")
    )
    assert sum_of_nights(world) == round(world.meter_wh) - 1_000_000


@settings(max_examples=settings().max_examples // 5)
@given(
    st.lists(
        st.tuples(st.integers(0, 20 * 60), st.floats(5, 95), st.sampled_from(["now", "plan"])),
        min_size=3,
        max_size=5,
    ),
    st.sampled_from([MINUTE, 11 * MINUTE]),
)
def test_the_nights_add_up_to_the_register(
    stays: list[tuple[int, float, str]], every: timedelta
) -> None:
    """Over days of coming and going at any time, the nights' energy is the register's rise."""
    world = World(household(), utc("2026-06-03T01:00"))
    world.read()
    for minutes, soc, how in stays:
        world.plug_in(soc)
        if how == "now":
            world.ask(charge_now=True)
        world.wait(world.now + minutes * MINUTE, read_every=every)
        world.read()
        world.unplug()
        world.wait(world.now + 3 * HOUR, read_every=every)
    idle_until(world, world.now + DAY)
    assert sum_of_nights(world) == round(world.meter_wh) - 1_000_000
    closings = [(a.facts.night, a.facts.closed_at) for a in world.closings()]
    assert len(closings) == len(set(closings)), "no night is closed twice at one instant"


def test_energy_through_a_reset_of_the_register_is_counted_once() -> None:
    """A register that begins again in mid-charge loses only what flowed unseen."""
    world = evening()
    world.wait(NIGHT_BEGINS + HOUR)
    world.read()
    before = round(world.meter_wh) - 1_000_000
    world.meter_wh = 0.0
    world.wait(LEAVES)
    world.unplug()
    after = round(world.meter_wh)
    world.wait(NOON + HOUR)
    record = world.records()["2026-06-03"]
    assert record["energy_kwh"] * 1000 == before + after
    assert before + after == pytest.approx(26_000, abs=200)
    assert all(isinstance(closing, CloseNight) for closing in world.closings())


# --- several departures in one night ----------------------------------------------------------


BACK = LEAVES - 2 * HOUR


def twice_a_night(ledger: Ledger | None = None) -> World:
    """Let a vehicle leave on Wednesday at 15:00, and wait until it is back on Thursday at 05:20."""
    # It has 40 % and needs 30; then it has 20 %, and two hours bring 26.5 % of the 60 % needed.
    house = household()
    row = house.file.departures[0].model_copy(update={"want_percent": 70.0})
    first = {"days": ("wed",), "at": time(15), "need_percent": 30.0, "want_percent": 30.0}
    departures = (row.model_copy(update=first), row.model_copy(update={"days": ("thu",)}))
    file = house.file.model_copy(update={"departures": departures})
    world = World(replace(house, file=file), utc("2026-06-03T00:01"), ledger)
    world.read()
    world.plug_in(40.0)
    world.wait(utc("2026-06-03T03:02"))
    world.unplug()
    world.wait(BACK)
    return world


def test_each_departure_of_a_night_is_in_its_record() -> None:
    """A shortage at the second departure of a night is in the record, and counts once."""
    world = twice_a_night()
    world.plug_in(20.0)
    world.wait(LEAVES + MINUTE)
    world.unplug()
    world.wait(NOON + HOUR)
    record = world.records()["2026-06-03"]
    first, second = record["stays"]
    assert first["departure"] == "2026-06-03T03:00:00Z"
    assert (first["need_percent"], first["soc_after_percent"], first["need_met"]) == (30, 40, True)
    assert (first["missing_kwh"], second["plugged_since"]) == (0.0, "2026-06-03T17:20:00Z")
    assert second["departure"] == "2026-06-03T19:20:00Z"
    assert (second["need_percent"], second["want_percent"], second["need_met"]) == (60, 70, False)
    assert second["soc_before_percent"] == 20.0
    had = 20 + 100 * 2 * 7.36 * 0.9 / 50
    assert second["soc_after_percent"] == pytest.approx(had, abs=0.3)
    assert float(second["missing_kwh"]) == pytest.approx((60 - had) / 100 * 50 / 0.9, abs=0.2)
    assert not record["need_met"], "not each departure had enough"
    assert (record["departure"], record["need_percent"]) == (first["departure"], 30.0)
    assert (record["soc_before_percent"], record["soc_after_percent"]) == (40.0, 40.0)
    assert record["starts"] == 2, "one in the minutes before it was unplugged"


def test_a_vehicle_that_leaves_late_and_stays_away_has_no_second_departure() -> None:
    """Minutes between one departure and the unplugging are no stay for the next departure."""
    world = twice_a_night()
    world.wait(NOON + HOUR)
    record = world.records()["2026-06-03"]
    assert len(record["stays"]) == 1
    assert record["need_met"]


# --- another vehicle in the same night --------------------------------------------------------

AFTER = utc("2026-06-03T08:00")
"""When the second vehicle is plugged in."""


def van_after_hatchback(ledger: Ledger | None = None) -> World:
    """Charge the hatchback at once for an hour, and plug another vehicle in half an hour later."""
    van = {"van": {"charge_point": "driveway", "usable_kwh": 100.0, "everyday_limit_percent": 90.0}}
    house = household(more_vehicles=van)
    row = house.file.departures[0]
    vans = row.model_copy(update={"vehicle": "van", "need_percent": 45.0, "want_percent": 45.0})
    later = row.model_copy(update={"at": time(9)})
    file = house.file.model_copy(update={"departures": (later, vans)})
    world = World(replace(house, file=file), EVENING, ledger)
    world.read()
    world.plug_in(30.0)
    world.ask(charge_now=True)
    world.wait(EVENING + HOUR)
    world.read()
    world.unplug()
    world.wait(AFTER)
    world.plug_in(40.0)
    return world


def test_another_vehicle_of_the_night_has_its_own_stay() -> None:
    """It is named a minute after it was plugged in: its stay, need and energy are its own."""
    world = van_after_hatchback()
    world.wait(AFTER + MINUTE)
    world.ask(vehicle="van")
    night = world.state.night
    saved = json.loads(json.dumps(saved_body(world.state), default=str))
    assert read_saved(saved).night == night
    world.wait(LEAVES + MINUTE)
    world.unplug()
    world.wait(NOON + HOUR)
    record = world.records()["2026-06-03"]
    first, second = record["stays"]
    assert (first["vehicle"], second["vehicle"]) == ("hatchback", "van")
    assert (first["plugged_since"], first["left_at"]) == (
        "2026-06-03T06:30:00Z", "2026-06-03T07:30:00Z",
    )  # fmt: skip
    assert first["departure"] is None, "it left before, and another one took its place"
    assert (first["soc_before_percent"], first["starts"]) == (30.0, 1)
    assert first["soc_after_percent"] == pytest.approx(30 + 100 * 7.36 * 0.9 / 50, abs=0.3)
    assert (second["plugged_since"], second["departure"]) == (
        "2026-06-03T08:00:00Z", "2026-06-03T19:20:00Z",
    )  # fmt: skip
    assert (second["soc_before_percent"], second["need_percent"]) == (40.0, 45.0)
    assert (second["soc_after_percent"], second["starts"]) == (pytest.approx(45.0, abs=0.3), 1)
    assert float(first["energy_kwh"]) == pytest.approx(7.36, abs=0.01)
    assert first["energy_kwh"] + second["energy_kwh"] == record["energy_kwh"]
    assert first["cost"] + second["cost"] == pytest.approx(record["cost"], abs=Decimal("0.005"))
    assert sum_of_nights(world) == round(world.meter_wh) - 1_000_000


def test_the_vehicle_that_was_there_before_is_named_after_all() -> None:
    """Then it was an errand: the night has one stay, as if nobody had named another."""
    world = van_after_hatchback()
    as_it_was = world.copied()
    world.ask(vehicle="van")
    assert world.state.night is not None
    assert len(world.state.night.stays) == 1
    world.ask(vehicle="hatchback")
    for each in (world, as_it_was):
        each.wait(NOON + HOUR)
    assert world.records() == as_it_was.records()
    (stay,) = world.records()["2026-06-03"]["stays"]
    assert (stay["vehicle"], stay["plugged_since"]) == ("hatchback", "2026-06-03T06:30:00Z")


def test_a_vehicle_named_before_it_is_plugged_in_does_not_rename_the_one_before() -> None:
    """Nothing flowed for the hatchback: the night is the van's, from when it was plugged in."""
    world = World(van_after_hatchback().house, EVENING)
    world.read()
    world.plug_in(85.0)
    world.wait(EVENING + HOUR)
    world.unplug()
    world.ask(vehicle="van")
    world.wait(AFTER)
    world.plug_in(40.0)
    assert world.state.night is not None
    assert [stay.vehicle for stay in world.state.night.stays] == ["hatchback"]
    world.wait(LEAVES + MINUTE)
    world.unplug()
    world.wait(NOON + HOUR)
    record = world.records()["2026-06-03"]
    (stay,) = record["stays"]
    assert (record["vehicle"], stay["plugged_since"]) == ("van", "2026-06-03T08:00:00Z")
    assert "energy_kwh" not in stay, "it is the night's"


def test_stays_survive_a_restart() -> None:
    """What is known of a night's stays is in the saved state."""
    world = twice_a_night()
    world.plug_in(20.0)
    world.wait(LEAVES + 2 * HOUR)
    state = world.state
    saved = json.loads(json.dumps(saved_body(state), default=str))
    night = read_saved(saved).night
    assert night is not None
    assert night == state.night
    assert len(night.stays) == 2


def test_a_night_saved_by_an_earlier_version_keeps_its_departure() -> None:
    """It had one departure that had passed, and the fields of one stay."""
    departed = {
        "vehicle": "hatchback", "instant": "2026-06-03T03:00:00+00:00",
        "ready_by": "2026-06-03T02:45:00+00:00", "need_percent": 30.0, "want_percent": 35.0,
        "max_rate": None, "returns": None, "uses_kwh": None, "wish": None,
    }  # fmt: skip
    body = saved_body(twice_a_night().state)
    old = body["open"] | {
        "departed": departed, "soc_before_percent": 31.0, "soc_after_percent": 40.0,
        "plugged_since": "2026-06-03T00:01:00+00:00", "starts": 3, "planned_cost": 1.25,
    }  # fmt: skip
    del old["stays"]
    night = read_saved(body | {"open": old}).night
    assert night is not None
    assert night.plugged_since is None
    (stay,) = night.stays
    assert (stay.departure, stay.need_percent) == (utc("2026-06-03T03:00"), 30.0)
    assert (stay.want_percent, stay.plugged_since) == (35.0, utc("2026-06-03T00:01"))
    assert (stay.soc_before_percent, stay.soc_after_percent) == (31.0, 40.0)
    assert (stay.starts, stay.planned_cost) == (3, 1.25)
