"""The first view: what it says of nights of every kind."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from babel import Locale

from adapters.contract.messages import DaemonState, LoadOfHome, Status
from daemon.control.alerts import ALERTS
from daemon.control.replanning import plan_now
from daemon.messaging.status import status_of
from daemon.page.charged import Charged, ChargedTonight, charged_of
from daemon.page.headline import headline_of
from daemon.page.plan_shown import read_plan
from daemon.page.troubles import ALERT_WORDS
from daemon.page.view import Fact, FirstView, PointView, first_view
from daemon.page.words import Words
from daemon.remote.health import PointReport, Report
from planners.accounts.register import Flow
from tests.daemon.month.samples import full_month
from tests.daemon.worlds import (
    EVENING,
    HOUR,
    LEAVES,
    MINUTE,
    NIGHT_BEGINS,
    POINT,
    World,
    kowhai,
    utc,
)

if TYPE_CHECKING:
    from daemon.control.state import House

HOUSE = kowhai()
UNREAD = ChargedTonight()


def words(locale: str = "en-NZ") -> Words:
    return Words(Locale.parse(locale, sep="-"), lambda sentence: sentence, HOUSE.file.days)


def at_home(soc: float | None = 35.0) -> World:
    world = World(kowhai(), EVENING)
    world.read()
    world.plug_in(soc)
    return world


def view_of(world: World, locale: str = "en-NZ", tonight: ChargedTonight = UNREAD) -> FirstView:
    """Return what the page shows while the daemon runs."""
    plan = plan_now(world.state, world.now, world.house)
    point = PointReport(
        status_of(world.state, world.now, world.house), plan.to_json() if plan else None
    )
    daemon = DaemonState(state="online", stale_after=world.now + MINUTE)
    report = Report({POINT: point}, daemon)
    return first_view(report, world.house, tonight, world.now, words(locale))


def point_of(world: World, locale: str = "en-NZ") -> PointView:
    return view_of(world, locale).points[0]


def facts_of(world: World) -> dict[str, str]:
    return {fact.name: fact.text for fact in point_of(world).facts}


def test_an_evening_in_one_sentence() -> None:
    """What it will have by when, then when it charges, and for how much."""
    assert point_of(at_home()).sentences == (
        "The hatchback will be at 80% by 7:20\u202fam.",
        "Charges 9:00\u202fpm to 12:32\u202fam for $5.02.",
    )


def test_what_is_to_come_from_the_roof() -> None:
    """The plan counts on it; what of it is the sun's stands in the next sentence."""
    world = at_home()
    assert world.state.plan is not None
    period = replace(world.state.plan.periods[0], roof_kwh=12.0)
    plan = replace(world.state.plan, periods=(period, *world.state.plan.periods[1:]))
    world.state = replace(world.state, plan=plan)
    view = point_of(world)
    assert "12.0 kWh of 26.0 kWh are to come from the roof." in view.sentences
    assert view.strip is not None
    assert not view.strip.from_roof, "12 of 26 kWh is less than half"
    period = replace(period, roof_kwh=20.0)
    plan = replace(plan, periods=(period, *plan.periods[1:]))
    world.state = replace(world.state, plan=plan)
    view = point_of(world)
    assert view.strip is not None
    assert view.strip.from_roof == view.strip.charging
    assert view.strip_text.endswith("Mostly from the roof 9:00\u202fpm to 12:32\u202fam.")


def test_a_departure_from_the_calendar() -> None:
    """Its event is named, and of when the copy of the calendar is."""
    world = at_home()
    assert world.state.plan is not None
    plan = replace(world.state.plan, event="Car: airport 80 %")
    world.state = replace(world.state, plan=plan)
    world.house = replace(world.house, calendar_at=world.now - 5 * MINUTE)
    sentences = point_of(world).sentences
    assert sentences[2] == "The departure is from the calendar: Car: airport 80 %."
    assert facts_of(world)["Calendar as of"] == "5 min ago"


def test_in_the_readers_own_customs() -> None:
    """Times and money are written as the reader's country does."""
    assert point_of(at_home(), "de-DE").sentences == (
        "The hatchback will be at 80\xa0% by 07:20.",
        "Charges 21:00 to 00:32 for 5,02\xa0NZ$.",
    )


