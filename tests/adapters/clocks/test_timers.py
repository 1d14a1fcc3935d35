"""The timer wakes at the instant, also when late or after a failure, until it is stopped."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import datetime, timedelta

import pytest

from adapters.clocks import timers
from adapters.clocks.clock import SystemClock
from adapters.clocks.timers import WakeUpTimer
from tests.support.waiting import wait_until

StartTimer = Callable[[Callable[[], None]], WakeUpTimer]


class WakeUps:
    """Records when each wake-up came."""

    def __init__(self) -> None:
        self.at: list[datetime] = []

    def __call__(self) -> None:
        self.at.append(SystemClock().now())


@pytest.fixture
def started() -> Iterator[StartTimer]:
    """Start timers that end with the test."""
    with ExitStack() as ending:

        def start(wake: Callable[[], None]) -> WakeUpTimer:
            timer = WakeUpTimer(wake)
            timer.start()
            ending.callback(timer.stop)
            return timer

        yield start


def _soon(seconds: float) -> datetime:
    return SystemClock().now() + timedelta(seconds=seconds)


def test_it_wakes_at_the_instant(started: StartTimer) -> None:
    """The wake-up comes once, and not before its instant."""
    wake_ups = WakeUps()
    wanted = _soon(0.1)
    started(wake_ups).wake_at(wanted)
    wait_until(lambda: wake_ups.at)
    assert wake_ups.at[0] >= wanted
    assert len(wake_ups.at) == 1


def test_the_latest_instant_counts(started: StartTimer) -> None:
    """A new instant replaces the one before it, whether earlier or later."""
    wake_ups = WakeUps()
    timer = started(wake_ups)
    timer.wake_at(_soon(3600))
    timer.wake_at(_soon(0.05))
    wait_until(lambda: len(wake_ups.at) == 1)
    timer.wake_at(_soon(0.05))
    timer.wake_at(_soon(3600))
    timer.wake_at(_soon(0.2))
    wait_until(lambda: len(wake_ups.at) == 2)
    assert len(wake_ups.at) == 2


def test_none_cancels_the_wake_up(started: StartTimer) -> None:
    """After None no wake-up comes; None does no harm if none was asked for."""
    wake_ups = WakeUps()
    timer = started(wake_ups)
    timer.wake_at(None)
    timer.wake_at(_soon(0.05))
    timer.wake_at(None)
    later = WakeUps()
    started(later).wake_at(_soon(0.15))
    wait_until(lambda: later.at)
    assert wake_ups.at == []


@pytest.mark.parametrize("seconds", [0.0, 5.0, 86_400.0])
def test_a_late_wake_up_still_comes(seconds: float, started: StartTimer) -> None:
    """An instant that has passed, however long ago, wakes at once."""
    wake_ups = WakeUps()
    started(wake_ups).wake_at(_soon(-seconds))
    wait_until(lambda: wake_ups.at)
    assert len(wake_ups.at) == 1


def test_it_wakes_regularly(monkeypatch: pytest.MonkeyPatch, started: StartTimer) -> None:
    """Whatever was asked for, it wakes again and again; 15 seconds apart unless changed here."""
    assert timers.WAKES_EVERY_SECONDS == 15
    monkeypatch.setattr(timers, "WAKES_EVERY_SECONDS", 0.05)
    wake_ups = WakeUps()
    started(wake_ups).wake_at(_soon(3600))
    wait_until(lambda: len(wake_ups.at) >= 3)


def test_a_wake_up_that_fails(capsys: pytest.CaptureFixture[str], started: StartTimer) -> None:
    """An exception in a wake-up is logged, and the next one comes."""
    wake_ups = WakeUps()

    def fail_at_first() -> None:
        wake_ups()
        if len(wake_ups.at) == 1:
            raise RuntimeError("cannot hear")

    timer = started(fail_at_first)
    timer.wake_at(_soon(0))
    wait_until(lambda: len(wake_ups.at) == 1)
    timer.wake_at(_soon(0))
    wait_until(lambda: len(wake_ups.at) == 2)
    assert "cannot hear" in capsys.readouterr().out


def test_after_a_stop_it_is_silent(started: StartTimer) -> None:
    """A stopped timer wakes nobody; stopping again, or before a start, does nothing."""
    wake_ups = WakeUps()
    timer = WakeUpTimer(wake_ups)
    timer.stop()
    timer.start()
    timer.wake_at(_soon(0.05))
    timer.stop()
    timer.stop()
    later = WakeUps()
    started(later).wake_at(_soon(0.15))
    wait_until(lambda: later.at)
    assert wake_ups.at == []


def test_an_instant_asked_for_before_the_start() -> None:
    """Its wake-up comes after the start."""
    wake_ups = WakeUps()
    timer = WakeUpTimer(wake_ups)
    timer.wake_at(_soon(0))
    timer.start()
    wait_until(lambda: wake_ups.at)
    timer.stop()


def test_a_naive_instant_is_refused() -> None:
    """An instant without an offset is a programming error."""
    with pytest.raises(ValueError, match="offset"):
        WakeUpTimer(WakeUps()).wake_at(datetime(2027, 1, 1))  # noqa: DTZ001 - naive on purpose
