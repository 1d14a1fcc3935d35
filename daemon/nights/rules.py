"""Price a night's energy by other rules, each stay by itself. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING

from daemon.nights.carbon import with_carbon
from daemon.nights.metered import highest_kw
from planners.accounts.accounts import energy_until
from planners.accounts.real_power import at_real_voltage, step_of
from planners.accounts.register_leaps import without_leaps
from planners.accounts.same_energy import RuleCost, at_once, cheapest_hours, night_slots, timer
from planners.home.allotments import all_that_is_left, shares_by_plan
from planners.local_time.departures import night_bounds
from planners.local_time.wished_departures import ready_by_of
from planners.power.allowed_currents import amps_allowed, charge_model

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime

    from daemon.control.events import NightFacts, Stay
    from daemon.control.state import House
    from daemon.nights.metered import NightMeters
    from planners.accounts.same_energy import NightSlot
    from planners.power.charging import ChargeModel

_RULES = {"at_once": at_once, "timer": timer}

WH_OF_A_LATE_STOP = 200
"""A stop that comes a little late uses no more of the margin than this [Wh]."""

IDLE_WH = 50
"""A vehicle that took no more than this before another one came has not charged [Wh]."""


def costs_by_rule(
    house: House,
    facts: NightFacts,
    meters: NightMeters,
    energy_wh: int,
    paid: Decimal,
) -> dict[str, RuleCost]:
    """Price a night's energy by each rule, with the rates as they were in the end.

    Parameters
    ----------
    house : House
        The household file and the rates that are known now.
    facts : NightFacts
        The night.
    meters : NightMeters
        What the meters showed.
    energy_wh : int
        The night's energy [Wh].
    paid : Decimal
        What the energy cost at the plan's rates [currency].

    Returns
    -------
    dict
        `at_once`, `timer` and `hindsight`; empty if the file names a vehicle no longer. Rates that
        change with use are the plan's.
    """
    if any(stay.vehicle not in house.file.vehicles for stay in facts.stays):
        return {}
    max_kw = highest_kw(house, facts.charge_point)
    readings = without_leaps(meters.readings, max_kw)
    read_at = [reading.at for reading in readings]
    meter = _Meter(read_at, energy_until(readings, max_kw), meters)
    step_wh = step_of(readings)
    models: list[ChargeModel] = []
    until, end = bounds_until_closed(house, facts)
    slots: list[NightSlot] = []
    costs = dict.fromkeys(_RULES, RuleCost(Decimal(0), Decimal(0)))
    for stay, (begins, until) in zip(facts.stays, times_of_stays(house, facts), strict=True):
        own = meter.slots(house, facts.charge_point, stay, (begins, until))
        wh = sum(slot.metered_wh for slot in own)
        model = at_real_voltage(charge_model(house.file, stay.vehicle), own, step_wh)
        models.append(model)
        stored_kwh = model.stored_kwh(stay.soc_before_percent or 0.0)
        for name, rule in _RULES.items():
            costs[name] += rule(own, model, stored_kwh, wh, step_wh)
        slots += own
    # What flowed after the vehicle had left stays where it was in both rules: nobody was there.
    after = meter.slots(house, facts.charge_point, facts.stays[-1], (until, end))
    stayed = RuleCost(_paid(after), Decimal(0), _grams(after))
    costs = {name: rule + stayed for name, rule in costs.items()}
    strongest = max(models, key=lambda model: model.kw_per_amp)
    cheapest = cheapest_hours([*slots, *after], strongest, energy_wh, step_wh)
    unknown = _unknown([*slots, *after], step_wh)
    costs = {
        name: replace(rule, cost=paid) if abs(rule.cost - paid) <= unknown else rule
        for name, rule in costs.items()
    }
    least = min(paid, _paid([*slots, *after]), *(rule.cost for rule in costs.values()))
    least = cheapest.cost if cheapest.cost < least - unknown else least
    return {**costs, "hindsight": replace(cheapest, cost=least)}


def bounds_until_closed(house: House, facts: NightFacts) -> tuple[datetime, datetime]:
    """Return the bounds of a night, or of its part until it was closed."""
    start, end = night_bounds(facts.night, house.file.days)
    return start, min(end, max(start, facts.closed_at))


def times_of_stays(house: House, facts: NightFacts) -> list[tuple[datetime, datetime]]:
    """Divide a night among its stays: each from the end of the one before to its own end."""
    begins, end = bounds_until_closed(house, facts)
    times: list[tuple[datetime, datetime]] = []
    for stay in facts.stays:
        # What flowed before a vehicle was known to be there belongs to the stay that followed.
        until = max(begins, min(end, stay.left_at or stay.departure or end))
        times.append((begins, until))
        begins = until
    return times


def without_idle_stays(house: House, facts: NightFacts, meters: NightMeters) -> NightFacts:
    """Drop the stays of vehicles that took nothing before another one took their place."""
    max_kw = highest_kw(house, facts.charge_point)
    until = energy_until(without_leaps(meters.readings, max_kw), max_kw)
    counted = tuple(
        stay
        for stay, (begins, ends) in zip(facts.stays, times_of_stays(house, facts), strict=True)
        if stay.departure
        or not stay.left_at
        or stay.starts
        or until(ends) - until(begins) > IDLE_WH
    )
    return replace(facts, stays=counted or facts.stays)


@dataclass(frozen=True, slots=True)
class _Meter:
    """When a meter was read, the energy by any instant [Wh], and what the others showed."""

    read_at: Sequence[datetime]
    until: Callable[[datetime], int]
    night: NightMeters

    def slots(
        self, house: House, charge_point: str, stay: Stay, bounds: tuple[datetime, datetime]
    ) -> tuple[NightSlot, ...]:
        """Divide a part of the night into slots in which the vehicle could charge, or did."""
        begins, ends = bounds
        if begins >= ends:
            return ()
        file = house.file
        # What flowed may be more than the fixed share of the main fuse.
        left = all_that_is_left(file, begins, ends, stay.vehicle) if shares_by_plan(file) else ()
        allowed = amps_allowed(file, charge_point, stay.vehicle, begins, ends, allotted=left)
        leaves = stay.left_at or stay.departure or ends
        spans = house.prices.at(charge_point).spans(begins, ends)
        ready_by = None
        if stay.departure is not None:
            ready_by = ready_by_of(file, stay.vehicle, stay.departure)
            used_wh = self.until(leaves) - self.until(ready_by)
            if used_wh > WH_OF_A_LATE_STOP:
                ready_by = leaves  # the margin was given up, and so is every rule's
        slots = night_slots(
            spans, allowed, (stay.plugged_since, leaves), self.read_at, self.until,
            away=self.night.away, ready_by=ready_by, roof=self.night.roof,
        )  # fmt: skip
        return with_carbon(slots, house.prices.carbon)


def _paid(slots: Sequence[NightSlot]) -> Decimal:
    return sum((slot.cost(slot.metered_wh) for slot in slots), Decimal(0))


def _grams(slots: Sequence[NightSlot]) -> Decimal:
    return sum((slot.grams(slot.metered_wh) for slot in slots), Decimal(0))


def _unknown(slots: Sequence[NightSlot], step_wh: int) -> Decimal:
    """Return by how much rounded readings may make a rule's cost wrong [currency]."""
    # Both ends of a time are rounded, and so is the power that is found from them.
    rates = [slot.span.rate for slot in slots] or [Decimal(0)]
    return Decimal("1.5") * Decimal(step_wh + 1).scaleb(-3) * (max(rates) - min(rates))
