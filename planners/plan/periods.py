"""Join the chosen ticks into the periods of a plan."""

from __future__ import annotations

from datetime import timedelta
from math import ceil, inf
from operator import add
from typing import TYPE_CHECKING, NamedTuple

from planners.plan.plan import Period
from planners.plan.window import HOUR

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from planners.plan.horizon import Horizon
    from planners.plan.window import Slot
    from planners.power.charging import ChargeModel, Ladder
    from planners.solver.solution import Solution

GRAMS_PER_KG = 1000

PARTS_OF_AN_AMPERE = 10
"""Hardware takes currents in tenths of an ampere (common practice, no source)."""

SAME_RATE = 1e-9
"""Rates that differ by less are the same [currency per kWh]."""

ROUNDING = 1e-6
"""Tenths this near to a whole number count as whole."""


class ChargingSlot(NamedTuple):
    """A slot of time, and the charging current in it [A per phase].

    `one_phase_amps` is as in `Period`.
    """

    slot: Slot
    amps: float
    one_phase_amps: float | None = None


def charging_slot(horizon: Horizon, slot: Slot, amps: float) -> ChargingSlot:
    """Charge in a slot with about a current.

    Parameters
    ----------
    horizon : Horizon
        What was solved.
    slot : Slot
        The time, and the highest current that it allows.
    amps : float
        The current wanted; where one phase may carry it, its part of each [A per phase].

    Returns
    -------
    ChargingSlot
        With what the charge point is told in tenths of an ampere, rounded up, but no higher than
        the slot allows.
    """
    phases, most = horizon.model.phases, horizon.most_amps_on_one
    if most is not None:
        is_scaled = horizon.situation.phases_planned == "one"
        highest = slot.amps * phases if is_scaled else min(slot.amps, most)
        if is_scaled or amps * phases <= highest + ROUNDING:
            told = min(highest, _in_tenths(amps * phases))
            return ChargingSlot(slot, told / phases, told)
        amps = max(amps, horizon.point.min_amps)
    return ChargingSlot(slot, min(slot.amps, _in_tenths(amps)))


def _in_tenths(amps: float) -> float:
    return ceil(amps * PARTS_OF_AN_AMPERE - ROUNDING) / PARTS_OF_AN_AMPERE


def charging_slots(horizon: Horizon, solution: Solution, k: int) -> list[ChargingSlot]:
    """List the ticks that a solution charges in before a departure.

    Parameters
    ----------
    horizon : Horizon
        What was solved.
    solution : Solution
        The currents chosen.
    k : int
        Index of the departure.

    Returns
    -------
    list of ChargingSlot
        With currents in tenths of an ampere, rounded up, but no higher than the tick allows. A run
        in the last tick goes on until the vehicle must be ready. Both are later cut short by the
        excess.
    """
    chosen = []
    begin, end = horizon.problem.deadlines[k - 1].end if k else 0, horizon.problem.deadlines[k].end
    for i in range(begin, end):
        if solution.share[i] > 0:
            tick = horizon.window.ticks[i]
            chosen.append(charging_slot(horizon, tick, float(solution.amps[i])))
    rest = horizon.rest_before(k)
    is_open = rest is not None and horizon.kept is None and not (k == 0 and horizon.tail)
    if rest is not None and is_open and end > begin and solution.share[end - 1] > 0:
        amps = min(rest.amps, chosen[-1].amps)
        if amps >= horizon.problem.least_amps:
            chosen.append(charging_slot(horizon, rest, amps))
    return chosen


def cut_where_dearest(
    charging: Sequence[ChargingSlot], horizon: Horizon, k: int, stored_kwh: float, to_kwh: float
) -> tuple[list[ChargingSlot], float]:
    """Take what is too much in whole ticks off the dearest run, not off the last one.

    Parameters
    ----------
    charging : sequence of ChargingSlot
        The charging before a departure, in order of time.
    horizon : Horizon
        What was solved.
    k : int
        Index of the departure.
    stored_kwh, to_kwh : float
        Battery energy before, and to charge to [kWh].

    Returns
    -------
    tuple of list of ChargingSlot and float
        The slots, of which a run may begin later or end earlier by whole seconds, and the battery
        energy to charge to: less if a tick above the highest rate reached beyond the last need. The
        same for a vehicle whose power changes as it charges.
    """
    charging = list(charging)
    deadline, model = horizon.problem.deadlines[k], horizon.model
    if model.taper:
        return charging, to_kwh
    excess_kwh = stored_kwh + sum(_gain(model, each) for each in charging) - to_kwh
    spare_kwh = 0.0
    if k == len(horizon.problem.deadlines) - 1:
        spare_kwh = to_kwh - max(deadline.need_kwh, stored_kwh)
    while (edge := _dearest_edge(charging, horizon)) is not None:
        place, at_end, room = edge
        found = charging[place]
        gained_kwh, too_dear_kwh = _gain(model, found), 0.0
        if _rate(model, found) > deadline.max_rate_per_kwh + SAME_RATE:
            too_dear_kwh = max(0.0, min(spare_kwh, gained_kwh - excess_kwh))
        if gained_kwh <= 0:
            break
        share = min(1.0, (excess_kwh + too_dear_kwh) / gained_kwh)
        seconds = int(found.slot.hours * 3600 * share + ROUNDING)
        seconds = min(seconds, room)
        if seconds <= 0:
            break
        cut = timedelta(seconds=seconds)
        hours = found.slot.hours - cut / HOUR
        start = found.slot.start if at_end else found.slot.start + cut
        kept = found._replace(slot=found.slot._replace(start=start, hours=hours))
        excess_kwh -= gained_kwh - (_gain(model, kept) if hours > ROUNDING else 0.0)
        if excess_kwh < 0:  # what is wanted is not worth this slot's rate
            to_kwh, spare_kwh, excess_kwh = to_kwh + excess_kwh, spare_kwh + excess_kwh, 0.0
        charging[place : place + 1] = [kept] if hours > ROUNDING else []
    return charging, to_kwh


