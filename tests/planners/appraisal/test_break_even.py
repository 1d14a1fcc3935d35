"""Break-even points: each one found is put into the file, and checked there."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from config.files.price_series import PricePoint
from planners.appraisal import appraising
from planners.appraisal.appraising import appraise
from planners.year.driving_days import days_of_year, local_midnight
from tests.planners.appraised import (
    DAILY,
    WANTED,
    Keys,
    cheap_night,
    choice,
    choices_file,
    flat,
    point,
    price_series,
    socket,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from config.choices.choices_file import ChoicesFile
    from planners.appraisal.appraisal import Appraisal, BreakEven

NEARLY = 1e-3
"""Totals agree to a thousandth where a break-even is."""


OUTLAY = 1500
NO_SERIES: Mapping[str, Sequence[PricePoint]] = {}
HOUR = timedelta(hours=1)


def three(km: float = 15_000, night: str = "0.12", outlay: float = OUTLAY) -> ChoicesFile:
    """Offer a flat rate, a cheap night at the same socket, and a charge point."""
    dear: Keys = {"standing_charge": Decimal("0.60")}
    return choices_file(
        choice("flat", flat(), charge_point=socket(), planner="at_once"),
        choice("night", cheap_night(night, **dear), charge_point=socket(), **WANTED),
        choice(
            "point", cheap_night(night, **dear), charge_point=point(),
            outlay=Decimal(f"{outlay:.6f}"), **WANTED,
        ),
        driving=DAILY | {"distance_per_year": f"{km:.6f} km"},
        tick_minutes=60,
    )  # fmt: skip


def totals(appraisal: Appraisal) -> dict[str, float]:
    return {choice.name: choice.total_over_years for choice in appraisal.choices}


def assert_level(appraisal: Appraisal, one: str, even: BreakEven) -> None:
    assert even.rival is not None
    found = totals(appraisal)
    assert found[one] == pytest.approx(found[even.rival], rel=NEARLY)


def appraised(
    file: ChoicesFile, series: Mapping[str, Sequence[PricePoint]] = NO_SERIES
) -> Appraisal:
    """Appraise choices for their totals alone, without their break-even points."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(appraising, "break_evens", lambda *_: None)
        return appraise(file, series)


@pytest.fixture(scope="module")
def declared() -> Appraisal:
    return appraise(three(), {})


def test_the_distance_found_is_where_another_choice_becomes_cheapest(declared: Appraisal) -> None:
    """Driven less, the dearer standing charge is no longer paid back."""
    assert declared.break_even is not None
    [below] = [
        even for even in declared.break_even.distance_per_year if even.at and even.at < even.now
    ]
    assert below.now == pytest.approx(15_000)
    assert declared.cheapest == "night"
    assert not below.by_shortage
    assert below.at is not None
    at = appraised(three(below.at))
    assert_level(at, "night", below)
    assert appraised(three(below.at * 0.98)).cheapest == below.rival == "flat"
    assert appraised(three(below.at * 1.02)).cheapest == "night"


def test_the_rate_found_is_where_another_choice_becomes_cheapest(declared: Appraisal) -> None:
    """The night rate is found for both choices that have the tariff."""
    assert declared.break_even is not None
    rate = declared.break_even.rate
    assert rate.now == pytest.approx(0.12)
    assert declared.break_even.rate_band == "night"
    assert rate.at is not None
    assert rate.at > rate.now
    assert_level(appraised(three(night=f"{rate.at:.9f}")), "night", rate)
    assert appraised(three(night=f"{rate.at + 0.002:.9f}")).cheapest == rate.rival == "flat"
    assert appraised(three(night=f"{rate.at - 0.002:.9f}")).cheapest == "night"


def test_the_outlay_found_is_where_another_choice_becomes_cheapest() -> None:
    """Without an outlay the charge point would win; the outlay found is exact to the cent."""
    file = choices_file(
        choice("flat", flat(), charge_point=point(), planner="at_once"),
        choice("night", cheap_night(), charge_point=point(), outlay=Decimal(500), **WANTED),
        tick_minutes=60,
    )
    found = appraise(file, {}).break_even
    assert found is not None
    assert (found.outlay.now, found.outlay.rival) == (500, "flat")
    assert found.outlay.at is not None
    for more, winner in ((-0.01, "night"), (0.01, "flat")):
        dear = file.choices[1].model_copy(
            update={"outlay": Decimal(f"{found.outlay.at + more:.6f}")}
        )
        again = appraised(file.model_copy(update={"choices": (file.choices[0], dear)}))
        assert again.cheapest == winner
        assert totals(again)["night"] == pytest.approx(totals(again)["flat"], abs=0.02)


