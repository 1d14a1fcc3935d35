"""Months made in code, from invented nights at Kowhai Cottage.

New Zealand's clock changes in April and September, which have 30 days. Norfolk Island's changes in
a month of 31: on 4 October 2026 (tzdata.zi: since July 2019 it follows rule AN).
"""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from decimal import Decimal
from itertools import pairwise
from zoneinfo import ZoneInfo

from daemon.control.alerts import ENDED_SHORT
from daemon.night_log.month import AlertRow, BandSum, EnergyFlow, Month, NightRow, StayRow
from planners.local_time.conversion import instant_of_local
from planners.rates.spans import RateSpan

ZONE = ZoneInfo("Pacific/Norfolk")
HALF_HOUR = timedelta(minutes=30)
RATES = {"night": Decimal("0.1932"), "peak": Decimal("0.4738"), "day": Decimal("0.35075")}
EDGES = ((12, "day"), (17, "peak"), (21, "night"), (31, "peak"), (35, "day"), (36, ""))
"""Bands from noon to noon: the hour on which each begins, past midnight counted on from 24."""
SHORT, GAP, PRUNED, IDLE, ALONE = 9, 14, 17, 22, 27
"""Days of the month: short for the departure, a gap in the readings, readings no longer kept,
nothing charged, and no record of a night."""


def at(day: date, hour: float) -> datetime:
    """Convert a local hour to an instant; from 24 on it belongs to the next day."""
    whole = day + timedelta(days=int(hour // 24))
    return instant_of_local(whole, time(int(hour % 24), round(hour % 1 * 60)), ZONE)


def night_rates(day: date) -> tuple[RateSpan, ...]:
    """List the night's bands, noon to noon."""
    starts = [(at(day, hour), band) for hour, band in EDGES]
    return tuple(
        RateSpan(start, end, RATES[band], band, "Three-band", estimated=False)
        for (start, band), (end, _) in pairwise(starts)
    )


def flows_from(start: datetime, energy_wh: int, per_half_hour: int) -> tuple[EnergyFlow, ...]:
    """Make half-hours from a start until the energy has flowed."""
    flows: list[EnergyFlow] = []
    while energy_wh > 0:
        wh = min(energy_wh, per_half_hour)
        flows.append(EnergyFlow(start, start + HALF_HOUR, wh))
        start, energy_wh = start + HALF_HOUR, energy_wh - wh
    return tuple(flows)


def by_band(flows: tuple[EnergyFlow, ...], rates: tuple[RateSpan, ...]) -> tuple[BandSum, ...]:
    """Price half-hours; no band may begin within one."""
    wh: dict[str, int] = {}
    for flow in flows:
        span = next(span for span in rates if span.start <= flow.start < span.end)
        wh[span.band] = wh.get(span.band, 0) + flow.wh
    return tuple(
        BandSum(band, RATES[band], energy, RATES[band] * energy / 1000)
        for band, energy in wh.items()
    )


def night_row(day: date, point: str, vehicle: str, hour: float, energy_wh: int) -> NightRow:
    """Make a night that began charging at an hour; special days have their oddities."""
    rates = night_rates(day)
    power = 3680 if point == "driveway" else 1150
    flows = flows_from(at(day, hour), energy_wh, power)
    lines = by_band(flows, rates)
    cost = sum((line.cost for line in lines), Decimal(0))
    short = point == "driveway" and day.day == SHORT
    before = 35.0 + day.day % 7 * 3
    plugged = at(day, 30.5 if short else 18.25 + day.day % 4 * 0.25)
    departure, after = at(day, 31 + 1 / 3), min(100.0, before + energy_wh / 600)
    stay = StayRow(
        vehicle=vehicle,
        plugged_since=plugged,
        departure=departure,
        need_percent=60.0,
        want_percent=80.0,
        soc_before_percent=before,
        soc_after_percent=None if day.day == PRUNED else after,
        need_met=not short,
        missing_kwh=None if short else 0.0,
        starts=len(lines),
    )
    return NightRow(
        night=day,
        charge_point=point,
        vehicle=vehicle,
        energy_wh=energy_wh,
        cost=cost,
        by_band=lines,
        standing_charge=Decimal("2.185"),
        soc_before_percent=before,
        soc_after_percent=stay.soc_after_percent,
        soc_from="vehicle" if point == "driveway" else "assumed",
        need_percent=60.0,
        need_met=not short,
        stays=(stay,),
        starts=stay.starts,
        planned_cost=cost.quantize(Decimal("0.01")),
        estimated_wh=min(energy_wh, 2150) if day.day == GAP else 0,
        at_once=None
        if day.day == PRUNED
        else (RATES["peak"] * energy_wh / 1000).quantize(Decimal("0.01")),
        timer=None
        if day.day == PRUNED
        else (RATES["night"] * energy_wh / 1000).quantize(Decimal("0.01")),
        hindsight=None
        if day.day == PRUNED
        else (RATES["night"] * energy_wh / 1000).quantize(Decimal("0.01")),
        plugged_since=plugged,
        departure=departure,
        closed_at=departure,
        flows=() if day.day == PRUNED else flows,
        rates=rates,
    )


def rows_of(day: date) -> list[NightRow]:
    """Make a day's nights: the hatchback's; the van's on Mondays and Thursdays."""
    if day.day == ALONE:
        return []
    hour = 30.5 if day.day == SHORT else 21 + day.day % 3 * 0.5
    energy_wh = {SHORT: 4310, IDLE: 0}.get(day.day, 17_043 + day.day * 7919 % 9001)
    rows = [night_row(day, "driveway", "hatchback", hour, energy_wh)]
    if day.weekday() in {0, 3}:
        rows.insert(0, night_row(day, "carport", "van", 20.5, 6_200 + day.day * 37))
    return rows


def full_month(household: str = "Kowhai Cottage", currency: str = "NZD") -> Month:
    """Make October 2026: 30 recorded nights, two vehicles, and some faults."""
    days = [date(2026, 10, day) for day in range(1, 32)]
    return Month(
        household=household,
        year=2026,
        month=10,
        timezone=ZONE.key,
        currency=currency,
        distance_unit="km",
        distance=3187.4,
        nights=tuple(row for day in days for row in rows_of(day)),
        alerts=(
            AlertRow(
                at(date(2026, 10, SHORT), 30.75),
                "driveway",
                ENDED_SHORT,
                "hatchback will reach 45 % of the 60 % needed by 07:20: it was plugged in late",
            ),
            AlertRow(
                at(date(2026, 10, GAP), 23.5),
                None,
                "ledger-refuses",
                "the disk was full for 20 minutes",
            ),
        ),
        standing_charge=Decimal("2.185") * 31,
        as_of=at(date(2026, 11, 2), 9),
    )


def empty_month() -> Month:
    """Make a month in which only the standing charge is known."""
    return Month(
        household="Kowhai Cottage",
        year=2026,
        month=2,
        timezone="Pacific/Auckland",
        currency="NZD",
        distance_unit=None,
        distance=None,
        nights=(),
        alerts=(),
        standing_charge=Decimal("2.185") * 28,
        as_of=at(date(2026, 3, 1), 9),
    )
