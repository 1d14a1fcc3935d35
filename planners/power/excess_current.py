"""Judge whether more current flows than was commanded, and what the equipment takes instead.

A reading shows too much if its amperes are more than 10 % and 1 A above the command, or, where only
the power is known, if that is more than 1.2 times what the command allows. One such reading proves
nothing, because amperes jump: it takes two in a row, and 15 s. Nothing is judged in the first
seconds after a lower command. Equipment that has taken too much obeys again once it keeps, for as
long, to a command that is clearly below what it took.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Literal

from typing_extensions import override

from planners.power.phases import phases_in_use

if TYPE_CHECKING:
    from datetime import datetime

    from config.household.household_file import HouseholdFile

VEHICLE_FOLLOWS = timedelta(seconds=5)
"""A vehicle may take this long to follow a lower current (IEC 61851-1, from memory)."""

FOLLOWS_WITHIN = 2 * VEHICLE_FOLLOWS
"""The same, and as much again for the way of the command and of the reading."""

LASTS = timedelta(seconds=15)
"""A current that is wrong for less is a jump, or a ramp."""

LEAST_READINGS = 2
"""How many readings in a row must agree."""

MOST_SHARE = 1.1
"""Amperes may be above the command by this factor ..."""

MOST_AMPS_ABOVE = 1.0
"""... or by this much [A]."""

MOST_POWER_SHARE = 1.2
"""Power may be above the command by this factor: 253 V are lawful on a nominal 230 V (EN 50160)."""

LEAST_SHARE = 0.9
"""A vehicle that takes less than this of what it may does not show that it keeps to it."""

SAME_POWER = 0.2
"""Powers that differ by less are the same: the voltage moves by as much."""


@dataclass(frozen=True, slots=True)
class MeasuredCurrent:
    """A current per phase that a meter shows [A], or that follows from its power alone."""

    amps: float
    from_power: bool = False

    def exceeds(self, amps: float) -> bool:
        """Whether it is more than measuring and voltage explain, if `amps` is allowed."""
        if self.from_power:
            return self.amps > MOST_POWER_SHARE * amps
        return exceeds(self.amps, amps)


@dataclass(frozen=True, slots=True)
class ExcessCurrent:
    """The current that equipment was told, and the higher one that it took [A per phase]."""

    told_amps: float
    taken_amps: float

    def fits(self, amps: float) -> bool:
        """Whether the equipment may charge where `amps` is allowed: it takes no more."""
        return not exceeds(self.taken_amps, amps)

    @override
    def __str__(self) -> str:
        """Say what happened: "took 32 A when it was told 16 A"."""
        return f"took {amps_text(self.taken_amps)} when it was told {amps_text(self.told_amps)}"


@dataclass(frozen=True, slots=True)
class Doubt:
    """Readings in a row that contradict what is known of the equipment.

    Attributes
    ----------
    exceeds : bool
        Whether they show too much current; else that the equipment obeys again.
    since : datetime
        UTC; the instant of the first one.
    readings : int
        How many there are.
    amps : float
        The highest current of them [A per phase].
    """

    exceeds: bool
    since: datetime
    readings: int
    amps: float


@dataclass(frozen=True, slots=True)
class CurrentWatch:
    """What is known of the current that equipment takes.

    Attributes
    ----------
    judged_from : datetime or None
        UTC; readings before it do not count for the command in force.
    excess : ExcessCurrent or None
        The current that was not kept to, until the equipment obeys again or a person has checked
        it.
    doubt : Doubt or None
        What the latest readings show, if it contradicts that.
    read_at : datetime or None
        The instant of the last reading that was taken up.
    """

    judged_from: datetime | None = None
    excess: ExcessCurrent | None = None
    doubt: Doubt | None = None
    read_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class PhaseWatch:
    """Whether equipment that is told to charge on one phase draws on several.

    Attributes
    ----------
    keeps_all : bool
        Whether it was seen to: it is told one phase no more, until a person has checked it.
    since : datetime or None
        UTC; the first of the last readings in a row that show it.
    """

    keeps_all: bool = False
    since: datetime | None = None


def with_power(watch: PhaseWatch, told_watts: float, watts: float, at: datetime) -> PhaseWatch:
    """Take up a power while a start on one phase is in force.

    Parameters
    ----------
    watch : PhaseWatch
        What was known.
    told_watts : float
        What the commanded current makes on one phase [W].
    watts : float
        What flows [W].
    at : datetime
        UTC; the instant of the reading.

    Returns
    -------
    PhaseWatch
        It draws on several once readings for `LASTS` have shown too much for one.
    """
    if watts <= MOST_POWER_SHARE * told_watts:
        return watch if watch.since is None else replace(watch, since=None)
    if watch.since is None:
        return replace(watch, since=at)
    return PhaseWatch(keeps_all=True) if at - watch.since >= LASTS else watch


def amps_text(amps: float) -> str:
    """Write a current for people."""
    return f"{round(amps, 1):g} A"


def current_text(amps: float, phases: int | None) -> str:
    """Write a current for people, with its phases where one of several carries it."""
    return f"{amps:g} A on one phase" if phases == 1 else f"{amps:g} A"


def exceeds(amps: float, allowed_amps: float) -> bool:
    """Whether a current is above an allowed one by more than a meter's error [A per phase]."""
    return amps > MOST_SHARE * allowed_amps and amps > allowed_amps + MOST_AMPS_ABOVE


