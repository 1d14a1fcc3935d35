"""A warning about the same thing is logged once a minute."""

from __future__ import annotations

from collections.abc import Callable

import pytest
import structlog

from daemon.presentation.logs import RepeatedWarnings

Log = Callable[..., dict[str, object] | None]


class Minute:
    """A clock that a test sets."""

    seconds = 0.0

    def __call__(self) -> float:
        return self.seconds


@pytest.fixture
def clock() -> Minute:
    return Minute()


@pytest.fixture
def log(clock: Minute) -> Log:
    """Log an event, and give what is passed on."""
    repeated = RepeatedWarnings(clock)

    def passed_on(
        event: str, level: str = "warning", **details: object
    ) -> dict[str, object] | None:
        try:
            return dict(repeated(None, level, {"event": event, "level": level, **details}))
        except structlog.DropEvent:
            return None

    return passed_on


def test_the_same_warning_comes_once_a_minute_with_its_count(log: Log, clock: Minute) -> None:
    """What came in between is counted."""
    assert log("not understood", topic="a") == {
        "event": "not understood", "level": "warning", "topic": "a",
    }  # fmt: skip
    assert [log("not understood", topic="a", reason=str(each)) for each in range(9)] == [None] * 9
    clock.seconds = 60.0
    again = log("not understood", topic="a")
    assert again is not None
    assert again["times_since"] == 9
    clock.seconds = 120.0
    later = log("not understood", topic="a")
    assert later is not None
    assert "times_since" not in later


def test_another_thing_and_another_level_are_logged(log: Log) -> None:
    """Another topic, charge point or connection is; information and errors always pass."""
    assert log("not understood", topic="a")
    assert log("not understood", topic="b")
    assert log("ignored", charge_point="driveway")
    assert log("ignored", charge_point="shed")
    assert log("lost", of="hardware", reason="too many messages")
    assert log("lost", of="requests", reason="too many messages")
    assert log("lost", of="hardware", reason="too many messages") is None
    assert log("started", "info")
    assert log("started", "info")
    assert log("failed", "error")
    assert log("failed", "error")


def test_topics_that_a_stranger_invents_take_no_memory(log: Log) -> None:
    """From some number on, all topics count as one."""
    passed = [log("unknown", topic=str(each)) for each in range(10_000)]
    assert 1 < sum(each is not None for each in passed) < 500
