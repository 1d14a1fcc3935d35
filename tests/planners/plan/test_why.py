"""The reasons of a plan are true of it, and in plain words."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

import pytest

from config.files.price_series import PricePoint
from config.household.household_file import HouseholdFile
from planners.local_time.wished_departures import next_departure
from planners.plan import planning
from planners.plan.alternatives import Alternatives, FewerStarts, OtherCurrent
from planners.plan.horizon import Situation
from planners.plan.planning import make_plan
from planners.rates.prices import prices_of
from tests.planners.households import band, bands, series
from tests.planners.planned import DemoHousehold, minutes, utc

EVENING = "2026-06-03T06:30:00"
FLAT = bands(band("all", "0.20"))


def half_hourly(*rates: str, start: str = "2026-06-03T06:30:00", **leaves: object) -> DemoHousehold:
    points = [
        PricePoint(utc(start) + minutes(30 * i), Decimal(rate)) for i, rate in enumerate(rates)
    ]
    return DemoHousehold(
        tariffs=[series(step_minutes=30)], leaves=leaves, series={"Series": points}
    )


def test_a_night_in_bands_is_explained_by_its_bands() -> None:
    """The hours used, the hours avoided, and what plain rules would cost."""
    assert DemoHousehold().plan(35.0, EVENING).why == (
        "Charges 26.0 kWh between 21:00 and 00:32 (night) at 0.1932 NZD per kWh.",
        "Keeps out of peak at 0.4738 NZD per kWh.",
        "Charging at once would cost NZD 5.16 more.",
        "Charging on a timer would cost the same.",
        "An hour earlier the same charge would cost NZD 2.07 more; an hour later, the same.",
        "At 16 A it would cost the same.",
    )


def test_a_price_series_is_explained_without_naming_a_band() -> None:
    """Prices by the half hour have no bands: the sentences name rates only."""
    why = half_hourly(*["0.30", "0.10", "0.20", "0.40"] * 8, at="01:00").plan(70.0, EVENING).why
    assert why[0] == "Charges 5.8 kWh between 19:00 and 21:17 at 0.1000 NZD per kWh."
    assert why[1] == "Keeps out of the hours at 0.2000 to 0.4000 NZD per kWh."


@pytest.mark.parametrize(
    ("known", "mark"), [(32, ""), (20, " (some estimated)"), (3, " (estimated)")]
)
def test_estimated_rates_that_are_avoided_are_marked(known: int, mark: str) -> None:
    """From 18:30 to 04:30, and to 20:00 only, instead of to the departure."""
    rates = [*["0.10"] * 2, "0.10", *["0.40"] * 29][:known]
    before = [
        PricePoint(utc("2026-06-02T06:30:00") + minutes(30 * i), Decimal("0.40")) for i in range(48)
    ]
    given = half_hourly(*rates, at="07:00")
    assert given.series is not None
    points = [*before, *given.series["Series"]]
    why = DemoHousehold(given.home, given.tariffs, leaves=given.leaves, series={"Series": points})
    plan = why.plan(74.0, EVENING)
    assert plan.why[1] == f"Keeps out of the hours at 0.4000 NZD per kWh{mark}."


def test_a_mean_over_several_rates_says_that_it_is_one() -> None:
    """Several rates make an average, one rate does not."""
    plan = DemoHousehold(point={"max_amps": 10.0}).plan(30.0, EVENING)
    paid = plan.cost / plan.energy_kwh
    assert f"(peak and night) at {paid:.4f} NZD per kWh on average." in plan.why[0]


def test_a_far_departure_is_explained_with_dates() -> None:
    """If the departure is more than a day off, a time of day alone is ambiguous."""
    given = DemoHousehold(leaves={"days": ["mon"]})
    assert "between Wed 03 Jun 21:00 and Wed 03 Jun 22:34" in given.plan(60.0, EVENING).why[0]


def test_equal_hours_are_said_to_be_equal() -> None:
    """At one rate all day there are no dear hours to avoid."""
    why = DemoHousehold(tariffs=[FLAT]).plan(60.0, EVENING).why
    assert why[1] == "Every hour before the departure costs the same."
    assert "Charging at once would cost the same." in why


def test_nothing_to_charge_is_said_in_one_sentence() -> None:
    """A battery above its want needs no other explanation."""
    assert DemoHousehold().plan(85.0, EVENING).why == (
        "The battery holds 85 %, and 80 % is all that is wanted: nothing to charge.",
    )


def test_a_timer_that_buys_less_is_compared_with_its_energy() -> None:
    """A rule that ends with less energy does not look better for costing less."""
    plan = DemoHousehold(point={"max_amps": 10.0}).plan(30.0, EVENING)
    less = plan.energy_kwh - plan.timer.energy_kwh
    assert less > 5
    assert (
        f"Charging on a timer would cost NZD 4.44 for 23.00 kWh: {less:.2f} kWh less." in plan.why
    )


DEAR_BEYOND = {"need_percent": 60.0, "want_percent": 80.0, "max_rate": Decimal("0.20")}


def test_another_current_buys_nothing_above_the_highest_rate() -> None:
    """Beyond the need, the night band is too short for 16 A, and the peak is too dear."""
    why = DemoHousehold(leaves=DEAR_BEYOND | {"at": "01:00"}).plan(35.0, EVENING).why
    (other,) = [sentence for sentence in why if sentence.startswith("At 16 A")]
    assert re.fullmatch(r"At 16 A it would only reach 6\d %, for NZD \d\.\d\d\.", other)


def test_no_other_current_is_the_one_that_is_used() -> None:
    """The vehicle could take 32 A, and the rest of the home leaves 16 A all night."""
    given = DemoHousehold(home={"known_load": [{"amps": 47.0, "hours": ["00:00-24:00"]}]})
    plan = given.plan(60.0, EVENING)
    assert {period.amps for period in plan.periods} == {16.0}
    assert not any(sentence.startswith("At 16 A") for sentence in plan.why)


def test_a_current_above_the_limit_needs_another_charge_point() -> None:
    """The fixed charge point is made for 16 A: no setting of it gives 32 A."""
    why = DemoHousehold(point={"max_amps": 16.0}).plan(60.0, EVENING).why
    assert [sentence for sentence in why if " 32 A" in sentence] == [
        "With a charge point for 32 A it would cost the same."
    ]


@pytest.mark.parametrize(
    ("leaves", "soc", "reason"),
    [
        (
            {"need_percent": 60.0, "want_percent": 80.0, "max_rate": Decimal("0.15")},
            35.0,
            "wanted: the need is met, and beyond it every hour costs more than the limit of 0.15",
        ),
        (
            {"need_percent": 20.0, "want_percent": 80.0, "max_rate": Decimal(0)},
            35.0,
            "Stops at 35 % of the 80 % wanted: every other hour that it may use costs more than",
        ),
        (
            {
                "need_percent": 20.0,
                "want_percent": 80.0,
                "max_rate": Decimal("0.60"),
                "at": "21:00",
            },
            35.0,
            "Stops at 64 % of the 80 % wanted: there is no time for more.",
        ),
        (
            {"need_percent": 20.0, "want_percent": 80.0, "at": "21:00"},
            35.0,
            "Stops at 64 % of the 80 % wanted: there is no time for more.",
        ),
    ],
)
def test_what_is_left_unbought_is_explained(
    leaves: dict[str, object], soc: float, reason: str
) -> None:
    """Short of the want because it is too dear, or because time is short."""
    assert reason in " ".join(DemoHousehold(leaves=leaves).plan(soc, EVENING).why)


def test_a_start_that_is_not_worth_it_is_explained() -> None:
    """Short of the want although cheap hours are left, because another start costs more."""
    leaves = {"need_percent": 20.0, "want_percent": 80.0, "max_rate": Decimal("0.20")}
    given = DemoHousehold(point={"start_cost": Decimal(9)}, leaves=leaves)
    why = given.plan(35.0, EVENING).why
    assert why == ("Stops at 35 % of the 80 % wanted: the rest is not worth another start.",)


def test_a_need_out_of_reach_is_explained() -> None:
    """How much is missing, when charging would finish, and which current would be enough."""
    why = DemoHousehold(leaves={"need_percent": 60.0}).plan(10.0, "2026-06-03T17:00:00").why
    assert why[-4:] == (
        "Charging goes on until the departure itself: the margin of 15 minutes is given up.",
        "60 % can't be reached in time: 11.7 kWh are missing, and the battery will hold 40 %.",
        "Charging without a pause would be done at Thu 04 Jun 08:56 at the earliest.",
        "It would take 54 A to do it in time, more than most charge points have.",
    )


SOCKET = {"charging_mode": 2, "max_amps": 10.0}
CHECKED = {"charging_mode": 2, "max_amps": 16.0, "circuit_checked_by_electrician": True}


@pytest.mark.parametrize("point", [SOCKET, CHECKED])
def test_no_sentence_suggests_a_current_that_a_socket_must_not_carry(
    point: dict[str, object],
) -> None:
    """A reader with a socket is shown that a higher current needs fixed equipment."""
    late = DemoHousehold(point=point, leaves={"need_percent": 60.0})
    assert re.fullmatch(
        r"Fixed equipment for at least \d\d A would do it in time.",
        late.plan(40.0, "2026-06-03T17:00:00").why[-1],
    )
    assert re.fullmatch(
        r"It would take \d\d A to do it in time, more than most charge points have.",
        late.plan(10.0, "2026-06-03T17:00:00").why[-1],
    )
    higher = [s for s in DemoHousehold(point=point).plan(30.0, EVENING).why if " A" in s[:8]]
    assert higher
    assert all(", with fixed equipment, it would cost" in sentence for sentence in higher)


@pytest.mark.parametrize(
    "limits",
    [
        pytest.param({"home": {"main_fuse_amps": 50.0}}, id="fuse"),
        pytest.param({"car": {"max_amps": 32.0}}, id="vehicle"),
        pytest.param(
            {"home": {"known_load": [{"amps": 10.0, "hours": ["00:00-24:00"]}]}}, id="known load"
        ),
    ],
)
def test_no_sentence_names_a_current_that_no_equipment_could_take(limits: dict[str, Any]) -> None:
    """It would take 54 A; the fuse, the vehicle or the rest of the home allow less."""
    plan = DemoHousehold(leaves={"need_percent": 60.0}, **limits).plan(10.0, "2026-06-03T17:00:00")
    assert plan.shortfall is not None
    assert plan.shortfall.amps_that_would_do is None
    assert not any("would do it in time" in sentence for sentence in plan.why)


def test_the_other_charge_points_keep_their_current() -> None:
    """Two charge points of 32 A at a fuse of 80 A: 54 A are never left for one of them."""
    given = DemoHousehold(home={"main_fuse_amps": 80.0}, leaves={"need_percent": 60.0})
    data = given.file().model_dump(exclude_unset=True)
    data["charge_points"]["garage"] = data["charge_points"]["driveway"]
    file = HouseholdFile.model_validate(data, context={"directory": "."})
    now = utc("2026-06-03T17:00:00")
    departure = next_departure(file, "hatchback", now)
    assert departure is not None
    short = make_plan(file, prices_of(file, {}), Situation(now, 10.0, departure)).shortfall
    assert short is not None
    assert short.amps_that_would_do is None
    alone = given.plan(10.0, "2026-06-03T17:00:00").shortfall
    assert alone is not None
    assert alone.amps_that_would_do == 54.0


def test_the_highest_current_is_no_other_one() -> None:
    """The plan is at 32 A, and at 20 A while the rest of the home leaves no more."""
    given = DemoHousehold(home={"known_load": [{"amps": 43.0, "hours": ["21:00-22:00"]}]})
    plan = given.plan(35.0, EVENING)
    assert {period.amps for period in plan.periods} == {20.0, 32.0}
    assert not any(sentence.startswith("At 32 A") for sentence in plan.why)


def test_a_current_that_the_circuit_carries_needs_no_word_on_equipment() -> None:
    """The socket is checked for 32 A, or the current is one that any socket carries."""
    checked = DemoHousehold(point=CHECKED | {"max_amps": 32.0})
    assert "At 16 A it would cost the same." in checked.plan(35.0, EVENING).why
    short = DemoHousehold(point=SOCKET | {"max_amps": 6.0}, leaves={"need_percent": 60.0})
    assert short.plan(44.0, "2026-06-03T13:00:00").why[-1] == "7 A would do it in time."


def test_a_departure_past_its_margin_is_explained() -> None:
    """With the need out of reach, the margin is given up."""
    (*_, margin, what, when) = DemoHousehold().plan(40.0, "2026-06-03T19:10:00").why
    assert margin == (
        "Charging goes on until the departure itself: the margin of 15 minutes is given up."
    )
    assert what.startswith("80 % can't be reached in time: 21.9 kWh are missing")
    assert when == "Charging without a pause would be done at Thu 04 Jun 10:18 at the earliest."


def test_a_want_in_the_margin_is_explained() -> None:
    """The need is met, but there is no time left for the rest."""
    leaves = {"need_percent": 30.0, "want_percent": 80.0, "max_rate": Decimal(1)}
    why = DemoHousehold(leaves=leaves).plan(40.0, "2026-06-03T19:19:00").why
    assert why == (
        "Stops at 40 % of the 80 % wanted: there is no time for more.",
        "It leaves in 1 minute, and charging ends 15 minutes before a departure (margin_minutes).",
    )


def test_estimates_are_named() -> None:
    """The hours with estimated rates, and that the plan will be made again."""
    given = half_hourly(*["0.10", "0.30"] * 28, start="2026-06-02T06:30:00")
    (guess,) = [s for s in given.plan(40.0, EVENING).why if "is an estimate" in s]
    assert guess.startswith("The rate is an estimate for 22:30-23:00, 23:30-00:00, 00:30-00:38")
    assert guess.endswith(": the plan is made again when it is known.")


@pytest.mark.parametrize(
    ("zone", "at", "leaves", "hours"),
    [
        ("Europe/London", "2026-03-28T18:00:00", "07:30", "between 21:45 and 05:30 (high and low)"),
        ("Europe/London", "2026-10-24T18:00:00", "07:30", "between 23:30 and 05:15 (low)"),
    ],
)
def test_hours_are_those_of_the_clock_on_the_wall(
    zone: str, at: str, leaves: str, hours: str
) -> None:
    """On a night with a clock change the sentences follow the household's clock."""
    tariff = bands(band("low", "0.07", hours=["23:30-05:30"]), band("high", "0.25"))
    home = {"timezone": zone, "currency": "GBP"}
    given = DemoHousehold(
        home, [tariff], {"max_amps": 16.0}, leaves={"at": leaves, "need_percent": 80.0}
    )
    plan = given.plan(37.0, at)
    assert hours in plan.why[0]


