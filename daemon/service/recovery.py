"""Recover the state of a charge point from the ledger, at every start."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from adapters.clocks.instants import parse_instant
from adapters.contract.messages import Request, decode
from adapters.ledger.exact_json import dump_exact
from daemon.control.alerts import ALL_PHASES
from daemon.control.confirming import await_response
from daemon.control.events import CommandInForce
from daemon.control.learning import AHEAD, CONNECTED, IDLE, OLD_SOC, expires_after, set_presence
from daemon.control.state import FAULTS, PointState, SocFact, Wishes, register_wh_at, vehicle_of
from daemon.control.unreported_soc import REMEMBERED
from daemon.control.wishes import wishes_with, without_past
from daemon.nights.saved_state import Memory, read_saved
from daemon.nights.stays import recorded_stays
from planners.delays.random_delay import recovered_delay
from planners.local_time.departures import night_of
from planners.power.allowed_currents import AmpsSpan
from planners.power.excess_current import VEHICLE_FOLLOWS, CurrentWatch, PhaseWatch, with_command

if TYPE_CHECKING:
    from adapters.ledger.ledger import Ledger
    from adapters.ledger.rows import LastVehicleReports, StoredReading
    from config.calendar.account_days import AccountDays
    from config.household.household_file import HouseholdFile
    from daemon.control.state import House
    from planners.accounts.register import RegisterReading

SERIALS_SINCE = datetime(2026, 1, 1, tzinfo=UTC)
SERIAL_STEP = timedelta(seconds=1)
"""Serials begin at the number of such steps since then, at every start: fewer are ever used, also
where a start is extended every half minute, or where a full disk kept the last ones from being
recorded and the daemon starts again a few seconds later."""

LONGEST_IDLE = timedelta(days=14)
"""An older change of the pilot state is not looked for at a start: that would take time."""

WISHES_HOLD = timedelta(days=14)
"""An older request is forgotten at a start if no departure has ended it."""


def recover(ledger: Ledger, charge_point: str, now: datetime, house: House) -> PointState:
    """Return the state of a charge point that the ledger holds.

    Parameters
    ----------
    ledger : Ledger
        The durable record.
    charge_point : str
        Its name in the household file.
    now : datetime
        UTC.
    house : House
        The household file and the rates.

    Returns
    -------
    PointState
        Its plan is stale: it is made again from what is known.
    """
    reports = ledger.last_vehicle_reports(charge_point)
    reading = ledger.last_reading(charge_point)
    body = ledger.open_night(charge_point)
    saved = read_saved(body) if body else None
    memory = saved.memory if saved else Memory()
    whole = body is not None and "open" in body  # early versions saved less
    days = house.file.days
    is_shown = reports.pilot is not None and reports.pilot not in FAULTS
    plugged_in = reports.pilot in CONNECTED if is_shown else memory.plugged_in
    state = PointState(
        charge_point,
        plugged_in=plugged_in if saved is None else memory.plugged_in,
        pilot=reports.pilot,
        pilot_at=reports.pilot_at,
        idle_since=_idle_since(ledger, charge_point, reading, now),
        soc_at=reports.soc_at,
        soc=memory.soc,
        register=_register(ledger, charge_point, now),
        watts=reading.watts if reading else None,
        wishes=memory.wishes,
        watts_at=reading.at if reading and reading.watts is not None else None,
        vehicle=memory.vehicle,
        left_with=memory.left_with if whole else _left_with(ledger, charge_point, now, days),
        others=memory.others,
        stopped_itself=memory.stopped_itself,
        actual_share=memory.actual_share,
        current_watch=CurrentWatch(excess=memory.excess),
        phase_watch=PhaseWatch(keeps_all=ALL_PHASES in memory.alerts),
        is_load_read=memory.is_load_read,
        alerts=memory.alerts,
        night=saved.night if saved else None,
        plan_stale=True,
    )
    if saved is None:
        state = replace(state, wishes=_wishes(ledger, state, now, house.file))
    elif memory.asked_before is not None:
        state = replace(state, wishes=_with_old_wish(state, memory.asked_before, now, house.file))
    # The daemon may have ended between the record of a report and what followed from it.
    state, _ = set_presence(state, now, house, there=plugged_in)
    late = expires_after(house.file.charge_points[charge_point])
    state = replace(state, switches=ledger.last_switches(charge_point, late))
    return _with_command(_with_last_report(state, reports, now), memory, ledger, now)


def currents_in_force(ledger: Ledger, charge_point: str, now: datetime) -> tuple[AmpsSpan, ...]:
    """Return the currents of all starts that have not expired, also those that others replaced.

    Parameters
    ----------
    ledger : Ledger
        The durable record.
    charge_point : str
        Its name in the household file.
    now : datetime
        UTC.

    Returns
    -------
    tuple of AmpsSpan
        What the hardware may draw if later commands did not reach it.
    """
    return tuple(
        AmpsSpan(now, command.valid_until + VEHICLE_FOLLOWS, command.amps)
        for command in ledger.commands_in_force(charge_point, now - VEHICLE_FOLLOWS)
        if command.amps is not None
    )


def _idle_since(
    ledger: Ledger, charge_point: str, reading: StoredReading | None, now: datetime
) -> datetime | None:
    """Return since when the pilot shows that no power flows, unless the meter was read since."""
    # Only a change ends the power, as in `daemon.control.learning`.
    at = ledger.pilot_changed_at(charge_point, IDLE, now - LONGEST_IDLE)
    is_read = reading is not None and reading.watts is not None and at and reading.at >= at
    return None if is_read else at


def _with_last_report(state: PointState, reports: LastVehicleReports, now: datetime) -> PointState:
    """Use a state of charge that was stored, but not acted on, when the daemon ended."""
    at = reports.soc_at
    if reports.soc_percent is None or at is None:
        return state
    if state.soc is not None:
        is_news = at > state.soc.at
    else:
        # A report from before the vehicle left does not describe the vehicle that returned.
        is_news = reports.pilot_at is not None and at >= reports.pilot_at and now - at < OLD_SOC
    if not is_news:
        return state
    fact = SocFact(reports.soc_percent, at, "vehicle", register_wh_at(state, at))
    return replace(state, soc=fact)


def _with_old_wish(state: PointState, asked: Request, now: datetime, file: HouseholdFile) -> Wishes:
    """Keep a wish that was saved by a version with one wish for all departures."""
    planned = state.night.departure if state.night else None
    if planned is not None and planned.instant <= now:
        return state.wishes  # it was for a departure that has passed
    return wishes_with(state.wishes, asked, vehicle_of(state, file), now, file)


def _wishes(ledger: Ledger, state: PointState, now: datetime, file: HouseholdFile) -> Wishes:
    """Read the requests since the last departure, where no state is saved."""
    since, charge_point = now - WISHES_HOLD, state.charge_point
    for night in ledger.nights(night_of(since, file.days), None, charge_point):
        closed_at = parse_instant(night["closed_at"])
        departures = [stay.departure for stay in recorded_stays(night) if stay.departure]
        left = [departure for departure in departures if departure <= closed_at]
        since = max(since, left[-1] if left else closed_at)
    wishes = Wishes()
    for stored in ledger.requests_since(charge_point, since):
        request = decode(Request, dump_exact(stored.body).encode())
        named = replace(state, vehicle=request.vehicle or state.vehicle)
        vehicle = vehicle_of(named, file)
        wishes = wishes_with(wishes, request, vehicle, stored.at, file)
    return without_past(wishes, now, file)


def _left_with(
    ledger: Ledger, charge_point: str, now: datetime, days: AccountDays
) -> SocFact | None:
    """Read the state of charge at the end of the last night that records it."""
    nights = ledger.nights(night_of(now - REMEMBERED, days), None, charge_point)
    for night in reversed(nights):
        last = recorded_stays(night)[-1]
        if last.soc_after_percent is not None:
            closed_at = parse_instant(night["closed_at"])
            at = min(last.departure or closed_at, closed_at)
            return SocFact(last.soc_after_percent, at, "counted", None)
    return None


def lowest_serial(now: datetime) -> int:
    """Return a serial that no command before now has had, whatever became of its ledger."""
    return max(0, (now - SERIALS_SINCE) // SERIAL_STEP)


def _with_command(state: PointState, memory: Memory, ledger: Ledger, now: datetime) -> PointState:
    stored = ledger.last_command(state.charge_point)
    # A new or restored ledger lacks the latest commands: serials start above any used.
    serial = lowest_serial(now)
    if stored is None:
        return replace(state, serial=serial)
    command = CommandInForce(
        stored.serial, stored.do, stored.amps, stored.valid_until, stored.plan, stored.why,
        delayed_until=recovered_delay(stored.do, stored.why, stored.valid_until),
        planned_amps=stored.amps,
        phases=stored.phases,
    )  # fmt: skip
    # The command is published again once there is a broker; the wait for a response begins now.
    same = memory.response_to == command.do
    night, before = state.night, memory.response
    # After a start that had expired, the latest switching is this start or an earlier one like it.
    since = stored.at if memory.response_to == "stop" else state.switches.on_at or stored.at
    if night is not None and before is not None and command.do == "start" and since > before.since:
        # The daemon ended between the record of this start and that of the night it belongs to.
        night = replace(night, starts=night.starts + 1)
    state = replace(
        state,
        command=command,
        night=night,
        serial=max(stored.serial, serial),
        response=memory.response if same else None,
        current_watch=with_command(state.current_watch, now, is_lower=True),
    )
    return replace(state, response=await_response(state, now, switched=not same))


def _register(ledger: Ledger, charge_point: str, now: datetime) -> RegisterReading | None:
    latest = now + AHEAD
    readings = ledger.register_readings(charge_point, now, latest)
    return next((reading for reading in reversed(readings) if reading.at <= latest), None)