def test_while_it_charges() -> None:
    """The end and what is left to pay; the level is counted."""
    world = at_home()
    world.wait(NIGHT_BEGINS + HOUR)
    assert point_of(world).sentences[1] == "Charges until 12:32\u202fam for $3.60."
    facts = facts_of(world)
    assert facts["Vehicle"] == "hatchback is charging at 7.4 kW"
    assert facts["Battery"] == "48%, counted by the meter since 6:30\u202fpm"


def test_a_departure_was_missed() -> None:
    """The vehicle is still there and charges on: until when at the latest."""
    world = at_home(5.0)
    world.ask(need_percent=100.0, by=EVENING + HOUR)
    world.wait(EVENING + HOUR + 10 * MINUTE)
    assert point_of(world).sentences == (
        "The hatchback is charging.",
        "It has not left, and charges on until 8:30\u202fpm at the latest.",
    )
    world.wait(EVENING + 2 * HOUR + MINUTE)
    assert "It has not left" not in str(point_of(world).sentences)


def test_nobody_is_plugged_in() -> None:
    """A person may ask all the same."""
    world = at_home()
    world.unplug()
    assert point_of(world).sentences == (
        "The hatchback is not plugged in.",
        "What you ask for counts once it is.",
    )


def test_a_full_battery() -> None:
    """Nothing is charged, and that is enough."""
    assert point_of(at_home(80.0)).sentences == (
        "The hatchback is at 80%, which is enough for 7:20\u202fam.",
    )


def test_the_level_at_the_top_is_that_of_the_battery() -> None:
    """The status is newer than the plan."""
    world = at_home(80.0)
    status = status_of(world.state, EVENING, HOUSE).model_copy(update={"soc_percent": 81.0})
    plan = plan_now(world.state, EVENING, HOUSE)
    assert plan is not None
    (said,) = headline_of(status, read_plan(plan.to_json()), EVENING, words())
    assert said == "The hatchback is at 81%, which is enough for 7:20\u202fam."


def test_too_little_time() -> None:
    """What will be missing is said in the view."""
    world = at_home(10.0)
    world.ask(need_percent=100.0, by=EVENING + HOUR)
    assert point_of(world).sentences[-1].startswith("100% are needed: ")


def test_wishes_in_force_can_be_taken_back() -> None:
    """Each is a line with the name by which it is cancelled."""
    world = at_home()
    world.ask(need_percent=100.0, by=LEAVES + 48 * HOUR)
    world.ask(away_until=LEAVES + 24 * HOUR)
    world.ask(charge_now=True)
    lines = [(line.name, line.text) for line in point_of(world).wishes]
    assert lines == [
        ("charge_now", "Charge now, at any price"),
        ("away_until", "Away until Fri 7:20\u202fam"),
        ("1", "hatchback: 100% by Sat 7:20\u202fam"),
    ]
    assert point_of(world).charges_now_asked
    world.ask(skip_until=LEAVES)
    assert point_of(world).wishes[0].text == "No charging until 7:20\u202fam"


def test_all_is_well_only_if_it_is() -> None:
    """An alert, an old status, no daemon and no broker each say so in words."""
    world = at_home()
    assert (view_of(world).state, view_of(world).mood) == ("All is well", "well")
    world.state = replace(world.state, alerts=frozenset({"over-current", "from-tomorrow"}))
    view = view_of(world)
    assert (view.state, view.mood) == ("Something is wrong", "unwell")
    texts = [(trouble.text, trouble.can_be_checked) for trouble in view.points[0].troubles]
    assert texts == [
        ("from-tomorrow", False),
        ("The charge point takes more current than it was told.", True),
    ]


def test_a_need_out_of_reach_is_no_fault() -> None:
    """It is what a wish does that was confirmed: it is said, but nothing is wrong."""
    world = at_home()
    world.ask(need_percent=100.0, by=EVENING + HOUR)
    view = view_of(world)
    assert (view.state, view.mood) == ("Not all can be charged in time", "noted")
    assert [trouble.is_fault for trouble in view.points[0].troubles] == [False]


