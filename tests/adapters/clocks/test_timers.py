"""The timer wakes at the instant, also when late or after a failure, until it is stopped."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import datetime, timedelta

import pytest

from adapters.clocks import timers
from adapters.clocks.clock import SystemClock
from adapters.clocks.timers import WakeUpTimer
from tests.support.waiting import given_time, wait_until

MARGIN = timedelta(seconds=0.1)
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


def _before_it_comes(
    started: StartTimer, act: Callable[[WakeUpTimer, datetime], None]
) -> tuple[WakeUpTimer, WakeUps, datetime]:
    """Do something with a timer and an instant that is soon, before that has come."""

    def attempt(seconds: float) -> tuple[bool, WakeUpTimer, WakeUps, datetime]:
        wake_ups, soon = WakeUps(), _soon(seconds)
        timer = started(wake_ups)
        act(timer, soon)
        return SystemClock().now() < soon, timer, wake_ups, soon

    return given_time(attempt, lambda tried: tried[0], 0.05)[1:]


def test_it_wakes_at_the_instant(started: StartTimer) -> None:
    """The wake-up comes once, and not before its instant."""
    wake_ups = WakeUps()
    wanted = _soon(0.1)
    started(wake_ups).wake_at(wanted)
    wait_until(lambda: wake_ups.at)
    assert wake_ups.at[0] >= wanted
    assert len(wake_ups.at) == 1


def test_the_latest_instant_counts(started: StartTimer) -> None:
    """A new instant replaces the one before it."""
    wake_ups = WakeUps()
    timer = started(wake_ups)
    timer.wake_at(_soon(3600))
    timer.wake_at(_soon(0.05))
    wait_until(lambda: len(wake_ups.at) == 1)


def test_a_later_instant_counts_too(started: StartTimer) -> None:
    """A new instant replaces the one before it, even if that is near."""

    def replace(timer: WakeUpTimer, soon: datetime) -> None:
        timer.wake_at(soon)
        timer.wake_at(_soon(3600))

    timer, wake_ups, soon = _before_it_comes(started, replace)
    timer.wake_at(soon + 2 * MARGIN)
    wait_until(lambda: wake_ups.at)
    assert [each > soon + MARGIN for each in wake_ups.at] == [True]


def test_none_cancels_the_wake_up(started: StartTimer) -> None:
    """After None no wake-up comes; None does no harm if none was asked for."""

    def cancel(timer: WakeUpTimer, soon: datetime) -> None:
        timer.wake_at(None)
        timer.wake_at(soon)
        timer.wake_at(None)

    _, wake_ups, soon = _before_it_comes(started, cancel)
    later = WakeUps()
    started(later).wake_at(soon + MARGIN)
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
    WakeUpTimer(WakeUps()).stop()

    def stop(timer: WakeUpTimer, soon: datetime) -> None:
        timer.wake_at(soon)
        timer.stop()
        timer.stop()

    _, wake_ups, soon = _before_it_comes(started, stop)
    later = WakeUps()
    started(later).wake_at(soon + MARGIN)
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
