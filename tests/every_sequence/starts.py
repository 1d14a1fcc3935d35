"""Where a search begins, and what may happen in it."""

from __future__ import annotations

from datetime import timedelta
from functools import cache
from typing import TYPE_CHECKING, Final, NamedTuple

from daemon.control.events import TimePassed
from daemon.control.state import PointState
from daemon.service.recovery import lowest_serial
from tests.daemon.worlds import EVENING, POINT
from tests.every_sequence.points import HAPPENINGS, Setting, World, happen, stepped

if TYPE_CHECKING:
    from datetime import datetime

LATE = EVENING + timedelta(hours=2, minutes=30)
"""21:00; the night's cheap hours begin at 23:00."""

EARLY = EVENING + timedelta(hours=11, minutes=50)
"""06:20, forty minutes before the departure."""

CONNECTED = ("pilot B", "soc below", "none flows")


class Start(NamedTuple):
    """A start: the kind of charge point, the hour, and what has happened before."""

    kind: str
    at: datetime
    before: tuple[str, ...] = ()


STARTS: Final = {
    "away": Start("settable", EVENING),
    "connected": Start("settable", LATE, CONNECTED),
    "charging": Start("settable", EVENING, (*CONNECTED, "wake", "a minute", "flows")),
    "asked": Start("settable", EVENING, (*CONNECTED, "ask now", "a minute", "flows")),
    "early": Start("settable", EARLY, (*CONNECTED, "a minute", "flows")),
    "unmetered": Start("settable", EVENING, ("pilot B", "soc below")),
    "rests": Start("rests", EVENING, (*CONNECTED, "wake", "a minute", "flows")),
    "plug": Start("plug", EVENING, ("soc below", "none flows")),
}
USUAL: Final = ("connected", "charging")

ALL: Final = tuple(HAPPENINGS)
EVERYDAY: Final = ("pilot A", "pilot C", "soc below", "flows", "none flows", "ask now", "wake")
THEMES: Final[dict[str, tuple[str, ...]]] = {
    "vehicle": (
        "pilot A", "pilot B", "pilot C", "pilot F", "soc below", "soc above", "flows",
        "none flows", "above flows", "wake", "a minute", "a lease",
    ),
    "person": (
        "pilot A", "pilot B", "soc below", "ask now", "ask stop", "ask skip", "ask clear",
        "ask 100", "wake", "a lease", "past all",
    ),
    "house": (
        "pilot A", "pilot B", "ask now", "prices", "file", "load", "limit 8", "limit 3",
        "limit over", "wake", "a minute", "past all",
    ),
    "bus": (
        "pilot A", "pilot B", "flows", "none flows", "ask now", "bus", "restart", "nobody",
        "wake", "a lease",
    ),
    "asleep": ("soc below", "soc above", "pilot A", "pilot B", "none flows", "wake", "past all"),
    "charges long": ("flows", "wake", "a lease"),
    "charge ended": ("pilot A", "none flows", "wake"),
    "leaves late": ("pilot A", "soc below", "flows", "wake"),
    "defied": ("pilot A", "flows", "none flows", "wake", "a minute"),
    "vehicle and wish": ("pilot A", "pilot B", "soc above", "ask now", "flows", "wake"),
}  # fmt: skip
"""What may happen together: each theme goes deeper than all happenings can."""

DEEP_THEMES: Final = ("vehicle", "person", "house", "bus")
"""Those that are searched as deep as possible; the others are for a planted fault."""


@cache
def world_at(name: str) -> World:
    """Give the world of a start; nothing on the way to it is checked."""
    start = STARTS[name]
    serial = lowest_serial(start.at)
    world = World(start.at, PointState(POINT, serial=serial), Setting(start.kind))
    world = stepped(world, TimePassed()).after
    for what in start.before:
        for step in happen(world, what) or ():
            world = step.after
    return world