def socket_or_point(km: float, out: Keys, better: Keys) -> Appraisal:
    """Offer a cheaper socket, and a charge point at the same rate that is never short."""
    driving = {"leaves": "07:20", "returns": "22:10", "distance_per_year": f"{km:.6f} km"}
    need: Keys = {"need_percent": 70.0, "want_percent": 80.0}
    socket_, point_ = choice("socket", flat(), **out, **need), choice("point", **better, **need)
    return appraise(choices_file(socket_, point_, driving=driving, tick_minutes=60), {})


def test_a_choice_can_lose_its_place_by_being_short() -> None:
    """Nine hours at 2.3 kW give 18.6 kWh: beyond some distance that is not enough."""
    out: Keys = {"charge_point": socket(), "planner": "at_once"}
    better: Keys = {"charge_point": point(), "planner": "at_once", "outlay": Decimal(900)}
    found = socket_or_point(30_000, out, better)
    assert found.cheapest == "socket"
    assert found.break_even is not None
    [above] = found.break_even.distance_per_year
    assert above.at is not None
    assert (above.rival, above.at > above.now, above.by_shortage) == ("point", True, True)
    assert socket_or_point(above.at * 1.002, out, better).cheapest == "point"
    assert socket_or_point(above.at * 0.99, out, better).cheapest == "socket"


def test_a_choice_can_gain_its_place_by_a_rival_being_short() -> None:
    """At a shorter distance the socket is never short, and wins although totals don't cross."""
    out: Keys = {"charge_point": socket(), "planner": "at_once"}
    better: Keys = {"charge_point": point(), "planner": "at_once", "outlay": Decimal(900)}
    found = socket_or_point(45_000, out, better)
    assert found.cheapest == "point"
    assert totals(found)["socket"] < totals(found)["point"]
    assert found.break_even is not None
    [below] = found.break_even.distance_per_year
    assert below.at is not None
    # The charge point is short in neither case.
    assert (below.rival, below.by_shortage) == ("socket", False)
    assert 0 < below.at < below.now
    assert socket_or_point(below.at * 0.99, out, better).cheapest == "socket"
    assert socket_or_point(below.at * 1.01, out, better).cheapest == "point"
    # Only the charge point is never short, so no rate and no outlay makes another choice win.
    assert found.break_even.outlay.at is None
    assert found.break_even.rate.at is None


def test_nothing_changes_an_answer_between_choices_that_differ_by_an_outlay_alone() -> None:
    """With the same tariff and hours, neither distance nor rate makes the dearer one win."""
    dear = choice("dear", charge_point=point(), outlay=Decimal(700), planner="at_once")
    plain = choice("plain", charge_point=point(), planner="at_once")
    found = appraise(choices_file(dear, plain, tick_minutes=60), {})
    assert found.cheapest == "plain"
    assert found.break_even is not None
    assert found.break_even.distance_per_year == ()
    assert (found.break_even.rate.at, found.break_even.rate.rival) == (None, None)
    assert found.break_even.outlay.at == pytest.approx(700)


def test_a_single_choice_has_nothing_to_lose_to() -> None:
    """A single choice has no break-even point."""
    found = appraise(choices_file(choice("one"), tick_minutes=60), {})
    assert found.break_even is None
    assert found.cheapest == "one"


def hourly(more: Decimal = Decimal(0)) -> list[PricePoint]:
    """Make prices for a year and a week more, low at night and a little different each day."""
    file = three()
    days = [*days_of_year(2027), *days_of_year(2028)[:7]]
    shape = [Decimal(n) / 100 for n in (8, 7, 6, 6, 7, 9, 20, 26, 25, 22, 18, 15, 14, 14, 16, 19)]
    shape += [Decimal(n) / 100 for n in (23, 29, 31, 28, 22, 18, 14, 10)]
    points: dict[object, PricePoint] = {}
    for number, day in enumerate(days):
        start = local_midnight(day, file.zone)
        for hour, price in enumerate(shape):
            at = start + hour * HOUR
            points[at] = PricePoint(at, price + more + Decimal(number % 5) / 1000)
    return sorted(points.values(), key=lambda point: point.start)


