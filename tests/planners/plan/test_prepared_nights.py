"""A later need that its own night is too short for is charged in the nights before it."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

import pytest

from config.household.household_file import HouseholdFile
from planners.local_time.wished_departures import Wish
from planners.plan.horizon import Situation, departures_known
from planners.plan.planning import make_plan
from planners.power.excess_current import ExcessCurrent
from planners.rates.prices import prices_of
from tests.planners.households import band, bands
from tests.planners.plan.test_planning import prices_from
from tests.planners.planned import EVERY_DAY, DemoHousehold, utc

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from config.files.price_series import PricePoint
    from planners.plan.plan import Plan

EVENING = "2026-06-02T06:30:00"
"""Tuesday 18:30 by the household's clock."""

NIGHT_AND_DAY = bands(band("night", "0.20", hours=["21:00-07:00"]), band("day", "0.40"))
ONE_RATE = bands(band("all day", "0.30"))
SOCKET = {"charging_mode": 2, "max_amps": 10.0, "switching": "on_off"}
NIGHT_KWH = 12.58 * 2.3 * 0.9
"""What the socket gives from 18:30 to 07:05, in the battery."""


def home(
    departures: Sequence[dict[str, Any]],
    *,
    car: Mapping[str, Any] | None = None,
    tariff: dict[str, Any] = NIGHT_AND_DAY,
) -> HouseholdFile:
    """Make a household with a socket whose car is back at 18:30."""
    given = DemoHousehold(tariffs=[tariff], point=SOCKET, car=car).file()
    row = {"vehicle": "hatchback", "at": "07:20", "returns": "18:30", "uses_kwh": 5.0}
    data = given.model_dump(exclude_unset=True)
    data["departures"] = [row | each for each in departures]
    return HouseholdFile.model_validate(data, context={"directory": "."})


def planned(
    file: HouseholdFile,
    soc: float,
    at: str = EVENING,
    wishes: Sequence[Wish] = (),
    series: Mapping[str, Sequence[PricePoint]] | None = None,
) -> Plan:
    """Plan for all departures that are known, as the daemon does."""
    now, prices = utc(at), prices_of(file, series or {})
    departure, *later = departures_known(file, prices, "hatchback", now, wishes=wishes)
    return make_plan(file, prices, Situation(now, soc, departure, later=tuple(later)))


def workdays(need: float, **keys: object) -> dict[str, Any]:
    return {"days": EVERY_DAY, "need_percent": need, **keys}


def trip(day: str, need: float, **keys: object) -> dict[str, Any]:
    return {"date": day, "need_percent": need, **keys}


def test_a_need_too_far_for_its_own_night_is_prepared_the_night_before() -> None:
    """100 % on Thursday with a socket: Wednesday leaves with more than its 40 %."""
    plan = planned(home([workdays(40.0), trip("2026-06-04", 100.0)], tariff=ONE_RATE), 45.0)
    (thursday, *_) = plan.later
    assert thursday.need_percent == 100.0
    assert thursday.reaches_percent == pytest.approx(100.0)
    lacking = 52.0 - NIGHT_KWH + 5.0
    assert plan.reaches_percent == pytest.approx(100 * lacking / 52, abs=1.0)
    assert "100 % by Thu 04 Jun 07:20 can't be reached in the night before it alone." in plan.why


def test_a_later_need_that_is_out_of_reach_is_said_to_be() -> None:
    """Two nights with a socket are too short for 100 % on Thursday."""
    plan = planned(home([workdays(40.0), trip("2026-06-04", 100.0)], tariff=ONE_RATE), 5.0)
    thursday = plan.later[0]
    assert thursday.is_short
    assert (
        "100 % by Thu 04 Jun 07:20 can't be reached, even with the nights before it: the battery"
        f" will hold {thursday.reaches_percent:.0f} %."
    ) in plan.why
    assert not any("before it alone" in sentence for sentence in plan.why)


def test_a_night_that_cannot_help_is_not_said_to_prepare() -> None:
    """The equipment took 32 A where 10 A are the most: it is stopped all night."""
    file = home([workdays(60.0), trip("2026-06-04", 100.0)], tariff=ONE_RATE)
    now, prices = utc(EVENING), prices_of(file, {})
    departure, *later = departures_known(file, prices, "hatchback", now)
    stopped = ExcessCurrent(told_amps=10.0, taken_amps=32.0)
    situation = Situation(now, 45.0, departure, later=tuple(later), excess=stopped)
    plan = make_plan(file, prices, situation)
    assert plan.periods == ()
    assert not any("in the night before it alone" in sentence for sentence in plan.why)


def test_no_more_is_bought_before_than_the_later_need_lacks() -> None:
    """The night of the trip itself is charged from begin to end."""
    plan = planned(home([workdays(40.0), trip("2026-06-04", 100.0)], tariff=ONE_RATE), 45.0)
    thursday = plan.later[0]
    assert thursday.energy_kwh == pytest.approx(NIGHT_KWH / 0.9, abs=0.25)


