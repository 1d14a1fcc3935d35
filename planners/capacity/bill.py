"""Reckon a month's capacity charge from metered energy, with and without charging."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time
from decimal import Decimal
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from planners.capacity.home_power import DAY, intervals_between
from planners.capacity.tonight import Period, period_of, price_of
from planners.local_time.conversion import date_of, instant_of, instant_of_local, minute_of
from planners.local_time.departures import night_of
from planners.rates.composed_rates import tax_factor

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from config.calendar.account_days import AccountDays
    from config.household.household_file import HouseholdFile
    from config.tariffs.capacity_charge import CapacityCharge
    from config.tariffs.tariff import Tariff

WATT = Decimal("0.001")
"""Bills are for whole watts [kW]."""


class PeakDay(NamedTuple):
    """The highest counted power of a local day.

    Attributes
    ----------
    day : date
        The local day.
    start : datetime
        When its interval began, UTC.
    kw : float
        Mean power of the whole home in it [kW].
    charging_kw : float
        Mean power of charging in it [kW].
    """

    day: date
    start: datetime
    kw: float
    charging_kw: float

    def night(self, days: AccountDays) -> date:
        """Return the night of the account that the interval is in."""
        return night_of(self.start, days)


@dataclass(frozen=True, slots=True)
class CapacityBill:
    """A capacity charge of a month, or of a year so far.

    Attributes
    ----------
    period : Period
        The month or the year.
    per : str
        ``"month"`` or ``"year"``.
    interval_minutes : int
        Length of the intervals whose mean power counts [min].
    peaks : tuple of PeakDay
        The days whose mean is the period's peak, the highest first.
    billed_kw, billed_without_kw : Decimal
        The power that the bill is for, and what it would be without charging [kW].
    charge, charge_without : Decimal
        The charge, tax included, unrounded [currency].
    of_periods : int
        Of how many months the bill takes the mean.
    """

    period: Period
    per: str
    interval_minutes: int
    peaks: tuple[PeakDay, ...]
    billed_kw: Decimal
    billed_without_kw: Decimal
    charge: Decimal
    charge_without: Decimal
    of_periods: int = 1

    @property
    def by_charging(self) -> Decimal:
        """How much charging adds [currency]."""
        return self.charge - self.charge_without


def peak_days(
    file: HouseholdFile,
    charge: CapacityCharge,
    period: Period,
    until: datetime,
    *,
    charging_wh: Callable[[datetime, datetime], int],
    home_kw: Callable[[datetime, datetime], float | None],
) -> tuple[list[PeakDay], list[PeakDay]]:
    """Find the highest counted power of each day.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    charge : CapacityCharge
        The charge, with its intervals and the hours that count.
    period : Period
        The days.
    until : datetime
        Intervals that have not ended by then are left out, UTC.
    charging_wh : callable
        Returns the energy of all charge points from one instant to another [Wh].
    home_kw : callable
        Returns the mean power of the rest of the home from one instant to another, less what its
        own roofs serve of all, or None where it was not metered: then its known load counts [kW].

    Returns
    -------
    tuple of two lists of PeakDay
        With charging, and without.
    """
    begin = minute_of(instant_of_local(period.first, time(), file.zone))
    end = min(minute_of(instant_of_local(period.last + DAY, time(), file.zone)), minute_of(until))
    found: dict[date, PeakDay] = {}
    without: dict[date, PeakDay] = {}
    if begin >= end:
        return [], []
    laid = intervals_between(file, charge, begin, end)
    rows = zip(
        laid.starts.tolist(), laid.ends.tolist(), laid.days.tolist(), laid.base_kw.tolist(),
        laid.counts.tolist(), strict=True,
    )  # fmt: skip
    for starts, ends, number, base_kw, counts in rows:
        if not counts or starts < begin or ends > end:
            continue
        start, end_at, day = instant_of(starts), instant_of(ends), date_of(number)
        metered_kw = home_kw(start, end_at)
        rest_kw = base_kw if metered_kw is None else metered_kw
        charging_kw = charging_wh(start, end_at) / 1000 / ((ends - starts) / 60)
        each = PeakDay(day, start, rest_kw + charging_kw, charging_kw)
        if day not in found or each.kw > found[day].kw:
            found[day] = each
        # Beside the home's own roofs the rest may be below 0: the sun then serves the charging.
        alone_kw = max(0.0, rest_kw)
        if day not in without or alone_kw > without[day].kw:
            without[day] = PeakDay(day, start, alone_kw, 0.0)
    return list(found.values()), list(without.values())


def capacity_bill(
    file: HouseholdFile,
    tariff: Tariff,
    day: date,
    charging_wh: Callable[[datetime, datetime], int],
    home_kw: Callable[[datetime, datetime], float | None],
    *,
    until: datetime,
    known_from: date,
) -> CapacityBill | None:
    """Reckon the capacity charge of the month, or year, that a day is in.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    tariff : Tariff
        The tariff in force on that day.
    day : date
        Local day.
    charging_wh, home_kw : callable
        See `peak_days`.
    until : datetime
        Until when energy is known, UTC.
    known_from : date
        The first local day with metered energy; a mean of several months takes no month before it.

    Returns
    -------
    CapacityBill or None
        None without such a charge, or if no interval has ended yet.
    """
    charge = tariff.capacity_charge
    if charge is None:
        return None
    period = period_of(charge, day)
    price = price_of(tariff, charge, day)
    periods = [period]
    while len(periods) < charge.mean_of_months:
        before = period_of(charge, periods[-1].first - DAY)
        if before.last < known_from:
            break
        periods.append(before)
    peaks_kw: list[tuple[float, float]] = []
    counted: tuple[PeakDay, ...] = ()
    for each in periods:
        found, without = peak_days(
            file, charge, each, until, charging_wh=charging_wh, home_kw=home_kw
        )
        if not found:
            break
        peaks_kw.append((_peak(price.peak_of, found), _peak(price.peak_of, without)))
        if each == period:
            highest = sorted(found, key=lambda one: -one.kw)
            counted = tuple(highest[: charge.highest_days])
    if not peaks_kw:
        return None
    billed, billed_without = (
        Decimal(repr(sum(column) / len(column))).quantize(WATT)
        for column in zip(*peaks_kw, strict=True)
    )
    factor = tax_factor(tariff, day)
    return CapacityBill(
        period=period,
        per=charge.per,
        interval_minutes=charge.interval_minutes,
        peaks=counted,
        billed_kw=billed,
        billed_without_kw=billed_without,
        charge=charge_of(charge, billed) * factor,
        charge_without=charge_of(charge, billed_without) * factor,
        of_periods=len(peaks_kw),
    )


def charge_of(charge: CapacityCharge, billed_kw: Decimal) -> Decimal:
    """Return what a billed power costs before tax, exactly [currency]."""
    if charge.rate_per_kw is not None:
        return charge.rate_per_kw * billed_kw
    for step in charge.steps or ():
        if step.up_to_kw is None or billed_kw <= Decimal(repr(step.up_to_kw)):
            return step.charge
    return Decimal(0)


def _peak(
    peak_of: Callable[[NDArray[np.float64]], NDArray[np.float64]], days: Sequence[PeakDay]
) -> float:
    return float(peak_of(np.array([each.kw for each in days])))
