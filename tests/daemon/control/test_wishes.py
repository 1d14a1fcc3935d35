"""Wishes for single departures: each stands by itself, and takes nothing from another departure."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from adapters.contract.messages import Request
from daemon.control.controller import preview
from daemon.control.events import PersonAsked
from daemon.control.state import PointState, Wishes
from daemon.control.wishes import removable
from daemon.messaging.answering import answer_of
from daemon.messaging.outlook import figures_of
from daemon.messaging.status import status_of
from planners.home.left_beside import LeftByLoad
from planners.local_time.wished_departures import Wish
from tests.daemon.worlds import (
    EVENING,
    HOUR,
    LEAVES,
    MINUTE,
    POINT,
    World,
    household,
    kowhai,
)

DAY = timedelta(days=1)
CAR = "hatchback"
VAN = {"van": {"charge_point": POINT, "usable_kwh": 100.0, "everyday_limit_percent": 90.0}}
AFTERNOONS = {"at": "14:50", "need_percent": 40.0, "want_percent": 40.0}
LUNCH = datetime(2026, 6, 3, 1, 13, tzinfo=UTC)
"""Wednesday 13:13; the departure at 14:50 is at 02:50 UTC."""


def at_home(soc: float = 35.0, **departure: object) -> World:
    world = World(household(departure=departure) if departure else household(), EVENING)
    world.read()
    world.plug_in(soc)
    return world


def wishes(world: World) -> tuple[Wish, ...]:
    return world.state.wishes.departures


def soc(world: World) -> float | None:
    return status_of(world.state, world.now, world.house).soc_percent


def test_a_wish_for_a_later_day_leaves_todays_need() -> None:
    """A need of 40 % at 14:50 is met although 100 % are asked for by a day later."""
    world = World(household(departure=AFTERNOONS), LUNCH)
    world.read()
    world.plug_in(30.0)
    world.ask(need_percent=100.0, by=LUNCH + 2 * DAY)
    assert world.state.plan is not None
    assert (world.state.plan.need_percent, world.state.plan.departure) == (
        40.0,
        LUNCH + 97 * MINUTE,
    )
    world.wait(LUNCH + 97 * MINUTE)
    assert soc(world) == pytest.approx(40.0, abs=0.3)


def test_a_wish_near_a_departure_replaces_its_target_once() -> None:
    """Half an hour after the usual departure: that departure is later, and the next is as ever."""
    world = at_home()
    by = LEAVES + 30 * MINUTE
    world.ask(need_percent=90.0, by=by)
    plan = world.state.plan
    assert plan is not None
    assert (plan.departure, plan.need_percent, plan.want_percent) == (by, 90.0, 90.0)
    world.wait(LEAVES + 5 * MINUTE)
    assert world.state.plan == plan
    world.wait(by + MINUTE)
    assert world.state.plan is not None
    assert (world.state.plan.departure, world.state.plan.need_percent) == (LEAVES + DAY, 60.0)


def test_the_replaced_target_does_not_return_after_an_earlier_instant() -> None:
    """A lower need by half an hour before the departure is the need of that morning."""
    world = at_home(35.0, need_percent=60.0, want_percent=60.0)
    by = LEAVES - 30 * MINUTE
    world.ask(need_percent=40.0, by=by)
    world.wait(by + MINUTE)
    assert world.state.plan is not None
    assert world.state.plan.departure == LEAVES + DAY
    world.wait(LEAVES + MINUTE)
    assert world.state.wishes == Wishes()


@pytest.mark.parametrize(
    ("apart", "adds"),
    [(60, False), (-60, False), (61, True), (-61, True), (0, False)],
)
def test_within_an_hour_is_the_same_departure(apart: int, adds: bool) -> None:  # noqa: FBT001
    """Exactly an hour still replaces; a minute more adds a departure."""
    world = at_home()
    world.ask(need_percent=50.0, by=LEAVES + apart * MINUTE)
    world.ask(need_percent=90.0)
    assert world.state.plan is not None
    assert len(wishes(world)) == (2 if apart == 61 else 1)
    first = LEAVES if apart == 61 else LEAVES + apart * MINUTE
    assert (world.state.plan.departure, world.state.plan.need_percent) == (first, 90.0)
    text = answer_of(world.state, world.now, world.house)
    assert ("one more departure" in text) is adds


def test_without_an_instant_it_is_for_the_next_departure_with_its_margin() -> None:
    """Charging is done 15 minutes before it, as for any departure of the file."""
    world = at_home(10.0)
    world.ask(need_percent=100.0)
    assert wishes(world) == (Wish("1", CAR, LEAVES, need_percent=100.0),)
    assert world.state.plan is not None
    assert world.state.night is not None
    assert world.state.night.departure is not None
    assert world.state.night.departure.ready_by == LEAVES - 15 * MINUTE


def test_the_limit_on_the_price_of_a_want_stays_with_a_need() -> None:
    """A need asked for raises the need; what lies beyond it is still bought in cheap hours only."""
    world = World(kowhai(), EVENING)
    world.read()
    world.plug_in(35.0)
    world.ask(need_percent=70.0)
    assert world.state.night is not None
    departure = world.state.night.departure
    assert departure is not None
    assert (departure.need_percent, departure.want_percent) == (70.0, 80.0)
    assert departure.max_rate is not None


def test_two_wishes_stand_side_by_side() -> None:
    """Each is listed, each is met on its day, and one is cancelled without the other."""
    world = at_home(35.0, returns="18:00", uses_kwh=5.0)
    first, second = LEAVES + 4 * HOUR, LEAVES + 2 * DAY
    world.ask(need_percent=90.0, by=second)
    world.ask(need_percent=75.0, by=first)
    listed = status_of(world.state, world.now, world.house).wishes
    assert [(wish.id, wish.vehicle, wish.by, wish.need_percent) for wish in listed] == [
        ("2", CAR, first, 75.0),
        ("1", CAR, second, 90.0),
    ]
    world.ask(remove="2")
    assert wishes(world) == (Wish("1", CAR, second, need_percent=90.0),)
    world.ask(clear=True)
    assert world.state.wishes == Wishes()


@pytest.mark.parametrize(
    ("asked", "name", "others"),
    [
        ({"charge_now": True}, "charge_now", ("1", "away_until")),
        ({"skip_until": LEAVES}, "skip_until", ("1", "away_until")),
        ({"skip_until": LEAVES}, "away_until", ("1", "skip_until")),
    ],
)
def test_each_wish_is_taken_back_alone(
    asked: dict[str, object], name: str, others: tuple[str, ...]
) -> None:
    """To charge at once, to wait and to be away end each by their own name; the others stay."""
    world = at_home()
    world.ask(need_percent=90.0, by=LEAVES + 2 * DAY)
    world.ask(away_until=LEAVES + DAY)
    world.ask(**asked)
    assert set(removable(world.state.wishes)) == {name, *others}
    world.ask(remove=name)
    assert removable(world.state.wishes) == others


def test_departures_before_a_wish_are_planned_together_with_it() -> None:
    """With the returns known, one plan reaches each departure's own target."""
    world = at_home(35.0, need_percent=60.0, want_percent=60.0, returns="18:00", uses_kwh=5.0)
    world.ask(need_percent=95.0, by=LEAVES + DAY)
    plan = world.state.plan
    assert plan is not None
    assert plan.reaches_percent == pytest.approx(60.0)
    assert plan.later[0].departure == LEAVES + DAY
    assert plan.later[0].reaches_percent == pytest.approx(95.0)
    assert answer_of(world.state, world.now, world.house).endswith(
        "by Thu 07:20. Thu 07:20 keeps its 60 %. For Fri 07:20, 95 % is needed once instead"
        " of 60 % (wish 1); the plan reaches 95 %."
    )