@pytest.mark.parametrize(
    ("soc", "sentence"),
    [
        (35.0, "NZD 2.23 of this is beyond the need of 60 %."),
        (65.0, "All of this is beyond the need of 60 %."),
    ],
)
def test_what_lies_beyond_the_need_has_its_price(soc: float, sentence: str) -> None:
    """The difference to the cheapest plan that meets the need alone."""
    leaves = {"need_percent": 60.0, "want_percent": 80.0, "max_rate": Decimal("0.20")}
    assert sentence in DemoHousehold(leaves=leaves).plan(soc, "2026-06-03T06:30:00").why


def test_a_plan_for_the_need_alone_prices_nothing_beyond_it() -> None:
    """There is nothing beyond it."""
    why = DemoHousehold(leaves={"need_percent": 60.0}).plan(35.0, "2026-06-03T06:30:00").why
    assert not any("beyond the need" in sentence for sentence in why)


def test_free_energy_beyond_the_need_is_given_no_price() -> None:
    """Nobody needs to read that it costs 0.00."""
    tariff = bands(band("sun", "0.00", hours=["21:00-07:00"]), band("rest", "0.30"))
    leaves = {"need_percent": 60.0, "want_percent": 80.0}
    why = DemoHousehold(tariffs=[tariff], leaves=leaves).plan(35.0, "2026-06-03T06:30:00").why
    assert not any("beyond the need" in sentence for sentence in why)


