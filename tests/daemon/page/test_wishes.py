"""What a person reads before a wish counts: amount, price, and what becomes of each departure."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from adapters.contract.messages import Answer, AskedFor, Request, Status
from adapters.contract.refusals import MALFORMED, REFUSALS
from daemon.control.controller import preview
from daemon.control.events import PersonAsked
from daemon.messaging.outlook import figures_of
from daemon.messaging.status import status_of
from daemon.page.forms import choices_of
from daemon.page.plan_shown import read_plan
from daemon.page.wishes import REFUSAL_WORDS, preview_lines, question_of, wish_lines
from tests.daemon.page.test_view import HOUSE, at_home, words
from tests.daemon.worlds import EVENING, HOUR, LEAVES, MINUTE


def answer(**figures: object) -> Answer:
    values = {"id": "1", "at": EVENING, "understood": True, "message": "", "preview": True}
    return Answer.model_validate(values | figures)


def lines(**figures: object) -> list[str]:
    plan = at_home().state.plan
    assert plan is not None
    return list(
        preview_lines(
            answer(**figures),
            {},
            read_plan(plan.to_json()),
            file=HOUSE.file,
            now=EVENING,
            words=words(),
        )
    )


AT_ONCE = {"energy_kwh": 26.0, "cost": 10.19, "currency": "NZD", "ends_at": EVENING + 3.5 * HOUR}


def test_a_dearer_wish_says_by_how_much() -> None:
    """What the plan costs until now stands beside it, and its energy, unless that is the same."""
    assert lines(**AT_ONCE | {"energy_kwh": 30.0})[1] == (
        "Until now 26.0 kWh for $5.02 are planned: this is $5.17 more and 4.0 kWh more."
    )
    assert lines(**AT_ONCE) == [
        "Charges 26.0 kWh for $10.19, until 10:00\u202fpm.",
        "Until now 26.0 kWh for $5.02 are planned: this is $5.17 more.",
    ]


def asked(soc: float = 35.0, **wish: object) -> list[str]:
    """Return what a person reads of a wish, as the daemon itself answers it."""
    world = at_home(soc)
    plan, before = world.state.plan, world.state
    assert plan is not None
    request = Request.model_validate(wish)
    after = preview(before, PersonAsked(request), EVENING, world.house)
    figures = figures_of(after, EVENING, world.house)
    return list(
        preview_lines(
            answer(**figures),
            request.model_dump(mode="json", exclude_none=True),
            read_plan(plan.to_json()),
            file=HOUSE.file,
            now=EVENING,
            words=words(),
        )
    )


def test_leaving_in_an_hour_says_that_charging_goes_on() -> None:
    """If the car stays past it. What is charged for tomorrow as well is compared as a whole."""
    assert asked(5.0, need_percent=100.0, by=EVENING + HOUR) == [
        "Charges 7.4 kWh for $3.49, until 7:30\u202fpm.",
        "Until 7:20\u202fam that makes 43.3 kWh for $10.44: $2.07 more than before.",
        ("Departure Wed 7:30\u202fpm: 100% needed, it will be at 18%; 47.5 kWh will be missing."),
        (
            "If it is still there then, charging goes on until 8:30\u202fpm at the latest,"
            " for up to $3.49."
        ),
        "Departure Thu 7:20\u202fam: 80%, as before.",
    ]


def test_a_trip_in_three_days_says_what_it_takes_itself() -> None:
    """Not what is charged tonight, which it leaves as it is."""
    assert asked(need_percent=100.0, by=LEAVES + 48 * HOUR)[:2] == [
        (
            "Until then it charges 54.1 kWh for $10.44, the last of it from Fri 9:00\u202fpm to Sat"
            " 12:58\u202fam."
        ),
        "Until 7:20\u202fam as before: 26.0 kWh for $5.02.",
    ]


def test_being_away_says_when_it_charges() -> None:
    """In the last nights before the return's departure, and what is left out tonight."""
    assert asked(away_until=LEAVES + 13 * 24 * HOUR)[:2] == [
        (
            "Charges nothing until Sun, 14 Jun 9:00\u202fpm, then 26.0 kWh for $5.02, until Mon,"
            " 15 Jun 12:32\u202fam."
        ),
        "What is planned until now for 7:20\u202fam is left out: 26.0 kWh for $5.02.",
    ]


@pytest.mark.parametrize("wish", [{"stop": True}, {"skip_until": "2026-06-03T12:00:00Z"}])
def test_a_pause_says_what_is_charged_after_it(wish: dict[str, Any]) -> None:
    """It charges tonight after all, once midnight has passed."""
    said = preview_lines(answer(**AT_ONCE), wish, None, file=HOUSE.file, now=EVENING, words=words())
    assert list(said) == ["After that it charges 26.0 kWh for $10.19, until 10:00\u202fpm."]


