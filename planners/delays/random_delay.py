"""Draw a random delay, the same each time it is asked for, so that a restart draws no other.

From a secret of the household and what is delayed, by SHA-256: evenly from 0 to the most, to the
second.
"""

from __future__ import annotations

from datetime import timedelta
from hashlib import sha256
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from datetime import datetime

RANDOM_DELAY: Final = "a random delay"
"""How a command says that it waits; recovered commands are known by it."""

HELD_LONGER: Final = timedelta(minutes=1)
"""A current that is held during a delay expires so long after it: the next command comes first."""


def drawn_delay(seed: bytes, charge_point: str, change: str, most_seconds: int) -> timedelta:
    """Return the delay of a change.

    Parameters
    ----------
    seed : bytes
        A secret of the household.
    charge_point : str
        Its name in the household file.
    change : str
        What is delayed: different for each change.
    most_seconds : int
        The longest delay [s].

    Returns
    -------
    timedelta
        From 0 to the most, both included, in whole seconds.
    """
    digest = sha256(b"\0".join((seed, charge_point.encode(), change.encode()))).digest()
    return timedelta(seconds=int.from_bytes(digest[:8], "big") % (most_seconds + 1))


def delay_words(until: datetime, now: datetime) -> str:
    """Say how long a change waits, and why."""
    seconds = max(0, round((until - now).total_seconds()))
    return f"{RANDOM_DELAY} of {seconds} s, so that not all homes change at once"


def recovered_delay(do: str, why: str, valid_until: datetime) -> datetime | None:
    """Return until when a recorded command waits; None if it does not."""
    if RANDOM_DELAY not in why:
        return None
    return valid_until if do == "stop" else valid_until - HELD_LONGER
