"""Compare a supplier's bill with our meters in the same calendar month.

A bill counts from midnight to midnight, a night from noon to noon. So our side comes from the
meters' readings, not from the nights, and is priced at the rates known now.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from decimal import Decimal
from itertools import takewhile
from typing import TYPE_CHECKING

from config.files.errors import Fault, FileError, TariffError
from config.home.generation import ROOF
from daemon.bill.file import read_bill
from daemon.bill.intervals import by_step
from daemon.night_log.month_reading import month_days, standing_charges
from daemon.nights.account import cost_rounding
from daemon.nights.metered import highest_kw, metered_half_hours, read_meter, roof_shares
from planners.accounts.accounts import account
from planners.accounts.minimum_bill import minimum_of_month
from planners.bill.bands import (
    MINIMUM_BILL,
    STANDING_CHARGE,
    BandComparison,
    Purchase,
    compare_bands,
)
from planners.bill.hours import HalfHourComparison, compare_half_hours
from planners.local_time.conversion import MINUTE
from planners.local_time.settlement import ONE_DAY, day_bounds, half_hours
from planners.rates.tiered_spans import spans_by_use, use_counted_from

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date, datetime
    from pathlib import Path

    from adapters.ledger.reader import LedgerReader
    from daemon.bill.file import BillForm
    from daemon.control.state import House
    from daemon.nights.metered import Meter
    from planners.local_time.settlement import HalfHour
    from planners.rates.prices import Prices
    from planners.rates.spans import RateSpan


ZERO = Decimal(0)


@dataclass(frozen=True, slots=True)
class BillComparison:
    """Both sides, line by line: either half-hours or bands; the other is empty."""

    half_hours: tuple[HalfHourComparison, ...] = ()
    bands: tuple[BandComparison, ...] = ()


def compare_bill(
    house: House,
    ledger: LedgerReader,
    when: tuple[int, int],
    path: Path,
    form: BillForm | None = None,
) -> BillComparison:
    """Read the bill of a supplier's meter and compare it with our meters behind that one.

    Parameters
    ----------
    house : House
        The household.
    ledger : LedgerReader
        Its ledger.
    when : tuple of int
        Year and calendar month.
    path : Path
        The bill.
    form : BillForm, optional
        What is declared of the bill: its columns and times, and whose meter it is for.

    Returns
    -------
    BillComparison
        Every half-hour of the month, or every band.

    Raises
    ------
    FileError
        If the bill has faults: all of them.
    TariffError
        If our energy can't be priced.
    """  # noqa: DOC502 - raised by the reader and by the rates
    first, last = month_days(*when)
    zone = house.file.zone
    charge_point = None if form is None else form.charge_point
    prices = house.prices if charge_point is None else house.prices.at(charge_point)
    points = [each for each in house.file.charge_points if house.prices.at(each) is prices]
    # A wrong clock moves energy over the month's edges.
    grid = [start for start, _ in half_hours(first - ONE_DAY, last + ONE_DAY, zone)]
    bill = read_bill(path, grid, form)
    if bill.half_hours is not None:
        metered = metered_half_hours(house, ledger, points, first, last, from_grid=True)
        _refuse_other_months(path, metered, bill.half_hours)
        ours = by_step(metered, bill.step)
        try:
            spans, _, _ = _spans(house, ledger, (first, last), prices, points)
        except TariffError:  # the energy is compared without costs
            spans = ()
        rates = _rates(spans, ours)
        return BillComparison(half_hours=compare_half_hours(ours, bill.half_hours, zone, rates))
    theirs = bill.bands or {}
    bands, all_read = _our_bands(house, ledger, (first, last), prices, points)
    if STANDING_CHARGE in theirs:
        bands[STANDING_CHARGE] = Purchase(Decimal(0), standing_charges(prices, first, last))
    if MINIMUM_BILL in theirs:
        charging = sum((each.cost for name, each in bands.items() if name != STANDING_CHARGE), ZERO)
        minimum = minimum_of_month(prices, first, last, lambda day: charging * (day == last))
        bands[MINIMUM_BILL] = Purchase(ZERO, ZERO if minimum is None else minimum.top_up)
    return BillComparison(bands=compare_bands(bands, theirs, all_read=all_read))


def _refuse_other_months(
    path: Path, ours: Sequence[HalfHour], theirs: Mapping[datetime, Decimal]
) -> None:
    if not any(each.start in theirs for each in ours):
        what = "expected at least one row of the month below the header"
        raise FileError([Fault(str(path), 1, 1, what)])


def _rates(spans: Sequence[RateSpan], ours: Sequence[HalfHour]) -> dict[datetime, Decimal]:
    """Return the mean rate of each of our half-hours; those without a rate are left out."""
    rates: dict[datetime, Decimal] = {}
    ahead = deque(spans)
    for each in ours:
        while ahead and ahead[0].end <= each.start:
            ahead.popleft()
        inside = list(takewhile(lambda span: span.start < each.end, ahead))  # noqa: B023 - used at once
        parts = [
            (span.rate, (min(span.end, each.end) - max(span.start, each.start)) // MINUTE)
            for span in inside
        ]
        minutes = sum(length for _, length in parts)
        if minutes * MINUTE == each.end - each.start:
            rates[each.start] = sum((rate * part for rate, part in parts), ZERO) / minutes
    return rates


def _spans(
    house: House,
    ledger: LedgerReader,
    days: tuple[date, date],
    prices: Prices,
    points: Sequence[str],
) -> tuple[tuple[RateSpan, ...], dict[str, Meter], tuple[datetime, datetime]]:
    """Return the rates of a month by what was used, the meters, and the time they hold for."""
    first, last = days
    start, end = day_bounds(max(first, prices.in_force.first_days[0]), last, house.file.zone)
    since = use_counted_from(prices, start, end) or start
    meters = {point: read_meter(house, ledger, point, min(since, start), end) for point in points}
    spans = spans_by_use(
        prices, start, end, lambda instant: _used_wh(list(meters.values()), instant)
    )
    return spans, meters, (start, end)


def _our_bands(
    house: House,
    ledger: LedgerReader,
    days: tuple[date, date],
    prices: Prices,
    points: Sequence[str],
) -> tuple[dict[str, Purchase], bool]:
    """Account for a calendar month by band, and say whether readings cover all of it."""
    spans, meters, (start, end) = _spans(house, ledger, days, prices, points)
    bands: dict[str, Purchase] = {}
    untils = {point: meter.wh_until for point, meter in meters.items()}
    roofs = roof_shares(house, ledger, untils, start, end)
    for point, meter in meters.items():
        max_kw, rounding = highest_kw(house, point), cost_rounding(house)
        lines = account(
            meter.readings, spans, max_kw, rounding=rounding, roof=roofs.get(point)
        ).by_band
        # A supplier bills what came from the grid.
        for line in (each for each in lines if not (roofs and each.band == ROOF)):
            old = bands.get(line.band, Purchase(Decimal(0), Decimal(0)))
            bands[line.band] = Purchase(
                old.wh + line.wh,
                old.cost + line.cost,
                old.estimated_wh + line.estimated_wh,
                old.estimated_rate_wh + line.estimated_rate_wh,
            )
    read = [meter for meter in meters.values() if meter.readings]
    return bands, bool(read) and all(meter.covers(start, end) for meter in read)


def _used_wh(meters: Sequence[Meter], instant: datetime) -> int:
    return sum(meter.wh_until(instant) for meter in meters)