def test_the_home_draws_the_same_at_each_charge_point() -> None:
    """Each status has the load as it was then: the newest one counts for all."""
    status = status_of(at_home().state, EVENING, HOUSE)
    points = {
        name: PointReport(
            status.model_copy(update={"home_load": LoadOfHome(at=EVENING + at, amps=(amps,))})
        )
        for name, at, amps in ((POINT, -MINUTE, 19.8), ("carport", -MINUTE / 2, 2.0))
    }
    online = DaemonState(state="online", stale_after=LEAVES)
    view = first_view(Report(points, online), HOUSE, UNREAD, EVENING, words())
    said = {fact.text for point in view.points for fact in point.facts if fact.name == "Main fuse"}
    assert said == {"the home draws 2.0 A (just now)"}


def test_names_in_the_strip_that_would_overlap() -> None:
    """A departure in two hours: the names stand on both sides."""
    world = at_home()
    strip = point_of(world).strip
    world.ask(need_percent=40.0, by=EVENING + 2 * HOUR)
    crowded = point_of(world).strip
    assert strip is not None
    assert crowded is not None
    assert (strip.is_crowded, crowded.is_crowded) == (False, True)


@pytest.mark.parametrize(
    ("report", "text"),
    [
        (Report({POINT: PointReport()}), "Lullwatt does not answer: this is what it last said."),
        (
            Report({POINT: PointReport()}, None, "no answer"),
            "The page has no connection to the broker: this is what it last knew.",
        ),
        (
            Report({POINT: PointReport()}, ahead=-7 * MINUTE),
            "Lullwatt's clock is 7 min behind this page's: times here may be wrong.",
        ),
        (
            Report({POINT: PointReport()}, ahead=HOUR),
            "Lullwatt's clock is 60 min ahead of this page's: times here may be wrong.",
        ),
    ],
)
def test_without_daemon_or_broker(report: Report, text: str) -> None:
    """It says which of the two is missing or has another time, and shows what it last knew."""
    view = first_view(report, HOUSE, UNREAD, EVENING, words())
    assert view.trouble is not None
    assert view.trouble.text == text
    assert view.points[0].sentences == ("Nothing is known yet.",)
    assert view.mood == "unwell"


def test_an_old_status_is_said_to_be_old() -> None:
    """With the time of the last one."""
    status = status_of(at_home().state, EVENING, HOUSE)
    report = Report({POINT: PointReport(status)}, DaemonState(state="online", stale_after=LEAVES))
    view = first_view(report, HOUSE, UNREAD, EVENING + HOUR, words())
    assert [trouble.text for trouble in view.points[0].troubles] == [
        "This is old: nothing has been heard since 6:30\u202fpm."
    ]


def test_every_alert_has_words_for_the_household() -> None:
    """None of them is shown as a code."""
    assert set(ALERT_WORDS) == set(ALERTS)


@pytest.mark.parametrize(
    "plan", [{}, {"departure": 3}, {"periods": None}, {"vehicle": "van", "cost": "dear"}]
)
def test_a_plan_of_another_version_is_no_fault(plan: dict[str, object]) -> None:
    """What can't be read is no plan."""
    status = Status(
        at=EVENING, stale_after=LEAVES, connected=True, charging=False, vehicle="hatchback"
    )
    report = Report({POINT: PointReport(status, plan)}, DaemonState(state="online"))
    view = first_view(report, HOUSE, UNREAD, EVENING, words())
    assert view.points[0].sentences == ("Nothing is planned for the hatchback.",)


def test_the_strip_shows_rates_charging_now_and_departure() -> None:
    """All in percent of the width; the text says the same."""
    point = point_of(at_home())
    strip = point.strip
    assert strip is not None
    assert point.strip_text == ("Charging 9:00\u202fpm to 12:32\u202fam; departure 7:20\u202fam.")
    assert point.rates_text == "price per kWh: $0.1932 to $0.4738"
    # From 17:30 to 08:20 are 890 minutes: now after 60, charging from 210 to 422, departure 830.
    assert strip.now == pytest.approx(100 * 60 / 890, abs=0.01)
    assert strip.departure == pytest.approx(100 * 830 / 890, abs=0.01)
    assert strip.charging[0].left == pytest.approx(100 * 210 / 890, abs=0.01)
    assert strip.charging[0].width == pytest.approx(100 * 211.9 / 890, abs=0.1)
    assert [bar.height for bar in strip.rates] == [100.0, pytest.approx(55.6, abs=0.1), 100.0]
    assert [words().hour(mark.at) for mark in strip.hours] == [
        "9 pm", "12 am", "3 am", "6 am",
    ]  # fmt: skip