def test_a_wish_within_a_declared_trip_is_charged_in_the_night_before() -> None:
    """The file has it away from 07:20 to 18:10; whoever asks for 12:30 knows that it is there."""
    world = World(kowhai(), EVENING)
    world.read()
    world.plug_in(35.0)
    by = LEAVES + 5 * HOUR + 10 * MINUTE
    world.ask(need_percent=100.0, by=by)
    kept, added = figures_of(world.state, world.now, world.house)["departures"]
    assert (kept.effect, kept.need_percent) == ("kept", 60.0)
    assert (added.effect, added.reaches_percent, added.missing_kwh) == ("added", 100.0, None)
    answer = answer_of(world.state, world.now, world.house)
    assert answer.endswith(
        "Thu 12:30 is one more departure, with 100 % needed (wish 1), and until then it counts as"
        " there; the plan reaches 100 %."
    )
    world.wait(LEAVES)
    assert soc(world) == pytest.approx(100.0, abs=0.5)  # in the cheap hours, not from 07:20 on


def test_a_trip_that_begins_later_makes_no_pause_before_its_usual_departure() -> None:
    """It charges over 07:20 in one run, as a wish says that it stays, and needs all that time."""
    weak = {"charging_mode": 2, "max_amps": 10.0, "switching": "on_off"}
    house = household(point=weak, departure={"returns": "18:10"})
    world = World(house, EVENING)
    world.read()
    world.plug_in(26.0)
    world.ask(need_percent=100.0, by=LEAVES + 5 * HOUR)
    world.wait(LEAVES + HOUR, read_every=10 * MINUTE)
    assert world.doing() == ("start", 10.0)
    assert [at for at, do in world.switches() if do == "stop" and at > EVENING] == []