def test_a_cheaper_wish() -> None:
    """Charging less costs less."""
    assert lines(energy_kwh=0.0, cost=0.0, currency="NZD") == [
        "Nothing is charged then.",
        "Until now 26.0 kWh for $5.02 are planned: this is $5.02 less.",
    ]


@pytest.mark.parametrize(
    ("soc", "why"),
    [(80.0, ['It is at its limit of 80%: ask for more with "A trip".']), (70.0, [])],
)
def test_charging_now_at_the_limit_says_why_nothing_is_charged(soc: float, why: list[str]) -> None:
    """And what to ask for instead."""
    plan = at_home(soc).state.plan
    assert plan is not None
    nothing = answer(vehicle="hatchback", energy_kwh=0.0, cost=plan.cost, currency="NZD")
    shown = read_plan(plan.to_json())
    said = preview_lines(
        nothing, {"charge_now": True}, shown, file=HOUSE.file, now=EVENING, words=words()
    )
    assert list(said) == ["Nothing is charged then.", *why]


@pytest.mark.parametrize(
    ("cost", "more"),
    [(100.4, []), (101.4, ["Until now 26.0 kWh for JP¥100 are planned: this is JP¥1 more."])],
)
def test_a_difference_has_the_decimals_of_its_currency(cost: float, more: list[str]) -> None:
    """The yen has none: 100.2 and 100.4 are the same amount to a reader."""
    plan = at_home().state.plan
    assert plan is not None
    shown = read_plan(plan.to_json() | {"currency": "JPY", "cost": 100.2})
    figures = AT_ONCE | {"currency": "JPY", "cost": cost}
    assert (
        list(
            preview_lines(answer(**figures), {}, shown, file=HOUSE.file, now=EVENING, words=words())
        )[1:]
        == more
    )


@pytest.mark.parametrize(
    ("effect", "text"),
    [
        (
            {"effect": "kept", "reaches_percent": 79.6},
            "Departure Thu 7:20\u202fam: 80%, as before.",
        ),
        (
            {"effect": "changed", "reaches_percent": 61.0},
            "Departure Thu 7:20\u202fam: 80% wanted, it will be at 61%.",
        ),
        ({"effect": "added"}, "One more departure Thu 7:20\u202fam: 80%; it is planned later."),
        (
            {"effect": "added", "missing_kwh": 3.2},
            (
                "One more departure Thu 7:20\u202fam: 80%; it is planned later, and at least"
                " 3.2 kWh will be missing."
            ),
        ),
        (
            {"effect": "kept", "reaches_percent": 54.6, "missing_kwh": 3.2},
            "Departure Thu 7:20\u202fam: 60% needed, it will be at 55%; 3.2 kWh will be missing.",
        ),
    ],
)
def test_departures(effect: dict[str, Any], text: str) -> None:
    """Each is named with its day, its target, and what becomes of it."""
    departure = {"departure": LEAVES, "need_percent": 60.0, "want_percent": 80.0, **effect}
    assert lines(departures=[departure]) == ["No charging is planned then.", text]


@pytest.mark.parametrize(
    ("effect", "minutes", "text"),
    [
        ("changed", 40, "Departure Thu 8:00\u202fam instead of 7:20\u202fam: 80%, as you ask."),
        ("changed", 0, "Departure Thu 7:20\u202fam: 80%, as you ask."),
        ("added", 90, "One more departure Thu 8:50\u202fam: 80%."),
    ],
)
def test_a_trip_that_takes_the_place_of_a_usual_departure(
    effect: str, minutes: int, text: str
) -> None:
    """The usual one is named, as it is no longer prepared for."""
    departure = {
        "departure": LEAVES + minutes * MINUTE, "effect": effect, "reaches_percent": 80.0,
        "need_percent": 60.0, "want_percent": 80.0,
    }  # fmt: skip
    assert lines(vehicle="hatchback", departures=[departure])[1:] == [text]


@pytest.mark.parametrize(
    ("kind", "wish", "question"),
    [
        ("now", {}, "Charge now?"),
        (
            "trip",
            {"need_percent": 100.0, "by": "2026-06-05T20:00:00Z"},
            "100% by Sat 8:00\u202fam?",
        ),
        ("away", {"away_until": "2026-06-16T12:00:00Z"}, "Away until Wed, 17 Jun?"),
        ("until", {"skip_until": "2026-06-03T17:00:00Z"}, "No charging until Thu 5:00\u202fam?"),
        ("tonight", {"stop": True}, "No charging until the next departure has passed?"),
        (
            "tomorrow",
            {"skip_until": "2026-06-03T12:00:00Z"},
            "No charging until Thu 12:00\u202fam?",
        ),
        ("level", {"soc_percent": 41.0}, "Is the battery at 41%?"),
        ("vehicle", {"vehicle": "van"}, "Is the van plugged in?"),
    ],
)
def test_questions(kind: str, wish: dict[str, Any], question: str) -> None:
    """A time that is to be confirmed has its day."""
    assert question_of(kind, wish, EVENING, words()) == question


