"""Answers to a person's request: what happens now, or why it is refused."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from adapters.contract.messages import Answer, DepartureEffect, MalformedMessage, Request
from adapters.contract.refusals import (
    HAS_PASSED,
    IN_TIME_AWAY,
    MALFORMED,
    NO_DEPARTURE,
    UNKNOWN_VEHICLE,
    UNKNOWN_WISH,
    Refusal,
)
from daemon.control.controller import preview
from daemon.control.events import PersonAsked
from daemon.control.state import Allotment
from daemon.messaging.answering import answer_of, preview_of, refusal_by_state, refusal_of
from daemon.messaging.inbox import Inbox, RequestRefused
from daemon.messaging.outlook import figures_of
from daemon.service.house_loading import load_house
from tests.daemon.worlds import (
    EVENING,
    HOUR,
    KOWHAI,
    LEAVES,
    MINUTE,
    NIGHT_BEGINS,
    POINT,
    World,
    arrived,
    household,
    kowhai,
    topics_of,
    utc,
)

if TYPE_CHECKING:
    from adapters.ledger.ledger import Ledger
    from config.household.household_file import HouseholdFile
    from daemon.control.state import PointState
    from planners.plan.plan import LaterNight, Plan

TOPIC = topics_of(kowhai()).request(POINT)
VAN = {"van": {"charge_point": POINT, "usable_kwh": 100.0, "everyday_limit_percent": 90.0}}


def at_home(soc: float = 35.0) -> World:
    world = World(kowhai(), EVENING)
    world.read()
    world.plug_in(soc)
    return world


def answer(world: World) -> str:
    return answer_of(world.state, world.now, world.house)


def test_a_target() -> None:
    """The answer has the next start, the energy, the cost, and what the battery reaches when."""
    world = at_home()
    world.ask(want_percent=90.0)
    # 28.6 kWh of 52 at 90 % are 31.78 kWh at the meter; at 0.1932 they cost 6.14.
    assert answer(world) == (
        "The next start is Wed 21:00. The plan takes 31.78 kWh for NZD 6.14 and reaches 90 % by"
        " Thu 07:20. For Thu 07:20, 90 % is wanted once instead of 80 % (wish 1), at any price: the"
        " file's limit of 0.2 NZD per kWh does not hold for it."
    )


def test_charge_now() -> None:
    """A charge that starts at once is answered with its current."""
    world = at_home()
    world.ask(charge_now=True)
    # 23.4 kWh of 52 at 90 % are 26 kWh; 2 h 30 min of 7.36 kW are at 0.4738, the rest at 0.1932.
    assert answer(world) == (
        "Charges now at 32 A: a person asked to charge now. It takes 26.00 kWh for NZD 10.19 and"
        " reaches 80 % at Wed 22:02."
    )


def test_skip() -> None:
    """The answer says until when nothing is charged, and when it starts after that."""
    world = at_home()
    world.ask(skip_until=NIGHT_BEGINS + HOUR)
    text = answer(world)
    assert text.startswith("Nothing is charged before Wed 22:00. The next start is Wed 22:00.")


def test_skipping_past_the_departure() -> None:
    """The answer says what will be missing at the departure, instead of calling it enough."""
    world = at_home()
    world.ask(skip_until=LEAVES + HOUR)
    # From 35 to 60 % of 52 kWh are 13 kWh in the battery, and 14.4 kWh at the meter.
    assert answer(world) == (
        "Does not charge: a person asked to skip this. Nothing is charged before Thu 08:20. The"
        " battery holds 35 %; 14.4 kWh will be missing for the 60 % needed by Thu 07:20."
    )


def test_skipping_past_several_departures() -> None:
    """Each of them is named, a person's own wish too, and none is said to be planned later."""
    world = at_home()
    world.ask(skip_until=LEAVES + 25 * HOUR)
    assert "Nothing is charged before Fri 08:20, and nothing for Fri 07:20 either." in answer(world)
    world.ask(need_percent=100.0, by=LEAVES + 6 * HOUR)
    text = answer(world)
    assert "and nothing for Thu 13:20 and Fri 07:20 either." in text
    # 65 % of 52 kWh are 33.8 kWh in the battery, 37.6 kWh at the meter. Friday's need was told
    # when the pause was asked for, less the trip of Thursday.
    lacks = "until then it counts as there; nothing is charged before it: 37.6 kWh will be missing."
    assert f"with 100 % needed (wish 1), and {lacks}" in text
    assert "planned later" not in text


