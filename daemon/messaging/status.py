"""Make the status message of a charge point. Pure."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from adapters.contract.messages import (
    AskedFor,
    KnownRates,
    LimitOfGrid,
    LoadOfHome,
    MainFuse,
    Reading,
    Status,
)
from daemon.control.leaving_late import goes_on_until
from daemon.control.state import (
    FLOWING_WATTS,
    counted_soc_percent,
    is_charging,
    vehicle_of,
    watts_of,
)
from planners.local_time.conversion import minute_of
from planners.power.home_load import home_load, is_learned
from planners.rates.known import rate_knowledge

if TYPE_CHECKING:
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from daemon.control.state import House, PointState
    from planners.plan.plan import Plan
    from planners.rates.prices import Prices

ALREADY = timedelta(seconds=2)
"""A plan that starts within this time was made just now, and starts already."""

BELIEVE_FOR = timedelta(minutes=5)
"""How long a reader should believe a status that is not followed by another."""


def status_of(
    state: PointState, now: datetime, house: House, load: LoadOfHome | None = None
) -> Status:
    """Return the status of a charge point.

    Parameters
    ----------
    state : PointState
        Its state.
    now : datetime
        UTC.
    house : House
        The household file and the rates.
    load : LoadOfHome, optional
        The latest reading of the home's load.

    Returns
    -------
    Status
        The message.
    """
    command = state.command
    soc = counted_soc_percent(state, house.file, now)
    source = state.soc.source if state.soc else None
    is_counted = _is_counted(state)
    register = state.register
    reading = (
        Reading(at=register.at, register_kwh=register.register_wh / 1000, watts=watts_of(state))
        if register
        else None
    )
    return Status(
        at=now,
        stale_after=now + BELIEVE_FOR,
        connected=state.plugged_in,
        charging=(watts_of(state) or 0.0) > FLOWING_WATTS,
        do=command.do if command else None,
        serial=command.serial if command else None,
        why=command.why if command else None,
        vehicle=vehicle_of(state, house.file),
        soc_percent=None if soc is None else round(soc, 1),
        soc_from="counted" if is_counted else source,
        soc_at=state.soc.at if state.soc else None,
        soc_counted_from=source if is_counted and source != "counted" else None,
        plan=state.plan.name if state.plan else None,
        reading=reading,
        rates=_rates(now, house.prices.at(state.charge_point)),
        main_fuse=_main_fuse(now, house.file),
        home_load=load,
        grid_limits=tuple(
            LimitOfGrid(
                kw=each.kw, amps=each.amps, until=each.until, charge_point=each.charge_point
            )
            for each in house.file.grid_limits
        )
        or None,
        wishes=tuple(
            AskedFor(
                id=wish.id,
                vehicle=wish.vehicle,
                by=wish.by,
                need_percent=wish.need_percent,
                want_percent=wish.want_percent,
            )
            for wish in state.wishes.departures
            if wish.by > now
        ),
        charge_now=state.wishes.charge_now or None,
        skip_until=state.wishes.skip_until,
        away_until=state.wishes.away_until,
        goes_on_until=goes_on_until(state, house, now) if is_charging(state) else None,
        calendar_at=house.calendar_at,
        alerts=tuple(sorted(state.alerts)),
    )


def next_start(plan: Plan, now: datetime) -> datetime | None:
    """Return when a plan next starts to charge; a period after another is no start.

    Parameters
    ----------
    plan : Plan
        The plan in force.
    now : datetime
        UTC.

    Returns
    -------
    datetime or None
        UTC; None if no start is ahead.
    """
    ends = {period.end for period in plan.periods}
    later = now + ALREADY
    ahead = (each.start for each in plan.periods if each.start > later and each.start not in ends)
    return min(ahead, default=None)


def _main_fuse(now: datetime, file: HouseholdFile) -> MainFuse | None:
    home, minute = file.household, minute_of(now)
    if home.main_fuse_amps is None:
        return None
    fuse = MainFuse(
        amps=home.main_fuse_amps, max_power_kw=home.max_power_kw, reserve_amps=home.reserve_amps
    )
    if not home.known_load:
        return fuse
    expects = (home_load(file, minute, minute + 1, phase)[0] for phase in home.phases)
    return fuse.model_copy(
        update={
            "expects_amps": tuple(round(float(each), 1) for each in expects),
            "expects_from": "learned" if is_learned(file) else "known_load",
        }
    )


def _rates(now: datetime, prices: Prices) -> KnownRates | None:
    known = rate_knowledge(prices, now)
    if known is None:
        return None
    return KnownRates(tariff=known.tariff, known_until=known.until, now=known.now)


def _is_counted(state: PointState) -> bool:
    """Whether the meter has counted on from the state of charge that was given."""
    soc, register = state.soc, state.register
    return (
        soc is not None
        and register is not None
        and soc.register_wh not in {None, register.register_wh}
    )