def test_taking_back_names_the_wish() -> None:
    """As it stands in the view; without a status it is only asked."""
    trip = AskedFor(id="7", vehicle="hatchback", by=LEAVES + 24 * HOUR, need_percent=100.0)
    before = status(wishes=(trip,), away_until=LEAVES + 13 * 24 * HOUR + 16 * HOUR + 40 * MINUTE)
    asked_for = question_of("remove", {"remove": "7"}, EVENING, words(), before)
    assert asked_for.startswith("Take this back: hatchback: 100% by Fri")
    asked_for = question_of("remove", {"remove": "away_until"}, EVENING, words(), before)
    assert asked_for == "Take this back: Away until Thu, 18 Jun?"
    assert question_of("remove", {"remove": "8"}, EVENING, words(), before).startswith("Take this")


def test_what_has_flowed_meanwhile_is_no_difference() -> None:
    """A plan of some seconds ago is 3 cents dearer; and nothing planned is said so."""
    plan = at_home().state.plan
    assert plan is not None
    shown = read_plan(plan.to_json())
    assert shown is not None

    def said(energy_kwh: float, cost: float, planned_kwh: float, planned_cost: float) -> list[str]:
        before = replace(shown, energy_kwh=planned_kwh, cost=planned_cost)
        figures = answer(vehicle="hatchback", energy_kwh=energy_kwh, cost=cost, currency="NZD")
        found = preview_lines(figures, {}, before, file=HOUSE.file, now=EVENING, words=words())
        return list(found)[1:]

    assert said(13.0, 3.19, 13.1, 3.22) == []
    assert said(13.0, 3.19, 13.0, 3.24) != []
    (line,) = said(13.0, 3.19, 0.0, 0.0)
    assert line == "Until now nothing is planned: this is $3.19 more and 13.0 kWh more."


def test_choices() -> None:
    """A trip begins with tomorrow and its usual departure; being away ends in two weeks."""
    choices = choices_of(HOUSE.file, "hatchback", EVENING, words())
    assert (choices.day, choices.time, choices.back) == ("2026-06-04", "07:20", "2026-06-17")
    assert [day.text for day in choices.days[:3]] == ["today", "tomorrow", "Fri"]
    assert [soon.text for soon in choices.soon] == ["In 30 minutes", "In an hour", "In 2 hours"]
    assert choices_of(HOUSE.file, None, EVENING, words()).time == "08:00"


def test_every_refusal_has_a_sentence() -> None:
    """All but that of a malformed request, which only the daemon can describe."""
    assert set(REFUSAL_WORDS) == set(REFUSALS) - {MALFORMED}


def status(**known: object) -> Status:
    """Return what is known of a charge point before a wish."""
    shown = status_of(at_home().state, EVENING, HOUSE)
    return shown.model_copy(update=known)


def at_odds(wish: dict[str, Any], before: Status) -> list[str]:
    """Return what the page says beside the amount."""
    found = preview_lines(
        answer(), wish, None, file=HOUSE.file, now=EVENING, words=words(), status=before
    )
    return list(found)[1:]


def test_a_level_that_the_vehicle_reports_is_soon_overruled() -> None:
    """It says so before a person confirms another level."""
    sentence = "The vehicle reports its own level: its next report takes the place of what you say."
    assert at_odds({"soc_percent": 41}, status(soc_from="vehicle")) == [sentence]
    assert at_odds({"soc_percent": 41}, status(soc_from="assumed")) == []


def test_being_away_says_which_trip_it_leaves_out() -> None:
    """And the wish that does not count is marked in the view."""
    trip = AskedFor(id="7", vehicle="hatchback", by=EVENING + 40 * HOUR, need_percent=100.0)
    before = status(wishes=(trip,))
    away = EVENING + 14 * 24 * HOUR
    (line,) = at_odds({"away_until": away.isoformat()}, before)
    assert line.startswith("Left out: hatchback: 100% by Fri")
    assert line.endswith(", as was asked.")
    (shown,) = [
        each.text
        for each in wish_lines(before.model_copy(update={"away_until": away}), EVENING, words())
        if each.name == "7"
    ]
    assert shown.endswith("(left out while away)")


def test_a_charge_that_goes_on_after_the_departure_is_said() -> None:
    """Whatever is asked meanwhile: nothing is planned, but it charges."""
    found = lines(goes_on_until=EVENING + HOUR)
    assert found[0] == "It has not left, and charges on until 7:30\u202fpm at the latest."