def _gain(model: ChargeModel, charged: ChargingSlot) -> float:
    return model.gained_kw(charged.amps * model.kw_per_amp) * charged.slot.hours


def _rate(model: ChargeModel, charged: ChargingSlot) -> float:
    """Return what a kWh counts on average at the slot's current [currency per kWh]."""
    return charged.slot.price_at(charged.amps * model.kw_per_amp)


def _dearest_edge(
    charging: Sequence[ChargingSlot], horizon: Horizon
) -> tuple[int, bool, int] | None:
    """Find the dearest slot, the last of equals, at an end of a run that may get shorter.

    Returns
    -------
    tuple of int, bool and int, or None
        The slot, whether it is the end of its run, and by how much the run may get shorter [s].
    """
    found, dearest = None, -inf
    # What a need may not wait for is not cut, dear as it may be.
    safe = horizon.met_by
    for place, (slot, *_) in enumerate(charging):
        if safe is not None and slot.start < safe:
            continue
        at_end = place == len(charging) - 1 or charging[place + 1].slot.start > slot.end()
        at_start = place == 0 or charging[place - 1].slot.end() < slot.start
        # Charging that may begin now begins now.
        at_start = at_start and slot.start > horizon.situation.now
        rate = _rate(horizon.model, charging[place])
        if (at_end or at_start) and rate > dearest - SAME_RATE:
            room = _spare_seconds(charging, place, horizon)
            if room > 0:
                found, dearest = (place, at_end, room), rate
    return found


def _spare_seconds(charging: Sequence[ChargingSlot], place: int, horizon: Horizon) -> int:
    """Return how much shorter the run of a slot at its end may get and stay long enough [s]."""
    if not horizon.point.min_run_minutes:
        return int(charging[place].slot.hours * 3600 + 1)
    first = last = place
    while first and charging[first - 1].slot.end() == charging[first].slot.start:
        first -= 1
    while last + 1 < len(charging) and charging[last].slot.end() == charging[last + 1].slot.start:
        last += 1
    run = timedelta(hours=sum(each.slot.hours for each in charging[first : last + 1]))
    situation = horizon.situation
    if situation.on and charging[first].slot.start == situation.now:
        run += min(situation.lasted, timedelta(minutes=horizon.point.min_run_minutes))
    return (run - timedelta(minutes=horizon.point.min_run_minutes)) // timedelta(seconds=1)


def periods_of(charging: Sequence[ChargingSlot], bought: Ladder) -> tuple[Period, ...]:
    """Join neighbouring slots at one rate and one current into periods.

    Parameters
    ----------
    charging : sequence of ChargingSlot
        In order of time.
    bought : Ladder
        The energy that each of the first slots buys, as many as were used.

    Returns
    -------
    tuple of Period
        In order of time.
    """
    periods: list[Period] = []
    begun: tuple[ChargingSlot, datetime, _Sums] | None = None
    for charged, share, kwh in zip(
        charging, bought.share.tolist(), bought.metered_kwh.tolist(), strict=False
    ):
        slot, end = charged.slot, charged.slot.end(share)
        roof_kwh = slot.roof_kwh(kwh, share)
        grams = slot.grams(kwh, share)
        sums = _Sums(
            kwh, slot.cost(kwh, share), roof_kwh, roof_kwh * slot.export_rate,
            grams / GRAMS_PER_KG, grams * slot.carbon.price_per_gram,
        )  # fmt: skip
        if begun is not None:
            first, ended, before = begun
            is_same = first[1:] == charged[1:] and first.slot.span is slot.span
            if ended == slot.start and is_same:
                begun = begun[0], end, _Sums(*map(add, before, sums))
                continue
            periods.append(_period(*begun))
        begun = charged, end, _Sums(*(each + 0.0 for each in sums))  # no cost is -0.0
    if begun is not None:
        periods.append(_period(*begun))
    return tuple(periods)


class _Sums(NamedTuple):
    """Energy and cost of a period, the roofs' part of both, and its carbon with its price."""

    kwh: float
    cost: float
    roof_kwh: float
    roof_cost: float
    carbon_kg: float
    carbon_price: float


def _period(first: ChargingSlot, end: datetime, sums: _Sums) -> Period:
    span = first.slot.span
    return Period(
        first.slot.start, end, first.amps, sums.kwh, sums.cost, span.band, span.estimated,
        sums.roof_kwh, sums.roof_cost, sums.carbon_kg, sums.carbon_price, first.one_phase_amps,
    )  # fmt: skip
