"""Laws that every year of nights keeps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from planners.power.charging import metered_to
from planners.year.night_by_night import simulate
from planners.year.night_rules import ChargingRule
from planners.year.windows import NightWindows
from tests.planners.year.random_years import (
    CONSTANT,
    RATES,
    SOCKET,
    SmallYear,
    rates_of,
    small_years,
)

SAME = 1e-6
"""Energies and costs of a year may differ by what each night's beginning may [kWh, currency]."""


@given(small_years())
def test_all_nights_at_once_are_the_nights_one_after_another(year: SmallYear) -> None:
    """Energies and costs by band, what is missing at departures, and what is left at the end."""
    simulated = year.simulated()
    for place, trips in enumerate(year.trips_kwh):
        loop = year.night_by_night(trips)
        for line, rate in enumerate(RATES):
            kwh = loop.kwh[year.rates.line == line].sum()
            assert simulated.line_kwh[place, line] == pytest.approx(kwh, abs=SAME)
            assert simulated.line_cost[place, line] == pytest.approx(kwh * rate, abs=SAME)
        cheapest = loop.kwh[year.rates.rates == year.rates.rates.min()].sum()
        assert simulated.cheapest_kwh[place] == pytest.approx(cheapest, abs=SAME)
        assert simulated.ends_kwh[place] == pytest.approx(loop.after[-1], abs=SAME)
        need = year.rule.need_kwh
        reached = np.minimum(loop.after, need)
        low, high = (
            metered_to(year.rule.model, reached),
            metered_to(year.rule.model, need * np.ones(1)),
        )
        short = np.where(need - reached > 1e-6, high - low, 0.0)
        assert simulated.short_kwh[place] == pytest.approx(short, abs=SAME)
        assert simulated.nights_short[place] == np.count_nonzero(short)


@given(small_years())
def test_years_do_not_touch_each_other(year: SmallYear) -> None:
    """Each year has the same result alone as among the others."""
    together = year.simulated()
    for place in range(len(year.trips_kwh)):
        alone = replace(year, trips_kwh=year.trips_kwh[place : place + 1]).simulated()
        one = together.only(place)
        assert alone.line_kwh == pytest.approx(one.line_kwh, abs=SAME)
        assert alone.short_kwh == pytest.approx(one.short_kwh, abs=SAME)


@given(st.one_of(small_years("exact"), small_years("at_once"), small_years("timer")))
def test_what_is_bought_is_what_was_used(year: SmallYear) -> None:
    """The energy bought is that of the trips, plus what the battery gained over the year."""
    simulated, model = year.simulated(), year.rule.model
    assume(model.standby_kw == 0)
    used = year.trips_kwh.sum(axis=1) - simulated.elsewhere_kwh
    gained = used + simulated.ends_kwh - year.rule.want_kwh
    assert model.efficiency * simulated.energy_kwh == pytest.approx(gained, abs=SAME)
    assert (simulated.ends_kwh >= -SAME).all()
    assert (simulated.ends_kwh <= year.rule.want_kwh + SAME).all()


@given(small_years(want_only=True), st.sampled_from([0.01, 0.2, 1.0]))
def test_dearer_by_as_much_everywhere_costs_that_much_more(year: SmallYear, more: float) -> None:
    """If no rate exceeds the limit, the plan does not change."""
    dearer = replace(year, rates=rates_of(year.rates.line, more))
    before, after = year.simulated(), dearer.simulated()
    assert after.energy_kwh == pytest.approx(before.energy_kwh, abs=SAME)
    assert after.cost == pytest.approx(before.cost + more * before.energy_kwh, abs=SAME)


@given(small_years(want_only=True, plain=True), st.floats(1.0, 2.0))
def test_longer_trips_never_cost_less(year: SmallYear, times: float) -> None:
    """If all trips grow by one factor, every night begins with less, and rates are positive."""
    longer = replace(year, trips_kwh=times * year.trips_kwh)
    assert (longer.simulated().cost >= year.simulated().cost - SAME).all()


@given(small_years(want_only=True, plain=True))
def test_no_plain_rule_is_cheaper_than_the_plan(year: SmallYear) -> None:
    """No plain rule costs less if both charge to the want; at once is never shorter of it."""
    full = replace(year, rule=replace(year.rule, need_kwh=year.rule.want_kwh))
    exact = full.simulated()
    for planner in ("at_once", "timer"):
        rule = replace(full, rule=replace(full.rule, planner=planner)).simulated()
        whole = rule.nights_short + exact.nights_short == 0
        assert (exact.cost[whole] <= rule.cost[whole] + SAME).all()
        assert (exact.short_kwh.sum(axis=1) <= rule.short_kwh.sum(axis=1) + SAME).all()


