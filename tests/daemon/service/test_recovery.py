"""Starting is recovering: killed at any instant, the daemon goes on as it would have."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from adapters.ledger.ledger import open_ledger
from daemon.control.events import LoweredByLoad, NightFacts, Stay, TimePassed
from daemon.control.state import (
    ActualShare,
    Gap,
    OpenNight,
    OtherVehicle,
    PointState,
    Response,
    SocFact,
    Wishes,
    counted_soc_percent,
)
from daemon.nights.saved_state import PendingNights, memory_of, read_saved, saved_body
from daemon.service.recovery import recover
from planners.local_time.departures import DepartureAt
from planners.local_time.wished_departures import Wish
from tests.daemon.worlds import (
    EVENING,
    HOUR,
    LEAVES,
    MINUTE,
    NIGHT_BEGINS,
    NOON,
    POINT,
    World,
    household,
    kowhai,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from adapters.ledger.ledger import Ledger
    from daemon.control.state import House

pytestmark = pytest.mark.usefixtures("no_log")


def same_after_restart(world: World) -> World:
    """Restart, and hold it to what it did before; the one that was killed lives on."""
    world.handle(TimePassed())
    assert world.ledger is not None
    found = recover(world.ledger, POINT, world.now, world.house)
    again = world.restarted()
    assert again.doing() == world.doing()
    assert found.command == world.state.command
    # Alerts that follow from the plan are compared with the plan made again.
    assert found.alerts == world.state.alerts
    assert (found.actual_share, found.left_with) == (
        world.state.actual_share,
        world.state.left_with,
    )
    assert found.stopped_itself == world.state.stopped_itself
    assert found.vehicle == world.state.vehicle
    assert answered(found) == answered(world.state)
    assert but_its_promise(again.state.night) == but_its_promise(world.state.night)
    assert again.state.serial >= world.state.serial
    assert again.state.wishes == world.state.wishes
    assert again.state.switches == world.state.switches
    assert again.sees_vehicle() == world.sees_vehicle()
    if world.sees_vehicle():
        before, after = (
            counted_soc_percent(each.state, each.house.file, each.now) for each in (world, again)
        )
        assert after == pytest.approx(before)
    return again


def but_its_promise(night: OpenNight | None) -> OpenNight | None:
    """Leave out what a night is promised to cost: the plan is made again, from another instant."""
    return night and replace(night, planned_cost=0.0)


def answered(state: PointState) -> tuple[object, ...] | None:
    """Give what was seen of the hardware's answer; a restart moves since when it is waited for."""
    answer = state.response
    return (answer.flowed, answer.wrong_since, answer.repeats) if answer else None


def at_home(ledger: Ledger, now: datetime, soc: float | None = 35.0) -> World:
    world = World(kowhai(), EVENING, ledger)
    world.read()
    world.plug_in(soc)
    world.wait(now)
    return world


# --- what must be found again -----------------------------------------------------------------


USUAL_PERCENT = 100 * 45 * 0.165 / 52
"""What Kowhai Cottage's usual 45 km take out of the battery."""


def test_an_empty_ledger_is_a_charge_point_at_rest(ledger: Ledger) -> None:
    """A first start knows of no vehicle, and stops."""
    world = World(kowhai(), EVENING, ledger)
    again = world.restarted()
    assert again.doing() == ("stop", None)
    assert again.state.night is None


@pytest.mark.parametrize("year", [1970, 2020, 2026, 2040])
def test_a_new_ledger_gives_serials_that_are_valid_and_grow(ledger: Ledger, year: int) -> None:
    """Whatever the clock says at a first start, the first serial is at least 1."""
    now = datetime(year, 6, 3, tzinfo=UTC)
    state = recover(ledger, POINT, now, kowhai())
    assert state.serial >= 0
    later = recover(ledger, POINT, now + timedelta(days=1), kowhai())
    assert later.serial >= state.serial