def test_a_second_wish_for_one_departure_changes_the_first() -> None:
    """What it names is new, the rest remains; where the two contradict, the later one counts."""
    world = at_home()
    world.ask(want_percent=90.0, need_percent=70.0)
    world.ask(want_percent=85.0)
    assert wishes(world) == (Wish("1", CAR, LEAVES, 70.0, 85.0),)
    world.ask(need_percent=95.0, by=LEAVES + 10 * MINUTE)
    assert wishes(world) == (Wish("1", CAR, LEAVES + 10 * MINUTE, 95.0, None),)
    world.ask(want_percent=50.0)
    assert wishes(world) == (Wish("1", CAR, LEAVES + 10 * MINUTE, None, 50.0),)


@pytest.mark.parametrize("apart", [1, 10, 50, 60, -1, -50])
def test_a_wish_for_another_instant_stands_beside_the_first(apart: int) -> None:
    """Away from the departures of the file, no wish takes the place of another."""
    world = at_home()
    noon = LEAVES + 5 * HOUR
    world.ask(need_percent=95.0, by=noon)
    world.ask(need_percent=60.0, by=noon + apart * MINUTE)
    assert set(wishes(world)) == {
        Wish("1", CAR, noon, 95.0),
        Wish("2", CAR, noon + apart * MINUTE, 60.0),
    }


@pytest.mark.parametrize(("need", "minutes_before"), [(90.0, [100]), (100.0, [61, 100])])
def test_a_wish_before_a_departure_takes_nothing_from_its_need(
    need: float, minutes_before: list[int]
) -> None:
    """Nothing says that the vehicle is away between them: all needs are planned together."""
    world = at_home(10.0, need_percent=need, want_percent=need)
    alone = world.state.plan
    assert alone is not None
    for minutes in minutes_before:
        world.ask(need_percent=65.0, by=LEAVES - minutes * MINUTE)
    plan = world.state.plan
    assert plan is not None
    assert plan.later[-1].departure == LEAVES
    assert plan.later[-1].reaches_percent == pytest.approx(need)
    assert plan.reaches_percent >= 65.0
    kwh = plan.energy_kwh + sum(night.energy_kwh for night in plan.later)
    assert kwh == pytest.approx(alone.energy_kwh)
    assert plan.cost + sum(night.cost for night in plan.later) == pytest.approx(alone.cost)
    world.wait(LEAVES)
    assert soc(world) == pytest.approx(need, abs=0.5)


def test_an_answer_says_what_a_later_need_will_miss() -> None:
    """A need at a departure after the next one can be out of reach, too."""
    world = at_home(10.0, need_percent=20.0, want_percent=20.0)
    world.ask(need_percent=30.0, by=EVENING + 3 * HOUR)
    world.ask(need_percent=100.0, by=EVENING + 4 * HOUR)
    effects = figures_of(world.state, world.now, world.house)["departures"]
    missing = {effect.departure: effect.missing_kwh for effect in effects}
    assert not missing[EVENING + 3 * HOUR]
    kwh = missing[EVENING + 4 * HOUR]
    assert kwh is not None
    text = answer_of(world.state, world.now, world.house)
    # Only the margin before the last of them is kept until it is the next.
    assert f"it can only reach 60 %: {kwh:.1f} kWh will be missing." in text
    world.wait(EVENING + 4 * HOUR)
    assert soc(world) == pytest.approx(10.0 + 4 * 32 * 0.23 * 0.9 * 2, abs=0.5), "63 %"


