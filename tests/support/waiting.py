"""Waiting for something to become true, with a limit, instead of sleeping and hoping.

The limits in the tests are for an idle machine. `patience` stretches them as far as this machine is
slower, or busier just now; a limit only bounds a wait, so a long one costs nothing where all is
well.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from functools import cache, lru_cache
from pathlib import Path
from threading import Event
from time import monotonic, perf_counter
from typing import Final, TypeVar

Result = TypeVar("Result")

DEFAULT_LIMIT_SECONDS: Final = 10.0
_LOOK_AGAIN_SECONDS: Final = 0.005

_STEPS: Final = 200_000
_STEPS_SECONDS: Final = 0.003
"""What so many steps take on the machine that the limits were written on."""

_SPARE: Final = 3.0
"""How much longer a limit is than it must be where nothing else runs: an idle machine stalls too,
for instance as the guest of a busy one."""

_SHARE_OF_A_NICE_STEP: Final = 1.25
"""How much less of a core goes to a process that is nicer by one: sched(7)."""


def patience(seconds: float = DEFAULT_LIMIT_SECONDS, most_seconds: float = math.inf) -> float:
    """Stretch a limit as far as this machine is slower or busier than an idle one.

    Parameters
    ----------
    seconds : float
        The limit for an idle machine [s].
    most_seconds : float
        The longest limit [s]; a test that always waits for all of it needs one, and gets nothing
        to spare.

    Returns
    -------
    float
        The limit for this machine at this moment [s].
    """
    spare = _SPARE if most_seconds == math.inf else 1.0
    return min(seconds * spare * _slowness() * _crowd(int(monotonic())), most_seconds)


def wait_until(
    condition: Callable[[], object], limit_seconds: float = DEFAULT_LIMIT_SECONDS, what: str = ""
) -> None:
    """Return as soon as `condition` holds; fail the test if it does not within the limit.

    The limit is stretched by `patience`, over and over: the machine may get busy meanwhile.

    Raises
    ------
    AssertionError
        If the condition does not hold in time.
    """
    never = Event()
    begun = monotonic()
    while not condition():
        waited = monotonic() - begun
        if waited > limit_seconds and waited > patience(limit_seconds):
            raise AssertionError(f"not within {waited:.1f} s: {what or condition}")
        never.wait(_LOOK_AGAIN_SECONDS)


def given_time(
    attempt: Callable[[float], Result], is_through: Callable[[Result], bool], seconds: float
) -> Result:
    """Try something that takes all the time it is given; a busy machine may need more.

    Parameters
    ----------
    attempt : callable
        Gets the time [s].
    is_through : callable
        Tells from the result of an attempt whether the time was enough.
    seconds : float
        The time for the first attempt [s].

    Returns
    -------
    object
        The result of the first attempt that got through, or else of the last one.
    """
    for times in (1, 4, 16):
        if is_through(result := attempt(times * seconds)):
            return result
    return attempt(64 * seconds)


@cache
def _slowness() -> float:
    """Return how many times as long this machine takes for a piece of work; 1 at the least."""
    return max(1.0, min(_work_seconds() for _ in range(3)) / _STEPS_SECONDS)


def _work_seconds() -> float:
    begun = perf_counter()
    for _ in range(_STEPS):
        pass
    return perf_counter() - begun


@lru_cache(maxsize=1)
def _crowd(_second: int) -> float:
    """Return how many processes this one shares a core with; 1 at the least."""
    cores = len(os.sched_getaffinity(0))
    running = int(Path("/proc/loadavg").read_text("ascii").split()[3].partition("/")[0])
    share = max(os.getloadavg()[0], running) / cores
    niceness = max(0, os.getpriority(os.PRIO_PROCESS, 0))
    return max(1.0, share) * _SHARE_OF_A_NICE_STEP**niceness
