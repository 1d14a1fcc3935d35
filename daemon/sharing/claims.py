"""Keep what each charge point's hardware may draw by the commands it was sent.

After a lower command or a stop, hardware may go on as before until the earlier command expires:
the message may be on its way, or lost. So a charge point claims the higher current until a reading
shows that it has given way, or the earlier command has expired. Current that flows although no
command allows it is claimed as well.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from daemon.control.learning import FAULTS
from daemon.control.state import FLOWING_WATTS, LONGEST_GAP, last_current
from planners.home.allotments import shares_by_plan
from planners.power.allowed_currents import AmpsSpan, amps_allowed
from planners.power.excess_current import FOLLOWS_WITHIN, VEHICLE_FOLLOWS, MeasuredCurrent

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from daemon.control.state import PointState
    from planners.plan.plan import Period

NO_VEHICLE = "A"


@dataclass(frozen=True, slots=True)
class Claim:
    """What the hardware of one charge point may draw.

    Attributes
    ----------
    commanded : tuple of AmpsSpan
        By the command in force.
    shown : tuple of AmpsSpan
        By the last reading, if it shows more than that.
    earlier : tuple of AmpsSpan
        By earlier commands, until it has given way.
    lowered_at : datetime or None
        When the last lower command was sent.
    """

    commanded: tuple[AmpsSpan, ...] = ()
    shown: tuple[AmpsSpan, ...] = ()
    earlier: tuple[AmpsSpan, ...] = ()
    lowered_at: datetime | None = None

    @property
    def spans(self) -> tuple[AmpsSpan, ...]:
        """All of it; spans may overlap."""
        return (*self.commanded, *self.shown, *self.earlier)

    @property
    def not_given_way_amps(self) -> float:
        """The current that readings show although a lower command should have ended it by now."""
        found = (span.amps for span in self.shown if self._has_had_time(span.start))
        return max(found, default=0.0)

    def highest_amps(self, now: datetime) -> float:
        """Return the highest current that it may draw now [A per phase]."""
        return _highest(self.spans, now)

    def _has_had_time(self, at: datetime) -> bool:
        return self.lowered_at is None or at >= self.lowered_at + FOLLOWS_WITHIN


def claim_after(claim: Claim, state: PointState, now: datetime, file: HouseholdFile) -> Claim:
    """Return what a charge point claims after a step of its controller.

    Parameters
    ----------
    claim : Claim
        What it claimed before.
    state : PointState
        Its state now.
    now : datetime
        UTC.
    file : HouseholdFile
        The household.

    Returns
    -------
    Claim
        What its hardware may draw from now on.
    """
    commanded = tuple(_by_command(state, now, file))
    earlier, lowered_at = claim.earlier, claim.lowered_at
    if _is_lower(commanded, claim.commanded, now):
        earlier, lowered_at = (*earlier, *claim.commanded), now
    if lowered_at is not None and _gave_way(state, lowered_at, file):
        earlier = ()
    earlier = tuple(dict.fromkeys(span for span in earlier if span.end > now))
    shown = tuple(_by_readings(state, now, file))
    return Claim(commanded, shown, earlier, lowered_at if earlier else None)


def stored_periods(state: PointState, file: HouseholdFile) -> tuple[Period, ...]:
    """Return the periods that hardware which stores its plan may follow without the daemon.

    Parameters
    ----------
    state : PointState
        The charge point, with its plan and the command in force.
    file : HouseholdFile
        The household.

    Returns
    -------
    tuple of Period
        Those of the plan; after the command in force has expired, no current is above the fixed
        share of the main fuse, because then the plans of others may have changed.
    """
    plan, command = state.plan, state.command
    if plan is None or command is None or command.plan is None:
        return ()  # while a person has put the plan off, the hardware must not store and follow it
    if not shares_by_plan(file):
        return plan.periods
    alone = command.valid_until if command.do == "start" else None
    found: list[Period] = []
    for period in plan.periods:
        if alone is not None and period.start < alone:
            found.append(replace(period, end=min(period.end, alone)))
        begins = period.start if alone is None else max(period.start, alone)
        spans = amps_allowed(file, plan.charge_point, plan.vehicle, begins, period.end)
        found += [
            replace(period, start=span.start, end=span.end, amps=min(period.amps, span.amps))
            for span in spans
            if span.amps > 0
        ]
    return tuple(found)


def _by_command(state: PointState, now: datetime, file: HouseholdFile) -> Iterator[AmpsSpan]:
    command, excess = state.command, state.current_watch.excess
    if command is not None and command.amps is not None and command.valid_until > now:
        amps = command.amps if excess is None else max(command.amps, excess.taken_amps)
        yield AmpsSpan(now, command.valid_until, amps)
    if file.charge_points[state.charge_point].ocpp is not None:
        for period in stored_periods(state, file):
            if period.end > now:
                yield AmpsSpan(period.start, period.end, period.amps)


def _by_readings(state: PointState, now: datetime, file: HouseholdFile) -> Iterator[AmpsSpan]:
    """Claim the current that flows, if it is more than was commanded."""
    flowing, at = drawn_current(state, file)
    if at is None or now - at >= LONGEST_GAP:
        return
    command = state.command
    told = command.amps if command is not None and command.valid_until > at else None
    if flowing.exceeds(told or 0.0):
        yield AmpsSpan(at, at + LONGEST_GAP, flowing.amps)


def drawn_current(
    state: PointState, file: HouseholdFile
) -> tuple[MeasuredCurrent, datetime | None]:
    """Return the current that flows, and when it was read; without an instant if it was not."""
    if state.idle_since is not None:
        return MeasuredCurrent(0.0), state.idle_since
    found, at = last_current(state, file)
    is_asleep = state.watts_at == at and state.watts is not None and state.watts <= FLOWING_WATTS
    if found is None or is_asleep:
        return MeasuredCurrent(0.0), None if found is None else at
    return found, at


def _gave_way(state: PointState, lowered_at: datetime, file: HouseholdFile) -> bool:
    """Whether the hardware is seen to draw no more than it was last told."""
    if state.pilot == NO_VEHICLE or state.pilot in FAULTS:
        return True  # its contactor is open
    flowing, at = drawn_current(state, file)
    if at is None or at < lowered_at + VEHICLE_FOLLOWS:
        return False
    told = state.command.amps if state.command is not None else None
    return not flowing.exceeds(told or 0.0)


def _is_lower(new: Sequence[AmpsSpan], old: Sequence[AmpsSpan], now: datetime) -> bool:
    """Whether new claims are at any time from now on below the old ones."""
    edges = {now, *(edge for span in (*new, *old) for edge in (span.start, span.end))}
    return any(_highest(new, at) < _highest(old, at) for at in edges if at >= now)


def _highest(spans: Iterable[AmpsSpan], at: datetime) -> float:
    return max((span.amps for span in spans if span.start <= at < span.end), default=0.0)
