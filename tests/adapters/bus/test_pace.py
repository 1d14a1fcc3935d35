"""The pace of a reader: a flood is slowed down, and usual traffic never."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.bus.pace import BURST_SECONDS, FLOOD_SECONDS, REST_SECONDS, Pace


def read(pace: Pace, seconds: float, each_seconds: float, begin: float = 0.0) -> int:
    """Read as fast as the pace allows; return how many messages came in the time."""
    now, count = begin, 0
    while now < begin + seconds:
        now += each_seconds + pace.rest_seconds(now)
        count += 1
    return count


def test_a_flood_is_read_at_the_given_rate() -> None:
    """Of 10,000 messages a second for a minute 500 a second are read, after a burst of 500."""
    assert read(Pace(500.0), 60.0, 1 / 10_000) == pytest.approx(60 * 500 + 500, rel=0.02)


def test_a_burst_is_read_without_a_rest() -> None:
    """What waited at the broker for an hour is no flood; after a quiet second, again."""
    pace = Pace(100.0)
    for begin in (0.0, 5.0):
        rests = [pace.rest_seconds(begin) for _ in range(101)]
        assert rests[:99] == [0.0] * 99
        assert rests[100] > 0.0


def test_without_a_limit_there_is_no_rest() -> None:
    """A connection without a limit reads all that comes."""
    pace = Pace(None)
    assert {pace.rest_seconds(0.0) for _ in range(10_000)} == {0.0}


@given(st.lists(st.floats(0, 2), min_size=1, max_size=300), st.floats(1, 50))
def test_never_more_than_the_rate_and_a_burst(pauses: list[float], rate: float) -> None:
    """However the messages are spread over time; and no single rest is long."""
    pace, now, begins = Pace(rate), 0.0, 0.0
    for count, pause in enumerate(pauses, start=1):
        now += pause
        begins = begins or now
        rest = pace.rest_seconds(now)
        assert 0 <= rest <= REST_SECONDS + 1 / rate
        now += rest
        assert count <= (now - begins + BURST_SECONDS) * rate + 1


@pytest.mark.parametrize(("each_seconds", "is_flooded"), [(1 / 1000, True), (1 / 90, False)])
def test_what_is_a_flood(each_seconds: float, *, is_flooded: bool) -> None:
    """More than the rate for ten seconds; less than the rate never, however long."""
    pace = Pace(100.0)
    read(pace, FLOOD_SECONDS - 0.5, each_seconds)
    assert not pace.is_flooded(FLOOD_SECONDS - 0.5)
    read(pace, 60.0, each_seconds, begin=FLOOD_SECONDS - 0.5)
    assert pace.is_flooded(FLOOD_SECONDS + 60.0) is is_flooded


def test_without_a_limit_nothing_is_a_flood() -> None:
    """A connection without a limit is never given up for its messages."""
    pace = Pace(None)
    for milliseconds in range(20_000):
        pace.rest_seconds(milliseconds / 1000)
        assert not pace.is_flooded(milliseconds / 1000)
