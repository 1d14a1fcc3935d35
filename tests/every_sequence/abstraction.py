"""Take out of a world what can't matter any more, so that worlds that will behave alike are one."""

from __future__ import annotations

import marshal
from datetime import timedelta
from hashlib import blake2b
from math import copysign, log2
from typing import TYPE_CHECKING, Any

from daemon.control.nightbook import BEGUN_WH
from daemon.control.state import is_charging, vehicle_of
from planners.local_time.departures import night_of
from planners.power.allowed_currents import charge_model

if TYPE_CHECKING:
    from datetime import datetime

    from daemon.control.events import CommandInForce
    from daemon.control.state import House, OpenNight, PointState
    from planners.plan.plan import Plan
    from tests.every_sequence.points import World

DAY_SECONDS = 86_400
QUARTER, HOUR, HALF_DAY = 900.0, 3600.0, 43_200.0
SIZES_PER_DOUBLING = 0.5
MOST_REPEATS = 6
LONGEST_RUN_MINUTES = 30.0
"""The longest run that any file in the search asks for."""

SAME_PILOT = {"D": "C", "F": "E"}
"""Pilot states that the controller treats alike: only the words of an alert differ."""

INERT = frozenset(
    {"ledger-refuses", "no-broker", "broker-refuses", "need-out-of-reach", "over-current"}
)
"""Alerts that change nothing but whether they are raised again."""


def key_of(world: World) -> bytes:
    """Give the same bytes for worlds that will behave alike."""
    return digest_of(_all_of(world))