INSTANTS = [
    EVENING,
    EVENING + HOUR,
    NIGHT_BEGINS,
    NIGHT_BEGINS + 87 * MINUTE,
    NIGHT_BEGINS + 211 * MINUTE,
    NIGHT_BEGINS + 5 * HOUR,
    LEAVES - MINUTE,
    LEAVES,
    LEAVES + HOUR,
    NOON,
    NOON + HOUR,
]


@pytest.mark.parametrize("soc", [35.0, None])
def test_a_restart_at_any_time_of_a_night(ledger: Ledger, soc: float | None) -> None:
    """Reported or assumed, the state of charge is counted on, and the same command is in force."""
    world = at_home(ledger, EVENING, soc)
    for now in INSTANTS:
        world.wait(now)
        same_after_restart(world)


def test_a_restart_in_mid_charge_ends_where_it_would_have(ledger: Ledger) -> None:
    """What was charged before a restart is not charged again, though the charge was assumed."""
    world = at_home(ledger, NIGHT_BEGINS + HOUR, soc=None)
    again = same_after_restart(world)
    again.wait(LEAVES - MINUTE)
    assert again.meter_wh - 1_000_000 == pytest.approx(52_000 * 0.4 / 0.9, abs=150)


def test_a_new_ledger_goes_on_above_a_night_of_starts_that_last_a_minute(ledger: Ledger) -> None:
    """Hardware ignores a serial below its last one: it would not hear the daemon any more."""
    began = recover(ledger, POINT, EVENING, kowhai()).serial
    hours = 10
    renewed_every_half_minute = hours * 60 * 2
    state = recover(ledger, POINT, EVENING + hours * HOUR, kowhai())
    assert state.serial > began + renewed_every_half_minute


def test_a_daemon_that_starts_again_after_seconds_is_heard_though_a_full_disk_kept_nothing(
    ledger: Ledger,
) -> None:
    """What it sent in those seconds is not in the ledger, and has lower serials all the same."""
    began = recover(ledger, POINT, EVENING, kowhai()).serial
    again = recover(ledger, POINT, EVENING + timedelta(seconds=3), kowhai()).serial
    assert again >= began + 3


def test_a_start_counts_once_though_the_daemon_ends_before_it_saves_the_night(
    ledger: Ledger,
) -> None:
    """The command is recorded first, then sent, and only then the night is saved."""
    world = at_home(ledger, NIGHT_BEGINS - MINUTE)
    before = ledger.open_night(POINT)
    world.wait(NIGHT_BEGINS)
    assert recover(ledger, POINT, world.now, world.house).night == world.state.night
    ledger.save_open_night(POINT, before)
    night = recover(ledger, POINT, world.now, world.house).night
    assert night is not None
    assert night.starts == 1


def test_a_start_after_one_that_expired_counts_though_the_daemon_ends_before_it_saves_the_night(
    ledger: Ledger,
) -> None:
    """The one before was good for half an hour, and the daemon away for longer."""
    world = at_home(ledger, NIGHT_BEGINS + 10 * MINUTE)
    before = ledger.open_night(POINT)
    world.now += HOUR
    state = recover(ledger, POINT, world.now, world.house)
    again = World(world.house, world.now, ledger, state=state, meter_wh=world.meter_wh)
    again.handle(TimePassed())
    assert again.doing() == ("start", 32.0)
    for _ in range(2):
        found = recover(ledger, POINT, again.now, again.house).night
        assert found is not None
        assert found.starts == 2
        ledger.save_open_night(POINT, before)


def test_serials_go_on_after_a_restart(ledger: Ledger) -> None:
    """The next command after a restart has a serial of its own."""
    world = at_home(ledger, NIGHT_BEGINS + HOUR)
    again = world.restarted()
    again.unplug()
    assert again.state.serial > world.state.serial


