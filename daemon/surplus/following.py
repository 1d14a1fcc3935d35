"""Choose the current that follows what the home's own generation leaves over. Pure.

The windows and the band were chosen on the global irradiance of Payerne in June 2016, minute by
minute, with a roof of 5 kW and a vehicle of 6 to 32 A: see the contributor guide.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from math import floor
from typing import TYPE_CHECKING, Final, Literal

from daemon.control.state import FollowedCurrent

if TYPE_CHECKING:
    from datetime import datetime

SILENCE: Final = timedelta(seconds=60)
"""After so long without a reading nothing is followed: the plan's current holds."""

FORGOTTEN_AFTER: Final = timedelta(minutes=3)
"""Readings from before so long a gap no longer count: charge points may report once a minute."""

FOLLOWED_OVER: Final = timedelta(seconds=30)
"""The current follows the mean of so long: a shorter one hunts after every cloud's edge."""

SWITCHED_OVER: Final = timedelta(minutes=5)
"""Charging pauses and goes on again by the mean of so long: a contactor wears."""

BAND_AMPS: Final = 0.5
"""The current rises by a step only if there is so much more than the step needs [A]."""

WhenTooLittle = Literal["pause", "go_on"]
"""What to do where the surplus is below the least current: pause, or go on with the grid's help."""


@dataclass(frozen=True, slots=True)
class SurplusReading:
    """What a charge point could draw at an instant without the home taking anything from the grid.

    Attributes
    ----------
    at : datetime
        UTC.
    watts : float
        Below 0 if the home imports although nothing charges [W].
    """

    at: datetime
    watts: float


@dataclass(frozen=True, slots=True)
class PointLimits:
    """What a charge point may do while it follows.

    Attributes
    ----------
    least_amps, most_amps : float
        [A per phase].
    watts_per_amp : float
        Power of an ampere on each of its phases [W].
    shortest_run : timedelta
        It does not pause sooner after a start.
    when_too_little : {'pause', 'go_on'}
        What it does while there is less than the least current.
    """

    least_amps: float
    most_amps: float
    watts_per_amp: float
    shortest_run: timedelta
    when_too_little: WhenTooLittle


@dataclass(frozen=True, slots=True)
class PhaseChoice:
    """What a charge point may do on all its phases, and on one if it can switch to that.

    `may_switch` tells whether it has not switched its phases a short time ago.
    """

    on_all: PointLimits
    on_one: PointLimits | None = None
    may_switch: bool = True


def followed_current(
    readings: tuple[SurplusReading, ...],
    now: datetime,
    commanded: FollowedCurrent,
    runs_since: datetime | None,
    choice: PhaseChoice,
) -> FollowedCurrent | None:
    """Choose the phases and the current that the surplus feeds.

    It changes to one phase where the surplus has been too little for all of them, and back where it
    is enough again and a little more.

    Parameters
    ----------
    readings, now, runs_since
        As for `followed_amps`.
    commanded : FollowedCurrent
        By the command in force, with 0 A while it is stopped; the phases are those of the last
        start.
    choice : PhaseChoice
        What the charge point may do.

    Returns
    -------
    FollowedCurrent or None
        None if nothing was read of late.
    """
    limits, one = choice.on_all, choice.on_one
    on_one = one is not None and commanded.on_one
    if readings and one is not None and choice.may_switch:
        runs = commanded.amps > 0
        enough_watts = (limits.least_amps + runs * on_one * BAND_AMPS) * limits.watts_per_amp
        shortest = max(limits.shortest_run, SWITCHED_OVER)
        if not runs or runs_since is None or now - runs_since >= shortest:
            on_one = _mean_watts(readings, SWITCHED_OVER) < enough_watts
    is_same = on_one == commanded.on_one
    amps = followed_amps(
        readings, now, commanded.amps if is_same else 0.0, runs_since if is_same else None,
        one if on_one and one is not None else limits,
    )  # fmt: skip
    return None if amps is None else FollowedCurrent(amps, on_one)


def with_reading(
    readings: tuple[SurplusReading, ...], reading: SurplusReading
) -> tuple[SurplusReading, ...]:
    """Add a reading to those before, without what is too old to count.

    Parameters
    ----------
    readings : tuple of SurplusReading
        In order of time.
    reading : SurplusReading
        One that is not newer than the last is left out.

    Returns
    -------
    tuple of SurplusReading
        After a silence, the reading alone.
    """
    if readings and reading.at <= readings[-1].at:
        return readings
    if readings and reading.at - readings[-1].at > FORGOTTEN_AFTER:
        return (reading,)
    kept_from = reading.at - SWITCHED_OVER
    # The last one before still holds at the beginning of the window.
    first = next((n for n, each in enumerate(readings) if each.at > kept_from), len(readings))
    return (*readings[max(0, first - 1) :], reading)


def followed_amps(
    readings: tuple[SurplusReading, ...],
    now: datetime,
    commanded_amps: float,
    runs_since: datetime | None,
    limits: PointLimits,
) -> float | None:
    """Choose the current that the surplus feeds.

    Parameters
    ----------
    readings : tuple of SurplusReading
        From `with_reading`.
    now : datetime
        UTC.
    commanded_amps : float
        The current by the command in force; 0 while it is stopped [A per phase].
    runs_since : datetime or None
        Since when it has been on; None while it is stopped.
    limits : PointLimits
        What the charge point may do.

    Returns
    -------
    float or None
        Whole amperes, or the least current; 0 for a pause. None if nothing was read of late.
    """
    if not readings or now - readings[-1].at > FORGOTTEN_AFTER:
        return None
    soon = _mean_watts(readings, FOLLOWED_OVER) / limits.watts_per_amp
    for_long = _mean_watts(readings, SWITCHED_OVER) / limits.watts_per_amp
    enough = min(soon, for_long) >= limits.least_amps
    if commanded_amps <= 0 and not enough:
        return limits.least_amps if limits.when_too_little == "go_on" else 0.0
    wanted = commanded_amps
    if soon < commanded_amps or soon >= commanded_amps + 1 + BAND_AMPS or commanded_amps <= 0:
        wanted = float(floor(soon))
    if wanted < limits.least_amps:
        has_run = runs_since is None or now - runs_since >= max(limits.shortest_run, SWITCHED_OVER)
        pauses = limits.when_too_little == "pause" and for_long < limits.least_amps and has_run
        wanted = 0.0 if pauses else limits.least_amps
    return min(wanted, limits.most_amps)


def _mean_watts(readings: tuple[SurplusReading, ...], window: timedelta) -> float:
    """Return the mean of the readings of late, each of which holds until the next [W]."""
    end = readings[-1].at
    begin = end - window
    joules = seconds = 0.0
    for number, each in enumerate(readings[:-1]):
        lasts = (readings[number + 1].at - max(each.at, begin)).total_seconds()
        if lasts > 0:
            joules += each.watts * lasts
            seconds += lasts
    return joules / seconds if seconds else readings[-1].watts
