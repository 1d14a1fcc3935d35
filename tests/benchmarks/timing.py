"""Time calls, and summarise the times."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from time import perf_counter
from typing import TypeVar

import numpy as np

from planners.solver.cost_tables import remembered

A = TypeVar("A")
T = TypeVar("T")


def timed(function: Callable[[A], T], argument: A) -> tuple[float, T]:
    """Call once, with no earlier plan remembered; return the time it took [s], and the answer."""
    remembered.cache_clear()
    return timed_again(function, argument)


def timed_again(function: Callable[[A], T], argument: A) -> tuple[float, T]:
    """Call once, as the next plan of a daemon; return the time it took [s], and the answer."""
    begin = perf_counter()
    answer = function(argument)
    return perf_counter() - begin, answer


def seconds(function: Callable[[A], object], arguments: Iterable[A]) -> list[float]:
    """Time a call for each argument [s], after one for the first that doesn't count."""
    every = list(arguments)
    function(every[0])
    return [timed(function, argument)[0] for argument in every]


def median(values: Sequence[float]) -> float:
    """Return the median."""
    return float(np.median(values))


def percentile_99(values: Sequence[float]) -> float:
    """Return the value that one in a hundred exceeds."""
    return float(np.percentile(values, 99))


def exponent(sizes: Sequence[int], times: Sequence[float]) -> float:
    """Fit ``time = c x size ^ exponent``: the slope between the logarithms."""
    return float(np.polyfit(np.log(sizes), np.log(times), 1)[0])