def test_a_reading_kept_but_not_acted_on_is_counted(ledger: Ledger) -> None:
    """Killed between keeping a reading and acting on it, the daemon knows it when it starts."""
    world = at_home(ledger, NIGHT_BEGINS + HOUR)
    world.advance(world.now + 10 * MINUTE)
    ledger.add_reading(POINT, world.now, round(world.meter_wh), 7360.0, None)
    again = world.restarted()
    assert again.state.register is not None
    assert again.state.register.register_wh == round(world.meter_wh)


@pytest.mark.parametrize("soc", [None, 60.0])
def test_a_report_kept_but_not_acted_on_counts(ledger: Ledger, soc: float | None) -> None:
    """Killed between keeping a plug-in and acting on it, the daemon finds the vehicle there."""
    world = World(kowhai(), EVENING, ledger)
    world.read()
    world.report(pilot="A")
    world.now += MINUTE
    ledger.add_vehicle_report(POINT, world.now, "B", soc)
    again = world.restarted()
    assert again.sees_vehicle()
    assert again.state.soc is not None
    assert again.state.soc.percent == (40.0 if soc is None else soc)


def test_an_old_report_is_not_taken_for_the_vehicle_that_came_since(ledger: Ledger) -> None:
    """A state of charge from an earlier stay is not what a vehicle came back with."""
    world = at_home(ledger, NIGHT_BEGINS + 5 * HOUR)
    world.report(soc_percent=80.0)
    world.unplug()
    world.now += 2 * HOUR
    world.plug_in()
    again = same_after_restart(world)
    assert again.state.soc is not None
    assert again.state.soc.percent == pytest.approx(80 - USUAL_PERCENT)


def test_an_old_report_is_not_taken_for_the_vehicle_that_comes_next(ledger: Ledger) -> None:
    """Started while the vehicle is away, the daemon does not take it back as full as it left."""
    world = at_home(ledger, LEAVES - MINUTE)
    world.report(soc_percent=80.0)
    world.wait(LEAVES)
    world.unplug()
    for now in (NOON - HOUR, NOON + HOUR):
        world.wait(now)
        again = same_after_restart(world)
        again.now = world.now + HOUR
        again.plug_in()
        assert again.state.soc is not None
        assert again.state.soc.percent == pytest.approx(80 - USUAL_PERCENT)


def test_a_persons_word_is_kept(ledger: Ledger) -> None:
    """A state of charge read off the dashboard outlives a restart."""
    world = at_home(ledger, EVENING + HOUR, soc=None)
    world.ask(soc_percent=52.0)
    world.wait(NIGHT_BEGINS + HOUR)
    again = same_after_restart(world)
    assert again.state.soc is not None
    assert again.state.soc.source == "person"


@pytest.mark.parametrize(
    "wish",
    [
        {"want_percent": 95.0},
        {"want_percent": 95.0, "by": LEAVES + 24 * HOUR},
        {"need_percent": 70.0, "want_percent": 90.0},
        {"charge_now": True},
        {"skip_until": NIGHT_BEGINS + 3 * HOUR},
        {"stop": True},
        {"away_until": LEAVES + 20 * HOUR},
        {"soc_percent": 41.0},
    ],
)
@pytest.mark.parametrize("when", [EVENING - 3 * HOUR, EVENING + 30 * MINUTE])
def test_wishes_are_kept(ledger: Ledger, wish: dict[str, Any], when: datetime) -> None:
    """What was asked before the plug-in or after it still holds after a restart."""
    world = World(kowhai(), EVENING - 4 * HOUR, ledger)
    world.read()
    world.report(pilot="A")
    world.wait(when)
    if when >= EVENING:
        world.plug_in(35.0)
    world.ask(**wish)
    if "soc_percent" not in wish or when >= EVENING:
        same_after_restart(world)
    world.wait(EVENING + HOUR)
    if when < EVENING:
        world.plug_in(35.0)
    same_after_restart(world)


