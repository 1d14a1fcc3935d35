"""Charge points get less at once, and more only after the home's load has stayed lower."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.simulated.home import home_amps
from planners.power.live_load import (
    LOWER_FOR,
    SILENCE,
    SMALLEST_RISE,
    LiveLoad,
    OwnCurrent,
    amps_for_charging,
    rest_of_home,
    with_load,
)

AT = datetime(2026, 6, 3, 9, tzinfo=UTC)
SECOND = timedelta(seconds=1)
FUSE = 40.0


def after(*loads: tuple[int, float]) -> LiveLoad:
    """Return what readings of one phase show, each at so many seconds."""
    known: LiveLoad | None = None
    for second, amps in loads:
        known = with_load(known, AT + second * SECOND, (amps,), (amps,))
    assert known is not None
    return known


def left(known: LiveLoad, most_amps: float | None = FUSE) -> float | None:
    """Return what is left on the one phase at the last reading."""
    amps = amps_for_charging(known, known.at, None if most_amps is None else (most_amps,))
    return None if amps is None else amps[0]


def steady(amps: float, first: int, last: int) -> list[tuple[int, float]]:
    """List a reading every 5 seconds."""
    return [(second, amps) for second in range(first, last, 5)]


WAIT = int(LOWER_FOR.total_seconds())


def test_more_load_leaves_less_at_once() -> None:
    """The first reading that shows more is enough."""
    assert left(after((0, 3.0))) == 37
    assert left(after((0, 3.0), (1, 25.0))) == 15
    assert left(after((0, 3.0), (1, 60.0))) == 0


def test_less_load_leaves_more_only_after_a_while() -> None:
    """The highest reading of the time in which the load was lower counts from then on."""
    readings = [*steady(25.0, 0, 10), (10, 12.0), *steady(10.0, 15, 10 + WAIT)]
    assert left(after(*readings)) == 15
    assert left(after(*readings, (10 + WAIT, 10.0))) == 28


def test_a_load_that_comes_back_in_time_changes_nothing() -> None:
    """The wait begins anew: a thermostat does not make the current go up and down."""
    cycles = [
        (second, 20.0 if second % 100 < 40 else 8.0)
        for second in range(0, 10 * WAIT, 5)
    ]  # fmt: skip
    assert {left(after(*cycles[: count + 1])) for count in range(len(cycles))} == {20.0}


def test_a_small_rise_is_not_worth_a_change() -> None:
    """A load that is lower by less than the smallest rise leaves what it left."""
    almost = 25.0 - SMALLEST_RISE + 0.1
    assert left(after((0, 25.0), *steady(almost, 5, 3 * WAIT))) == 15


def test_after_a_silence_nothing_is_known() -> None:
    """30 seconds after the last reading the fixed shares hold again."""
    known = after((0, 38.0))
    assert amps_for_charging(known, AT + SILENCE, (FUSE,)) == (2.0,)
    assert amps_for_charging(known, AT + SILENCE + SECOND, (FUSE,)) is None
    assert amps_for_charging(None, AT, (FUSE,)) is None
    assert left(known, None) is None


def test_a_silence_is_no_lower_load() -> None:
    """What was not heard counts for nothing: the wait for a lower load begins anew."""
    readings = [(0, 25.0), (5, 10.0), (WAIT - 5, 10.0), (WAIT + 10, 10.0)]
    assert left(after(*readings)) == 15
    assert left(after((0, 25.0), (WAIT + 1, 10.0))) == 30


def test_an_earlier_reading_that_comes_late_changes_nothing() -> None:
    """The latest instant counts, not the latest arrival."""
    assert left(after((10, 5.0), (5, 30.0))) == 35


def test_another_number_of_phases_begins_anew() -> None:
    """Each phase has its own load; a current the wrong way round counts by its size."""
    known = with_load(after((0, 30.0)), AT + SECOND, (1.0, -22.0, 3.0), (1.0, -22.0, 3.0))
    assert amps_for_charging(known, known.at, (40.0, 30.0, 40.0)) == (39.0, 8.0, 37.0)


@pytest.mark.parametrize(
    ("total", "expected"),
    [
        (30.0, 14.0),  # below the fuse: the vehicle may follow the new command already
        (44.0, 34.0),  # above it: the vehicle counts with no more than it is known to draw
        (12.0, 0.0),
        (-30.0, 14.0),
    ],
)
def test_the_charge_points_own_current_is_taken_out(total: float, expected: float) -> None:
    """What a meter of the whole home shows is that of the rest and theirs."""
    own = OwnCurrent(least=(10.0,), most=(16.0,))
    assert rest_of_home((total,), own, (FUSE,)) == (expected,)


def test_readings_that_come_seldom_count_until_the_next() -> None:
    """After a first silence nothing is known; then for 3 minutes, until they come often again."""
    once = after((0, 30.0), (60, 30.0))
    assert (once.gap, once.is_steady(once.at)) == (60 * SECOND, False)
    assert amps_for_charging(once, once.at + LOWER_FOR, (FUSE,)) == (10.0,)
    assert amps_for_charging(once, once.at + LOWER_FOR + SECOND, (FUSE,)) is None
    lower = after((0, 30.0), *((60 * minute, 5.0) for minute in range(1, 6)))
    assert amps_for_charging(lower, lower.at, (FUSE,)) == (35.0,)
    often = after((0, 30.0), *((60 + 20 * k, 5.0) for k in range(9)))
    assert not often.is_steady(often.at)
    often = after((0, 30.0), *((60 + 20 * k, 5.0) for k in range(10)))
    assert often.is_steady(often.at + SILENCE)
    assert not often.is_steady(often.at + SILENCE + SECOND)


LOADS = st.lists(
    st.tuples(st.integers(1, 60), st.floats(0, 80, allow_nan=False)), min_size=1, max_size=80
)


@given(LOADS, st.floats(0, 10))
def test_never_more_than_the_fuse_leaves(loads: list[tuple[int, float]], reserve: float) -> None:
    """No reading leaves more than the fuse less the reserve and the load that it shows."""
    known, at = None, AT
    for gap, amps in loads:
        at += gap * SECOND
        known = with_load(known, at, (amps,), (amps,))
        given_amps = left(known, FUSE - reserve)
        assert given_amps is not None
        assert 0 <= given_amps <= max(0.0, FUSE - reserve - amps)


@given(LOADS)
def test_rises_are_few_and_no_smaller_than_a_step(loads: list[tuple[int, float]]) -> None:
    """One in each wait at the most, however the load jumps."""
    known, at, before, rises = None, AT, None, 0
    for gap, amps in loads:
        at += gap * SECOND
        known = with_load(known, at, (amps,), (amps,))
        count = known.phases[0].amps
        if before is not None and count < before:
            assert before - count >= SMALLEST_RISE
            rises += 1
        before = count
    assert rises <= (at - AT) / LOWER_FOR


def test_a_busy_home_starts_a_charge_point_few_times_a_day() -> None:
    """Behind 25 A, an oven, a hob and a heat pump leave it alone; without a wait it is 72 times."""
    known, on, starts = None, False, 0
    for second in range(0, 24 * 3600, 5):
        amps = home_amps(second)
        known = with_load(known, AT + second * SECOND, amps, amps)
        was_on, on = on, (left(known, 25.0) or 0.0) >= 6
        starts += on and not was_on
    assert starts == 5