def test_a_wish_soon_after_a_pause() -> None:
    """The answer says what will be missing at the least, though the night is not planned yet."""
    world = World(household(vehicle={"usable_kwh": 52.0}), EVENING)
    world.read()
    world.plug_in(35.0)
    world.ask(skip_until=LEAVES + HOUR)
    world.ask(need_percent=100.0, by=LEAVES + 3 * HOUR)
    # Two hours of 7.36 kW bring 13.2 of 52 kWh; the other 20.6 are 22.8 at the meter.
    assert answer(world).endswith(
        "Thu 10:20 is one more departure, with 100 % needed (wish 1); it is planned later, but it"
        " can reach 60 % at the most: at least 22.8 kWh will be missing."
    )
    told = figures_of(world.state, world.now, world.house)["departures"][-1]
    assert (told.reaches_percent, told.missing_kwh) == (None, pytest.approx(22.835, abs=0.01))


def test_a_wish_soon_after_a_departure_of_which_no_return_is_known() -> None:
    """Nothing is charged for it before that departure: what it can reach counts from there."""
    world = World(household(vehicle={"usable_kwh": 104.0}), EVENING)
    world.read()
    world.plug_in(35.0)
    world.ask(need_percent=100.0, by=LEAVES + 2 * HOUR)
    # It leaves with 80 %. Two hours of 7.36 kW bring 13.2 of 104 kWh.
    assert answer(world).endswith(
        "Thu 09:20 is one more departure, with 100 % needed (wish 1); it is planned later, but it"
        " can reach 93 % at the most: at least 8.4 kWh will be missing."
    )


def test_a_wish_that_is_not_planned_yet_may_have_the_whole_fuse() -> None:
    """Its fixed part of the fuse is not the most that it can get: the other car may be gone."""
    house = load_house(KOWHAI.with_name("two-cars.yaml"))
    world = World(house, EVENING)
    world.read()
    world.plug_in(40.0)
    leaves = LEAVES - 70 * MINUTE
    world.ask(need_percent=100.0, by=leaves + 75 * MINUTE)
    # It leaves with 80 %. At 32 A, 75 minutes bring 8.3 of 52 kWh.
    assert "it can reach 96 % at the most: at least 2.4 kWh will be missing." in answer(world)


def test_who_needs_all_that_they_want_is_told_what_is_needed() -> None:
    """The same figure for both is a need, and not only wanted."""
    world = at_home()
    world.ask(need_percent=90.0, want_percent=90.0)
    assert "For Thu 07:20, 90 % is needed once instead of 60 % (wish 1)" in answer(world)


def test_skipping_most_of_the_night() -> None:
    """What can still be charged is planned, and the answer says what will be missing then."""
    world = at_home(10.0)
    world.ask(skip_until=LEAVES - 2 * HOUR)
    assert "That is short of the 60 % needed." in answer(world)
    assert answer(world).endswith(" kWh will be missing.")


def test_no_vehicle() -> None:
    """Without a vehicle the answer says that the request waits for one."""
    world = World(kowhai(), EVENING)
    world.ask(want_percent=90.0)
    assert answer(world) == (
        "No vehicle is plugged in at driveway. Your request counts once one is. For Thu 07:20, 90 %"
        " is wanted once instead of 80 % (wish 1), at any price: the file's limit of 0.2 NZD per"
        " kWh does not hold for it."
    )


def test_nothing_to_do() -> None:
    """A battery that holds enough is not charged, and the answer says so."""
    world = at_home(85.0)
    world.ask(need_percent=60.0)
    assert answer(world) == (
        "Does not charge: the plan has nothing more to charge. The battery holds 85 %, which is"
        " enough for Thu 07:20. For Thu 07:20, 60 % is needed (wish 1)."
    )


def test_too_late() -> None:
    """If there is too little time, the answer says what is missing."""
    world = at_home(10.0)
    world.ask(need_percent=100.0, want_percent=100.0, by=EVENING + HOUR)
    assert "That is short of the 100 % needed." in answer(world)