def test_energy_beyond_the_need_may_cost_more_than_all_of_the_plan() -> None:
    """If the need earns money, its part of the total is not called a part of it."""
    tariff = bands(band("sun", "-0.10", hours=["21:00-23:00"]), band("rest", "0.30"))
    leaves = {"need_percent": 60.0, "want_percent": 80.0}
    given = DemoHousehold(tariffs=[tariff], leaves=leaves)
    plan = given.plan(35.0, "2026-06-03T06:30:00")
    sentence = next(each for each in plan.why if "beyond the need" in each)
    costs = re.fullmatch(r"What is charged beyond the need of 60 % costs NZD ([0-9.]+)\.", sentence)
    assert costs is not None
    assert float(costs[1]) > plan.cost > 0


def test_energy_beyond_the_need_that_earns_money_is_said_to() -> None:
    """At a rate below zero."""
    tariff = bands(band("sun", "-0.10", hours=["21:00-07:00"]), band("rest", "0.30"))
    leaves = {"need_percent": 60.0, "want_percent": 80.0}
    given = DemoHousehold(tariffs=[tariff], leaves=leaves)
    why = given.plan(35.0, "2026-06-03T06:30:00").why
    assert "What is charged beyond the need of 60 % lowers the cost by NZD 1.16." in why


