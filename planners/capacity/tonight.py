"""State tonight's capacity charge from a household, and keep its plan to the best caps."""

from __future__ import annotations

from calendar import monthrange
from dataclasses import dataclass
from datetime import date, time, timedelta
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from config.tariffs.capacity_charge import CapacityCharge
from planners.capacity.charge import CapacityPrice, PeriodPeaks
from planners.capacity.home_power import DAY, expected_days_kw, intervals_between
from planners.capacity.search import BestCaps, best_caps
from planners.capacity.statement import (
    CapacityProblem,
    CountingInterval,
    LikeNights,
)
from planners.local_time.conversion import (
    date_of,
    instant_of_local,
    local_date,
    minute_of,
)
from planners.local_time.departures import departures_between
from planners.rates.composed_rates import tax_factor

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from config.tariffs.tariff import Tariff
    from planners.generation.outlook import Outlook
    from planners.solver.problem import PlanningProblem
    from planners.solver.solution import Solution


SHARE_OF_A_NIGHT_TO_COME = 0.5
"""With a price series, a night to come counts as this much of tonight: a peak is bought on a night
that gains more by it than others, and the nights to come gain less. In a test of months with market
prices, planning night by night cost up to 24 % more than planning with hindsight if they counted
alike, and 2 % with this."""


class DayPeak(NamedTuple):
    """The highest counted power of a local day so far, charging included [kW]."""

    day: date
    kw: float


class Period(NamedTuple):
    """A month or a year, by its first and its last day."""

    first: date
    last: date


@dataclass(frozen=True, slots=True, eq=False)
class NightTicks:
    """What a night's ticks are, and whose.

    Attributes
    ----------
    file : HouseholdFile
        The household.
    vehicle : str
        Name of the vehicle.
    tariff_on : callable
        Returns the tariff in force on a local date.
    now : datetime
        UTC.
    begins : datetime
        Start of the first tick, UTC.
    tick_minutes : int
        Their length; a divisor of the charge's intervals.
    problem : PlanningProblem
        Of the night, with one departure.
    peaks : tuple of DayPeak
        The highest power of each day so far, as far as it is known.
    sun : Outlook or None
        What the home's own roofs are expected to give; None without a roof.
    """

    file: HouseholdFile
    vehicle: str
    tariff_on: Callable[[date], Tariff]
    now: datetime
    begins: datetime
    tick_minutes: int
    problem: PlanningProblem
    peaks: tuple[DayPeak, ...] = ()
    sun: Outlook | None = None


class ChargedPeriods(NamedTuple):
    """The bills that the peaks of a night count in.

    Attributes
    ----------
    periods : tuple of Period
        The months, or years, that the peaks belong to.
    per : str
        ``"month"`` or ``"year"``.
    interval_minutes : int
        Length of the counting intervals [min].
    bills : int
        In how many bills a peak counts.
    """

    periods: tuple[Period, ...]
    per: str
    interval_minutes: int
    bills: int


@dataclass(frozen=True, slots=True, eq=False)
class KeptPower:
    """The caps found for a night, and what they keep from growing.

    Attributes
    ----------
    best : BestCaps
        The caps, tonight's plan with them, and the cheapest one without.
    problem : PlanningProblem
        The night's problem under them.
    charged : ChargedPeriods
        The bills that the night's peaks count in.
    """

    best: BestCaps
    problem: PlanningProblem
    charged: ChargedPeriods

    @property
    def spared(self) -> float:
        """How much more the charge would be with the cheapest plan without caps [currency]."""
        return self.best.uncapped_charge - self.best.charge


def kept_power(night: NightTicks, uncapped: Solution | None = None) -> KeptPower | None:
    """Find the best caps for a night.

    Parameters
    ----------
    night : NightTicks
        The night.
    uncapped : Solution, optional
        Its cheapest plan without caps, if it is known already.

    Returns
    -------
    KeptPower or None
        None if no capacity charge is in force, or no cap is worth its while.
    """
    found = stated_charge(night)
    if found is None:
        return None
    capacity, charged = found
    best = best_caps(capacity, uncapped)
    if not best.is_capped:
        return None
    return KeptPower(best, capacity.limited(best.caps_kw), charged)


