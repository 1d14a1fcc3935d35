"""Spare a contactor: tell how long a charge point stays off after a run, or to switch phases."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

if TYPE_CHECKING:
    from datetime import datetime

    from config.household.equipment import ChargePoint


SWITCHES_APART: Final = timedelta(minutes=15)
"""Phases are switched at most four times an hour: so long passes from one time to the next."""


TRIED_AGAIN_AFTER: Final = timedelta(hours=1)
"""After a stop that the meter did not confirm, they are not switched for so long."""


class PhaseStep(NamedTuple):
    """What to do about a start on other phases than the last one.

    `stop` until an instant, if one is known; `go`; or charge `as_before`, on the phases of the last
    start.
    """

    do: Literal["stop", "go", "as_before"]
    until: datetime | None = None


@dataclass(frozen=True, slots=True)
class LastSwitches:
    """When a charge point was last switched on, and off again.

    A change of the current is no switching.

    Attributes
    ----------
    on_at, off_at : datetime or None
        UTC; None if it never was. A stop before the first start is none.
    phases : int or None
        How many phases the last start was for, at a charge point that switches them.
    phases_at : datetime or None
        When they were last switched; UTC.
    given_up_at : datetime or None
        When they should last have been switched, and the meter confirmed no stop; UTC.
    """

    on_at: datetime | None = None
    off_at: datetime | None = None
    phases: int | None = None
    phases_at: datetime | None = None
    given_up_at: datetime | None = None

    def switched_on(self, at: datetime, phases: int | None = None) -> LastSwitches:
        """Return the switches after one to on, for so many phases if that is said."""
        if phases == self.phases:
            return replace(self, on_at=at)
        return replace(self, on_at=at, phases=phases, phases_at=at)

    def switched_off(self, at: datetime) -> LastSwitches:
        """Return the switches after one to off."""
        return replace(self, off_at=at)

    def until(self, now: datetime) -> LastSwitches:
        """Return the switches with none later than now: the clock may have been put back."""
        return LastSwitches(
            None if self.on_at is None else min(self.on_at, now),
            None if self.off_at is None else min(self.off_at, now),
            self.phases,
            None if self.phases_at is None else min(self.phases_at, now),
            None if self.given_up_at is None else min(self.given_up_at, now),
        )

    @property
    def phases_from(self) -> datetime | None:
        """From when on the phases may be switched; None if they may at any time."""
        switched = None if self.phases_at is None else self.phases_at + SWITCHES_APART
        given_up = None if self.given_up_at is None else self.given_up_at + TRIED_AGAIN_AFTER
        return max((each for each in (switched, given_up) if each is not None), default=None)

    def may_switch_phases(self, now: datetime) -> bool:
        """Whether the phases were not switched, or given up, a short time ago."""
        return self.phases_from is None or now >= self.phases_from

    def to_phases(
        self,
        phases: int,
        point: ChargePoint,
        now: datetime,
        *,
        is_on: bool,
        off_at: datetime | None,
        has_ended: bool | None,
    ) -> PhaseStep:
        """Tell how to come to a start on so many phases.

        Parameters
        ----------
        phases : int
            Those of the start.
        point : ChargePoint
            With `phase_switching_seconds`.
        now : datetime
            UTC.
        is_on : bool
            Whether a start is in force.
        off_at : datetime or None
            Since when it has been stopped.
        has_ended : bool or None
            Whether the meter shows that no power flows since the stop; None if it shows nothing.

        Returns
        -------
        PhaseStep
            First a stop, which must have lasted and be confirmed. Without readings of the meter
            nothing is switched. Where it is too soon to switch, one phase is waited for, and what
            is meant for all goes on as before.
        """
        if phases == (self.phases or point.phases):
            return PhaseStep("go")
        if not self.may_switch_phases(now):
            given_up = self.given_up_at
            # An hour is too long to wait for one phase.
            waits = phases == 1 and (given_up is None or now >= given_up + TRIED_AGAIN_AFTER)
            return PhaseStep("stop" if waits else "as_before", self.phases_from)
        stopped = timedelta(seconds=point.phase_switching_seconds or 0)
        if is_on:
            return PhaseStep("stop", now + stopped)
        ready = now if off_at is None else off_at + stopped
        if now >= ready and has_ended:
            return PhaseStep("go")
        given_up = ready + timedelta(seconds=point.confirm_seconds)
        if has_ended is None and off_at is not None and now >= given_up:
            return PhaseStep("as_before")
        later = (each for each in (ready, given_up) if each > now)
        return PhaseStep("stop", next(later, None))

    def rests_until(self, point: ChargePoint) -> datetime | None:
        """Return when a charge point that is off may be switched on again.

        Parameters
        ----------
        point : ChargePoint
            The charge point.

        Returns
        -------
        datetime or None
            `min_rest_minutes` after it was switched off, and `min_run_minutes` and
            `min_rest_minutes` after it was switched on: a run that was cut short has a longer
            rest. None if it has never been switched off.
        """
        if self.on_at is None or self.off_at is None:
            return None
        run, rest = (
            timedelta(minutes=minutes) for minutes in (point.min_run_minutes, point.rest_minutes)
        )
        return max(self.off_at + rest, self.on_at + run + rest)
