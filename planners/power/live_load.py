"""Find the current that the charge points may take together, from readings of the home's load.

A reading that shows more load lowers it at once. It rises again only after the load has stayed
lower for `LOWER_FOR`, and by `SMALLEST_RISE` at least, so that a kettle or an oven's thermostat
does not change it back and forth. Without a reading for `SILENCE` nothing is known. Where readings
come less often than that, each counts until the next, for `LOWER_FOR` at the most. Knows no clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from math import inf
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

SILENCE: Final = timedelta(seconds=30)
"""How long a reading is trusted."""

LOWER_FOR: Final = timedelta(minutes=3)
"""How long the load must have stayed lower before more is given.

Chosen with `tests.benchmarks.hysteresis`, on an invented busy home behind 25 A: a charge point that
would start 72 times a day without a wait starts 5 times after 3 minutes (17 after 30 s, 5 after
10 minutes), its current rises 34 times instead of 135, and it gets 7 % less energy.
"""

SMALLEST_RISE: Final = 2.0
"""The least by which the current for the charge points rises [A per phase].

More than what a meter's noise or a refrigerator changes; in the same measurement 1 to 4 A make no
difference.
"""


@dataclass(frozen=True, slots=True)
class OwnCurrent:
    """What the charge points draw themselves, as far as it is known [A], for each phase.

    Attributes
    ----------
    least, most : tuple of float
        Between these; the same if a meter has shown it.
    """

    least: tuple[float, ...]
    most: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class PhaseLoad:
    """The load of the rest of the home on one phase.

    Attributes
    ----------
    amps : float
        What counts: no reading of late was higher [A].
    lower_since : datetime or None
        Since when all readings have been lower by `SMALLEST_RISE`; None if the last was not.
    lower_amps : float
        The highest of those [A].
    """

    amps: float
    lower_since: datetime | None = None
    lower_amps: float = 0.0


@dataclass(frozen=True, slots=True)
class LiveLoad:
    """What readings of the home's load have shown.

    Attributes
    ----------
    at : datetime
        The instant of the latest reading.
    amps : tuple of float
        That reading, as it came [A].
    phases : tuple of PhaseLoad
        The load of the rest of the home on each phase of the supply.
    gap : timedelta or None
        The last time between two readings that was longer than `SILENCE`; None once they have come
        more often for `LOWER_FOR`.
    often_since : datetime or None
        The first reading after that gap; None if `gap` is.
    """

    at: datetime
    amps: tuple[float, ...]
    phases: tuple[PhaseLoad, ...]
    gap: timedelta | None = None
    often_since: datetime | None = None

    @property
    def counts_for(self) -> timedelta:
        """How long the latest reading counts."""
        return SILENCE if self.gap is None else LOWER_FOR

    def is_steady(self, now: datetime) -> bool:
        """Whether readings come often, and the latest is not older than `SILENCE`."""
        return self.gap is None and now - self.at <= SILENCE


@dataclass(frozen=True, slots=True)
class LoadHour:
    """The highest load of the rest of the home in an hour of the local clock.

    Attributes
    ----------
    start : datetime
        UTC.
    amps : tuple of float
        For each phase of the supply [A].
    """

    start: datetime
    amps: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class LoadQuarter:
    """The mean power of the rest of the home in a quarter of an hour.

    Attributes
    ----------
    start : datetime
        UTC.
    watts : float
        Current times nominal voltage, of all phases [W].
    """

    start: datetime
    watts: float


def rest_of_home(
    amps: Sequence[float], own: OwnCurrent, most_amps: Sequence[float] | None
) -> tuple[float, ...]:
    """Take the charge points' own current out of a reading that includes it.

    Parameters
    ----------
    amps : sequence of float
        The reading, for each phase [A].
    own : OwnCurrent
        What the charge points draw, for as many phases.
    most_amps : sequence of float or None
        What may flow on each phase: its main fuse less the reserve [A].

    Returns
    -------
    tuple of float
        The load of the rest of the home, at least 0 [A]. If more flows than may flow, the charge
        points are taken to draw the least that they may, so that they give way; else the most,
        because a vehicle that follows a new command is no load of the home.
    """
    limits = most_amps or (inf,) * len(amps)
    return tuple(
        max(0.0, total - (least if total > limit else most))
        for total, least, most, limit in zip(
            map(abs, amps), own.least, own.most, limits, strict=True
        )
    )


def with_load(
    known: LiveLoad | None, at: datetime, amps: Sequence[float], rest: Sequence[float]
) -> LiveLoad:
    """Take up a reading.

    Parameters
    ----------
    known : LiveLoad or None
        What earlier readings have shown.
    at : datetime
        UTC; the instant of the reading.
    amps : sequence of float
        The reading, as it came [A].
    rest : sequence of float
        The load of the rest of the home in it, for each phase of the supply; its size counts [A].

    Returns
    -------
    LiveLoad
        With the reading; `known` as it is if that is later. A reading after a silence of more than
        `LOWER_FOR`, or with another number of phases, begins anew.
    """
    if known is not None and at < known.at:
        return known
    sizes = tuple(map(abs, rest))
    gap, often_since = _gap_after(known, at)
    fits = known is not None and len(known.phases) == len(sizes) and at - known.at <= LOWER_FOR
    if known is None or not fits:
        return LiveLoad(at, tuple(amps), tuple(map(PhaseLoad, sizes)), gap, often_since)
    # What was not seen in a silence may have been higher.
    heard = at - known.at <= known.counts_for
    phases = (
        _with_amps(phase if heard else PhaseLoad(phase.amps), at, size)
        for phase, size in zip(known.phases, sizes, strict=True)
    )
    return LiveLoad(at, tuple(amps), tuple(phases), gap, often_since)


def _gap_after(known: LiveLoad | None, at: datetime) -> tuple[timedelta | None, datetime | None]:
    """Return `LiveLoad.gap` and `LiveLoad.often_since` after a reading."""
    if known is None:
        return None, None
    if at - known.at > SILENCE:
        return at - known.at, at
    if known.often_since is not None and at - known.often_since >= LOWER_FOR:
        return None, None
    return known.gap, known.often_since


def _with_amps(phase: PhaseLoad, at: datetime, amps: float) -> PhaseLoad:
    if amps > phase.amps - SMALLEST_RISE:
        return PhaseLoad(max(amps, phase.amps))
    if phase.lower_since is None:
        return PhaseLoad(phase.amps, at, amps)
    highest = max(phase.lower_amps, amps)
    if at - phase.lower_since >= LOWER_FOR:
        return PhaseLoad(highest)
    return PhaseLoad(phase.amps, phase.lower_since, highest)


def amps_for_charging(
    known: LiveLoad | None, now: datetime, most_amps: Sequence[float] | None
) -> tuple[float, ...] | None:
    """Return the current that the charge points may take together.

    Parameters
    ----------
    known : LiveLoad or None
        What readings have shown.
    now : datetime
        UTC.
    most_amps : sequence of float or None
        What may flow on each phase: its main fuse less the reserve [A].

    Returns
    -------
    tuple of float or None
        For each phase, at least 0 [A]. None if no main fuse is declared, or if
        there is no reading that still counts: then the fixed shares hold.
    """
    if known is None or most_amps is None or now - known.at > known.counts_for:
        return None
    pairs = zip(most_amps, known.phases, strict=True)
    return tuple(max(0.0, most - phase.amps) for most, phase in pairs)