def test_one_rate_that_is_printed_once_is_no_average() -> None:
    """Ten periods at one rate differ in the last digit of a float."""
    given = half_hourly(*["0.1", "0.3"] * 12, at="05:00")
    first, *_ = given.plan(50.0, EVENING).why
    assert first.endswith("at 0.1000 NZD per kWh."), first


def test_three_bands_are_listed_as_people_list_them() -> None:
    """With a comma, and one "and"."""
    three = bands(
        band("night", "0.10", hours=["21:00-22:00"]),
        band("shoulder", "0.20", hours=["22:00-23:00"]),
        band("day", "0.30"),
    )
    leaves = {"at": "23:30", "need_percent": 80.0, "margin_minutes": 0}
    (first, *_) = DemoHousehold(tariffs=[three], leaves=leaves).plan(45.0, "2026-06-03T09:00").why
    assert "(night, shoulder and day)" in first, first


def test_charging_that_goes_on_the_next_evening_has_a_pause() -> None:
    """Where the vehicle counts as plugged in at night only, it is unplugged in between."""
    point = {"plugged_in": "18:30-07:30"}
    given = DemoHousehold(point=point, leaves={"need_percent": 60.0})
    why = given.plan(10.0, "2026-06-03T17:00:00").why
    assert "Charging whenever it is plugged in would be done at" in " ".join(why)