def test_what_has_been_charged() -> None:
    """Whole beside the hatched hours to come; in words, with what is estimated."""
    world = at_home()
    world.wait(NIGHT_BEGINS + HOUR)
    charged = Charged(((NIGHT_BEGINS, NIGHT_BEGINS + HOUR),), 7360, 360)
    point = view_of(world, tonight=ChargedTonight({POINT: charged})).points[0]
    facts = {fact.name: fact.text for fact in point.facts}
    assert facts["Since noon"] == "7.4 kWh charged, 0.4 kWh of it estimated"
    assert point.strip_text.startswith("Has charged 9:00\u202fpm to 10:00\u202fpm. Charging 10:00")
    assert point.strip is not None
    [done], [ahead] = point.strip.charged, point.strip.charging
    assert done.left + done.width == pytest.approx(ahead.left, abs=0.02)
    assert ahead.left == point.strip.now


def test_the_last_night_in_sentences() -> None:
    """What it took, what it cost and what it saved, below what is known of tonight."""
    last = next(row for row in full_month().nights if row.vehicle == "hatchback")
    view = view_of(at_home(), tonight=ChargedTonight(last_nights={POINT: last}))
    assert view.points[0].facts[-1] == Fact(
        "Night of Thu, 1 Oct",
        "hatchback: 25.0 kWh for $4.82. From 38% to 80%. Charging at once would have cost"
        " $7.01 more.",
        "2026-10-01",
    )


def test_tonight_with_an_account_already() -> None:
    """It was made at a departure: the night still runs, and the level is the present one."""
    row = next(row for row in full_month().nights if row.vehicle == "hatchback")
    tonight = replace(row, night=EVENING.date(), charge_point=POINT)
    fact = view_of(at_home(59.0), tonight=ChargedTonight(last_nights={POINT: tonight})).points[0]
    assert fact.facts[-1].name == "Night of Wed, so far"
    assert "From 38% to 59%." in fact.facts[-1].text


def test_a_record_that_cannot_be_read() -> None:
    """The page says so, and shows the rest."""
    view = view_of(at_home(), tonight=ChargedTonight(unreadable="it is locked"))
    assert view.trouble is not None
    assert view.trouble.text == "The record can't be read: what has been charged is not shown."
    assert view.trouble.detail == "it is locked"
    assert view.points[0].sentences[0] == "The hatchback will be at 80% by 7:20\u202fam."


def test_energy_between_readings_becomes_spans() -> None:
    """What flows at standby is no charging; touching spans are one; before noon counts nothing."""
    minutes = [EVENING + count * 10 * MINUTE for count in range(6)]
    energy = [(500, False), (600, False), (700, True), (5, False), (800, False)]
    flows = [
        Flow(start, end, wh, estimated)
        for (start, end), (wh, estimated) in zip(pairwise(minutes), energy, strict=True)
    ]
    charged = charged_of(flows, EVENING + 5 * MINUTE)
    assert charged.spans == (
        (EVENING + 5 * MINUTE, EVENING + 30 * MINUTE),
        (EVENING + 40 * MINUTE, EVENING + 50 * MINUTE),
    )
    assert (charged.wh, charged.estimated_wh) == (250 + 600 + 700 + 5 + 800, 700)


def test_two_vehicles_may_be_named() -> None:
    """Those that use the charge point and are not the one that is planned for."""
    house: House = kowhai()
    van = house.file.vehicles["hatchback"]
    file = house.file.model_copy(update={"vehicles": {**house.file.vehicles, "van": van}})
    world = World(replace(house, file=file), EVENING)
    world.plug_in(35.0)
    assert point_of(world).other_vehicles == ("van",)


def test_a_time_that_the_clock_shows_twice_says_which() -> None:
    """At Kowhai Cottage the hour from 02:00 on comes twice on 5 April 2026."""
    first = utc("2026-04-04T13:30")
    shown = [words().clock(first + hour * HOUR).replace("\u202f", " ") for hour in range(3)]
    assert shown == ["2:30 am (the first time)", "2:30 am (the second time)", "3:30 am"]