def test_no_departure() -> None:
    """Without a departure to plan for, the answer says that nothing is planned."""
    world = World(household(departure={}), EVENING)
    world.plug_in(35.0)
    world.ask(soc_percent=40.0)
    assert answer(world) == "Does not charge: nothing is planned."


def test_a_wish_that_is_cancelled() -> None:
    """The answer names it; one that is not there can't be cancelled."""
    world = at_home()
    world.ask(want_percent=90.0)
    request = Request(remove="1")
    assert refusal_by_state(request, world.state, world.now, world.house) is None
    before = world.state
    world.ask(remove="1")
    text = answer_of(world.state, world.now, world.house, request, before)
    assert text.startswith("Wish 1 is cancelled. ")
    assert "reaches 80 %" in text
    why = refusal_by_state(request, world.state, world.now, world.house)
    assert why == Refusal(UNKNOWN_WISH, "remove: there are no wishes, so none is named '1'")


@pytest.mark.parametrize(
    ("wish", "name", "said"),
    [
        (Request(charge_now=True), "charge_now", "Charging at once is cancelled. "),
        (Request(skip_until=LEAVES), "skip_until", "Waiting until Thu 07:20 is cancelled. "),
        (
            Request(away_until=LEAVES),
            "away_until",
            "The time away until Thu 07:20 is cancelled. ",
        ),
    ],
)
def test_a_wish_without_an_id_is_cancelled_by_its_name(wish: Request, name: str, said: str) -> None:
    """The answer says which; if it is not in force, the request is refused."""
    world = at_home()
    request = Request(remove=name)
    why = refusal_by_state(request, world.state, world.now, world.house)
    assert why == Refusal(UNKNOWN_WISH, f"remove: there are no wishes, so none is named '{name}'")
    world.ask(**wish.model_dump(exclude_none=True, exclude={"v"}))
    before = world.state
    world.ask(remove=name)
    assert refusal_by_state(request, before, world.now, world.house) is None
    assert answer_of(world.state, world.now, world.house, request, before).startswith(said)


@pytest.mark.parametrize(
    ("first", "then", "said"),
    [
        (Request(need_percent=100.0), Request(want_percent=90.0), "The need of 100 % of wish 1"),
        (Request(want_percent=60.0), Request(need_percent=90.0), "The want of 60 % of wish 1"),
    ],
)
def test_a_wish_that_contradicts_an_earlier_one_says_what_no_longer_holds(
    first: Request, then: Request, said: str
) -> None:
    """The later one counts, and nobody finds out only in the morning."""
    world = at_home()
    world.ask(**first.model_dump(exclude_unset=True))
    before = world.state
    after = preview(before, PersonAsked(then), world.now, world.house)
    shown = preview_of(then, before, after, world.now, world.house)
    assert shown.startswith(f"Preview: nothing has changed. {said} no longer holds. ")
    world.ask(**then.model_dump(exclude_unset=True))
    text = answer_of(world.state, world.now, world.house, then, before)
    assert text.startswith(f"{said} no longer holds. ")
    again = answer_of(world.state, world.now, world.house, then, world.state)
    assert "no longer holds" not in again


@pytest.mark.parametrize(
    ("minutes", "asked", "said"),
    [
        (0, 50.0, "The vehicle itself reported 40 % just now: its next report replaces what you"),
        (9, 50.0, "The vehicle itself reported 40 % 9 min ago: its next report replaces what you"),
        (9, 40.4, None),
        (20, 50.0, None),
    ],
)
def test_a_state_of_charge_beside_the_vehicles_own(
    minutes: int, asked: float, said: str | None
) -> None:
    """A vehicle that reports would soon overrule the person: the answer says so."""
    world = at_home(40.0)
    world.wait(EVENING + minutes * MINUTE)
    before, request = world.state, Request(soc_percent=asked)
    world.ask(soc_percent=asked)
    text = answer_of(world.state, world.now, world.house, request, before)
    assert text.startswith(said) if said else "itself reported" not in text