def test_fewer_starts_that_charge_less_say_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """One start instead of two costs less only because it buys less."""
    fewer = FewerStarts(1, 0.4, 3.2)
    cheaper = Alternatives(1.0, None, None, None, fewer, ())
    monkeypatch.setattr(planning, "alternatives_to", lambda *_: cheaper)
    why = DemoHousehold().plan(35.0, EVENING).why
    assert "With 1 start instead of 1 it would cost NZD 0.60 less, for 3.20 kWh less." in why


@pytest.mark.parametrize(("reaches", "words"), [(79.8, "reach 80 %"), (70.0, "only reach 70 %")])
def test_a_current_that_reaches_as_much_does_not_only_reach_it(
    monkeypatch: pytest.MonkeyPatch, reaches: float, words: str
) -> None:
    """The plan reaches 80 %."""
    other = Alternatives(1.0, None, None, None, None, (OtherCurrent(16.0, 0.9, reaches),))
    monkeypatch.setattr(planning, "alternatives_to", lambda *_: other)
    why = DemoHousehold().plan(35.0, EVENING).why
    assert f"At 16 A it would {words}, for NZD 0.90." in why


@pytest.mark.parametrize(("soc", "lines"), [(35.0, 1), (0.0, 0)])
def test_the_same_cost_at_more_current_is_no_news_where_time_is_short(
    monkeypatch: pytest.MonkeyPatch, soc: float, lines: int
) -> None:
    """With more current it would not cost the same: it would reach more."""
    given = DemoHousehold(leaves={"need_percent": 80.0, "want_percent": 80.0})
    at = "2026-06-03T16:00:00" if soc == 0.0 else EVENING
    cost = given.draft(soc, at).plan.cost
    other = Alternatives(cost, None, None, None, None, (OtherCurrent(40.0, cost, None),))
    monkeypatch.setattr(planning, "alternatives_to", lambda *_: other)
    plan = given.plan(soc, at)
    assert (plan.shortfall is None) is (lines == 1)
    assert sum("40 A it would cost the same" in line for line in plan.why) == lines