def test_wishes_that_are_over_stay_over(ledger: Ledger) -> None:
    """What was asked for a departure that has passed does not come back with a restart."""
    world = at_home(ledger, EVENING + HOUR)
    world.ask(want_percent=95.0, charge_now=True)
    for now in (LEAVES + HOUR, NOON - MINUTE, NOON + HOUR):
        world.wait(now)
        again = same_after_restart(world)
        assert again.state.wishes == Wishes()


def test_charge_now_does_not_come_back(ledger: Ledger) -> None:
    """Charge now that ended when the vehicle left is not resurrected by a restart."""
    world = at_home(ledger, EVENING + HOUR)
    world.ask(charge_now=True)
    world.unplug()
    world.now += HOUR
    world.plug_in(35.0)
    assert same_after_restart(world).doing() == ("stop", None)


def test_a_vehicle_that_left_takes_its_wish_along_though_the_daemon_ends_in_that_step(
    ledger: Ledger,
) -> None:
    """Killed between keeping its last report and acting on it: the next one is not charged now."""
    world = at_home(ledger, EVENING + HOUR)
    world.ask(charge_now=True)
    world.now += MINUTE
    ledger.add_vehicle_report(POINT, world.now, "A", None)
    again = world.restarted()
    assert not again.sees_vehicle()
    again.now += HOUR
    again.plug_in(35.0)
    assert again.doing() == ("stop", None)


@pytest.mark.parametrize("pilot", ["E", "F"])
def test_a_fault_does_not_hide_the_vehicle(ledger: Ledger, pilot: str) -> None:
    """Started during a fault, the daemon goes on with the same vehicle once it clears."""
    world = at_home(ledger, NIGHT_BEGINS + HOUR)
    world.report(pilot=pilot)
    world.read()
    again = same_after_restart(world)
    again.now += 6 * MINUTE  # more than the file's min_rest_minutes
    again.report(pilot="C")
    assert again.doing() == ("start", 32.0)
    assert again.state.plan is not None
    assert again.state.plan.soc_percent == pytest.approx(35 + 100 * 7.36 * 0.9 / 52, abs=0.3)


@pytest.mark.parametrize("now", [EVENING, NIGHT_BEGINS, LEAVES - MINUTE, LEAVES + HOUR, NOON])
def test_hardware_that_cannot_tell(ledger: Ledger, now: datetime) -> None:
    """Without a pilot state too, a restart neither finds nor loses a vehicle."""
    world = World(household(), EVENING, ledger)
    world.is_there = True
    world.read()
    world.report(soc_percent=40.0)
    world.wait(now)
    same_after_restart(world)


def test_a_register_that_began_again_does_not_undo_the_count(ledger: Ledger) -> None:
    """A restart after a reset of the meter counts no energy twice, and forgets none."""
    world = at_home(ledger, NIGHT_BEGINS + HOUR)
    world.read()
    world.meter_wh = 0.0
    world.read(at=world.now + timedelta(seconds=1))
    world.wait(NIGHT_BEGINS + 2 * HOUR)
    same_after_restart(world)


def test_a_reading_from_the_future_does_not_outlive_a_restart(ledger: Ledger) -> None:
    """What live messages could not do, the same messages can't do by way of the ledger."""
    world = at_home(ledger, NIGHT_BEGINS + HOUR)
    world.read(at=world.now + timedelta(days=3650), watts=0.0)
    world.report(at=world.now + timedelta(days=3650), pilot="A", soc_percent=100.0)
    again = same_after_restart(world)
    assert again.doing() == ("start", 32.0)
    again.unplug()
    assert again.doing() == ("stop", None)


def test_a_clock_a_little_ahead_is_the_same_after_a_restart(ledger: Ledger) -> None:
    """Readings that hardware dates some minutes ahead are found again, the last of them."""
    world = at_home(ledger, NIGHT_BEGINS + HOUR)
    for minutes in (3, 4, 5):
        world.meter_wh += 100
        world.read(at=world.now + minutes * MINUTE)
    again = same_after_restart(world)
    assert again.state.register == world.state.register


