"""Prepare one choice for a year: its rates, nights and charging rule."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from math import ceil, gcd
from operator import itemgetter
from typing import TYPE_CHECKING

import numpy as np

from config.choices.choices_file import POINT, VEHICLE
from planners.capacity.tonight import price_of
from planners.generation.typical_year import typical_year
from planners.local_time.conversion import DAY_MINUTES, minute_of
from planners.local_time.zone_offsets import offsets_between
from planners.plan.horizon import PLANNED_DAYS
from planners.power.allowed_currents import charge_model
from planners.power.circuits import powered_minutes
from planners.power.home_load import SUN_STEP
from planners.rates.prices import prices_of
from planners.solver.problem import NEED_TOLERANCE_KWH
from planners.vehicle.ageing import BatteryUse, CapacityLoss, capacity_loss
from planners.year.capacity import YearCapacity, year_capacity
from planners.year.driving_days import days_of_year, local_midnight
from planners.year.minimum_bill import year_minimum
from planners.year.night_by_night import simulate
from planners.year.night_rules import ChargingRule
from planners.year.price_knowledge import PriceKnowledge
from planners.year.rates import YearRates, year_rates
from planners.year.results import YearResults
from planners.year.sun import YearSun
from planners.year.windows import NightGroup, NightWindows

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from config.choices.choices_file import Choice, ChoicesFile, HomeUse
    from config.fields.value_types import Hours
    from config.files.announcements import RateNews
    from config.household.household_file import HouseholdFile
    from planners.rates.prices import Prices
    from planners.year.driving_days import DrivingYear


@dataclass(frozen=True, slots=True)
class RoofYear:
    """What the home's own roofs give in the calendar year, before any charging.

    Attributes
    ----------
    gives_kwh, surplus_kwh : float
        All of it, and what the rest of the home does not use [kWh].
    per_kwp_kwh : float
        All of it for each kW of peak power [kWh].
    export_earns : float
        What the surplus would earn if all of it were exported [currency].
    """

    gives_kwh: float
    surplus_kwh: float
    per_kwp_kwh: float
    export_earns: float


MILD_CELSIUS = 20.0
"""A battery's temperature where the file has none of the months [°C]."""