def test_a_need_that_is_nearly_reached_is_said_to_a_tenth() -> None:
    """Not "60 % can't be reached, and the battery will hold 60 %"."""
    plan = DemoHousehold(leaves={"need_percent": 60.2}).plan(59.6, "2026-06-03T19:17:00")
    (sentence,) = [line for line in plan.why if "can't be reached in time" in line]
    assert sentence == (
        "60.2 % can't be reached in time: 0.3 kWh are missing, and the battery will hold 59.6 %."
    )


@pytest.mark.parametrize(
    ("amps", "other", "leaves", "soc", "at"),
    [
        pytest.param(
            32.0, 16.0, {"at": "01:44", "margin_minutes": 30, "need_percent": 50.0}, 11.19,
            "2026-06-03T06:52:28", id="less current",
        ),
        pytest.param(
            16.0, 32.0, {"at": "00:31", "margin_minutes": 0, "need_percent": 50.0}, 25.58,
            "2026-06-03T08:36:15", id="more current",
        ),
        pytest.param(
            16.0, 32.0, {"at": "00:20", "margin_minutes": 30, "need_percent": 35.0}, 10.3,
            "2026-06-03T08:13:40", id="a margin that is given up",
        ),
    ],
)  # fmt: skip
def test_another_current_costs_what_its_own_plan_would(
    amps: float, other: float, leaves: dict[str, Any], soc: float, at: str
) -> None:
    """The comparison keeps to all rules of the plan: to the second, and with the same margin."""
    plan, own = (
        DemoHousehold(point={"max_amps": each, "switching": "on_off"}, leaves=leaves).plan(soc, at)
        for each in (amps, other)
    )
    more = own.cost - plan.cost
    money = f"NZD {abs(more):.2f} {'more' if more > 0 else 'less'}"
    said = [line for line in plan.why if f" {other:g} A it would cost" in line]
    assert said
    assert said[0].endswith(f" {other:g} A it would cost {money}.")


def test_another_current_reaches_what_its_own_plan_would() -> None:
    """At 16 A the margin would be given up."""
    leaves = {"at": "05:36", "need_percent": 60.0}
    plan, own = (
        DemoHousehold(point={"max_amps": each}, leaves=leaves).plan(8.56, "2026-06-03T10:03:07")
        for each in (32.0, 16.0)
    )
    said = f"At 16 A it would only reach {own.reaches_percent:.0f} %, for NZD {own.cost:.2f}."
    assert said in plan.why


def test_more_current_reaches_more_of_what_is_wanted_in_the_cheap_hours() -> None:
    """At 10 A the ten cheap hours are too few for 80 %: an adviser is asked what 32 A would do."""
    given = DemoHousehold(
        point={"charging_mode": 2, "max_amps": 10.0, "switching": "on_off"},
        leaves={"need_percent": 40.0, "want_percent": 80.0, "max_rate": Decimal("0.20")},
    )
    why = given.plan(20.0, EVENING).why
    (line,) = [line for line in why if line.startswith("At 32 A, with fixed equipment,")]
    assert line == "At 32 A, with fixed equipment, it would reach 80 %, for NZD 6.70."