def test_a_stop_says_until_when_and_what_will_be_missing() -> None:
    """Until the departure has passed nothing is charged."""
    world = at_home()
    world.ask(stop=True)
    text = answer(world)
    assert "Nothing is charged before Thu 07:20." in text
    assert "kWh will be missing for the 60 % needed by Thu 07:20." in text


def test_time_away_is_said_whether_or_not_a_vehicle_is_there() -> None:
    """The next departure is the first after it; at its very end it counts."""
    world = at_home()
    world.ask(away_until=LEAVES + 24 * HOUR)
    assert answer(world).startswith("Away until Fri 07:20: no departure before that counts. ")
    assert "by Fri 07:20" in answer(world)
    world.unplug()
    assert answer(world).startswith("Away until Fri 07:20: no departure before that counts. No")


@pytest.mark.parametrize(
    ("asked", "body", "why"),
    [
        ({}, {"stop": True}, None),
        (
            {"away_until": LEAVES + 24 * HOUR},
            {"need_percent": 90.0, "by": LEAVES},
            "by: Thu 07:20 is in the time away, which ends Fri 07:20",
        ),
        (
            {"away_until": LEAVES + 24 * HOUR},
            {"need_percent": 90.0, "by": LEAVES + 24 * HOUR},
            None,
        ),
        (
            {"away_until": LEAVES + 24 * HOUR},
            {"clear": True, "need_percent": 90.0, "by": LEAVES},
            None,
        ),
    ],
)
def test_a_wish_in_the_time_away_is_refused(
    asked: dict[str, object], body: dict[str, object], why: str | None
) -> None:
    world = at_home()
    if asked:
        world.ask(**asked)
    request = Request.model_validate(body)
    refused = refusal_by_state(request, world.state, world.now, world.house)
    assert refused == (None if why is None else Refusal(IN_TIME_AWAY, why))


def test_a_stop_without_any_departure_is_refused() -> None:
    """Nobody knows until when."""
    world = World(household(departure={}), EVENING)
    why = refusal_by_state(Request(stop=True), world.state, world.now, world.house)
    assert why == Refusal(
        NO_DEPARTURE, "stop: no departure is declared; say until when with skip_until"
    )


@pytest.mark.parametrize(
    ("body", "why"),
    [
        ({"want_percent": 90.0, "by": LEAVES}, None),
        ({"vehicle": "hatchback"}, None),
        ({"vehicle": "van"}, "vehicle: expected one of hatchback, got 'van'"),
        ({"want_percent": 90.0, "by": EVENING}, "by: 2026-06-03 18:30 has passed"),
        ({"skip_until": EVENING - MINUTE}, "skip_until: 2026-06-03 18:29 has passed"),
        ({"away_until": EVENING - MINUTE}, "away_until: 2026-06-03 18:29 has passed"),
    ],
)
def test_impossible_requests_are_refused(body: dict[str, object], why: str | None) -> None:
    """A vehicle of another charge point, or an instant that has passed."""
    refused = refusal_of(Request.model_validate(body), POINT, EVENING, kowhai())
    code = UNKNOWN_VEHICLE if "vehicle" in body else HAS_PASSED
    assert refused == (None if why is None else Refusal(code, why))


def test_a_refused_request_is_not_stored(ledger: Ledger) -> None:
    """It must not count after a restart; without an id it is obeyed as far as possible."""
    inbox = Inbox(topics_of(kowhai()), [POINT], ledger)
    request = Request(id="7", vehicle="van")
    received = inbox.receive(arrived(TOPIC, request), EVENING, kowhai())
    why = Refusal(UNKNOWN_VEHICLE, "vehicle: expected one of hatchback, got 'van'")
    assert received == RequestRefused(POINT, "7", why)
    assert ledger.requests_since(POINT, EVENING) == ()
    assert inbox.receive(arrived(TOPIC, Request(vehicle="van")), EVENING, kowhai()) is not None
    assert len(ledger.requests_since(POINT, EVENING)) == 1


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (b'{"v":1,"id":"7","want_percent":101}', "want_percent: Input should be less than"),
        (b'{"v":1,"id":"7","wants":80}', "wants: Extra inputs are not permitted"),
        (b'{"v":1,"id":"7"}', "a request asks for something"),
        (b'{"v":1,"id":"7","want_percent":40,"need_percent":50}', "want_percent is below need"),
    ],
)
def test_a_malformed_request_with_an_id_is_answered(
    ledger: Ledger, payload: bytes, why: str
) -> None:
    """The answer names what is wrong."""
    inbox = Inbox(topics_of(kowhai()), [POINT], ledger)
    received = inbox.receive(arrived(TOPIC, payload), EVENING, kowhai())
    assert isinstance(received, RequestRefused)
    assert received.id == "7"
    assert received.why.code == MALFORMED
    assert why in received.why.reason