def test_a_night_in_the_open_is_closed_after_a_restart(ledger: Ledger) -> None:
    """A daemon that was away over the departure and noon closes the night when it is back."""
    world = at_home(ledger, NIGHT_BEGINS + 4 * HOUR)
    world.now = NOON + 2 * HOUR
    again = world.restarted()
    assert [closing.facts.night for closing in again.closings()] == [date(2026, 6, 3)]


ANY_DEPARTURE = st.builds(
    DepartureAt,
    vehicle=st.just("hatchback"),
    instant=st.datetimes(timezones=st.just(UTC)),
    ready_by=st.datetimes(timezones=st.just(UTC)),
    need_percent=st.floats(0, 100),
    want_percent=st.floats(0, 100),
    max_rate=st.none() | st.decimals("-1", "1", places=4),
)
INSTANT = st.datetimes(min_value=datetime(1000, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001 - aware by `timezones`
PERCENT = st.none() | st.floats(0, 100)
ANY_LOWERED = st.builds(
    LoweredByLoad,
    seconds=st.floats(0, 1e6),
    least_amps=st.floats(0, 80),
    load_amps=st.floats(0, 2000),
    since=st.none() | INSTANT,
)
ANY_STAY = st.builds(
    Stay,
    vehicle=st.text(),
    plugged_since=INSTANT,
    departure=st.none() | INSTANT,
    need_percent=st.floats(0, 100),
    want_percent=st.floats(0, 100),
    soc_before_percent=PERCENT,
    soc_after_percent=PERCENT,
    soc_from=st.sampled_from(["vehicle", "assumed"]),
    planned_cost=st.floats(-100, 100),
    starts=st.integers(0, 100),
    left_at=st.none() | INSTANT,
)
ANY_GAP = st.builds(
    Gap,
    stay=ANY_STAY,
    begins_wh=st.none() | st.integers(0, 10**12),
    closed=st.booleans(),
    ends=st.none() | INSTANT,
    ends_wh=st.none() | st.integers(0, 10**12),
)
ANY_NIGHT = st.builds(
    OpenNight,
    night=st.dates(),
    vehicle=st.text(),
    plugged_since=INSTANT,
    departure=st.none(),
    stays=st.lists(ANY_STAY, max_size=2).map(tuple),
    soc_before_percent=PERCENT,
    soc_from=st.sampled_from(["vehicle", "person", "counted", "assumed"]),
    soc_after_percent=PERCENT,
    planned_cost=st.floats(-100, 100),
    starts=st.integers(0, 100),
    accounted_wh=st.none() | st.integers(0, 10**12),
    closed=st.booleans(),
    lowered=st.none() | ANY_LOWERED,
    gap=st.none() | ANY_GAP,
)
ANY_SOC = st.none() | st.builds(
    SocFact,
    percent=st.floats(0, 100),
    at=INSTANT,
    source=st.sampled_from(["vehicle", "person", "counted", "recalled", "assumed"]),
    register_wh=st.none() | st.integers(0, 10**12),
)
ANY_STATE = st.builds(
    PointState,
    charge_point=st.just(POINT),
    plugged_in=st.booleans(),
    soc=ANY_SOC,
    left_with=ANY_SOC,
    others=st.lists(
        st.builds(OtherVehicle, name=st.text(), soc=ANY_SOC, left_with=ANY_SOC), max_size=2
    ).map(tuple),
    vehicle=st.none() | st.text(),
    stopped_itself=st.booleans(),
    alerts=st.frozensets(st.sampled_from(["no-rate", "no-reading", "power-after-stop"])),
    response=st.none()
    | st.builds(
        Response,
        since=INSTANT,
        register_wh=st.none() | st.integers(0, 10**12),
        flowed=st.booleans(),
        wrong_since=st.none() | INSTANT,
        repeats=st.integers(0, 9),
    ),
    actual_share=st.builds(
        ActualShare,
        planned=st.floats(0.01, 1.1),
        measured=st.none() | st.floats(0.01, 1.1),
        measured_since=st.none() | INSTANT,
    ),
    wishes=st.builds(
        Wishes,
        departures=st.lists(
            st.builds(
                Wish,
                id=st.integers(1, 99).map(str),
                vehicle=st.text(),
                by=INSTANT,
                need_percent=PERCENT,
                want_percent=PERCENT,
            ),
            max_size=2,
        ).map(tuple),
        charge_now=st.booleans(),
        skip_until=st.none() | INSTANT,
        away_until=st.none() | INSTANT,
    ),
)
ANY_PENDING = st.builds(
    PendingNights,
    facts=st.lists(
        st.builds(
            NightFacts,
            night=st.dates(),
            charge_point=st.just(POINT),
            stays=st.lists(ANY_STAY, min_size=1, max_size=2).map(tuple),
            closed_at=INSTANT,
        ),
        max_size=2,
    ).map(tuple),
    nights=st.lists(st.dates(), max_size=3).map(tuple),
    read_to=st.none() | INSTANT,
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    state=ANY_STATE,
    night=st.none() | ANY_NIGHT,
    pending=ANY_PENDING,
    returns=st.none() | INSTANT,
    uses_kwh=st.none() | st.floats(0, 1000),
)
def test_a_saved_state_is_read_back_unchanged(  # noqa: PLR0917 - hypothesis passes them by name
    ledger: Ledger,
    state: PointState,
    night: OpenNight | None,
    pending: PendingNights,
    returns: datetime | None,
    uses_kwh: float | None,
) -> None:
    """All of it, to the microsecond."""
    departure = DepartureAt("van", EVENING, EVENING, 1.5, 2.0, Decimal("0.2"), returns, uses_kwh)
    night = night and replace(night, departure=departure)
    state = replace(state, night=night)
    ledger.save_open_night(POINT, saved_body(state, pending))
    body = ledger.open_night(POINT)
    assert body is not None
    saved = read_saved(body)
    assert (saved.night, saved.memory) == (night, memory_of(state))
    assert saved.pending == pending


OLD_BODY: dict[str, Any] = {
    "night": "2026-06-03", "vehicle": "hatchback", "plugged_since": "2026-06-03T06:30:00+00:00",
    "departed": None,
    "departure": {
        "vehicle": "hatchback", "instant": "2026-06-03T19:20:00+00:00",
        "ready_by": "2026-06-03T19:05:00+00:00", "need_percent": 60.0, "want_percent": 80.0,
        "max_rate": None,
    },
    "soc_before_percent": 35.0, "soc_from": "vehicle", "soc_after_percent": None,
    "planned_cost": 5.02, "starts": 1, "accounted_wh": 1_000_000, "closed": False,
    "memory": {
        "plugged_in": True,
        "soc": {
            "percent": 35.0, "at": "2026-06-03T06:30:00+00:00", "source": "vehicle",
            "register_wh": 1_000_000,
        },
        "wishes": {
            "want_percent": None, "need_percent": None, "by": None, "charge_now": False,
            "skip_until": None,
        },
    },
}  # fmt: skip
"""A row of an early version, without trips and most of the memory."""


def test_the_saved_state_of_earlier_versions_is_read(ledger: Ledger) -> None:
    """The open night, alone in the row, is found; the rest begins as unknown."""
    ledger.save_open_night(POINT, OLD_BODY)
    ledger.add_reading(POINT, EVENING, 1_000_000)
    ledger.add_vehicle_report(POINT, EVENING, "B", 35.0)
    state = recover(ledger, POINT, NIGHT_BEGINS, kowhai())
    assert state.night is not None
    assert state.night.starts == 1
    assert state.night.departure is not None
    assert (state.night.departure.returns, state.night.departure.uses_kwh) == (None, None)
    assert state.soc is not None
    assert (state.plugged_in, state.soc.percent, state.wishes) == (True, 35.0, Wishes())
    assert (state.alerts, state.actual_share, state.left_with) == (frozenset(), ActualShare(), None)


@pytest.mark.parametrize(
    ("old", "kept"),
    [
        ({"need_percent": 70.0}, Wish("1", "hatchback", LEAVES, 70.0)),
        (
            {"need_percent": 70.0, "want_percent": 50.0, "by": "2026-06-04T19:20:00+00:00"},
            Wish("1", "hatchback", LEAVES + 24 * HOUR, 50.0, 50.0),
        ),
    ],
)
def test_the_wish_of_an_earlier_version_is_kept(
    ledger: Ledger, old: dict[str, object], kept: Wish
) -> None:
    """Without an instant it was for the next departure; after that departure it is over."""
    memory = OLD_BODY["memory"]
    body = OLD_BODY | {"memory": memory | {"wishes": memory["wishes"] | old}}
    ledger.save_open_night(POINT, body)
    assert recover(ledger, POINT, NIGHT_BEGINS, kowhai()).wishes == Wishes((kept,))
    assert recover(ledger, POINT, LEAVES, kowhai()).wishes == Wishes()


def test_wishes_for_two_days_survive_a_restart(ledger: Ledger) -> None:
    """Each with its id, so that it can still be cancelled by itself."""
    world = at_home(ledger, EVENING + HOUR)
    world.ask(need_percent=95.0, by=LEAVES + 24 * HOUR)
    world.ask(need_percent=75.0)
    again = same_after_restart(world)
    assert [wish.id for wish in again.state.wishes.departures] == ["2", "1"]


# --- at any instant ---------------------------------------------------------------------------

HOUSES: dict[str, Callable[[], House]] = {
    "kowhai": kowhai,
    "flat": household,
    "plug": lambda: household(point={"plugged_in": "18:30-07:30", "switching": "on_off"}),
}


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture],
    max_examples=settings().max_examples // 2,
)
@given(
    name=st.sampled_from(sorted(HOUSES)),
    happenings=st.lists(
        st.tuples(
            st.sampled_from(["in", "in?", "out", "soc", "want", "now", "not now", "skip", "fault"]),
            st.integers(1, 300),
        ),
        min_size=3,
        max_size=7,
    ),
)
def test_killed_at_any_instant(
    tmp_path_factory: pytest.TempPathFactory, name: str, happenings: list[tuple[str, int]]
) -> None:
    """After whatever happened, a restart leads to the same command and the same open night."""
    with open_ledger(tmp_path_factory.mktemp("killed") / "ledger.sqlite3") as ledger:
        world = World(HOUSES[name](), EVENING, ledger, is_there=name == "plug")
        world.read()
        for what, minutes in happenings:
            happen(world, what)
            same_after_restart(world)
            world.wait(world.now + minutes * MINUTE, read_every=10 * MINUTE)
            same_after_restart(world)


def happen(world: World, what: str) -> None:
    hardware_tells = world.house.file.charge_points[POINT].plugged_in is None
    match what:
        case "in" | "in?" if hardware_tells:
            world.plug_in(30.0 if what == "in" else None)
        case "out" if hardware_tells:
            world.unplug()
        case "fault" if hardware_tells:
            world.report(pilot="F")
        case "soc":
            world.is_there = True
            world.report(soc_percent=45.0)
        case "want":
            world.ask(want_percent=92.0)
        case "now" | "not now":
            world.ask(charge_now=what == "now")
        case "skip":
            world.ask(skip_until=world.now + 2 * HOUR)
        case _:
            world.read()


def test_a_state_starts_with_nothing_in_force(ledger: Ledger) -> None:
    """What is recovered from nothing is a state of nothing, to be planned."""
    state = recover(ledger, POINT, EVENING, kowhai())
    assert replace(state, serial=0) == PointState(POINT)
