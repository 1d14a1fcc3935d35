"""Account for one night: metered energy, its cost by band, and the baselines. Pure."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from config.fields.currencies import minor_units
from config.files.errors import TariffError
from daemon.nights.carbon import carbon_is_known, night_carbon_values
from daemon.nights.metered import highest_kw
from daemon.nights.rules import (
    bounds_until_closed,
    costs_by_rule,
    times_of_stays,
    without_idle_stays,
)
from daemon.nights.stays import has_enough, stay_values
from planners.accounts.accounts import Account, account, energy_until, exact_kwh
from planners.accounts.money import round_money
from planners.accounts.register_leaps import without_leaps
from planners.plan.plan import instant_text
from planners.power.allowed_currents import charge_model
from planners.power.charging import NEED_TOLERANCE_PERCENT
from planners.rates.tiered_spans import spans_by_use, use_counted_from

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from daemon.control.events import LoweredByLoad, NightFacts, Stay
    from daemon.control.state import House
    from daemon.nights.metered import NightMeters
    from planners.accounts.same_energy import RuleCost
    from planners.rates.spans import RateSpan

EXACT_PLACES = 6
"""Decimal places of costs that a month adds up before it rounds them."""


def night_record(
    house: House,
    facts: NightFacts,
    meters: NightMeters,
    unknown_hours: float = 0.0,
) -> dict[str, Any]:
    """Make the record of a night.

    Parameters
    ----------
    house : House
        The household file and the rates that are known now.
    facts : NightFacts
        The controller's facts about the night.
    meters : NightMeters
        What the meters showed.
    unknown_hours : float
        How long it was to charge while nothing shows what flowed [h].

    Returns
    -------
    dict
        JSON values, money as Decimal: `cost` rounded half-even to the currency's minor unit, the
        costs in `by_band` not rounded.
    """
    file = house.file
    currency = file.household.currency
    units = minor_units(currency)
    facts = without_idle_stays(house, facts, meters)
    total, extra, spans = _account(house, facts, meters)
    rules = costs_by_rule(house, facts, meters, total.energy_wh, total.cost - extra)
    first = facts.stays[0]
    planned = sum(Decimal(repr(stay.planned_cost)) for stay in facts.stays)
    return {
        "night": facts.night.isoformat(),
        "charge_point": facts.charge_point,
        "vehicle": first.vehicle,
        "currency": currency,
        "energy_kwh": exact_kwh(total.energy_wh),
        "cost": round_money(total.cost, units),
        "by_band": [
            {"band": line.band, "rate": line.rate, "kwh": exact_kwh(line.wh), "cost": line.cost}
            for line in total.by_band
        ],
        "soc_before_percent": _percent(first.soc_before_percent),
        "soc_after_percent": _percent(first.soc_after_percent),
        "soc_from": first.soc_from,
        "need_percent": first.need_percent,
        "need_met": all(map(has_enough, facts.stays)),
        "starts": sum(stay.starts for stay in facts.stays),
        "planned_cost": round_money(Decimal(planned), units),
        "estimated_kwh": exact_kwh(total.estimated_wh),
        "estimated_rate_kwh": exact_kwh(total.estimated_rate_wh),
        "standing_charge": round_money(
            house.prices.at(facts.charge_point).standing_charge(facts.night), units
        ),
        "baselines": {
            name: {
                "cost": round(rule.cost + extra, EXACT_PLACES),
                "energy_kwh": exact_kwh(total.energy_wh),
                "outside_kwh": exact_kwh(round(rule.outside_wh)),
            }
            for name, rule in rules.items()
        },
        "plugged_since": instant_text(first.plugged_since),
        "departure": instant_text(first.departure) if first.departure else None,
        "stays": [
            _stay(house, stay) | part
            for stay, part in zip(
                facts.stays, _parts(house, facts, meters, total, spans), strict=True
            )
        ],
        "closed_at": instant_text(facts.closed_at),
        **({"unknown_hours": unknown_hours} if unknown_hours else {}),
        **_lowered(facts.lowered),
        **({} if meters.roof is None else _by_source(total)),
        **_carbon(house, facts, meters, rules.get("at_once")),
    }


def _carbon(
    house: House, facts: NightFacts, meters: NightMeters, at_once: RuleCost | None
) -> dict[str, Any]:
    max_kw = highest_kw(house, facts.charge_point)
    readings, bounds = without_leaps(meters.readings, max_kw), bounds_until_closed(house, facts)
    return night_carbon_values(house.prices.carbon, bounds, readings, max_kw, meters, at_once)


def _by_source(total: Account) -> dict[str, Any]:
    """Return what came from the roof, and what all of it would have cost from the grid."""
    return {
        "roof_kwh": exact_kwh(total.roof_wh),
        "all_grid_cost": round(total.all_grid_cost, EXACT_PLACES),
    }


def _lowered(lowered: LoweredByLoad | None) -> dict[str, Any]:
    """Return for how long the rest of the home left too little current, if it was long enough."""
    minutes = 0 if lowered is None else round(lowered.seconds / 60)
    if lowered is None or not minutes:
        return {}
    found = {"minutes": minutes, "least_amps": lowered.least_amps, "load_amps": lowered.load_amps}
    return {"lowered_by_load": found}


def _parts(
    house: House,
    facts: NightFacts,
    meters: NightMeters,
    total: Account,
    spans: Sequence[RateSpan],
) -> list[dict[str, Any]]:
    """Return the energy and the cost of each stay, if several vehicles were there."""
    if len({stay.vehicle for stay in facts.stays}) == 1:
        return [{} for _ in facts.stays]
    max_kw = highest_kw(house, facts.charge_point)
    readings = without_leaps(meters.readings, max_kw)
    left_wh, left_cost = total.energy_wh, total.cost
    parts: list[tuple[int, Decimal]] = []
    for begins, until in times_of_stays(house, facts)[:-1]:
        own = [
            replace(span, start=max(span.start, begins), end=min(span.end, until))
            for span in spans
            if span.start < until and begins < span.end
        ]
        found = account(readings, own, max_kw, roof=meters.roof)
        parts.append((found.energy_wh, found.cost))
        left_wh, left_cost = left_wh - found.energy_wh, left_cost - found.cost
    # What flowed after the last vehicle had left is with it, so that all parts are the night.
    parts.append((left_wh, left_cost))
    return [{"energy_kwh": exact_kwh(wh), "cost": round(cost, EXACT_PLACES)} for wh, cost in parts]


def _stay(house: House, stay: Stay) -> dict[str, Any]:
    met, soc = has_enough(stay), stay.soc_after_percent
    missing = 0.0 if met else None
    if soc is not None and not met:
        missing = missing_kwh(house, stay.vehicle, stay.need_percent - soc)
    return stay_values(stay) | {
        "plugged_since": instant_text(stay.plugged_since),
        "departure": instant_text(stay.departure) if stay.departure else None,
        "soc_before_percent": _percent(stay.soc_before_percent),
        "soc_after_percent": _percent(stay.soc_after_percent),
        "planned_cost": round(Decimal(repr(stay.planned_cost)), 4),
        "left_at": instant_text(stay.left_at) if stay.left_at else None,
        "need_met": met,
        "missing_kwh": None if missing is None else round(Decimal(repr(missing)), 2),
    }


def counted_from(house: House, facts: NightFacts) -> datetime | None:
    """Return the instant from which all charging must be known to price a night.

    Parameters
    ----------
    house : House
        The household file and the rates.
    facts : NightFacts
        The night.

    Returns
    -------
    datetime or None
        UTC; None if no rate changes with use.

    Raises
    ------
    TariffError
        If no rate is known.
    """  # noqa: DOC502 - raised by prices
    prices = house.prices.at(facts.charge_point)
    return use_counted_from(prices, *bounds_until_closed(house, facts))


def missing_kwh(house: House, vehicle: str, percent: float) -> float | None:
    """Convert a missing part of a battery to energy at the meter.

    Parameters
    ----------
    house : House
        The household file and the rates.
    vehicle : str
        The vehicle.
    percent : float
        The part that is missing [percent].

    Returns
    -------
    float or None
        [kWh]; None if the part is within the tolerance or the file no longer names the vehicle.
    """
    if vehicle not in house.file.vehicles or percent < NEED_TOLERANCE_PERCENT:
        return None
    model = charge_model(house.file, vehicle)
    return model.stored_kwh(percent) / model.full_power_efficiency


def _time_there(house: House, facts: NightFacts) -> tuple[datetime, datetime]:
    """Return the time that vehicles were there; the whole night if that is none."""
    start, end = bounds_until_closed(house, facts)
    begins = max(start, min((stay.plugged_since for stay in facts.stays), default=start))
    left = [stay.left_at or stay.departure or end for stay in facts.stays]
    ends = min(end, max(left, default=end))
    return (start, end) if ends <= begins else (begins, ends)


def intensities_are_known(house: House, facts: NightFacts) -> bool:
    """Whether every carbon intensity of the time that vehicles were there is known now."""
    return carbon_is_known(house.prices.carbon, *_time_there(house, facts))


def rates_are_known(house: House, facts: NightFacts) -> bool:
    """Whether every rate of the time that vehicles were there is known now, none estimated."""
    begins, ends = _time_there(house, facts)
    try:
        spans = house.prices.at(facts.charge_point).spans(begins, ends)
    except TariffError:
        return False
    return not any(span.estimated for span in spans)


def _account(
    house: House,
    facts: NightFacts,
    meters: NightMeters,
) -> tuple[Account, Decimal, Sequence[RateSpan]]:
    """Account for the night; also give what its tiers cost above the plan's, and all rates."""
    start, end = bounds_until_closed(house, facts)
    max_kw = highest_kw(house, facts.charge_point)
    readings = without_leaps(meters.readings, max_kw)
    rounding = cost_rounding(house)
    prices = house.prices.at(facts.charge_point)
    spans = prices.spans(start, end)
    planned = account(readings, spans, max_kw, rounding=rounding, roof=meters.roof)
    if not meters.charged:
        return planned, Decimal(0), spans
    curves = [
        energy_until(without_leaps(read, kw), kw)
        for point, read in meters.charged.items()
        if house.prices.at(point) is prices
        for kw in [highest_kw(house, point)]
    ]
    spans = spans_by_use(
        prices, start, end, lambda instant: sum(curve(instant) for curve in curves)
    )
    total = account(readings, spans, max_kw, rounding=rounding, roof=meters.roof)
    return total, total.cost - planned.cost, spans


def cost_rounding(house: House) -> Decimal:
    """Return by how much rounding may change a cost: half of the minor unit [currency]."""
    return Decimal(5).scaleb(-1 - minor_units(house.file.household.currency))


def _percent(percent: float | None) -> float | None:
    return None if percent is None else round(percent, 1)