@dataclass(frozen=True, slots=True)
class Battery:
    """What the ageing of a battery is reckoned with, beside its mean charge.

    Attributes
    ----------
    usable_kwh : float
        Its usable energy [kWh].
    price_per_kwh : float or None
        What a kWh of it is worth [currency]; None if its loss is no cost.
    trip_kwh, year_kwh : float
        Energy of a mean trip, and of all trips of a year [kWh].
    celsius : tuple of float
        Its temperatures in equal parts of the year [°C].
    """

    usable_kwh: float
    price_per_kwh: float | None
    trip_kwh: float
    year_kwh: float
    celsius: tuple[float, ...]

    def loss(self, mean_kwh: float, years: float) -> CapacityLoss:
        """Return what it has lost after some years with so much in it on average."""
        use = BatteryUse(
            mean_percent=100 * mean_kwh / self.usable_kwh,
            depth_percent=min(100.0, 100 * self.trip_kwh / self.usable_kwh),
            cycles_per_year=self.year_kwh / self.usable_kwh,
        )
        return capacity_loss(use, years, self.celsius)


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """A choice prepared for the year.

    Attributes
    ----------
    choice : Choice
        As declared.
    household : HouseholdFile
        The choice as a household file.
    year : YearRates
        Actual rates of charging.
    home_year : YearRates
        Actual rates of the rest of the home; the same without a meter of the charge point's own.
    windows : NightWindows
        The nights in which it can charge.
    groups : tuple of NightGroup
        The same nights, grouped by length.
    rule : ChargingRule
        How it charges.
    standing_charge : float
        Of all days of the year, tax included, of both meters if there are two [currency].
    home_kwh : ndarray of float, shape (ticks,)
        What the rest of the home buys in each tick [kWh].
    roof : RoofYear or None
        What the home's own roofs give, if it has any in this choice.
    kept_amps : float or None
        The current that it keeps to all year because of a capacity charge, if it does [A].
    elsewhere_share : float
        Share of every trip's energy that is charged elsewhere whatever the choice.
    battery : Battery or None
        What its ageing is reckoned with; None if there is no model for it.
    """

    choice: Choice
    household: HouseholdFile
    year: YearRates
    home_year: YearRates
    windows: NightWindows
    groups: tuple[NightGroup, ...]
    rule: ChargingRule
    standing_charge: float
    home_kwh: NDArray[np.float64]
    kept_amps: float | None = None
    roof: RoofYear | None = None
    elsewhere_share: float = 0.0
    battery: Battery | None = None

    @property
    def home_capacity_charge(self) -> float:
        """Capacity charge of the year without any charging [currency]."""
        return self.year.capacity_charge(np.zeros_like(self.home_kwh))

    @property
    def home_top_up(self) -> float:
        """What minimum bills add in the year without any charging [currency]."""
        return self.year.top_up(np.zeros_like(self.home_kwh))

    @property
    def home_cost(self) -> float:
        """Cost of the rest of the home's energy in the year, less what export earns [currency]."""
        bought = float(self.home_year.priced(self.home_kwh, beside_home=False)[1].sum())
        return bought if self.roof is None else bought - self.roof.export_earns

    @property
    def is_on_home_meter(self) -> bool:
        """Whether charging is on the home's meter."""
        return self.choice.charging_tariff is None

    @property
    def standing_cost(self) -> float:
        """Standing charge, and what a minimum bill of the home's own meter adds [currency]."""
        own = 0.0 if self.is_on_home_meter else self.home_year.top_up(np.zeros_like(self.home_kwh))
        return self.standing_charge + own

    @property
    def outlay(self) -> float:
        """Paid once [currency]."""
        return float(self.choice.outlay)

    @property
    def outlay_left(self) -> float:
        """Paid once, less all grants [currency]."""
        return self.outlay - sum(float(grant.amount) for grant in self.choice.grants)

    @property
    def maintenance(self) -> float:
        """Maintenance of a year on average [currency]."""
        return sum(each.per_year for each in self.choice.maintenance)

    def with_added(self, more: float) -> Case:
        """Return the choice with a dearer cheapest band or series [currency per kWh]."""
        year = self.year.with_added(more)
        home_year = year if self.is_on_home_meter else self.home_year
        groups = self.windows.groups(year, more)
        return replace(self, year=year, home_year=home_year, groups=groups)

    @property
    def parts(self) -> tuple[Case, ...]:
        """The cases of the vehicles that have a charge point: only this one."""
        return (self,)

    def missing_at_end_kwh(self, years: YearResults) -> NDArray[np.float64]:
        """Return the battery energy missing from the need after the last night, by year [kWh]."""
        missing = self.rule.need_kwh - NEED_TOLERANCE_KWH - years.ends_kwh
        return np.asarray(np.maximum(0.0, missing), np.float64)

    def ends_below_kwh(self, years: YearResults) -> float:
        """Return how much less the battery holds after the first year than before it [kWh]."""
        return max(0.0, self.rule.want_kwh - float(years.ends_kwh[0]))

    def ageing(self, years: YearResults, keep_years: float) -> NDArray[np.float64]:
        """Return what the battery loses in a year, on average over so many [currency], by year."""
        battery = self.battery
        if battery is None or battery.price_per_kwh is None:
            return np.zeros_like(years.mean_kwh)
        worth = battery.usable_kwh * battery.price_per_kwh / keep_years
        losses = [battery.loss(mean, keep_years).whole for mean in years.mean_kwh.tolist()]
        return np.asarray(losses, np.float64) * worth

    def with_best_current(self, trips_kwh: NDArray[np.float64]) -> Case:
        """Keep to the current that makes the year cheapest, capacity charge included.

        Parameters
        ----------
        trips_kwh : ndarray of float, shape (nights,)
            Battery energy of the trip before each night [kWh].

        Returns
        -------
        Case
            The same without a capacity charge, for a rule that plans nothing, or if the current
            can't be set. No current counts with which more nights are short, or more is charged
            elsewhere.
        """
        full = self.rule.model.amps
        point = self.choice.charge_point
        if self.year.capacity is None or self.rule.planner != "exact" or not self.is_on_home_meter:
            return self
        if point.switching != "current" or not full:
            return self
        tried = []
        for amps in sorted({full, *np.arange(ceil(point.min_amps), full).tolist()}, reverse=True):
            model = replace(self.rule.model, amps=amps)
            case = replace(self, rule=replace(self.rule, model=model), kept_amps=amps)
            years = case.simulate(trips_kwh[None, :])
            left = float(years.elsewhere_kwh[0] + self.missing_at_end_kwh(years)[0])
            cost = float(years.cost[0] + years.by_month[0])
            tried.append(((int(years.nights_short[0]), round(left, 3), round(cost, 6)), case))
        best = min(tried, key=itemgetter(0))[1]
        return self if best.kept_amps == full else best

    def simulate(
        self, trips_kwh: NDArray[np.float64], report: Callable[[int], None] = lambda _years: None
    ) -> YearResults:
        """Simulate years of trips, given in shape (years, nights)."""
        at_home = trips_kwh * (1 - self.elsewhere_share)
        years = simulate(self.year, self.groups, self.rule, at_home, report)
        return years.with_shared((trips_kwh - at_home).sum(axis=1))