@given(st.one_of(small_years("at_once"), small_years("timer")))
def test_plain_rules_charge_from_the_first_of_their_ticks_on(year: SmallYear) -> None:
    """They use whole ticks up to the want and none after it; a timer's are the cheapest."""
    [simulated] = [year.simulated().only(0)]
    model, stored, metered = year.rule.model, year.rule.want_kwh, 0.0
    nights = zip(year.windows.first, year.windows.end, year.trips_kwh[0], strict=True)
    for first, end, trip in nights:
        stored = max(0.0, stored - float(trip))
        rates = year.rates.rates[first:end].tolist()
        lowest = min(rates, default=0.0)
        for rate in rates:
            if year.rule.planner == "timer" and rate > lowest:
                continue
            drawn = 0.5 * model.metered_kw(stored)
            gained = 0.5 * model.gained_kw(model.metered_kw(stored))
            missing = year.rule.want_kwh - stored
            if missing <= 1e-9 or gained <= 0:
                break
            share = min(1.0, missing / gained)
            stored, metered = stored + share * gained, metered + share * drawn
    assert simulated.energy_kwh[0] == pytest.approx(metered, abs=SAME)
    assert simulated.ends_kwh[0] == pytest.approx(stored, abs=SAME)


def two_nights(trip_kwh: float, **changes: float) -> SmallYear:
    """Two nights of twelve hours at a socket, the cheap band from midnight to six."""
    line = np.tile(np.repeat([0, 1], [12, 36]), 4).astype(np.intp)
    rules = ChargingRule(
        planner="exact", model=SOCKET, need_kwh=20.0, want_kwh=40.0, max_rate=0.1, tick_hours=0.5,
        is_series=False,
    )  # fmt: skip
    windows = NightWindows(np.array([36, 84]), np.array([60, 108]))
    rules = replace(rules, **changes)  # type: ignore[arg-type]
    return SmallYear(rates_of(line), windows, rules, np.array([[trip_kwh, 0.0]]))


def test_only_what_is_needed_can_be_missing() -> None:
    """30 of 40 kWh are used, the need is 20: nothing is missing, though 40 are never reached.

    Six cheap hours at 2.3 kW bring 12.42 kWh to the battery, the next night's only what is left.
    """
    simulated = two_nights(30.0).simulated()
    assert simulated.nights_short[0] == 0
    assert simulated.line_kwh[0] == pytest.approx([12 * 2.3, 0, 0])
    assert simulated.ends_kwh[0] == pytest.approx(10 + 2 * 6 * 2.3 * 0.9)


def test_a_trip_beyond_the_battery_is_charged_elsewhere() -> None:
    """55 kWh of 40 that there are: 15 are charged elsewhere, and the night begins empty."""
    simulated = two_nights(55.0).simulated()
    assert simulated.elsewhere_kwh[0] == pytest.approx(15)
    # Twelve hours bring 24.84: the need of 20 takes 20 of 24 ticks, all cheap ones among them. The
    # last is a cheap one, and goes on past the need.
    assert simulated.nights_short[0] == 0
    assert simulated.line_kwh[0, 0] == pytest.approx(2 * 6 * 2.3)
    assert simulated.line_kwh[0].sum() == pytest.approx((20 + 12) * 2.3 / 2)


def test_what_is_missing_is_metered_energy() -> None:
    """A need of 30 from nothing in twelve hours of 2.3 kW: 30 / 0.9 - 27.6 are missing."""
    simulated = two_nights(55.0, need_kwh=30.0).simulated()
    assert simulated.nights_short[0] == 1
    assert simulated.short_kwh[0] == pytest.approx([30 / 0.9 - 27.6, 0.0])


def test_progress_is_reported_until_all_years_are_done() -> None:
    """Years are simulated in parts, to bound the memory, and each part is reported."""
    year = two_nights(10.0)
    many = np.repeat(year.trips_kwh, 32_000, axis=0)
    reports: list[int] = []
    simulated = simulate(
        year.rates, year.windows.groups(year.rates), year.rule, many, reports.append
    )
    assert sum(reports) == 32_000 == len(simulated.cost)
    assert len(reports) > 1
    assert np.ptp(simulated.cost) == 0
    assert year.rule.model.full_kw < CONSTANT.full_kw