def with_command(
    watch: CurrentWatch, now: datetime, *, is_lower: bool, delay: timedelta = timedelta(0)
) -> CurrentWatch:
    """Begin to watch a new command; the vehicle is given time to follow a lower current.

    Parameters
    ----------
    watch : CurrentWatch
        What was known.
    now : datetime
        UTC.
    is_lower : bool
        Whether the command is for a lower current than the one before.
    delay : timedelta
        How long equipment that delays by itself may wait before it follows.

    Returns
    -------
    CurrentWatch
        With the instant from which readings count.
    """
    judged_from = now + FOLLOWS_WITHIN + delay if is_lower else now
    return replace(watch, judged_from=judged_from, doubt=None)


def with_reading(
    watch: CurrentWatch, told_amps: float, measured: MeasuredCurrent, at: datetime
) -> CurrentWatch:
    """Take up what a reading shows while a start is in force.

    Parameters
    ----------
    watch : CurrentWatch
        What was known.
    told_amps : float
        The current of the command in force [A per phase].
    measured : MeasuredCurrent
        What flows.
    at : datetime
        UTC; the instant of the reading.

    Returns
    -------
    CurrentWatch
        With a doubt if the reading contradicts what is known; see `concluded`.
    """
    if watch.judged_from is not None and at < watch.judged_from:
        return watch
    shown = _shows(watch.excess, told_amps, measured)
    if shown is None:
        return replace(watch, doubt=None)
    doubt, exceeds_it = watch.doubt, shown == "excess"
    if doubt is None or doubt.exceeds != exceeds_it:
        return replace(watch, doubt=Doubt(exceeds_it, at, 1, measured.amps))
    more = Doubt(exceeds_it, doubt.since, doubt.readings + 1, max(doubt.amps, measured.amps))
    return replace(watch, doubt=more)


def _shows(
    excess: ExcessCurrent | None, told_amps: float, measured: MeasuredCurrent
) -> Literal["excess", "obedience"] | None:
    """Tell what a reading shows that is not known yet."""
    known_amps = told_amps if excess is None else max(told_amps, excess.taken_amps)
    if measured.exceeds(known_amps):
        return "excess"
    if excess is None or excess.fits(told_amps):
        return None
    keeps = LEAST_SHARE * told_amps <= measured.amps and not measured.exceeds(told_amps)
    return "obedience" if keeps else None


def concluded(watch: CurrentWatch, told_amps: float, now: datetime) -> CurrentWatch:
    """Draw the conclusion from a doubt that has lasted.

    Parameters
    ----------
    watch : CurrentWatch
        What is known.
    told_amps : float
        The current of the command in force [A per phase].
    now : datetime
        UTC.

    Returns
    -------
    CurrentWatch
        With the excess that was shown, or without one if the equipment obeys again.
    """
    due, doubt = conclusion_due(watch), watch.doubt
    if due is None or doubt is None or now < due:
        return watch
    excess = ExcessCurrent(told_amps, doubt.amps) if doubt.exceeds else None
    return replace(watch, excess=excess, doubt=None)


def conclusion_due(watch: CurrentWatch) -> datetime | None:
    """Return when a doubt will have lasted long enough, if enough readings show it."""
    if watch.doubt is None or watch.doubt.readings < LEAST_READINGS:
        return None
    return watch.doubt.since + LASTS


def measured_current(
    file: HouseholdFile,
    charge_point: str,
    amps: float | None,
    watts: float | None,
    *,
    on_one: bool = False,
) -> MeasuredCurrent | None:
    """Return the current per phase that a meter shows.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    charge_point : str
        Its name in the file.
    amps : float or None
        The current that it reports [A].
    watts : float or None
        The power that it reports [W].
    on_one : bool, optional
        Whether it was switched to one phase.

    Returns
    -------
    MeasuredCurrent or None
        None if it reports neither. If all vehicles take several phases, and the power shows that
        the amperes are the sum of them, one phase's part. A power is spread over as many phases as
        a vehicle may take.
    """
    volts = file.household.nominal_volts
    fewest, most = (1, 1) if on_one else phases_in_use(file, charge_point)
    if amps is not None:
        is_sum = watts is not None and abs(watts - amps * volts) <= SAME_POWER * amps * volts
        return MeasuredCurrent(amps / fewest if is_sum else amps)
    if watts is None:
        return None
    return MeasuredCurrent(watts / (volts * most), from_power=True)