def test_a_rate_that_can_not_fall_so_far_hides_none_to_which_it_can_rise() -> None:
    """A negative night rate would let the point win first, but nobody offers one."""
    dear = three(km=40_000, night="0.05", outlay=4000)
    found = appraise(dear, {})
    assert found.cheapest == "night"
    assert found.break_even is not None
    rate = found.break_even.rate
    assert rate.rival == "flat"
    assert rate.at is not None
    assert rate.at > rate.now
    assert_level(appraised(three(40_000, f"{rate.at:.9f}", 4000)), "night", rate)


@pytest.mark.parametrize("outlay", [300, 900])
def test_no_nearer_rate_than_the_one_found_changes_the_answer(outlay: float) -> None:
    """Four rates between are tried, beyond the highest rate for energy past the need."""
    found = appraise(three(20_000, outlay=outlay), {})
    assert found.break_even is not None
    rate = found.break_even.rate
    assert rate.at is not None
    for part in range(1, 5):
        between = rate.now + (rate.at - rate.now) * part / 5
        assert appraised(three(20_000, f"{between:.9f}", outlay)).cheapest == found.cheapest
    past = rate.at + 0.02 * (rate.at - rate.now)
    assert appraised(three(20_000, f"{past:.9f}", outlay)).cheapest != found.cheapest


def test_a_rate_past_which_nothing_more_is_wanted_is_found_where_the_total_jumps() -> None:
    """Above max_rate the weekend stores nothing for the week: 1832 a year become 1868, not 1850."""
    driving: Keys = DAILY | {
        "distance_per_year": "40000 km", "days": ["mon", "tue", "wed", "thu", "fri"],
    }  # fmt: skip
    night = choice("night", cheap_night("0.12", "0.50"), charge_point=socket(), **WANTED)
    at_once: Keys = {"charge_point": socket(), "planner": "at_once", "want_percent": 80.0}
    file = choices_file(
        choice("flat", flat("0.2523"), **at_once), night, driving=driving, tick_minutes=60,
        elsewhere_rate=Decimal(0),
    )  # fmt: skip
    found = appraise(file, {}).break_even
    assert found is not None
    assert found.rate.rival == "flat"
    assert found.rate.at == pytest.approx(0.25, abs=1e-9)


def test_where_two_cost_the_same_neither_takes_the_place_of_the_other() -> None:
    """Beyond 46,000 km a year one choice charges elsewhere; below that, both cost the same."""
    limits: Keys = {"want_percent": 40.0}
    file = choices_file(
        choice("full", want_percent=100.0), choice("forty", **limits),
        driving=DAILY | {"distance_per_year": "60000 km"}, tick_minutes=60,
    )  # fmt: skip
    found = appraise(file, {})
    assert found.cheapest == "full"
    assert found.choices[1].delivers_less_than(found.choices[0])
    full, forty = found.curve[2][1]
    assert full == pytest.approx(forty)
    assert found.break_even is not None
    assert found.break_even.distance_per_year == ()


def test_what_a_series_may_be_dearer_by_is_added_to_every_price() -> None:
    """The increase is 0 now; at the one found the rival costs the same; no plan has hindsight."""
    series = choice("series", price_series(), charge_point=socket(), need_percent=80.0)
    file = choices_file(
        choice("flat", flat(), charge_point=socket(), planner="at_once"), series, tick_minutes=60
    )
    found = appraise(file, {"series": hourly()})
    assert found.cheapest == "series"
    assumptions = " ".join(found.assumptions)
    assert "no plan knows prices before they are published" in assumptions
    assert "a price series repeats every year" in assumptions
    assert found.break_even is not None
    rate = found.break_even.rate
    assert (rate.now, rate.rival) == (0.0, "flat")
    assert rate.at is not None
    again = appraised(file, {"series": hourly(Decimal(f"{rate.at:.9f}"))})
    assert_level(again, "series", rate)
    dearer = appraised(file, {"series": hourly(Decimal(f"{rate.at + 0.002:.9f}"))})
    assert dearer.cheapest == "flat"


def test_a_rate_at_which_a_rival_costs_no_less_than_the_same_is_no_break_even() -> None:
    """Once the night costs as much as the day, and above, both buy the same energy by day."""
    slow: Keys = {"charge_point": socket(max_amps=6.0), "need_percent": 80.0}
    fast: Keys = {"charge_point": socket(), "need_percent": 80.0}
    file = choices_file(
        choice("fast", cheap_night(), **fast), choice("slow", cheap_night(), **slow),
        driving=DAILY | {"distance_per_year": "30000 km"}, tick_minutes=60,
    )  # fmt: skip
    found = appraise(file, {})
    assert found.cheapest == "fast"
    assert found.break_even is not None
    assert (found.break_even.rate.at, found.break_even.rate.rival) == (None, None)