@pytest.mark.parametrize(
    "payload",
    [
        b'{"v":1,"want_percent":101}',
        b'{"v":1,"id":7,"want_percent":101}',
        b'{"v":1,"id":"","want_percent":80}',
        b'{"v":1,"id":"' + b"x" * 65 + b'","want_percent":80}',
        b'{"id":"7"',
        b'["id","7"]',
        b"[" * 20_000,
    ],
)
def test_a_malformed_request_of_nobody_is_not_answered(ledger: Ledger, payload: bytes) -> None:
    """Without an id that can be read there is nobody to answer."""
    inbox = Inbox(topics_of(kowhai()), [POINT], ledger)
    with pytest.raises(MalformedMessage):
        inbox.receive(arrived(TOPIC, payload), EVENING, kowhai())


# --- figures and previews -----------------------------------------------------------------------


def figures(world: World) -> Answer:
    made = figures_of(world.state, world.now, world.house)
    return Answer(id="7", at=world.now, understood=True, message="", **made)


def test_an_answer_carries_its_figures() -> None:
    """Energy, cost and end of the plan, and what is asked of the departure."""
    world = at_home()
    world.ask(want_percent=90.0)
    made = figures(world)
    assert (made.vehicle, made.currency) == ("hatchback", "NZD")
    assert (made.energy_kwh, made.cost) == (31.778, 6.139467)
    assert world.state.plan is not None
    assert made.ends_at == world.state.plan.periods[-1].end
    assert made.departures == (
        DepartureEffect(
            departure=LEAVES, effect="changed", need_percent=60.0, want_percent=90.0,
            reaches_percent=90.0, wish="1", energy_kwh=31.778, cost=6.139467,
            starts_at=world.state.plan.periods[0].start, ends_at=made.ends_at,
        ),
    )  # fmt: skip


def test_a_departure_without_a_wish_is_kept() -> None:
    """The next departure is listed as the file has it, with its highest rate."""
    [kept] = figures(at_home()).departures or ()
    assert (kept.effect, kept.wish, kept.max_rate) == ("kept", None, Decimal("0.2"))


def test_an_added_departure_and_what_is_missing() -> None:
    """A departure that a wish adds is named so; a need out of reach says how much is missing."""
    world = at_home(5.0)
    soon = EVENING + 2 * HOUR
    world.ask(need_percent=100.0, by=soon)
    first, *_ = figures(world).departures or ()
    assert (first.departure, first.effect, first.wish) == (soon, "added", "1")
    assert first.missing_kwh is not None
    assert first.missing_kwh > 30
    assert first.reaches_percent is not None
    assert first.reaches_percent < 50


def test_a_vehicle_that_stays_past_its_wish_goes_on() -> None:
    """The answer says so, in figures and in words: it is charged for up to an hour more."""
    world, soon = at_home(5.0), EVENING + HOUR
    world.ask(need_percent=100.0, by=soon)
    first, *_ = figures(world).departures or ()
    assert first.goes_on_until == soon + HOUR
    assert first.goes_on_cost == pytest.approx(7.36 * 0.4738, abs=0.01)
    text = answer(world)
    assert "If it is still there then, charging goes on until Wed 20:30 at the latest." in text
    assert first.goes_on_kwh == pytest.approx(7.36, abs=0.01)
    assert "That would be 7.36 kWh more for NZD 3.49 at the most." in text
    world.ask(need_percent=10.0, by=soon)
    assert "If it is still there" not in answer(world)