def stated_charge(night: NightTicks) -> tuple[CapacityProblem, ChargedPeriods] | None:
    """State the capacity charge of a night.

    Parameters
    ----------
    night : NightTicks
        The night.

    Returns
    -------
    tuple of CapacityProblem and ChargedPeriods, or None
        None if no capacity charge is in force.
    """
    intervals = _intervals(night)
    if not intervals:
        return None
    stated = _Statement(night, intervals)
    capacity = CapacityProblem(
        problem=night.problem,
        intervals=tuple(
            CountingInterval(each.start, each.end, each.hours, each.base_kw, stated.peak_of(each))
            for each in intervals
        ),
        periods=stated.peaks_by_period(),
        like_nights=stated.like_nights(),
    )
    charge = stated.charges[intervals[0].period]
    return capacity, ChargedPeriods(
        periods=tuple(stated.charges),
        per=charge.per,
        interval_minutes=charge.interval_minutes,
        bills=charge.mean_of_months,
    )


class _Interval(NamedTuple):
    """A counting interval of the ticks, with its day and its period."""

    start: int
    end: int
    hours: float
    base_kw: float
    day: date
    period: Period


def period_of(charge: CapacityCharge, day: date) -> Period:
    """Return the month, or year, of a charge that a day is in."""
    if charge.per == "year":
        return Period(date(day.year, 1, 1), date(day.year, 12, 31))
    last = monthrange(day.year, day.month)[1]
    return Period(day.replace(day=1), day.replace(day=last))


def price_of(tariff: Tariff, charge: CapacityCharge, day: date) -> CapacityPrice:
    """Return what a charge costs on a date, tax included."""
    factor = float(tax_factor(tariff, day))
    steps = tuple(
        (step.up_to_kw or float("inf"), float(step.charge) * factor) for step in charge.steps or ()
    )
    return CapacityPrice(
        rate_per_kw=float(charge.rate_per_kw or 0) * factor,
        steps=steps,
        at_least_kw=charge.at_least_kw,
        highest_days=charge.highest_days,
        bills=charge.mean_of_months,
    )