def case_of(
    file: ChoicesFile,
    choice: Choice,
    driving: DrivingYear,
    points: Sequence[RateNews],
    span: tuple[datetime, datetime] | None = None,
) -> Case:
    """Prepare a choice for one vehicle.

    Parameters
    ----------
    file : ChoicesFile
        What is declared.
    choice : Choice
        One of its choices.
    driving : DrivingYear
        The trips.
    points : sequence of RateNews
        Prices and announced days in order of time, if its tariff has any.
    span : tuple of datetime, optional
        The time that rates must cover, from `span_of`; without, that of this vehicle's trips.

    Returns
    -------
    Case
        Ready to simulate.

    Raises
    ------
    TariffError
        If no rate is known in a night.
    """  # noqa: DOC502 - raised by prices
    household = file.household_of(choice)
    days = days_of_year(file.appraisal.year)
    at_home = prices_of(household, {choice.bought_at.name: points})
    prices = at_home.at(POINT)
    start, end = span or span_of(file, (driving,))
    ticks: int = file.appraisal.tick_minutes
    if file.generation is not None:
        ticks = max(ticks, SUN_STEP)
    tick_minutes = gcd(*(each.step_minutes(start, end, ticks) for each in at_home.meters))
    year = year_rates(prices, start, end, tick_minutes)
    home_kwh = _home_kwh(file, prices, year)
    roof, sun, home_kwh = _beside_roof(file, at_home, year, home_kwh)
    is_same = prices is at_home
    used = home_kwh if file.home_use else None
    year = replace(
        year,
        capacity=_capacity(file, choice, year, home_kwh),
        minimum=year_minimum(choice.bought_at, year, file.zone, days, used if is_same else None),
        sun=sun if is_same else None,
    )
    home_year = year
    if not is_same:
        home_year = year_rates(at_home, start, end, tick_minutes)
        minimum = year_minimum(choice.tariff, home_year, file.zone, days, used)
        home_year = replace(home_year, minimum=minimum)
    windows = _windows(file, choice, driving, year, points)
    windows = replace(windows, powered=_powered(household, year, file.zone))
    return Case(
        choice=choice,
        household=household,
        year=year,
        home_year=home_year,
        windows=windows,
        groups=windows.groups(year),
        rule=_rule(file, choice, household, year),
        standing_charge=float(
            sum(each.standing_charge(day) for each in at_home.meters for day in days)
        ),
        home_kwh=home_kwh,
        roof=roof,
        elsewhere_share=file.appraisal.elsewhere_share_percent / 100,
        battery=_battery(file, driving),
    )


