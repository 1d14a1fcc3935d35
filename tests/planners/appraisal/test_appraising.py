"""An appraisal as a whole: how choices are compared, and the edges of the year."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import numpy_financial
import pytest

from config.choices.choices_file import ChoicesFile
from config.files.errors import TariffError, UsageError
from config.files.price_series import PricePoint
from planners.appraisal.appraisal import ChoiceYear, Spread
from planners.appraisal.appraising import appraise
from planners.appraisal.choice_case import case_of
from planners.appraisal.ranking import Ranking, payback_years
from planners.appraisal.spreads import spread_of
from planners.year.driving_days import days_of_year, driving_of
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


@pytest.mark.parametrize(
    ("outlay_more", "saves", "years"),
    [
        (1000, 500, 2.0),
        (1000, 0, None),
        (1000, -10, None),
        (0, 100, 0.0),
        (0, 0, 0.0),
        (-200, 50, 0.0),
        (0, -5, None),
        (-200, -50, None),
    ],
)
def test_an_outlay_is_paid_back_by_what_is_saved(
    outlay_more: float, saves: float, years: float | None
) -> None:
    """Outlay over saving; nothing to pay back takes no time; what loses never pays."""
    assert payback_years(outlay_more, saves) == years


def test_the_fewest_nights_short_come_before_the_least_cost() -> None:
    """Of those, the cheapest; of several that cost the same, the first."""
    ranking = Ranking(
        year_costs=np.zeros((3, 4)),
        totals=np.array([[5.0, 1, 3, 9], [4, 2, 3, 9], [3, 3, 3, 8]]),
        nights_short=np.array([[0, 2, 0, 7], [0, 0, 0, 7], [1, 0, 0, 8]]),
        unpriced_kwh=np.zeros((3, 4)),
    )
    assert ranking.winners.tolist() == [1, 1, 0, 0]


@pytest.mark.parametrize("count", [1, 2, 19, 20, 21, 100, 1000])
def test_a_range_holds_nine_of_ten_and_its_ends_were_drawn(count: int) -> None:
    """By definition: the least value that 5 %, or 95 %, of the values do not exceed."""
    values = np.random.default_rng(count).gamma(2, 3, count)
    found = spread_of(values)
    assert {found.low, found.high} <= {*values.tolist()}
    for end, share in ((found.low, 0.05), (found.high, 0.95)):
        assert np.count_nonzero(values <= end) >= share * count - 1e-9
        assert np.count_nonzero(values < end) < share * count
    assert spread_of(np.array([1.0] * 90 + [np.inf] * 10)).high == np.inf


DRAWN: Keys = DAILY | {"spread_percent": 40.0, "draws": 30, "seed": 4}


def test_drawn_years_are_counted_and_lie_around_the_declared_one() -> None:
    """One choice wins in each; the same seed gives the same ranges; progress ends with all."""
    file = choices_file(
        choice("flat", charge_point=socket(), planner="at_once"),
        choice("night", cheap_night(), outlay=Decimal(700), **WANTED),
        driving=DRAWN, tick_minutes=60,
    )  # fmt: skip
    reports: list[tuple[int, int]] = []
    found = appraise(file, {}, progress=lambda done, of: reports.append((done, of)))
    assert sum(each.cheapest_in for each in found.choices) == 30
    assert reports[-1] == (60, 60)
    assert [done for done, _ in reports] == sorted(done for done, _ in reports)
    for each in found.choices:
        for name in ("energy_kwh", "cost", "cost_per_km", "total_over_years"):
            spread, middle = each.spreads[name], getattr(each, name)
            assert spread.low < spread.high
            assert spread.low == pytest.approx(middle, rel=0.15)
            assert spread.high == pytest.approx(middle, rel=0.15)
    assert appraise(file, {}) == found


def test_ranges_belong_to_the_figures_beside_them() -> None:
    """With hardly any spread every range is the declared figure, and no figure lacks a range.

    The need is not met, trips go beyond the battery, and the second choice never pays back.
    """
    driving = DRAWN | {"spread_percent": 1e-7, "draws": 3, "distance_per_year": "90000 km"}
    file = choices_file(
        choice("socket", charge_point=socket(), need_percent=70.0, planner="at_once"),
        choice("night", cheap_night("0.40", "0.45"), outlay=Decimal(10), need_percent=70.0),
        driving=driving, tick_minutes=60,
    )  # fmt: skip
    choices = appraise(file, {}).choices
    assert choices[0].nights_short > 0
    assert choices[0].charged_elsewhere_kwh > 0
    assert choices[1].payback_years is None
    for each in choices:
        assert set(each.spreads) == {
            "energy_kwh", "cost", "year_cost", "total_over_years", "saves_per_year",
            "payback_years", "nights_short", "shortfall_kwh", "charged_elsewhere_kwh",
            "cost_per_kwh", "cheapest_band_share", "cost_per_km", "cost_per_mile",
        }  # fmt: skip
        for name, spread in each.spreads.items():
            figure = getattr(each, name)
            figure = np.inf if figure is None else figure
            assert spread.low == pytest.approx(figure, rel=1e-4, abs=1e-4), name
            assert spread.high == pytest.approx(figure, rel=1e-4, abs=1e-4), name


def test_standing_charges_are_counted_by_the_days_of_the_year() -> None:
    """0.50 a day more with 15 % of tax: 365 days of 2027, 366 of 2028."""
    dear = flat(standing_charge=Decimal("0.80"), tax_percent=Decimal(15))
    plain = flat(standing_charge=Decimal("0.30"), tax_percent=Decimal(15))
    for year, days in ((2027, 365), (2028, 366)):
        file = choices_file(choice("plain", plain), choice("dear", dear), year=year)
        one, other = appraise(file, {}).choices
        assert one.standing_charge_difference == 0
        assert other.standing_charge == pytest.approx(0.80 * 1.15 * days)
        assert other.standing_charge_difference == pytest.approx(0.50 * 1.15 * days)
        assert other.year_cost == pytest.approx(other.cost + other.standing_charge_difference)
        assert other.saves_per_year == pytest.approx(-other.standing_charge_difference)
        assert other.nights == days
        assert other.total_over_years == pytest.approx(8 * other.year_cost)


def test_what_the_rest_of_the_home_uses_is_priced_by_its_hours() -> None:
    """9.6 kWh from 21:00 to 07:00, 7 of those 10 hours cheap; 2.4 kWh all day, 7 of 24 hours.

    On the days on which the clock changes an hour is missing or double, which is counted here hour
    by hour.
    """
    use: list[Keys] = [{"kwh_per_day": 9.6, "hours": "21:00-07:00"}, {"kwh_per_day": 2.4}]
    file = choices_file(choice("flat"), choice("night", cheap_night()), home_use=use)
    _, night = appraise(file, {}).choices
    cost = 0.0
    instant = datetime(2027, 1, 1, tzinfo=file.zone).astimezone(UTC)
    last = datetime(2028, 1, 1, tzinfo=file.zone).astimezone(UTC)
    while instant < last:
        hour = instant.astimezone(file.zone).hour
        kwh = 0.1 + (0.96 if hour >= 21 or hour < 7 else 0.0)
        cost += kwh * ((0.12 if hour >= 23 or hour < 6 else 0.32) - 0.28)
        instant += timedelta(hours=1)
    assert night.home_cost_difference == pytest.approx(cost)
    assert night.year_cost == pytest.approx(night.cost + cost)


def dated(*days: str) -> Keys:
    trips = [{"date": date.fromisoformat(day), "distance": "60 km"} for day in days]
    return {"leaves": "07:20", "returns": "18:10", "trips": trips}


def test_charging_is_planned_in_the_last_week_before_leaving() -> None:
    """After three weeks at home a plan begins seven days before, but charging at once does not."""
    driving = dated("2027-03-01", "2027-03-22")
    # After the last trip nothing says when it leaves: a day later, the margin before.
    rules = [choice("exact", cheap_night()), choice("now", cheap_night(), planner="at_once")]
    file = choices_file(*rules, driving=driving)
    days = driving_of(file)
    exact, now = (case_of(file, each, days, ()) for each in file.choices)
    lengths = [(each.windows.end - each.windows.first).tolist() for each in (exact, now)]
    assert lengths[0] == [7 * 48, 46]
    assert lengths[1][0] == 20 * 48 + 25
    one, other = appraise(file, {}).choices
    assert one.cost < other.cost
    assert one.energy_kwh == pytest.approx(other.energy_kwh) == pytest.approx(2 * 60 * 0.165 / 0.9)


def test_nights_without_time_to_charge_are_short_and_nothing_breaks() -> None:
    """Back ten minutes before it leaves again, with a margin of fifteen: there is no night."""
    driving = {"distance_per_year": "15000 km", "leaves": "07:20", "returns": "07:10"}
    file = choices_file(
        choice("one", want_percent=80.0), choice("two", cheap_night(), **WANTED), driving=driving
    )
    for each in appraise(file, {}).choices:
        assert (each.energy_kwh, each.cost, each.cost_per_kwh) == (0, 0, None)
        assert each.nights == 365
        assert each.nights_short > 360
        used = 15_000 * 0.165
        assert each.charged_elsewhere_kwh == pytest.approx(used - 0.8 * 52)
        assert each.longest_day_km == 0


def test_a_usual_night_of_long_stays_is_the_last_night_of_each() -> None:
    """Home from 18:10 until 07:05 two mornings later recharges no more than one night does."""
    days: Keys = {"leaves": "07:20", "returns": "18:10"}
    alternate = days | {"trips": [{"days": ["mon", "wed"], "distance": "60 km"}]}
    daily = days | {"trips": [{"days": ["mon", "tue", "wed", "thu", "fri"], "distance": "60 km"}]}
    slow = choice("one", cheap_night(), charge_point=socket(), need_percent=100.0)
    found = [
        appraise(choices_file(slow, driving=driving), {}).choices[0]
        for driving in (alternate, daily)
    ]
    assert found[0].longest_day_km == pytest.approx(found[1].longest_day_km)
    assert found[0].cheap_hours_km == pytest.approx(found[1].cheap_hours_km)


def test_a_full_taper_with_standby_is_computed_in_finite_time() -> None:
    """Near full the standby takes all, so that no number of ticks ever fills the battery."""
    taper = [[60, 100], [80, 60], [95, 4]]
    car = {"taper": taper, "standby_watts": 300.0, "chemistry": "lfp"}
    file = choices_file(choice("one", need_percent=90.0), vehicle=car, tick_minutes=5)
    [each] = appraise(file, {}).choices
    assert each.energy_kwh > 15_000 * 0.165 / 0.9
    assert each.longest_day_km is not None
    assert each.longest_day_km > 0


def test_a_year_needs_a_ledger_where_it_asks_for_one() -> None:
    """The file asks for a ledger, but none is given."""
    driving = {"leaves": "07:20", "returns": "18:10", "ledger": {"path": "l.db", "vehicle": "car"}}
    with pytest.raises(UsageError, match="expected a ledger with nights of at least 28 days"):
        appraise(choices_file(choice("one"), driving=driving), {})


def test_a_record_is_appraised_as_it_was() -> None:
    """The energy metered in each night of the record is the energy bought."""
    driving = {"leaves": "07:20", "returns": "18:10", "ledger": {"path": "l.db", "vehicle": "car"}}
    used = {day: 4000 + 500 * (n % 7) for n, day in enumerate(days_of_year(2027))}
    file = choices_file(choice("one", need_percent=80.0), driving=driving)
    found = appraise(file, {}, used)
    [each] = found.choices
    assert each.energy_kwh == pytest.approx(sum(used.values()) / 1000)
    assert each.cost == pytest.approx(each.energy_kwh * 0.28)
    assert (found.trips, each.nights_short) == (365, 0)
    assert not any("The ledger holds" in caution for caution in found.cautions)


def test_a_record_of_few_days_is_cautioned_about() -> None:
    """Five weeks in winter do not say what the summer is like."""
    driving = {"leaves": "07:20", "returns": "18:10", "ledger": {"path": "l.db", "vehicle": "car"}}
    used = dict.fromkeys(days_of_year(2027)[:35], 4000)
    found = appraise(choices_file(choice("one"), driving=driving), {}, used)
    assert found.cautions[0].startswith("The ledger holds 35 days of the year: other seasons")


def test_one_figure_agrees_with_another() -> None:
    """Bands add up, and costs by distance are those of the distance that was driven."""
    file = choices_file(
        choice("flat", charge_point=socket(), planner="at_once"),
        choice("night", cheap_night(), charge_point=point(), outlay=Decimal(900), **WANTED),
    )
    found = appraise(file, {})
    assert found.distance_km == pytest.approx(15_000)
    assert found.trips_kwh == pytest.approx(15_000 * 0.165)
    for each in found.choices:
        assert sum(line.kwh for line in each.by_band) == pytest.approx(each.energy_kwh)
        assert sum(line.cost for line in each.by_band) == pytest.approx(each.cost)
        assert each.cost_per_km == pytest.approx(each.cost / 15_000)
        assert each.cost_per_mile == pytest.approx(each.cost / 15_000 * 1.609344)
        assert each.cost_per_kwh == pytest.approx(each.cost / each.energy_kwh)
        assert each.total_over_years == pytest.approx(each.outlay + 8 * each.year_cost)
    first, night = found.choices
    assert night.saves_per_year == pytest.approx(first.year_cost - night.year_cost)
    assert night.payback_years == pytest.approx(900 / night.saves_per_year)
    cheap = [line.kwh for line in night.by_band if line.band == "night"]
    assert night.cheapest_band_share == pytest.approx(sum(cheap) / night.energy_kwh)
    middle = dict(found.curve)[found.distance_km or 0]
    assert middle == pytest.approx([each.total_over_years for each in found.choices])


def test_totals_are_present_values_of_what_is_paid() -> None:
    """Every payment by hand, discounted by numpy-financial 1.0.0; and when the outlay is back."""
    growth = {"energy_percent": 3.0, "standing_charge_percent": 1.0, "elsewhere_percent": 5.0}
    night = cheap_night("0.12", "0.36", standing_charge=Decimal("1.2"))
    lines = {
        "outlay": Decimal(1850),
        "grants": [{"amount": Decimal(500)}, {"amount": Decimal(300), "after_years": 2}],
        "maintenance": [{"amount": Decimal(60)}, {"amount": Decimal(90), "every_years": 4}],
    }
    file = choices_file(
        choice("flat", charge_point=socket()),
        choice("night", night, charge_point=socket(), **WANTED, **lines),
        driving=DAILY | {"distance_per_year": "90000 km"}, home_use=[{"kwh_per_day": 9.0}],
        elsewhere_rate=Decimal("0.7"), interest_percent=4.0, keep_years=6.0,
        price_growth=growth | {"maintenance_percent": 2.0}, tick_minutes=60,
    )  # fmt: skip
    first, other = appraise(file, {}).choices
    paid = [_paid(each) for each in (first, other)]
    for each, payments in zip((first, other), paid, strict=True):
        assert each.total_over_years == pytest.approx(numpy_financial.npv(0.04, payments))
    assert other.elsewhere_cost
    assert other.year_cost == pytest.approx(
        other.cost + other.home_cost_difference + other.standing_charge_difference
        + other.elsewhere_cost + 60 + 90 / 4
    )  # fmt: skip
    assert other.payback_years == pytest.approx((1850 - 800) / other.saves_per_year)
    saved = [one - two for one, two in zip(*paid, strict=True)]
    within = other.discounted_payback_years
    assert within is not None
    sums = [numpy_financial.npv(0.04, saved[: n + 1]) for n in range(7)]
    assert sums[int(within)] < 0 <= sums[int(within) + 1]


def _paid(each: ChoiceYear) -> list[float]:
    """List what a choice with these prices costs now, and at the end of each of six years."""
    payments = [each.outlay - (500.0 if each.grants else 0.0)]
    for year in range(6):
        energy = (each.cost + each.home_cost_difference) * 1.03**year
        standing = each.standing_charge_difference * 1.01**year
        payments.append(energy + standing + (each.elsewhere_cost or 0.0) * 1.05**year)
        if each.maintenance:
            payments[-1] += (60 + (90 if year == 3 else 0)) * 1.02**year
            payments[-1] -= 300 if year == 1 else 0
    return payments


def test_a_range_says_how_sure_its_ends_are() -> None:
    """The error of the 5th percentile of 400 normal numbers: sqrt(p q / n) / density, 0.106.

    The textbook's large-sample formula, and how much the percentile really varies between sets.
    """
    sets = np.random.default_rng(3).standard_normal((300, 400))
    spreads = [spread_of(each) for each in sets]
    errors = np.array([(each.low_error, each.high_error) for each in spreads])
    asymptotic = np.sqrt(0.05 * 0.95 / 400) / 0.10314
    assert errors.mean() == pytest.approx(asymptotic, rel=0.1)
    assert np.std([each.low for each in spreads]) == pytest.approx(errors[:, 0].mean(), rel=0.15)
    assert Spread(0.0, 10.0, 1.0, 0.5).draws_for(0.05, 100) == 400
    assert Spread(0.0, 10.0, 0.2, 0.1).draws_for(0.05, 100) == 16
    assert spread_of(np.full(7, 3.0)) == Spread(3.0, 3.0)


def test_missing_prices_name_the_file_the_choice_and_what_to_do() -> None:
    """A series that begins in March: plans for days ahead have nothing to estimate from."""
    file = choices_file(
        choice("flat"),
        choice("market", price_series()),
        driving=DAILY | {"days": ["tue", "fri"]},
        tick_minutes=60,
    )
    begins = datetime(2027, 3, 1, tzinfo=UTC)
    late = [PricePoint(begins + timedelta(hours=n), Decimal("0.2")) for n in range(24 * 400)]
    with pytest.raises(TariffError) as caught:
        appraise(file, {"market": late})
    assert str(caught.value).startswith(
        f"{Path('here/prices.csv')}: “market”: expected prices from 2027-01-01 to 2028-01-03, got"
        " 2027-03-01 to 2028-04-03"
    )
    assert str(caught.value).endswith("or set appraisal.year to a year that they cover")


# --- the same energy ----------------------------------------------------------------------------


def two_slow_ones(elsewhere_rate: str | None = None) -> ChoicesFile:
    """Make a year in which both choices leave every night short, the slower one by more."""
    hour = cheap_night("0.10", "0.30")
    hour["bands"][0]["hours"] = ["00:00-01:00"]
    slow, fast = (point(max_amps=amps) for amps in (6.0, 16.0))
    return choices_file(
        choice("slow", hour, charge_point=slow, planner="timer", need_percent=80.0),
        choice("fast", hour, charge_point=fast, planner="timer", need_percent=80.0),
        driving=DAILY | {"distance_per_year": "40000 km"}, tick_minutes=60,
        elsewhere_rate=None if elsewhere_rate is None else Decimal(elsewhere_rate),
    )  # fmt: skip


def test_the_choice_that_delivers_least_does_not_win_by_it() -> None:
    """Every night is short with both; without a price elsewhere, the faster one wins."""
    found = appraise(two_slow_ones(), {})
    slow, fast = found.choices
    assert slow.nights_short == fast.nights_short == slow.nights
    assert slow.year_cost < fast.year_cost
    assert slow.elsewhere_kwh > fast.elsewhere_kwh
    assert found.cheapest == "fast"
    assert slow.delivers_less_than(fast)


@pytest.mark.parametrize(("rate", "cheapest"), [("0.60", "fast"), ("0.01", "slow")])
def test_with_a_price_elsewhere_choices_are_compared_for_the_same_energy(
    rate: str, cheapest: str
) -> None:
    """Energy at home and elsewhere add up to the same; the totals hold both costs."""
    found = appraise(two_slow_ones(rate), {})
    assert found.cheapest == cheapest
    for each in found.choices:
        assert each.elsewhere_cost == pytest.approx(float(rate) * each.elsewhere_kwh)
        assert each.year_cost == pytest.approx(
            each.cost + float(rate) * each.elsewhere_kwh + each.standing_charge_difference
        )
        assert not each.delivers_less_than(found.choices[0])
    slow, fast = found.choices
    delivered = [0.9 * each.energy_kwh + each.elsewhere_kwh for each in (slow, fast)]
    assert delivered[0] == pytest.approx(delivered[1], abs=0.5)
    assert any("charged elsewhere, for" in words for words in found.assumptions)


def test_a_price_elsewhere_changes_nothing_where_nothing_is_short() -> None:
    """The same figures with and without it."""
    choices = [choice("flat", flat(), charge_point=point()), choice("night", cheap_night())]
    no_price: dict[str, Any] = {}
    price: dict[str, Any] = {"elsewhere_rate": Decimal("0.7")}
    plain, priced = (
        appraise(choices_file(*choices, driving=DAILY, tick_minutes=60, **more), {})
        for more in (no_price, price)
    )
    assert [each.total_over_years for each in plain.choices] == [
        each.total_over_years for each in priced.choices
    ]
    assert plain.assumptions == priced.assumptions


def test_what_is_missing_at_a_departure_is_bought_elsewhere() -> None:
    """By hand: 12 h of 6 A a night against 18.1 kWh a day; the nights are short no more.

    The night with an hour less and the one with an hour more cancel.
    """
    slow = choice("slow", charge_point=socket(max_amps=6.0), planner="at_once", need_percent=80.0)
    fast = choice("fast", charge_point=point(), planner="at_once", need_percent=80.0)
    driving = DAILY | {"distance_per_year": "40000 km"}
    file = choices_file(
        slow, fast, driving=driving, tick_minutes=60, elsewhere_rate=Decimal("0.7"),
        elsewhere_when_short=True,
    )  # fmt: skip
    found = appraise(file, {})
    first, other = found.choices
    a_day, a_night = 40_000 * 0.165 / 365, 12 * 6 * 0.230 * 0.9
    assert first.topped_up_kwh == pytest.approx(365 * (a_day - a_night), rel=1e-3)
    assert (first.nights_short, other.nights_short) == (0, 0)
    assert (first.nights_topped_up, other.nights_topped_up) == (365, 0)
    assert first.elsewhere_cost == pytest.approx(0.7 * first.topped_up_kwh)
    delivered = [0.9 * each.energy_kwh + each.elsewhere_kwh for each in found.choices]
    assert delivered == pytest.approx([40_000 * 0.165] * 2, rel=1e-3)
    assert not any("more than the battery holds" in words for words in found.cautions)


def test_a_share_is_charged_elsewhere_whatever_the_choice() -> None:
    """A quarter of the energy; home charging is that of three quarters of the distance."""
    choices = [choice("night", cheap_night(), charge_point=socket(), **WANTED)]
    driving = DAILY | {"distance_per_year": "20000 km"}
    keys: dict[str, Any] = {"elsewhere_rate": Decimal("0.5"), "elsewhere_share_percent": 25.0}
    whole = choices_file(*choices, driving=driving, tick_minutes=60, **keys)
    part = choices_file(
        *choices, driving=DAILY | {"distance_per_year": "15000 km"}, tick_minutes=60
    )
    (share,), (less,) = (appraise(each, {}).choices for each in (whole, part))
    assert share.shared_elsewhere_kwh == pytest.approx(20_000 * 0.165 / 4)
    assert share.elsewhere_cost == pytest.approx(0.5 * share.shared_elsewhere_kwh)
    assert (share.energy_kwh, share.cost) == pytest.approx((less.energy_kwh, less.cost))
    assert share.cost_per_km == pytest.approx(less.cost_per_km)