def test_what_the_later_need_lacks_and_more_is_bought_where_its_own_night_is_dear() -> None:
    """Wednesday evening's dear hours before 21:00 are left out: tonight's cheap ones do instead."""
    plan = planned(home([workdays(40.0), trip("2026-06-04", 100.0)]), 45.0)
    assert plan.later[0].reaches_percent == pytest.approx(100.0)
    assert {period.band for period in (*plan.periods, *plan.later[0].periods)} == {"night"}
    assert plan.reaches_percent == pytest.approx(69.9, abs=0.1)


def test_a_need_that_its_own_night_meets_is_left_to_it() -> None:
    """75 % from 35 % on the evening before: nothing is prepared, and nothing said."""
    plan = planned(home([workdays(40.0), trip("2026-06-04", 75.0)]), 45.0)
    assert plan.reaches_percent == pytest.approx(45.0)
    assert plan.later[0].reaches_percent == pytest.approx(75.0)
    assert not any("night before it alone" in sentence for sentence in plan.why)


def test_a_night_before_stops_at_the_everyday_limit() -> None:
    """Even a need that stays out of reach does not fill the battery two days ahead."""
    file = home([workdays(40.0), trip("2026-06-04", 100.0, uses_kwh=5.0)])
    far = home([workdays(40.0, uses_kwh=20.0), trip("2026-06-04", 100.0)])
    assert planned(file, 79.0).reaches_percent <= 80.0 + 1e-6
    plan = planned(far, 75.0)
    assert plan.reaches_percent == pytest.approx(80.0)
    assert plan.later[0].reaches_percent < 100.0


@pytest.mark.parametrize(("chemistry", "limit"), [("nmc", 80.0), ("lfp", 100.0)])
def test_the_limit_is_that_of_the_chemistry(chemistry: str, limit: float) -> None:
    """Where the file gives none, an LFP battery may be filled the night before."""
    file = home([workdays(40.0, uses_kwh=30.0), trip("2026-06-04", 100.0)])
    data = file.model_dump(exclude_unset=True)
    del data["vehicles"]["hatchback"]["everyday_limit_percent"]
    data["vehicles"]["hatchback"]["chemistry"] = chemistry
    file = HouseholdFile.model_validate(data, context={"directory": "."})
    assert planned(file, 75.0).reaches_percent == pytest.approx(limit, abs=0.5)


def test_several_nights_prepare_for_one_need() -> None:
    """From 20 %, with 12 kWh used a day, both nights before are used."""
    file = home([workdays(25.0, uses_kwh=12.0), trip("2026-06-05", 100.0)], tariff=ONE_RATE)
    plan = planned(file, 20.0)
    wednesday, thursday, friday = plan, plan.later[0], plan.later[1]
    assert friday.reaches_percent == pytest.approx(100.0, abs=0.1)
    assert thursday.reaches_percent == pytest.approx(73.0, abs=0.5)
    assert wednesday.reaches_percent == pytest.approx(46.0, abs=0.5)


def test_a_wish_is_prepared_for_too() -> None:
    """`ask --need 100 --by` for the day after tomorrow, on a socket."""
    wish = Wish("1", "hatchback", utc("2026-06-03T19:20:00"), need_percent=100.0)
    plan = planned(home([workdays(40.0)]), 45.0, wishes=[wish])
    assert plan.reaches_percent > 45.0
    assert plan.later[0].reaches_percent == pytest.approx(100.0)


def test_what_is_wanted_at_a_highest_rate_is_bought_as_before() -> None:
    """Preparing buys at any price; beyond that only what the want and its rate allow."""
    cheap = {"want_percent": 60.0, "max_rate": Decimal("0.10")}
    days = workdays(40.0, **cheap), workdays(40.0)
    plan, alone = (
        planned(home([day, trip("2026-06-04", 100.0)], tariff=ONE_RATE), 30.0) for day in days
    )
    assert plan.reaches_percent == pytest.approx(alone.reaches_percent, abs=0.5)
    assert plan.reaches_percent > 50.0


def test_a_need_beyond_the_known_prices_is_prepared_for() -> None:
    """Prices are known until tomorrow noon; the trip is in three days, and takes two nights."""
    tariff = {"name": "Series", "prices": {"file": "prices.csv", "step_minutes": 30}}
    file = home([workdays(25.0, uses_kwh=12.0), trip("2026-06-05", 100.0)], tariff=tariff)
    series = prices_from("2026-05-25T00:00:00", *["0.20"] * 48 * 9)
    plan = planned(file, 20.0, series=series)
    assert plan.later[-1].need_percent == 100.0
    assert plan.reaches_percent > 25.0
    near = planned(home([workdays(25.0)], tariff=tariff), 20.0, series=series)
    assert len(near.later) < len(plan.later)


def test_the_first_departure_comes_first() -> None:
    """A need of tomorrow is met before anything is prepared for the day after."""
    plan = planned(home([workdays(70.0), trip("2026-06-04", 100.0)]), 30.0)
    alone = planned(home([workdays(70.0)]), 30.0)
    assert plan.reaches_percent >= alone.reaches_percent
    assert plan.need_percent == 70.0
    assert plan.shortfall == alone.shortfall


def test_nothing_is_prepared_once_the_need_is_past() -> None:
    """After the trip the days are as before."""
    now = "2026-06-04T06:30:00"
    file = home([workdays(40.0), trip("2026-06-04", 100.0)])
    assert planned(file, 45.0, now).reaches_percent == pytest.approx(45.0)