def _intervals(night: NightTicks) -> list[_Interval]:
    """Lay the intervals that count over all ticks."""
    zone, step = night.file.zone, night.tick_minutes
    begin = minute_of(night.begins)
    end = begin + night.problem.ticks * step
    found: list[_Interval] = []
    day = local_date(night.begins, zone)
    last = local_date(night.begins + night.problem.ticks * timedelta(minutes=step), zone)
    charges: dict[CapacityCharge, set[date]] = {}
    while day <= last:
        charge = night.tariff_on(day).capacity_charge
        if charge is not None:
            charges.setdefault(charge, set()).add(day)
        day += DAY
    for charge, days in charges.items():
        laid = intervals_between(night.file, charge, begin, end, night.sun)
        rows = zip(
            laid.starts.tolist(), laid.ends.tolist(), laid.days.tolist(), laid.base_kw.tolist(),
            laid.counts.tolist(), strict=True,
        )  # fmt: skip
        for starts, ends, number, base_kw, counts in rows:
            on = date_of(number)
            first = max(0, -((begin - starts) // step))
            after = min(night.problem.ticks, (ends - begin) // step)
            if counts and on in days and first < after:
                hours = (after - first) * step / 60
                found.append(_Interval(first, after, hours, base_kw, on, period_of(charge, on)))
    return sorted(found)


class _Statement:
    """The peaks of a night, and the periods that they belong to."""

    def __init__(self, night: NightTicks, in_night: Sequence[_Interval]) -> None:
        self._night = night
        periods = list(dict.fromkeys(each.period for each in in_night))
        self.charges: dict[Period, CapacityCharge] = {
            period: charge
            for period in periods
            if (charge := night.tariff_on(self._day_in(period)).capacity_charge) is not None
        }
        self._crosses = len(periods) > 1
        self._first_day = in_night[0].day
        self._first_period = periods[0]
        by_day = self.charges[periods[0]].highest_days > 1
        self._peaks = (
            2
            if self._crosses or (by_day and any(e.day != self._first_day for e in in_night))
            else 1
        )

    def _day_in(self, period: Period) -> date:
        """Return the day of a period whose tariff counts for it: today, or its first."""
        return max(period.first, local_date(self._night.now, self._night.file.zone))

    def peak_of(self, interval: _Interval) -> int:
        """Return the peak of an interval of tonight, or whose cap a later one keeps to."""
        if self._peaks == 1:
            return 0
        if self._crosses:
            return int(interval.period != self._first_period)
        return int(interval.day != self._first_day)

    def like_nights(self) -> tuple[LikeNights, ...]:
        """Return how many nights the caps hold for."""
        caps = tuple(range(self._peaks))
        if not self._crosses:
            later = self._nights_of(self._first_period)[1:]
            return (LikeNights(1 + self._share(self._first_period) * len(later), caps),)
        period = list(self.charges)[-1]
        count = self._share(period) * len(self._nights_of(period))
        return (LikeNights(1, caps), *([LikeNights(count, (1, 1))] if count else []))

    def _share(self, period: Period) -> float:
        """Return how much a night to come counts beside tonight."""
        tariff = self._night.tariff_on(self._day_in(period))
        return 1.0 if tariff.series is None else SHARE_OF_A_NIGHT_TO_COME

    def peaks_by_period(self) -> tuple[PeriodPeaks, ...]:
        """Return the daily peaks of each period without charging, and what raises them."""
        known = {each.day: each.kw for each in self._night.peaks}
        found = []
        for number, (period, charge) in enumerate(self.charges.items()):
            tariff = self._night.tariff_on(self._day_in(period))
            price = price_of(tariff, charge, self._day_in(period))
            days = days_kw(self._night.file, charge, period, known, self._today)
            found.append(
                PeriodPeaks(
                    price=price,
                    days_kw=tuple(days.values()),
                    capped=tuple(self._capped(number, period, list(days))),
                    others_kw=earlier_peaks(price, charge, period, known),
                )
            )
        return tuple(found)

    @property
    def _today(self) -> date:
        return local_date(self._night.now, self._night.file.zone)

    def _capped(
        self, number: int, period: Period, days: Sequence[date]
    ) -> Iterable[tuple[int, tuple[int, ...]]]:
        """Say on which days charging may raise the peak, and the caps that hold on each."""
        nights = self._nights_of(period)
        later = {on for each in nights[int(number == 0) :] for on in (each, each - DAY)}
        caps = (number,) if self._crosses else tuple(range(self._peaks))
        tonight: dict[date, tuple[int, ...]] = {max(self._first_day, period.first): caps[:1]}
        if not self._crosses and self._peaks > 1:
            tonight[self._first_day + DAY] = caps[1:]
        for place, day in enumerate(days):
            holding = set(tonight.get(day, ()))
            if day in later and day > self._first_day:
                holding |= set(caps)
            if holding:
                yield place, tuple(sorted(holding))

    def _nights_of(self, period: Period) -> list[date]:
        """List the mornings of the departures whose nights begin in a period, from tonight on."""
        night = self._night
        zone = night.file.zone
        start = max(night.now, instant_of_local(period.first + DAY, time(), zone))
        end = instant_of_local(period.last + 2 * DAY, time(), zone)
        if self._crosses and period == self._first_period:
            return []
        found = departures_between(night.file, night.vehicle, start, end)
        return [local_date(each.instant, zone) for each in found]


def days_kw(
    file: HouseholdFile,
    charge: CapacityCharge,
    period: Period,
    known: Mapping[date, float],
    today: date,
) -> dict[date, float]:
    """Return the peak of each day of a period without any more charging.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    charge : CapacityCharge
        The charge.
    period : Period
        The month or year.
    known : mapping of date to float
        Peaks of days so far [kW].
    today : date
        Local date.

    Returns
    -------
    dict of date to float
        For past days what is known, or else what the rest of the home draws by the file; for the
        days to come the latter, and for today the higher of both [kW].
    """
    expected = expected_days_kw(file, charge, period.first, period.last)
    return {
        day: known.get(day, kw) if day < today else max(kw, known.get(day, 0.0))
        for day, kw in expected.items()
    }


def earlier_peaks(
    price: CapacityPrice, charge: CapacityCharge, period: Period, known: Mapping[date, float]
) -> tuple[float, ...]:
    """Return the peaks of the months before, the latest last, as far back as days are known."""
    found: list[float] = []
    day = period.first - DAY
    while len(found) < price.bills - 1:
        month = period_of(charge, day)
        peaks = [kw for on, kw in known.items() if month.first <= on <= month.last]
        if not peaks:
            break
        found.append(float(price.peak_of(np.array(peaks))))
        day = month.first - DAY
    return tuple(reversed(found))
