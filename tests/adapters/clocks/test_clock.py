"""Clocks: one that ticks in UTC, one that only moves forwards, and only when advanced."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

from adapters.clocks.clock import Clock, SystemClock, VirtualClock

NOON = datetime(2026, 6, 3, 0, 0, tzinfo=UTC)


def test_the_system_clock_is_in_utc() -> None:
    """The machine's clock is read as an aware datetime in UTC, and does not stand still."""
    clock: Clock = SystemClock()
    first = clock.now()
    assert first.tzinfo is UTC
    assert clock.now() >= first
    passed = clock.seconds()
    assert clock.seconds() >= passed >= 0.0


def test_the_virtual_clock_stands_still() -> None:
    """It shows its start until it is advanced, and then exactly that instant."""
    clock = VirtualClock(NOON)
    assert clock.now() == clock.now() == NOON
    assert clock.seconds() == 0.0
    clock.advance_to(NOON + timedelta(hours=1))
    assert clock.seconds() == 3600.0
    assert clock.now() == NOON + timedelta(hours=1)
    clock.advance_to(clock.now())
    assert clock.now() == NOON + timedelta(hours=1)


def test_the_virtual_clock_never_runs_backwards() -> None:
    """An instant before the present is refused, and the clock stays where it was."""
    clock = VirtualClock(NOON)
    with pytest.raises(ValueError, match="cannot run backwards"):
        clock.advance_to(NOON - timedelta(microseconds=1))
    assert clock.now() == NOON


def test_it_is_in_utc_whatever_it_is_given() -> None:
    """Instants with another offset are shown in UTC; naive ones are refused."""
    auckland = timezone(timedelta(hours=12))
    clock = VirtualClock(NOON.astimezone(auckland))
    assert clock.now().isoformat() == "2026-06-03T00:00:00+00:00"
    with pytest.raises(ValueError, match="offset"):
        clock.advance_to(datetime(2027, 1, 1))  # noqa: DTZ001 - naive on purpose
    with pytest.raises(ValueError, match="offset"):
        VirtualClock(datetime(2027, 1, 1))  # noqa: DTZ001 - naive on purpose