def _battery(file: ChoicesFile, driving: DrivingYear) -> Battery | None:
    car, year = file.vehicle, file.appraisal.temperature
    if car.chemistry != "nmc" or file.other_vehicles:
        return None
    kwh, trips = sum(trip.kwh for trip in driving.trips), len(driving.trips)
    price = car.battery_price_per_kwh
    return Battery(
        usable_kwh=car.usable_kwh,
        price_per_kwh=None if price is None else float(price),
        trip_kwh=kwh / trips,
        year_kwh=kwh,
        celsius=(MILD_CELSIUS,) if year is None else year.monthly_mean_celsius,
    )


def _beside_roof(
    file: ChoicesFile, at_home: Prices, year: YearRates, home_kwh: NDArray[np.float64]
) -> tuple[RoofYear | None, YearSun | None, NDArray[np.float64]]:
    """Let the home use what its roofs give first; return what is left, and what it still buys."""
    generation, export = file.generation, at_home.export
    if generation is None or export is None:
        return None, None, home_kwh
    typical = typical_year(generation, file.zone, file.appraisal.year)
    ticks, first = len(year.rates), minute_of(year.start)
    given = typical.means(first, ticks, year.tick_minutes)
    left = given - home_kwh / year.tick_hours
    surplus = np.maximum(left, 0.0)
    grid = export.grid(year.instant_of_tick(0), ticks, year.tick_minutes)
    sun = YearSun(surplus, grid.rates, generation.trust_percent)
    inside = slice(*_calendar_year(file, year))
    surplus_kwh = surplus[inside] * year.tick_hours
    roof = RoofYear(
        typical.year_kwh,
        float(surplus_kwh.sum()),
        typical.per_kwp,
        float(surplus_kwh @ grid.rates[inside]),
    )
    return roof, sun, np.maximum(-left, 0.0) * year.tick_hours


def _calendar_year(file: ChoicesFile, year: YearRates) -> tuple[int, int]:
    """Return the first tick of the calendar year, and the first one after it."""
    number = file.appraisal.year
    first, end = (local_midnight(date(n, 1, 1), file.zone) for n in (number, number + 1))
    return year.ticks_until(first), year.ticks_until(end)


def _capacity(
    file: ChoicesFile, choice: Choice, year: YearRates, home_kwh: NDArray[np.float64]
) -> YearCapacity | None:
    charge = choice.tariff.capacity_charge
    if charge is None:
        return None
    days = days_of_year(file.appraisal.year)
    price = price_of(choice.tariff, charge, days[0])
    ends = days[0], days[-1]
    grid = year.start, year.tick_minutes
    capacity = year_capacity(
        charge, price, file.zone, grid,
        days=ends, home_kwh=home_kwh, holidays=file.appraisal.public_holidays,
    )  # fmt: skip
    return replace(capacity, counts_charging=choice.charging_tariff is None)


def span_of(file: ChoicesFile, drivings: Sequence[DrivingYear]) -> tuple[datetime, datetime]:
    """Return the time that rates must cover: all nights, and the year for home use.

    Parameters
    ----------
    file : ChoicesFile
        What is declared.
    drivings : sequence of DrivingYear
        The trips of each vehicle.

    Returns
    -------
    tuple of datetime
        Its start and its end, UTC.
    """
    start = min(driving.trips[0].returns for driving in drivings)
    end = max(driving.next_leaves for driving in drivings)
    if not file.home_use and file.generation is None:
        return start, end
    year = file.appraisal.year
    first = local_midnight(date(year, 1, 1), file.zone)
    last = local_midnight(date(year + 1, 1, 1), file.zone)
    return min(start, first), max(end, last)


