"""Keep what each charge point's hardware may draw by the commands it was sent.

After a lower command or a stop, hardware may go on as before until the earlier command expires:
the message may be on its way, or lost. So a charge point claims the higher current until readings
show that it has given way, or the earlier command has expired. They show it if the current was
above the new command, and no longer is: one that was low before proves nothing. Over OCPP a command
is sent until the equipment accepts it, so there a low current is enough. While no vehicle is there,
nothing is claimed. Current that flows although no command allows it is claimed as well.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING

from daemon.control.controller import MORE_HOLDS, START_HOLDS
from daemon.control.state import (
    FAULTS,
    FLOWING_WATTS,
    LONGEST_GAP,
    NO_VEHICLE,
    last_current,
    vehicle_of,
)
from planners.home.allotments import shares_by_plan
from planners.home.left_beside import highest_at
from planners.power.allowed_currents import AmpsSpan, amps_allowed
from planners.power.excess_current import FOLLOWS_WITHIN, VEHICLE_FOLLOWS, MeasuredCurrent

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from daemon.control.events import CommandInForce
    from daemon.control.state import PointState
    from planners.plan.plan import Period

NO_CURRENT = MeasuredCurrent(0.0)


@dataclass(frozen=True, slots=True)
class Claim:
    """What the hardware of one charge point may draw.

    Attributes
    ----------
    commanded : tuple of AmpsSpan
        By the command in force, until the vehicle has followed its end.
    shown : tuple of AmpsSpan
        By the last reading, if it shows more than that.
    earlier : tuple of AmpsSpan
        By earlier commands, until it has given way.
    lowered_at : datetime or None
        When the last lower command was sent.
    amps_before : MeasuredCurrent
        The highest current that was read before it took effect, since the claims in `earlier`.
    is_open : bool
        Whether its contactor is open, because no vehicle is there: then only what is commanded
        counts.
    """

    commanded: tuple[AmpsSpan, ...] = ()
    shown: tuple[AmpsSpan, ...] = ()
    earlier: tuple[AmpsSpan, ...] = ()
    lowered_at: datetime | None = None
    amps_before: MeasuredCurrent = NO_CURRENT
    is_open: bool = False

    @property
    def spans(self) -> tuple[AmpsSpan, ...]:
        """All of it; spans may overlap."""
        return (*self.commanded, *self.shown, *(() if self.is_open else self.earlier))

    @property
    def not_given_way_amps(self) -> float:
        """The current that readings show although a lower command should have ended it by now."""
        found = (span.amps for span in self.shown if self._has_had_time(span.start))
        return max(found, default=0.0)

    def highest_amps(self, now: datetime) -> float:
        """Return the highest current that it may draw now [A per phase]."""
        return highest_at(self.spans, now)

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
    before = _higher(claim.amps_before, drawn_current(state, file)[0])
    if lowered_at is not None and _gave_way(state, lowered_at, before, file):
        earlier = tuple(_not_disproved(earlier, state, now, file))
    earlier = tuple(dict.fromkeys(span for span in earlier if span.end > now))
    return Claim(
        commanded,
        shown=tuple(_by_readings(state, earlier, lowered_at, now, file)),
        earlier=earlier,
        lowered_at=lowered_at if earlier else None,
        amps_before=before if earlier else NO_CURRENT,
        is_open=state.pilot == NO_VEHICLE or state.pilot in FAULTS,
    )


def stored_periods(state: PointState, file: HouseholdFile) -> tuple[AmpsSpan, ...]:
    """Return the currents that hardware which stores its plan may follow without the daemon.

    Parameters
    ----------
    state : PointState
        The charge point, with its plan and the command in force.
    file : HouseholdFile
        The household.

    Returns
    -------
    tuple of AmpsSpan
        Those of the plan; after the command in force has expired, no current is above the fixed
        share of the main fuse, because then the plans of others may have changed. If it charges
        without a plan, that share for as long as a start may last. Hardware does not switch its
        phases without the daemon: periods on others than the command's are left out. It starts by
        itself only after the longest random delay: sooner, the daemon does.
    """
    plan, command = state.plan, state.command
    if command is None or (command.do == "stop" and command.plan is None):
        return ()  # while a person has put the plan off, the hardware must not store and follow it
    alone = command.valid_until if command.do == "start" else None
    if command.plan is None or plan is None:
        return _share_after(state, command, file) if shares_by_plan(file) else ()
    periods = [p for p in plan.periods if (p.one_phase_amps is not None) == (command.phases == 1)]
    delay = timedelta(seconds=file.charge_points[state.charge_point].random_delay_seconds)
    periods = list(_after_delay(periods, delay, is_on=command.do == "start"))
    if not shares_by_plan(file):
        return tuple(AmpsSpan(each.start, each.end, each.told_amps) for each in periods)
    found: list[AmpsSpan] = []
    for period in periods:
        if alone is not None and period.start < alone:
            found.append(AmpsSpan(period.start, min(period.end, alone), period.told_amps))
        begins = period.start if alone is None else max(period.start, alone)
        spans = amps_allowed(file, plan.charge_point, plan.vehicle, begins, period.end)
        found += [
            replace(span, amps=min(period.told_amps, span.amps)) for span in spans if span.amps > 0
        ]
    return tuple(found)


def _after_delay(periods: Sequence[Period], delay: timedelta, *, is_on: bool) -> Iterator[Period]:
    """Let each run begin later by a delay, but not the first if it is in progress."""
    begins, ends = None, None
    for period in periods:
        if period.start != ends:
            is_first = begins is None
            begins = period.start if is_on and is_first else period.start + delay
        ends = period.end
        assert begins is not None  # noqa: S101 - the first period begins a run
        if ends > begins:
            yield replace(period, start=max(period.start, begins))


def _share_after(
    state: PointState, command: CommandInForce, file: HouseholdFile
) -> tuple[AmpsSpan, ...]:
    """Return what holds after a start without a plan: the fixed share of the main fuse."""
    vehicle, begins = vehicle_of(state, file), command.valid_until
    if vehicle is None or command.amps is None:
        return ()
    until = begins + START_HOLDS - MORE_HOLDS
    spans = amps_allowed(file, state.charge_point, vehicle, begins, until)
    return tuple(span for span in spans if 0 < span.amps < command.amps)


def commanded_amps(state: PointState, now: datetime) -> float:
    """Return the current of the command in force [A per phase]; 0 for a stop."""
    command = state.command
    if command is None or command.amps is None or command.valid_until <= now:
        return 0.0
    return command.amps


def _by_command(state: PointState, now: datetime, file: HouseholdFile) -> Iterator[AmpsSpan]:
    command, excess = state.command, state.current_watch.excess
    if command is not None and command.amps is not None and command.valid_until > now:
        amps = command.amps if excess is None else max(command.amps, excess.taken_amps)
        yield AmpsSpan(now, command.valid_until + VEHICLE_FOLLOWS, amps)
    if file.charge_points[state.charge_point].ocpp is not None:
        for period in stored_periods(state, file):
            if period.end > now:
                yield AmpsSpan(period.start, period.end + VEHICLE_FOLLOWS, period.amps)


def _by_readings(
    state: PointState,
    earlier: Sequence[AmpsSpan],
    lowered_at: datetime | None,
    now: datetime,
    file: HouseholdFile,
) -> Iterator[AmpsSpan]:
    """Claim the current that flows, if it is more than was commanded."""
    flowing, at = drawn_current(state, file)
    if at is None or now - at >= LONGEST_GAP:
        return
    allowed = commanded_amps(state, at)
    if lowered_at is not None and at < lowered_at + VEHICLE_FOLLOWS:
        # It could not have followed yet: what it draws by an earlier command is claimed already.
        allowed = max([allowed, *(span.amps for span in earlier)])
    if flowing.exceeds(allowed):
        yield AmpsSpan(at, at + LONGEST_GAP, flowing.amps)


def drawn_current(
    state: PointState, file: HouseholdFile
) -> tuple[MeasuredCurrent, datetime | None]:
    """Return the current that flows, and when it was read; without an instant if it was not."""
    if state.idle_since is not None:
        return NO_CURRENT, state.idle_since
    found, at = last_current(state, file)
    is_asleep = state.watts_at == at and state.watts is not None and state.watts <= FLOWING_WATTS
    if found is None or is_asleep:
        return NO_CURRENT, None if found is None else at
    return found, at


def _not_disproved(
    earlier: Sequence[AmpsSpan], state: PointState, now: datetime, file: HouseholdFile
) -> Iterator[AmpsSpan]:
    """Yield the earlier claims that may still hold although it is seen to have given way."""
    if file.charge_points[state.charge_point].ocpp is not None:
        return  # it is connected: a command is sent until it is accepted
    # A current that the new command allows as well may be that of the old one, which ends later.
    yield from (span for span in earlier if span.amps <= commanded_amps(state, now))


def _gave_way(
    state: PointState, lowered_at: datetime, before: MeasuredCurrent, file: HouseholdFile
) -> bool:
    """Whether readings show that the hardware took up the lower command."""
    flowing, at = drawn_current(state, file)
    if at is None or at < lowered_at + VEHICLE_FOLLOWS:
        return False
    told = (state.command.amps if state.command is not None else None) or 0.0
    is_accepted = file.charge_points[state.charge_point].ocpp is not None
    return not flowing.exceeds(told) and (is_accepted or before.exceeds(told))


def _higher(one: MeasuredCurrent, other: MeasuredCurrent) -> MeasuredCurrent:
    return max(one, other, key=lambda each: each.amps)


def _is_lower(new: Sequence[AmpsSpan], old: Sequence[AmpsSpan], now: datetime) -> bool:
    """Whether new claims are at any time from now on below the old ones."""
    edges = {now, *(edge for span in (*new, *old) for edge in (span.start, span.end))}
    return any(highest_at(new, at) < highest_at(old, at) for at in edges if at >= now)