def test_an_answer_says_what_a_wish_for_the_same_instant_replaces() -> None:
    """A minute is the same instant: seconds pass between two requests for "in 6min"."""
    world = at_home()
    noon = LEAVES + 5 * HOUR
    world.ask(need_percent=95.0, by=noon)
    before, later = world.state, noon + MINUTE / 2
    world.ask(need_percent=60.0, by=later)
    assert wishes(world) == (Wish("1", CAR, later, 60.0),)
    request = Request(need_percent=60.0, by=later)
    text = answer_of(world.state, world.now, world.house, request, before)
    assert text.startswith("The need of wish 1 is now 60 % instead of 95 %. ")


@pytest.mark.parametrize(
    ("first", "second", "said"),
    [
        ({"skip_until": LEAVES}, {"charge_now": True}, "Waiting until Thu 07:20 is cancelled. "),
        ({"charge_now": True}, {"skip_until": LEAVES}, "Charging at once is cancelled. "),
        ({"charge_now": True}, {"stop": True}, "Charging at once is cancelled. "),
        ({"skip_until": LEAVES}, {"charge_now": True, "clear": True}, "All earlier requests are"),
    ],
)
def test_an_answer_says_which_of_waiting_and_charging_at_once_has_ended(
    first: dict[str, object], second: dict[str, object], said: str
) -> None:
    """One ends the other; asked for alone or again, it ends nothing."""
    world = at_home()
    text = ""
    for asked in (first, second, second):
        before = world.state
        world.ask(**asked)
        request = Request.model_validate(asked)
        answer = answer_of(world.state, world.now, world.house, request, before)
        if before.wishes != world.state.wishes and asked is second:
            text = answer
        else:
            assert " is cancelled." not in answer
    assert text.startswith(said)
    assert text.count("cancelled") == 1


@pytest.mark.parametrize("ends", [{"clear": True}, {"remove": "1"}])
def test_a_new_wish_is_no_change_of_one_that_the_same_request_cancels(
    ends: dict[str, object],
) -> None:
    """It may have the same id."""
    world = at_home()
    world.ask(need_percent=95.0, by=LEAVES)
    before, asked = world.state, {"need_percent": 60.0, "by": LEAVES + 5 * HOUR, **ends}
    world.ask(**asked)
    request = Request.model_validate(asked)
    text = answer_of(world.state, world.now, world.house, request, before)
    assert "cancelled" in text
    assert "is now" not in text


def test_an_answer_says_to_which_instant_a_wish_moves_a_departure() -> None:
    """Within an hour of one departure of the file, the later of two wishes counts."""
    world = at_home()
    world.ask(want_percent=95.0, by=LEAVES)
    before, later = world.state, LEAVES + 37 * MINUTE
    world.ask(want_percent=90.0, by=later)
    assert [wish.by for wish in wishes(world)] == [later]
    request = Request(want_percent=90.0, by=later)
    text = answer_of(world.state, world.now, world.house, request, before)
    assert text.startswith(
        "Wish 1 is now for Thu 07:57 instead of Thu 07:20."
        " The want of wish 1 is now 90 % instead of 95 %. "
    )


def test_a_wish_belongs_to_its_vehicle() -> None:
    """It waits while another vehicle is plugged in, and counts when its own one is back."""
    world = World(household(more_vehicles=VAN), EVENING)
    world.read()
    world.plug_in(30.0)
    world.ask(need_percent=90.0)
    world.ask(vehicle="van", soc_percent=50.0, need_percent=80.0, by=LEAVES + 3 * DAY)
    assert world.state.plan is not None
    assert (world.state.plan.vehicle, world.state.plan.need_percent) == ("van", 80.0)
    world.ask(vehicle=CAR, soc_percent=30.0)
    assert world.state.plan is not None
    assert (world.state.plan.vehicle, world.state.plan.need_percent) == (CAR, 90.0)
    assert [wish.vehicle for wish in wishes(world)] == [CAR, "van"]


