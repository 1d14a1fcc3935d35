"""Ticks between now and a departure, and the fragment before them."""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planners.plan.window import window_of
from tests.planners.households import band, band_prices
from tests.planners.planned import always, minutes, utc

ZONES = [
    "Europe/London", "Europe/Berlin", "America/New_York", "Australia/Lord_Howe",
    "Pacific/Auckland", "Pacific/Chatham", "Antarctica/Troll", "Asia/Kathmandu",
]  # fmt: skip


@pytest.mark.parametrize(
    ("zone", "first"),
    [("Pacific/Auckland", "09:00"), ("Asia/Kathmandu", "09:15"), ("Pacific/Chatham", "09:15"),
     ("Australia/Lord_Howe", "09:00")],
)  # fmt: skip
def test_ticks_are_aligned_to_the_local_clock(zone: str, first: str) -> None:
    """Half-hour ticks begin at :00 and :30 local, which is :15 and :45 UTC in Kathmandu."""
    window = window_of(
        band_prices(zone, band("all")),
        utc("2026-06-03T08:50"),
        utc("2026-06-03T12:00"),
        30,
        always(32),
    )
    assert f"{window.ticks[0].start:%H:%M}" == first
    assert window.fragment is not None
    assert window.fragment.start == utc("2026-06-03T08:50")
    assert window.fragment.end() == window.ticks[0].start


@pytest.mark.parametrize(
    ("hours", "tick", "cut"),
    [
        ("21:00-07:00", 5, 5),
        ("23:33-05:00", 5, 1),
        ("23:33-05:00", 60, 3),
        ("23:15-05:45", 60, 15),
        ("23:40-05:20", 30, 10),
        ("23:30-05:30", 60, 30),
    ],
)
def test_ticks_are_cut_finer_only_where_a_rate_changes_off_tick(
    hours: str, tick: int, cut: int
) -> None:
    """The tick is the longest divisor of the household's tick with no change of rate inside one."""
    prices = band_prices("Pacific/Auckland", band("low", "0.1", hours=[hours]), band("high"))
    window = window_of(prices, utc("2026-06-03T06:30"), utc("2026-06-03T19:05"), tick, always(32))
    assert window.tick_minutes == cut


@given(
    st.sampled_from(ZONES),
    st.integers(0, 366 * 24 * 3600),
    st.integers(0, 40 * 60),
    st.sampled_from([5, 10, 15, 30, 60]),
)
def test_ticks_cover_the_time_and_hold_one_rate_each(
    zone: str, second: int, length: int, tick: int
) -> None:
    """Fragment and ticks follow without a gap from now on, end in time, and hold one rate each."""
    prices = band_prices(zone, band("low", "0.1", hours=["23:30-05:30"]), band("high"))
    now = utc("2026-01-01T00:00:00") + timedelta(seconds=second)
    ready_by = now + minutes(length)
    window = window_of(prices, now, ready_by, tick, always(32))
    step = minutes(window.tick_minutes)
    assert tick % window.tick_minutes == 0
    for earlier, later in pairwise(window.slots):
        assert earlier.end() == later.start
    if not window.ticks:
        assert window.fragment is None
        assert length < 2 * tick
        return
    assert window.slots[0].start == now
    assert window.fragment is None or window.fragment.hours < window.tick_hours
    assert ready_by - step < window.ticks[-1].end() <= ready_by
    for slot in window.ticks:
        assert slot.hours == window.tick_hours
        assert slot.span.start <= slot.start
        assert slot.end() <= slot.span.end
        local = slot.start.astimezone(ZoneInfo(zone))
        assert (60 * local.hour + local.minute) % window.tick_minutes == 0


@pytest.mark.parametrize("ready_by", ["2026-06-03T06:00", "2026-06-03T06:32", "2026-06-03T06:35"])
def test_there_is_no_tick_where_there_is_no_time_for_one(ready_by: str) -> None:
    """Ready before now, or before the first tick ends: nothing can be planned."""
    prices = band_prices("Pacific/Auckland", band("all"))
    window = window_of(prices, utc("2026-06-03T06:32"), utc(ready_by), 5, always(32))
    assert (window.fragment, window.ticks, window.slots) == (None, (), ())
    assert window.prices_per_kwh.shape == (0,)


@pytest.mark.parametrize(
    ("zone", "start", "end", "ticks"),
    [
        ("Europe/London", "2026-03-28T18:00", "2026-03-29T06:00", 24),
        ("Europe/London", "2026-10-24T17:00", "2026-10-25T07:00", 28),
        ("Pacific/Auckland", "2026-04-04T06:00", "2026-04-04T19:00", 26),
        ("Australia/Lord_Howe", "2026-10-03T07:30", "2026-10-03T20:00", 25),
    ],
)
def test_a_clock_change_neither_adds_nor_loses_time(
    zone: str, start: str, end: str, ticks: int
) -> None:
    """There are as many half-hour ticks as there are half hours between two instants."""
    prices = band_prices(zone, band("low", "0.1", hours=["23:30-05:30"]), band("high"))
    window = window_of(prices, utc(start), utc(end), 30, always(32))
    assert len(window.ticks) == ticks
    assert len(window.prices_per_kwh) == ticks