def test_a_wish_while_charging_goes_on_after_a_departure_says_what_is_missing() -> None:
    """Nothing is planned in that hour; 40 minutes at 7.36 kW are 4.9 kWh."""
    world, soon = at_home(5.0), EVENING + HOUR
    world.ask(need_percent=100.0, by=soon)
    world.wait(soon + MINUTE)
    assert world.state.plan is None
    world.ask(need_percent=99.0, by=soon + 40 * MINUTE)
    found = figures(world).departures or ()
    (wished,) = (each for each in found if each.departure == soon + 40 * MINUTE)
    assert wished.missing_kwh is not None
    assert wished.missing_kwh > 30
    text = answer(world)
    assert "% at the most: at least" in text
    assert "planned later" not in text


def test_a_later_departure_that_is_missed_counts_the_hour_after_it_too() -> None:
    """It will be charged until it leaves and an hour longer, as the next one would be."""
    world, late = at_home(5.0), LEAVES + 2 * HOUR
    soon = replace(world.house, file=with_amps(world.house.file, 10.0))
    world = replace(world, house=soon)
    world.ask(need_percent=100.0, by=late)
    _kept, added = figures(world).departures or ()
    assert added.departure == late
    assert added.missing_kwh is not None
    assert added.goes_on_until == late + HOUR
    assert added.goes_on_kwh == pytest.approx(2.3, abs=0.01)
    assert "Thu 10:20 at the latest. That would be 2.30 kWh more for NZD 1.09 at the" in answer(
        world
    )


def with_amps(file: HouseholdFile, amps: float) -> HouseholdFile:
    point = file.charge_points[POINT].model_copy(update={"max_amps": amps})
    return file.model_copy(update={"charge_points": {POINT: point}})


def test_a_departure_has_all_that_is_charged_until_it() -> None:
    """A trip in three days: its own hours, and the energy and cost of all nights up to it."""
    world = at_home()
    world.ask(need_percent=100.0, by=LEAVES + 48 * HOUR)
    plan = world.state.plan
    assert plan is not None
    nights: list[Plan | LaterNight] = [plan, *plan.later]
    trip = (figures(world).departures or ())[2]
    assert trip.departure == nights[2].departure == LEAVES + 48 * HOUR
    assert trip.energy_kwh == round(sum(night.energy_kwh for night in nights[:3]), 3)
    assert trip.cost == round(sum(night.cost for night in nights[:3]), 6)
    assert trip.starts_at == nights[2].periods[0].start


def test_behind_a_shared_fuse_only_the_next_departure_is_planned() -> None:
    """The plan for the whole home reaches no further; nothing is said to be short after it."""
    world = at_home()
    world.ask(need_percent=100.0, by=LEAVES + 48 * HOUR)
    shared = replace(world.house, allot=lambda _state, _now: Allotment(is_joint=True))
    first, second, *_ = figures_of(world.state, world.now, shared)["departures"]
    assert (first.energy_kwh is None, second.energy_kwh, second.reaches_percent) == (
        False, None, None,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("away_days", "said"),
    [
        (13, "until Sun 14 Jun 2026 21:00, 3 nights before you leave."),
        (1, "until Wed 21:00, 2 nights before you leave."),
        (0, "until Wed 21:00, in the night before you leave."),
    ],
)
def test_an_answer_says_when_it_charges_for_a_return(away_days: int, said: str) -> None:
    """While a person is away: in the last three nights, or as many as there are."""
    world = at_home()
    world.ask(away_until=LEAVES + away_days * 24 * HOUR)
    assert f"Charging waits {said}" in answer(world)


def test_without_a_plan_there_are_no_figures() -> None:
    """No energy and no cost are made up where nothing is planned."""
    world = World(kowhai(), EVENING)
    world.ask(want_percent=90.0)
    made = figures(world)
    assert (made.energy_kwh, made.cost, made.ends_at, made.currency) == (None, None, None, None)


def foresee(world: World, **wish: object) -> tuple[PointState, str]:
    event = PersonAsked(Request.model_validate({"id": "7", "preview": True, **wish}))
    after = preview(world.state, event, world.now, world.house)
    return after, preview_of(event.request, world.state, after, world.now, world.house)


