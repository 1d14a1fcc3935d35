"""Read nights and months from a household's ledger."""

from __future__ import annotations

import calendar
from collections import defaultdict
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING

from adapters.ledger.ledger import open_ledger
from adapters.ledger.rows import BROKER_BACK
from config.fields.distance import KM_PER_MILE
from config.files.errors import TariffError, UsageError
from daemon.control.state import AWAY
from daemon.night_log.month import AlertRow, EnergyFlow, Month
from daemon.night_log.night_rows import night_row, rates_of_night
from daemon.night_log.shared import shared_month
from daemon.night_log.short_stays import left_early_at, skipped_at, too_little_time
from daemon.nights.account import missing_kwh
from daemon.nights.cost_by_component import cost_by_component
from daemon.nights.home_peaks import month_bill
from daemon.nights.metered import read_meter, roof_shares
from planners.accounts.minimum_bill import minimum_of_month
from planners.local_time.departures import night_bounds
from planners.local_time.settlement import ONE_DAY, day_bounds, half_hours
from planners.power.allowed_currents import charge_model

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from datetime import datetime
    from pathlib import Path
    from typing import Any

    from adapters.ledger.reader import LedgerReader
    from config.household.household_file import HouseholdFile
    from daemon.control.state import House
    from daemon.night_log.month import NightRow, StayRow
    from daemon.nights.metered import Meter
    from planners.accounts.by_source import RoofShare
    from planners.accounts.minimum_bill import MinimumOfMonth
    from planners.rates.prices import Prices


@contextmanager
def ledger_of(house: House) -> Iterator[LedgerReader]:
    """Open a household's ledger for reading; a daemon may be running or not."""
    with open_ledger(house.file.ledger.path, read_only=True) as ledger:
        yield ledger


def records_between(
    path: Path, house: House, ledger: LedgerReader, first: date | None, last: date | None
) -> tuple[dict[str, Any], ...]:
    """Read the records of nights.

    Parameters
    ----------
    path : Path
        The household file, for error messages.
    house : House
        The household.
    ledger : LedgerReader
        Its ledger.
    first, last : date or None
        The first and the last night; None for no limit.

    Returns
    -------
    tuple of dict
        In order of night and charge point.

    Raises
    ------
    UsageError
        If a night was recorded in a currency other than the file's.
    """
    records = ledger.nights(first, last)
    currency = house.file.household.currency
    for record in records:
        if record["currency"] != currency:
            raise UsageError(
                f"{path}: household.currency: expected {record['currency']}, in which the night of"
                f" {record['night']} was recorded, got {currency}; amounts in two currencies"
                " can't be added"
            )
    return records


def read_month(
    path: Path,
    house: House,
    ledger: LedgerReader,
    when: tuple[int, int],
    now: datetime,
    *,
    reads_meter: bool = True,
    retell: Callable[[dict[str, Any]], dict[str, Any]] | None = None,
) -> Month:
    """Read a month.

    Parameters
    ----------
    path : Path
        The household file, for error messages.
    house : House
        The household.
    ledger : LedgerReader
        Its ledger.
    when : tuple of int
        Year and calendar month; a night belongs to the month of its date.
    now : datetime
        When it is read, UTC.
    reads_meter : bool
        Whether to read the meter as well, which takes ten times as long: without, nights have no
        flows and no rates, it is not known who asked to skip, and costs are not split.
    retell : callable, optional
        Returns a record that takes the place of one, such as that of a night in progress so far.

    Returns
    -------
    Month
        Its nights, alerts and standing charges.
    """
    file, (year, month) = house.file, when
    first, last = month_days(year, month)
    shared = shared_month(path, house, when)
    records = records_between(path, house, ledger, first, last)
    if retell is not None:
        records = tuple(map(retell, records))
    nights = tuple(
        _night_rows(house, ledger, records, with_flows=shared is None or shared.has_half_hours)
        if reads_meter
        else map(night_row, records)
    )
    unit = _distance_unit(file)
    return Month(
        household=file.household.name,
        year=year,
        month=month,
        timezone=file.household.timezone,
        account_changes=file.days.changes,
        currency=file.household.currency,
        distance_unit=unit,
        distance=_distance(file, nights, unit),
        nights=nights,
        alerts=tuple(
            AlertRow(alert.at, alert.charge_point, alert.code, alert.message)
            for alert in ledger.alerts_between(*day_bounds(first, last, file.zone))
            if alert.code != BROKER_BACK
        ),
        standing_charge=sum(
            (standing_charges(each, first, last) for each in house.prices.meters), Decimal(0)
        ),
        # Shown by the minute, and never as one that has not come.
        as_of=now.replace(second=0, microsecond=0),
        # What the rest of the home drew, and exact times, are in no extract.
        capacity=month_bill(house, ledger, last, now) if nights and shared is None else None,
        by_component=cost_by_component(house, ledger, records)
        if reads_meter and shared is None
        else (),
        minimum_bills=tuple(_minimum_bills(house, nights, first, last)) if nights else (),
        untimed_alerts=() if shared is None else shared.alerts,
        remarks=() if shared is None else shared.remarks,
        lacks_capacity=shared is not None and shared.lacks_capacity,
    )


def month_days(year: int, month: int) -> tuple[date, date]:
    """Return the first and the last day of a month."""
    return date(year, month, 1), date(year, month, calendar.monthrange(year, month)[1])


def standing_charges(prices: Prices, first: date, last: date) -> Decimal:
    """Add up a meter's standing charge of every local day that has a tariff [currency]."""
    days = (first + count * ONE_DAY for count in range((last - first).days + 1))
    return sum((_standing_charge(prices, day) for day in days), Decimal(0))


