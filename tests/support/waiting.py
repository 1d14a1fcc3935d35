"""Waiting for something to become true, with a limit, instead of sleeping and hoping."""

from __future__ import annotations

from collections.abc import Callable
from threading import Event
from time import monotonic
from typing import Final

DEFAULT_LIMIT_SECONDS: Final = 10.0
_LOOK_AGAIN_SECONDS: Final = 0.005


def wait_until(
    condition: Callable[[], object], limit_seconds: float = DEFAULT_LIMIT_SECONDS, what: str = ""
) -> None:
    """Return as soon as `condition` holds; fail the test if it does not within the limit."""
    never = Event()
    deadline = monotonic() + limit_seconds
    while not condition():
        if monotonic() > deadline:
            raise AssertionError(f"not within {limit_seconds} s: {what or condition}")
        never.wait(_LOOK_AGAIN_SECONDS)