def test_a_wish_of_an_absent_vehicle_ends_at_its_instant() -> None:
    """Nothing but time passes."""
    world = World(household(), EVENING)
    world.ask(need_percent=100.0, by=EVENING + 3 * HOUR)
    world.wait(EVENING + 3 * HOUR, read_every=None)
    world.wait(EVENING + 3 * HOUR + MINUTE)
    assert status_of(world.state, world.now, world.house).wishes == ()
    assert world.state.wishes == Wishes()


def test_skipping_outlasts_a_departure_before_its_end() -> None:
    """An instant that a person gave is not forgotten at a departure before it."""
    world = at_home()
    until = LEAVES + 3 * HOUR
    world.ask(skip_until=until)
    world.wait(LEAVES + MINUTE)
    assert world.state.wishes.skip_until == until
    world.wait(until + MINUTE)
    assert world.state.wishes == Wishes()


def test_skipping_raises_no_alert_about_the_need() -> None:
    """Who asks to skip knows; an alert in force is cleared, and returns after the skipping."""
    world = at_home(5.0, need_percent=100.0, want_percent=100.0)
    world.ask(need_percent=100.0, by=EVENING + HOUR)
    assert world.state.alerts == {"need-out-of-reach"}
    until = EVENING + HOUR // 2
    world.ask(skip_until=until)
    world.wait(until - MINUTE)
    assert world.state.alerts == frozenset()
    assert world.warned() == ["need-out-of-reach"]
    world.wait(until + MINUTE)
    assert world.warned() == ["need-out-of-reach", "need-out-of-reach"]


def test_a_departure_passes_while_skipping_without_an_alert() -> None:
    """Nothing is charged and nothing warned of until the skipping ends."""
    world = at_home()
    world.ask(skip_until=LEAVES + 3 * HOUR)
    world.wait(LEAVES + 2 * HOUR)
    assert world.warned() == []
    assert world.switches()[-1] == (EVENING, "stop")


def test_a_stop_ends_when_the_next_departure_has_passed() -> None:
    """Nothing is charged before it, nothing is warned of, and the night after is charged again."""
    world = at_home()
    world.ask(stop=True)
    assert world.state.wishes.skip_until == LEAVES
    world.wait(LEAVES - MINUTE)
    assert (world.doing()[0], world.warned()) == ("stop", [])
    assert max(at for at, _ in world.switches()) == EVENING
    world.wait(LEAVES + MINUTE)
    assert world.state.wishes == Wishes()
    assert world.state.plan is not None
    assert world.state.plan.departure == LEAVES + DAY


def test_a_stop_ends_at_a_departure_that_a_wish_adds() -> None:
    """The next departure is the one that comes next, whoever asked for it."""
    world = at_home()
    world.ask(need_percent=60.0, by=EVENING + 3 * HOUR)
    world.ask(stop=True)
    assert world.state.wishes.skip_until == EVENING + 3 * HOUR


def test_a_stop_takes_back_charging_now() -> None:
    world = at_home()
    world.ask(charge_now=True)
    world.ask(stop=True)
    assert (world.state.wishes.charge_now, world.doing()[0]) == (False, "stop")


def test_no_departure_in_the_time_away_counts() -> None:
    """Needs before its end are not bought for; at its very end a departure counts again."""
    world = at_home()
    world.ask(away_until=LEAVES + 24 * HOUR)
    assert world.state.plan is not None
    assert world.state.plan.departure == LEAVES + 24 * HOUR
    world.wait(LEAVES + HOUR)
    assert world.warned() == []
    assert world.state.wishes.away_until == LEAVES + 24 * HOUR
    world.wait(LEAVES + 24 * HOUR - MINUTE)
    assert world.state.plan is not None
    assert (soc(world) or 0.0) >= 60.0
    world.wait(LEAVES + 24 * HOUR + MINUTE)
    assert world.state.wishes == Wishes()


def _began_to_charge(world: World) -> datetime:
    plan = world.state.plan
    assert plan is not None
    return plan.periods[0].start


def test_a_vehicle_that_stays_at_home_waits_for_the_last_nights_of_a_time_away() -> None:
    """Its battery is not kept full for two weeks, and a night with a fault can be made up for."""
    world = at_home()
    world.ask(away_until=LEAVES + 13 * DAY)
    back = LEAVES + 13 * DAY
    assert _began_to_charge(world) == back - 15 * MINUTE - 3 * DAY
    why = " ".join(world.state.plan.why) if world.state.plan else ""
    assert "charging waits for the last 3 days before Wed 17 Jun 07:20" in why
    assert f"{world.doing()[0]}" == "stop"
    world.ask(remove="away_until")
    assert _began_to_charge(world) == EVENING


