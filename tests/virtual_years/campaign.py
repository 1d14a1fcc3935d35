"""Play the nights of a seed in a process of its own, with a planted fault or without."""

from __future__ import annotations

import logging
from itertools import count

import structlog

from tests.virtual_years.homes import home_of
from tests.virtual_years.planted import planted
from tests.virtual_years.verdict import Played, play

NIGHTS = 30
"""Played with one seed: a ledger that grows, and starts in the middle of it."""
NIGHTS_OF_TWO = 6
"""The same where two vehicles are planned together, which takes twenty times as long."""
NIGHTS_WITH_A_FAULT = 10
"""The same with a planted fault, of which much is seen only in the ledger, at the end."""
MOST_NIGHTS = 1000
"""A planted fault that these do not show is not found."""


def quiet() -> None:
    """Keep the daemon's log to itself: it tells of thousands of faults."""
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))


def play_quietly(seed: int, fault: str = "") -> Played:
    """Play the nights of one seed in a process of its own, without their history."""
    quiet()
    with planted(fault):
        nights = NIGHTS_WITH_A_FAULT if fault else nights_of(seed)
        played = play(seed, nights, until_wrong=bool(fault))
    played.history.clear()
    return played


def nights_of(seed: int) -> int:
    """Return how many nights are played with a seed."""
    return NIGHTS if home_of(seed).fuse_amps is None else NIGHTS_OF_TWO


def nights_until_found(fault: str, first: int) -> tuple[int | None, str]:
    """Play seeds with a planted fault until a night is wrong that is right without it."""
    nights = 0
    for seed in count(first):
        if home_of(seed).fuse_amps is not None:
            continue  # it would take long
        played = play_quietly(seed, fault)
        nights += len(played.nights)
        if played.wrong and not play(seed, NIGHTS_WITH_A_FAULT).wrong:
            return nights, played.wrong[0].splitlines()[-1][:90]
        if nights >= MOST_NIGHTS:
            break
    return None, ""
