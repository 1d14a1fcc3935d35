"""The bell: rings when asked, also when late, keeps at it when a ring fails, ends when stopped."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import datetime, timedelta

import pytest

from adapters.clocks import timers
from adapters.clocks.clock import SystemClock
from adapters.clocks.timers import Bell
from tests.support.waiting import wait_until

StartBell = Callable[[Callable[[], None]], Bell]


class Rings:
    """Counts rings."""

    def __init__(self) -> None:
        self.at: list[datetime] = []

    def __call__(self) -> None:
        self.at.append(SystemClock().now())


@pytest.fixture
def started() -> Iterator[StartBell]:
    """Start bells that end with the test."""
    with ExitStack() as ending:

        def start(ring: Callable[[], None]) -> Bell:
            bell = Bell(ring)
            bell.start()
            ending.callback(bell.stop)
            return bell

        yield start


def _soon(seconds: float) -> datetime:
    return SystemClock().now() + timedelta(seconds=seconds)


def test_it_rings_at_the_instant(started: StartBell) -> None:
    """A wanted ring comes once, and not before its instant."""
    rings = Rings()
    wanted = _soon(0.1)
    started(rings).ring_at(wanted)
    wait_until(lambda: rings.at)
    assert rings.at[0] >= wanted
    assert len(rings.at) == 1


def test_the_latest_wish_counts(started: StartBell) -> None:
    """A new instant takes the place of the one before it, sooner or later."""
    rings = Rings()
    bell = started(rings)
    bell.ring_at(_soon(3600))
    bell.ring_at(_soon(0.05))
    wait_until(lambda: len(rings.at) == 1)
    bell.ring_at(_soon(0.05))
    bell.ring_at(_soon(3600))
    bell.ring_at(_soon(0.2))
    wait_until(lambda: len(rings.at) == 2)
    assert len(rings.at) == 2


def test_none_takes_the_wish_back(started: StartBell) -> None:
    """After None the ring that was wanted does not come; None is fine with nothing wanted too."""
    rings = Rings()
    bell = started(rings)
    bell.ring_at(None)
    bell.ring_at(_soon(0.05))
    bell.ring_at(None)
    later = Rings()
    started(later).ring_at(_soon(0.15))
    wait_until(lambda: later.at)
    assert rings.at == []


@pytest.mark.parametrize("seconds", [0.0, 5.0, 86_400.0])
def test_a_late_ring_is_rung(seconds: float, started: StartBell) -> None:
    """An instant that has passed, however long ago, rings at once."""
    rings = Rings()
    started(rings).ring_at(_soon(-seconds))
    wait_until(lambda: rings.at)
    assert len(rings.at) == 1


def test_it_rings_regularly(monkeypatch: pytest.MonkeyPatch, started: StartBell) -> None:
    """Whatever is wanted or not, it rings again and again; 15 seconds apart unless changed here."""
    assert timers.REGULAR_RING_SECONDS == 15
    monkeypatch.setattr(timers, "REGULAR_RING_SECONDS", 0.05)
    rings = Rings()
    started(rings).ring_at(_soon(3600))
    wait_until(lambda: len(rings.at) >= 3)


def test_a_ring_that_fails(capsys: pytest.CaptureFixture[str], started: StartBell) -> None:
    """An exception in a ring is logged, and the next one rings."""
    rings = Rings()

    def fail_at_first() -> None:
        rings()
        if len(rings.at) == 1:
            raise RuntimeError("cannot hear")

    bell = started(fail_at_first)
    bell.ring_at(_soon(0))
    wait_until(lambda: len(rings.at) == 1)
    bell.ring_at(_soon(0))
    wait_until(lambda: len(rings.at) == 2)
    assert "cannot hear" in capsys.readouterr().out


def test_after_a_stop_it_is_silent(started: StartBell) -> None:
    """A stopped bell rings no more; stopping again, or before a start, does nothing."""
    rings = Rings()
    bell = Bell(rings)
    bell.stop()
    bell.start()
    bell.ring_at(_soon(0.05))
    bell.stop()
    bell.stop()
    later = Rings()
    started(later).ring_at(_soon(0.15))
    wait_until(lambda: later.at)
    assert rings.at == []


def test_a_wish_before_the_start() -> None:
    """An instant that was asked for before the start is rung after it."""
    rings = Rings()
    bell = Bell(rings)
    bell.ring_at(_soon(0))
    bell.start()
    wait_until(lambda: rings.at)
    bell.stop()


def test_a_naive_instant_is_refused() -> None:
    """An instant without an offset is a mistake of the caller."""
    with pytest.raises(ValueError, match="offset"):
        Bell(Rings()).ring_at(datetime(2027, 1, 1))  # noqa: DTZ001 - naive on purpose