def kind_of(world: World) -> bytes:
    """Give the same bytes for worlds of one kind: amounts differ by less than four times."""
    since_midnight, *values = _all_of(world)
    return digest_of((since_midnight // HOUR, _size_of(tuple(values))))


def _size_of(value: Any) -> Any:  # noqa: ANN401 - a key is made from values of all kinds
    if isinstance(value, tuple):
        return tuple(map(_size_of, value))
    if isinstance(value, float):
        return copysign(round(SIZES_PER_DOUBLING * log2(1 + abs(value))), value)
    return value


def _all_of(world: World) -> tuple[Any, ...]:
    now, house, state = world.now, world.house, world.state
    contactor = world.contactor
    point = house.file.charge_points[state.charge_point]
    # Another file may have another rest: what counts under it counts under this one too.
    rests = 60.0 * (max(LONGEST_RUN_MINUTES, point.min_run_minutes) + point.rest_minutes)
    return (
        now.timestamp() % DAY_SECONDS,
        *world.setting,
        world.is_up,
        _command(world.held, now) if not world.is_up else None,
        _command(world.sent, now) if state.command is None else None,
        world.flows,
        world.reported,
        contactor.is_on,
        ago(contactor.on_at, now, rests),
        ago(contactor.off_at, now, rests),
        ago(world.defied_since, now, QUARTER),
        *known(state, now, house, rests),
    )


def digest_of(values: tuple[Any, ...]) -> bytes:
    """Give 16 bytes for some values: that two of a billion worlds have one by chance is 1e-21."""
    return blake2b(marshal.dumps(values, 2), digest_size=16).digest()


def ago(at: datetime | None, now: datetime, most: float) -> float | None:
    """Return how long ago an instant was [s], at most so long; negative if it is to come."""
    return None if at is None else min((now - at).total_seconds(), most)


def known(state: PointState, now: datetime, house: House, rests: float) -> tuple[Any, ...]:
    response, watch, share = state.response, state.current_watch, state.actual_share
    wishes, doubt = state.wishes, state.current_watch.doubt
    at_rest = response is not None and response.since
    return (
        state.plugged_in,
        SAME_PILOT.get(state.pilot or "", state.pilot),
        *_soc(state, now, house),
        *_recalled_at_a_start(state, now),
        state.register is not None and ago(state.register.at, now, HOUR),
        state.watts,
        ago(state.watts_at, now, HOUR),
        ago(state.idle_since, now, HOUR),
        bool(state.idle_since and at_rest and state.idle_since > at_rest),
        bool(state.watts_at and at_rest and state.watts_at > at_rest),
        tuple(
            (wish.id, ago(wish.by, now, 0.0), wish.need_percent, wish.want_percent)
            for wish in wishes.departures
        ),
        wishes.charge_now,
        ago(wishes.skip_until, now, 0.0),
        state.stopped_itself,
        response
        and (
            ago(response.since, now, HOUR),
            response.flowed,
            ago(response.wrong_since, now, HOUR),
            min(response.repeats, MOST_REPEATS),
        ),
        _flowed_since(state),
        (share.planned, share.measured, ago(share.measured_since, now, QUARTER)),
        ago(watch.judged_from, now, 0.0),
        watch.read_at is not None and watch.read_at == state.watts_at,
        watch.read_at == now,
        watch.excess and (watch.excess.told_amps, watch.excess.taken_amps),
        doubt and (doubt.exceeds, ago(doubt.since, now, QUARTER), min(doubt.readings, 2)),
        doubt and doubt.amps,
        state.plan and _plan(state.plan, now),
        state.plan_stale,
        _command(state.command, now),
        state.waits_for_others,
        state.is_load_read,
        ago(state.switches.on_at, now, rests),
        ago(state.switches.off_at, now, rests),
        state.night and _night(state.night, state, now, house),
        tuple(sorted(state.alerts - INERT)),
    )


def _soc(state: PointState, now: datetime, house: House) -> tuple[Any, ...]:
    """Give the state of charge as counted, and that on leaving, where it may still matter."""
    soc, register, left = state.soc, state.register, state.left_with
    base, lacks = None, 0
    if soc is not None:
        base = round(soc.percent, 6)
        if soc.register_wh is not None and register is not None:
            wh = register.register_wh - soc.register_wh
            base, lacks = round(soc.percent + wh * _percent_per_wh(state, house), 6), min(0, wh)
    age = None
    if soc is not None:
        age = ago(soc.at, now, 300.0 if soc.source == "assumed" else 0.0)
        age = age if state.plugged_in else ago(soc.at, now, HALF_DAY)
    if state.plugged_in and soc is not None and soc.source != "assumed":
        left = None  # it is replaced when the vehicle leaves
    return (
        base,
        _commanded(state, now),
        lacks,
        soc and soc.source,
        soc is not None and soc.register_wh is not None,
        age,
        (round(left.percent, 6), ago(left.at, now, 14.0 * DAY_SECONDS)) if left else None,
    )


def _commanded(state: PointState, now: datetime) -> tuple[float, float | None] | None:
    """Give what commands have charged where no meter counts, and since when they do."""
    soc = state.soc
    if soc is None:
        return None
    since = None
    if state.register is None and is_charging(state):
        known = (soc.at, soc.commanded_to, state.switches.on_at)
        since = ago(max(each for each in known if each is not None), now, DAY_SECONDS)
    return round(soc.commanded_percent, 6), since


def _recalled_at_a_start(state: PointState, now: datetime) -> tuple[Any, ...]:
    """Give what a restart makes of the instants of the last reports, as the recovery does."""
    pilot_at, soc_at, soc = state.pilot_at, state.soc_at, None
    register, idle_since = state.register, state.idle_since
    is_read = register is not None and idle_since is not None and register.at >= idle_since
    if soc_at is not None and state.soc is None:
        is_of_this_stay = pilot_at is not None and soc_at >= pilot_at
        soc = ago(soc_at, now, HALF_DAY) if is_of_this_stay else None
    return is_read, soc, soc_at == now, bool(soc_at and state.soc and soc_at > state.soc.at)


def _flowed_since(state: PointState) -> int | None:
    """Give the energy since the command, as far as it shows whether any has flowed [Wh]."""
    register, response = state.register, state.response
    if register is None or response is None or response.register_wh is None:
        return None
    return min(register.register_wh - response.register_wh, BEGUN_WH + 1)


def _percent_per_wh(state: PointState, house: House) -> float:
    vehicle = vehicle_of(state, house.file)
    if vehicle is None:
        return 0.0
    model = charge_model(house.file, vehicle)
    return model.soc_percent(model.full_power_efficiency / 1000)


def _command(command: CommandInForce | None, now: datetime) -> tuple[Any, ...] | None:
    if command is None:
        return None
    return (
        command.do, command.amps, ago(command.valid_until, now, HOUR), command.plan is not None,
        command.why, command.planned_amps,
    )  # fmt: skip


def _plan(plan: Plan, now: datetime) -> tuple[Any, ...]:
    return (
        (plan.departure - now).total_seconds(),
        plan.departure - plan.made_at <= timedelta(days=1),
        plan.made_at > now + timedelta(minutes=1),
        round(plan.need_percent, 6),
        round(plan.want_percent, 6),
        round(plan.reaches_percent, 6),
        plan.shortfall is None,
        bool(plan.periods) and ago(plan.periods[-1].end, now, HOUR),
        tuple(
            (
                ago(each.start, now, 0.0), (each.end - now).total_seconds(), each.amps,
                each.band, round(each.price / each.kwh, 6),
            )
            for each in plan.periods
            if each.end > now
        ),
    )  # fmt: skip


def _night(night: OpenNight, state: PointState, now: datetime, house: House) -> tuple[Any, ...]:
    departure, register = night.departure, state.register
    tonight = night_of(now, house.file.days)
    flowed = register is not None and register.register_wh != night.accounted_wh
    last = night.stays[-1].departure if night.stays else None
    return (
        (tonight - night.night).days,
        night.plugged_since is None,
        departure and (ago(departure.instant, now, 2 * HOUR), departure.need_percent),
        departure is not None and departure.wish is not None,
        night.closed,
        flowed,
        night.lowered is not None and night.lowered.since is not None,
        ago(last, now, HOUR),
    )