def test_a_preview_of_charging_now() -> None:
    """What it takes and costs, and what the cheapest hours would."""
    _after, text = foresee(at_home(), charge_now=True)
    assert text == (
        "Preview: nothing has changed. Charges now at 32 A: a person asked to charge now. It takes"
        " 26.00 kWh for NZD 10.19 and reaches 80 % at Wed 22:02. In the cheapest hours it would be"
        " 26.00 kWh for NZD 5.02."
    )


def test_charging_now_beyond_the_target_says_that_nothing_happens() -> None:
    """The battery holds more than is wanted: a person who wants more has to say how much."""
    _after, text = foresee(at_home(85.0), charge_now=True)
    assert "Charging now goes to 80 % and no further. The battery holds 85 %" in text


def test_a_preview_of_charging_now_says_how_much_more_or_less_that_is() -> None:
    """Beyond the need, every hour costs more than the limit: the cheapest hours stop at 60 %."""
    world = World(household(departure={"max_rate": Decimal("0.20")}), EVENING)
    world.plug_in(35.0)
    _after, text = foresee(world, charge_now=True)
    # 10 kWh less in the battery are 11.11 kWh less at the meter.
    assert text.endswith(
        "It takes 25.00 kWh for NZD 6.25 and reaches 80 % at Wed 21:54. In the cheapest hours it"
        " would be 13.89 kWh for NZD 3.47, 11.11 kWh less."
    )


@pytest.mark.parametrize(
    ("body", "waits"),
    [
        ({"remove": "1"}, False),
        ({"clear": True}, False),
        ({"away_until": LEAVES + 24 * HOUR}, False),
        ({"need_percent": 90.0}, True),
        ({"clear": True, "soc_percent": 40.0}, True),
    ],
)
def test_only_what_waits_for_a_vehicle_is_said_to(body: dict[str, object], *, waits: bool) -> None:
    """A wish that is cancelled is gone at once, also while no vehicle is there."""
    world = World(kowhai(), EVENING)
    world.ask(want_percent=90.0)
    before = world.state
    world.ask(**body)
    request = Request.model_validate(body)
    text = answer_of(world.state, world.now, world.house, request, before)
    assert "No vehicle is plugged in at driveway." in text
    assert ("Your request counts once one is." in text) is waits
    assert text.startswith("All earlier requests are cancelled. ") is ("clear" in body)


@pytest.mark.parametrize(
    ("days", "sentence"),
    [
        (5, "Before Mon 20:00, 2 more departures stay as they are."),
        (4, "Before Sun 20:00, 1 more departure stays as it is."),
    ],
)
def test_departures_that_are_not_listed_are_counted(days: int, sentence: str) -> None:
    """Up to the last wish, the first three departures are listed."""
    world = at_home()
    world.ask(need_percent=90.0, by=utc("2026-06-03T08:00") + days * 24 * HOUR)
    assert answer(world).endswith(sentence)


def test_a_preview_without_a_vehicle() -> None:
    """The plan is that for a vehicle that came now."""
    world = World(kowhai(), EVENING)
    after, text = foresee(world, soc_percent=35.0)
    assert text.startswith(
        "Preview: nothing has changed. No vehicle is plugged in at driveway. If one came now: The"
        " next start is Wed 21:00. The plan takes 26.00 kWh for NZD 5.02"
    )
    assert after.plan is not None


def test_a_preview_without_a_vehicle_in_cheap_hours() -> None:
    """One that came now would be charged at once: its next start is no other one."""
    world = World(kowhai(), NIGHT_BEGINS + HOUR)
    _after, text = foresee(world, soc_percent=35.0)
    assert (
        "If one came now: Charges now at 32 A: cheapest hours before 07:20. The plan takes" in text
    )
    assert "next start" not in text


@pytest.mark.parametrize(
    "wish",
    [
        {"charge_now": True},
        {"want_percent": 90.0, "need_percent": 80.0},
        {"need_percent": 100.0, "by": EVENING + 3 * HOUR},
        {"soc_percent": 50.0},
        {"skip_until": NIGHT_BEGINS + 2 * HOUR},
    ],
)
def test_a_preview_is_what_the_request_then_does(wish: dict[str, object]) -> None:
    """The figures of a preview are those of the answer, to the same request at the same instant."""
    world = at_home()
    before = world.state
    after, _text = foresee(world, **wish)
    assert world.state is before
    world.ask(**wish)
    expected = figures_of(world.state, world.now, world.house)
    assert figures_of(after, world.now, world.house) == expected