def test_a_time_away_in_which_the_last_nights_are_too_short() -> None:
    """A need that takes longer than three days of charging begins sooner."""
    house = household(
        point={"charging_mode": 2, "max_amps": 6.0},
        vehicle={"usable_kwh": 120.0},
        departure={"need_percent": 100.0, "want_percent": 100.0},
    )
    world = World(house, EVENING)
    world.read()
    world.plug_in(0.0)
    world.ask(away_until=LEAVES + 13 * DAY)
    assert _began_to_charge(world) < LEAVES + 9 * DAY


def test_charging_now_does_not_wait_while_away() -> None:
    """Whoever asks for both is obeyed in both."""
    world = at_home()
    world.ask(away_until=LEAVES + 13 * DAY)
    world.ask(charge_now=True)
    assert world.doing()[0] == "start"


def test_no_alert_while_away() -> None:
    """A need that is out of reach is said in the answer, and warned of once the time is over."""
    world = at_home(5.0)
    back = LEAVES - HOUR
    world.ask(away_until=back, soc_percent=5.0)
    world.ask(skip_until=back)
    world.wait(back - MINUTE)
    assert world.warned() == []
    world.wait(back + MINUTE)
    assert world.warned() == ["need-out-of-reach"]


def test_a_wish_without_an_instant_is_for_the_first_departure_after_the_time_away() -> None:
    world = at_home()
    world.ask(away_until=LEAVES + 2 * HOUR)
    world.ask(need_percent=75.0)
    [wish] = world.state.wishes.departures
    assert wish.by == LEAVES + 24 * HOUR


def test_a_wish_without_any_departure_needs_an_instant() -> None:
    """Where no departure is declared, a wish without an instant is for nothing."""
    world = World(household(departure={}), EVENING)
    world.read()
    world.plug_in(35.0)
    world.ask(need_percent=80.0)
    assert wishes(world) == ()
    world.ask(need_percent=80.0, by=LEAVES)
    assert world.state.plan is not None
    assert (world.state.plan.need_percent, world.state.plan.want_percent) == (80.0, 80.0)


def test_an_answer_without_a_vehicle_names_the_departures() -> None:
    """Who asks before plugging in is told what is understood."""
    world = World(household(), EVENING)
    world.ask(need_percent=100.0, by=LEAVES + 5 * HOUR)
    assert answer_of(world.state, world.now, world.house) == (
        "No vehicle is plugged in at driveway. Your request counts once one is. Thu 07:20 keeps its"
        " 60 %. Thu 12:20 is one more departure, with 100 % needed (wish 1)."
    )


def test_a_far_wish_names_the_first_departures_and_counts_the_rest() -> None:
    """Ten days ahead: three departures by name, the wish, and how many lie between."""
    world = at_home()
    world.ask(need_percent=100.0, by=LEAVES + 10 * DAY)
    text = answer_of(world.state, world.now, world.house)
    assert text.endswith("Before Sun 14 Jun 2026 07:20, 7 more departures stay as they are.")
    assert text.count("keeps its 60 %") == 3


def test_an_answer_names_the_wishes_in_the_time_away() -> None:
    """A wish for a day that a person is away on does not count; nobody finds out later."""
    world = at_home()
    world.ask(need_percent=90.0, by=LEAVES + DAY)
    before, request = world.state, Request(away_until=LEAVES + 2 * DAY)
    world.ask(away_until=LEAVES + 2 * DAY)
    text = answer_of(world.state, world.now, world.house, request, before)
    assert text.startswith("Wish 1, for Fri 07:20, is in the time away and does not count. ")


def test_a_preview_for_a_vehicle_to_come_keeps_to_what_the_home_leaves() -> None:
    """The live load leaves 12 A of the main fuse: that is what charging at once would take."""
    left = LeftByLoad(12.0, {POINT: 1.0}, load_amps=51.0)
    house = replace(kowhai(), left_by_load=(left,))
    asked = PersonAsked(Request(id="p", charge_now=True, preview=True))
    command = preview(PointState(POINT), asked, EVENING, house).command
    assert command is not None
    assert (command.do, command.amps) == ("start", 12.0)