def _windows(
    file: ChoicesFile,
    choice: Choice,
    driving: DrivingYear,
    year: YearRates,
    points: Sequence[RateNews],
) -> NightWindows:
    margin = timedelta(minutes=file.driving.margin_minutes)
    leaves = [*(trip.leaves for trip in driving.trips[1:]), driving.next_leaves]
    end = np.array([year.ticks_until(instant - margin) for instant in leaves], np.intp)
    tick = timedelta(minutes=year.tick_minutes)
    # A night begins with its first whole tick.
    back = [year.ticks_until(trip.returns + tick - timedelta(seconds=1)) for trip in driving.trips]
    first = np.minimum(np.array(back, np.intp), end)
    if choice.planner != "at_once":
        first = np.maximum(first, end - PLANNED_DAYS // tick)
    if not year.is_series and choice.bought_at.announced is None:
        return NightWindows(first, end)
    known_at = file.appraisal.prices_known_at
    knowledge = PriceKnowledge(
        choice.bought_at, file.zone, file.appraisal.public_holidays, points, known_at
    )
    nights = zip(first.tolist(), end.tolist(), strict=True)
    return NightWindows(
        first, end, [knowledge.outlooks(year, begins, ends) for begins, ends in nights]
    )


def _powered(household: HouseholdFile, year: YearRates, zone: ZoneInfo) -> NDArray[np.bool_] | None:
    """Tell in which ticks a vehicle is plugged in and its circuit has power throughout."""
    first, step = minute_of(year.start), year.tick_minutes
    last = first + step * len(year.rates)
    minutes = powered_minutes(household, POINT, first, last)
    plugged = household.charge_points[POINT].plugged_in
    if plugged is not None:
        local = offsets_between(zone, first, last).to_local(np.arange(first, last)) % DAY_MINUTES
        inside = _within(plugged, local)
        minutes = inside if minutes is None else minutes & inside
    return None if minutes is None else np.all(minutes.reshape(-1, step), axis=1)


def _rule(
    file: ChoicesFile, choice: Choice, household: HouseholdFile, year: YearRates
) -> ChargingRule:
    model = charge_model(household, VEHICLE)
    point = choice.charge_point
    return ChargingRule(
        planner=choice.planner,
        model=model,
        need_kwh=model.stored_kwh(choice.need_percent),
        want_kwh=model.stored_kwh(file.want_percent(choice)),
        max_rate=None if choice.max_rate is None else float(choice.max_rate),
        tick_hours=year.tick_hours,
        is_series=year.is_series,
        start_cost=float(point.start_cost),
        min_run=max(1, ceil(point.min_run_minutes / year.tick_minutes)),
        min_rest=ceil(point.rest_minutes / year.tick_minutes),
        prefer_late=file.vehicle.prefer == "late",
        min_amps=point.min_amps if point.switching == "current" else None,
        tops_up=file.appraisal.elsewhere_when_short,
        minds_age=file.vehicle.chemistry == "nmc" and not file.other_vehicles,
    )


def _home_kwh(file: ChoicesFile, prices: Prices, year: YearRates) -> NDArray[np.float64]:
    """Spread the rest of the home's use over the calendar year's ticks [kWh]."""
    ticks = len(year.rates)
    kwh = np.zeros(ticks)
    if not file.home_use:
        return kwh
    minutes = minute_of(year.start) + year.tick_minutes * np.arange(ticks)
    local = offsets_between(prices.zone, int(minutes[0]), int(minutes[-1])).to_local(minutes)
    for use in file.home_use:
        kwh += _kwh_per_tick(use, year) * _holds(use, local % DAY_MINUTES)
    inside = slice(*_calendar_year(file, year))
    outside = np.ones(ticks, np.bool_)
    outside[inside] = False
    kwh[outside] = 0.0
    return kwh


def _kwh_per_tick(use: HomeUse, year: YearRates) -> float:
    minutes = _length(use)
    return use.kwh_per_day * year.tick_minutes / minutes


def _length(use: HomeUse) -> int:
    if use.hours is None:
        return DAY_MINUTES
    return (use.hours.end_minute - use.hours.start_minute - 1) % DAY_MINUTES + 1


def _holds(use: HomeUse, minute: NDArray[np.int64]) -> NDArray[np.bool_]:
    return np.ones(len(minute), np.bool_) if use.hours is None else _within(use.hours, minute)


def _within(hours: Hours, minute: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Tell which minutes of the local day lie in some hours."""
    start, end = hours.start_minute, hours.end_minute
    if start < end:
        return (minute >= start) & (minute < end)
    return (minute >= start) | (minute < end)