def test_a_start_is_no_change_of_rate() -> None:
    """In a charge without a break nothing starts next."""
    world = at_home()
    world.ask(charge_now=True)
    world.wait(EVENING + HOUR)
    assert "next start" not in answer(world)


@pytest.mark.parametrize(
    ("asked", "targets", "said"),
    [
        # The file needs 60 % and wants 80 %.
        (
            {"want_percent": 30.0},
            (60.0, 60.0),
            "60 % is wanted once instead of 80 % (wish 1): the 60 % that is needed is kept,",
        ),
        (
            {"want_percent": 70.0},
            (60.0, 70.0),
            "70 % is wanted once instead of 80 % (wish 1), at any",
        ),
        (
            {"want_percent": 70.0, "need_percent": 50.0},
            (50.0, 70.0),
            "70 % is wanted once instead of 80 %, and 50 % is needed once instead of 60 % (wish 1)",
        ),
        (
            {"want_percent": 90.0, "need_percent": 50.0, "by": EVENING + 3 * HOUR},
            (50.0, 90.0),
            "is one more departure, with 90 % wanted, and 50 % is needed (wish 1)",
        ),
    ],
)
def test_a_want_never_lowers_a_need_and_a_lower_need_is_said(
    asked: dict[str, object], targets: tuple[float, float], said: str
) -> None:
    """Nobody finds out in the morning that the need was dropped."""
    world = at_home(40.0)
    world.ask(**asked)
    changed, *_ = figures(world).departures or ()
    assert (changed.need_percent, changed.want_percent) == targets
    assert said in answer(world)


def test_a_departure_between_two_minutes_is_shown_as_one_time() -> None:
    """The reason of the command and the answer round the same instant alike."""
    world = at_home(10.0)
    world.ask(need_percent=90.0, by=EVENING + HOUR + 40 * MINUTE / 60)
    text = answer(world)
    assert "every hour before 19:31 is needed" in text
    assert "by Wed 19:31." in text


def test_within_the_tolerance_nothing_is_missing() -> None:
    """A tenth of a percent is no shortage, neither in words nor in figures."""
    world = at_home(59.9)
    world.ask(stop=True)
    assert "The battery holds 60 %, which is enough for Thu 07:20." in answer(world)
    [departure] = figures(world).departures or ()
    assert departure.missing_kwh is None


def test_charging_at_once_does_not_pass_to_another_vehicle() -> None:
    """It was asked for the vehicle that was there; the answer says that it has ended."""
    world = World(household(more_vehicles=VAN), EVENING)
    world.read()
    world.plug_in(35.0)
    world.ask(charge_now=True)
    before, request = world.state, Request(vehicle="van")
    world.ask(vehicle="van")
    after = world.state
    assert (before.wishes.charge_now, after.wishes.charge_now) == (True, False)
    assert answer_of(after, world.now, world.house, request, before).startswith(
        "From now on van is planned for as the vehicle that is plugged in, not hatchback. Charging"
        " at once was asked for another vehicle and has ended: ask for it again (--now) if van is"
        " to charge at once."
    )
    world.ask(charge_now=True, vehicle="hatchback")
    assert world.state.wishes.charge_now, "asked with the vehicle"


def test_nothing_was_held_against_the_equipment() -> None:
    world = at_home()
    before, request = world.state, Request(equipment_checked=True)
    world.ask(equipment_checked=True)
    assert answer_of(world.state, world.now, world.house, request, before).startswith(
        f"Nothing was held against the equipment at {POINT}: nothing changes."
    )


@pytest.mark.parametrize(("minutes", "missing"), [(5, "13.8"), (14, "12.7")])
def test_who_skips_into_the_margin_reads_what_will_be_missing(minutes: int, missing: str) -> None:
    """The margin is given up, and is too short all the same."""
    world = at_home(35.0)
    world.ask(skip_until=LEAVES - minutes * MINUTE)
    assert f"is short of the 60 % needed. {missing} kWh will be missing." in answer(world)
