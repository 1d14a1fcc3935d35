"""Read the home's highest powers from the ledger, for a capacity charge.

The charge points' meters show what charging drew. What the rest of the home drew is the mean power
of quarter-hours in which its load was read, or else its known load; where a meter between home and
grid was read, beside own roofs, its import counts. What a charge point with a meter of its own
draws is not on the home's meter, and does not count.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

from config.files.errors import TariffError
from daemon.nights.metered import read_meter
from planners.accounts.by_source import GRID_INTERVAL
from planners.capacity.bill import capacity_bill, peak_days
from planners.capacity.tonight import DayPeak, Period, period_of
from planners.home.interval_means import QUARTER
from planners.local_time.conversion import local_date
from planners.local_time.settlement import day_bounds

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from adapters.ledger.reader import LedgerReader
    from daemon.control.state import House
from planners.capacity.bill import CapacityBill

MONTH = timedelta(days=31)
HOUR = timedelta(hours=1)


def peaks_so_far(
    house: House, ledger: LedgerReader, now: datetime, known: tuple[DayPeak, ...] = ()
) -> tuple[DayPeak, ...]:
    """Read the highest power of each day of this month, or year, so far.

    Parameters
    ----------
    house : House
        The household.
    ledger : LedgerReader
        Its record.
    now : datetime
        UTC.
    known : tuple of DayPeak
        What was read before: days before the last of them are not read again, which for a whole
        month would take a second.

    Returns
    -------
    tuple of DayPeak
        Empty if no capacity charge is in force.
    """
    today = local_date(now, house.file.zone)
    try:
        charge = house.prices.tariff_on(today).capacity_charge
    except TariffError:
        charge = None
    if charge is None:
        return ()
    first = period_of(charge, today).first
    kept = tuple(each for each in known[:-1] if first <= each.day)
    period = Period(known[-1].day if kept else first, today)
    charging = _charging_between(house, ledger, *period)
    home = _home_between(house, ledger, *period, charging)
    found, _ = peak_days(house.file, charge, period, now, charging_wh=charging, home_kw=home)
    return (*kept, *(DayPeak(each.day, each.kw) for each in found))


def month_bill(
    house: House, ledger: LedgerReader, last: date, now: datetime
) -> CapacityBill | None:
    """Reckon the capacity charge of a month.

    Parameters
    ----------
    house : House
        The household.
    ledger : LedgerReader
        Its record.
    last : date
        The month's last day.
    now : datetime
        UTC.

    Returns
    -------
    CapacityBill or None
        None if the tariff has no such charge, or if nothing is recorded. A charge of a year is that
        of its days up to this month.
    """
    day = min(last, local_date(now, house.file.zone))
    try:
        tariff = house.prices.tariff_on(day)
    except TariffError:
        return None
    charge = tariff.capacity_charge
    if charge is None:
        return None
    earliest = period_of(charge, last - charge.mean_of_months * MONTH).first
    records = ledger.nights(earliest, last)
    if not records:
        return None
    known_from = max(earliest, date.fromisoformat(records[0]["night"]))
    until = min(now, day_bounds(last, last, house.file.zone)[1])
    charging = _charging_between(house, ledger, known_from, last)
    home = _home_between(house, ledger, known_from, last, charging)
    return capacity_bill(
        house.file, tariff, day, charging, home, until=until, known_from=known_from
    )


def _home_between(
    house: House,
    ledger: LedgerReader,
    first: date,
    last: date,
    charging_wh: Callable[[datetime, datetime], int],
) -> Callable[[datetime, datetime], float | None]:
    """Read the rest of the home's mean powers of some local days, both included."""
    imported = {
        each.start: each.import_wh
        for each in ledger.grid_intervals(*day_bounds(first, last, house.file.zone))
    }
    quarters = ledger.load_quarters(*day_bounds(first, last, house.file.zone))
    watts = {each.start: each.watts for each in quarters}

    def home_kw(begins: datetime, ends: datetime) -> float | None:
        # Where the meter at the grid was read, what came from there is what is billed.
        count = (ends - begins) // GRID_INTERVAL
        taken = [imported.get(begins + number * GRID_INTERVAL) for number in range(count)]
        found = [each for each in taken if each is not None]
        if found and len(found) == count:
            return (sum(found) - charging_wh(begins, ends)) / 1000 / ((ends - begins) / HOUR)
        parts = [
            watts.get(begins + number * QUARTER) for number in range((ends - begins) // QUARTER)
        ]
        known = [each for each in parts if each is not None]
        return sum(known) / len(known) / 1000 if known and len(known) == len(parts) else None

    return home_kw


def _charging_between(
    house: House, ledger: LedgerReader, first: date, last: date
) -> Callable[[datetime, datetime], int]:
    """Read the meters of the charge points on the home's meter, for some local days.

    Parameters
    ----------
    house : House
        The household.
    ledger : LedgerReader
        Its record.
    first, last : date
        Local days, both included.

    Returns
    -------
    callable
        Returns their energy from one instant to another [Wh].
    """
    start, end = day_bounds(first, last, house.file.zone)
    points = house.file.points_on_home_meter
    meters = [read_meter(house, ledger, point, start, end) for point in points]

    def charging_wh(begins: datetime, ends: datetime) -> int:
        return sum(meter.between(begins, ends)[0] for meter in meters)

    return charging_wh