def _standing_charge(prices: Prices, day: date) -> Decimal:
    try:
        return prices.standing_charge(day)
    except TariffError:
        return Decimal(0)


def _minimum_bills(
    house: House, nights: Sequence[NightRow], first: date, last: date
) -> Iterator[tuple[tuple[str, ...], MinimumOfMonth]]:
    """Reckon the minimum bill of each meter that has one."""
    for meter in house.prices.meters:
        costs: dict[date, Decimal] = defaultdict(Decimal)
        for row in nights:
            if house.prices.at(row.charge_point) is meter:
                costs[row.night] += row.cost
        bill = minimum_of_month(meter, first, last, costs.__getitem__)
        if bill is not None:
            yield house.prices.points_of(meter), bill


def _night_rows(
    house: House,
    ledger: LedgerReader,
    records: Sequence[Mapping[str, Any]],
    *,
    with_flows: bool,
) -> Iterator[NightRow]:
    """Make the rows of nights; read each meter only once."""
    if not records:
        return
    days = house.file.days
    nights = [date.fromisoformat(record["night"]) for record in (records[0], records[-1])]
    start, end = night_bounds(nights[0], days)[0], night_bounds(nights[1], days)[1]
    points = {record["charge_point"] for record in records} & set(house.file.charge_points)
    points = points if with_flows else set()
    meters = {point: read_meter(house, ledger, point, start, end) for point in points}
    roofs: Mapping[str, RoofShare] = {}
    if house.file.generation is not None:
        untils = {point: meter.wh_until for point, meter in meters.items()}
        roofs = roof_shares(house, ledger, untils, start, end)
    for record in records:
        row = night_row(record)
        meter = meters.get(row.charge_point)
        roof = roofs.get(row.charge_point)
        flows = _flows(row, meter, house, roof) if meter is not None else ()
        stays = tuple(
            stay if stay.need_met or not row.times_known else _short_stay(house, ledger, row, stay)
            for stay in row.stays
        )
        rates = rates_of_night(house, row.charge_point, row.night)
        yield replace(row, rates=rates, flows=flows, stays=stays)


def _short_stay(house: House, ledger: LedgerReader, row: NightRow, stay: StayRow) -> StayRow:
    """Add what the ledger shows of why it was short; and what was missing, if not recorded."""
    kwh, soc = stay.missing_kwh, stay.soc_after_percent
    if kwh is None and soc is not None:  # by an earlier version
        kwh = missing_kwh(house, stay.vehicle, stay.need_percent - soc)
    since, end = stay.plugged_since, min(stay.departure or row.closed_at, row.closed_at)
    commands = ledger.commands_between(row.charge_point, since, end)
    plans = ledger.plans_between(row.charge_point, since, end)
    before = ledger.command_before(row.charge_point, since)
    arrived = before is None or before.why == AWAY
    plan_before = None if arrived else ledger.plan_before(row.charge_point, since)
    if plan_before is not None:
        plans = (plan_before, *plans)
    requests = ledger.requests_since(row.charge_point, since)
    departures = () if stay.departure is None else (stay.departure,)
    return replace(
        stay,
        missing_kwh=kwh,
        arrived=arrived,
        skipped_at=skipped_at(commands, plans, end),
        left_early_at=left_early_at(commands, stay.departure) if stay.departure else None,
        too_little_time=too_little_time(plans, requests, departures),
    )


def _flows(
    row: NightRow, meter: Meter, house: House, roof: RoofShare | None
) -> tuple[EnergyFlow, ...]:
    """List the half-hours in which energy flowed, if the readings are still kept."""
    zone = house.file.zone
    begins, ends = night_bounds(row.night, house.file.days)
    ends = min(ends, max(begins, row.closed_at))
    flows = tuple(
        EnergyFlow(*times, wh, 0 if roof is None else roof.between(*times))
        for start, end in half_hours(row.night, row.night + ONE_DAY, zone)
        if begins < end and start < ends
        if (wh := meter.between(*(times := (max(start, begins), min(end, ends))))[0])
    )
    # Some readings may have been removed: what the others show must not pass for the whole night.
    return flows if sum(flow.wh for flow in flows) == row.energy_wh else ()


def _distance_unit(file: HouseholdFile) -> str | None:
    """Return the unit in which the file states the first known consumption."""
    known = [car for car in file.vehicles.values() if car.kwh_per_km is not None]
    if not known:
        return None
    return "km" if known[0].miles_per_kwh is None else "mile"


def _distance(file: HouseholdFile, nights: Sequence[NightRow], unit: str | None) -> float | None:
    """Compute how far the nights' energy drives; None if a consumption is unknown."""
    energy: dict[str, int] = {}
    for row in nights:
        for each in row.by_vehicle:
            energy[each.vehicle] = energy.get(each.vehicle, 0) + each.wh
    parts = [_driven_km(file, vehicle, wh) for vehicle, wh in energy.items() if wh]
    known = [km for km in parts if km is not None]
    if unit is None or len(known) < len(parts):
        return None
    return sum(known) / (KM_PER_MILE if unit == "mile" else 1.0)


def _driven_km(file: HouseholdFile, vehicle: str, wh: int) -> float | None:
    """Compute how far the energy that reaches the battery drives a vehicle [km]."""
    car = file.vehicles.get(vehicle)
    if car is None or car.kwh_per_km is None:
        return None
    model = charge_model(file, vehicle)
    return wh / 1000 * model.full_power_efficiency / car.kwh_per_km
