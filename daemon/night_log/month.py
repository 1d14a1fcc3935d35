"""A month of nights as data, with its sums. Pure.

Rounding: a night's cost is kept unrounded and rounded, half-even at the currency's minor unit, only
where it is shown. The month's cost is the sum of the unrounded nights, rounded once. The costs by
other rules are recorded rounded for each night, and added up.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from config.calendar.account_days import AccountChange, AccountDays
from config.fields.currencies import minor_units
from daemon.night_log.carbon import NightCarbon, carbon_sums
from planners.accounts.money import round_money

if TYPE_CHECKING:
    from datetime import date, datetime

    from planners.accounts.minimum_bill import MinimumOfMonth
    from planners.capacity.bill import CapacityBill
    from planners.rates.spans import RateSpan

RULES = {
    "at_once": "at once",
    "timer": "on a timer",
    "hindsight": "at the cheapest possible hours",
}
"""The rules to compare with: attributes of a `NightRow`, and how people read them."""


@dataclass(frozen=True, slots=True)
class BandSum:
    """The energy bought in one band at one rate.

    Attributes
    ----------
    band : str
        Name of the band, ``"price"`` in a price series.
    rate : Decimal
        Tax included [currency per kWh].
    wh : int
        Energy [Wh].
    cost : Decimal
        Unrounded [currency].
    """

    band: str
    rate: Decimal
    wh: int
    cost: Decimal


@dataclass(frozen=True, slots=True)
class EnergyFlow:
    """Energy that flowed within one half-hour or less.

    Attributes
    ----------
    start, end : datetime
        UTC, half-open.
    wh : int
        Energy [Wh].
    roof_wh : int
        The part of it from the home's own roof [Wh].
    """

    start: datetime
    end: datetime
    wh: int
    roof_wh: int = 0


@dataclass(frozen=True, slots=True)
class TooLittleTime:
    """The first plan that could not reach a need in the time that was left.

    Attributes
    ----------
    at : datetime
        When it was made; UTC.
    asked : bool
        Whether a person had asked for the need just then.
    soc_percent, need_percent : float
        What the battery held, and what was needed.
    amps : float or None
        Its current, if it is the same throughout [A].
    ready : datetime or None
        When charging without a pause would have met the need; UTC.
    """

    at: datetime
    asked: bool
    soc_percent: float
    need_percent: float
    amps: float | None
    ready: datetime | None


@dataclass(frozen=True, slots=True)
class StayRow:
    """A vehicle's time at a charge point in one night, up to its departure.

    Attributes
    ----------
    vehicle : str
        Its name in the household file.
    plugged_since : datetime
        UTC.
    departure : datetime or None
        UTC; None if none was known.
    need_percent, want_percent : float
        What the departure needed and wanted; 0 if it comes after the night.
    soc_before_percent, soc_after_percent : float or None
        State of charge at the plug-in and at the departure.
    need_met : bool
        Whether that was enough.
    missing_kwh : float or None
        Energy at the meter that the need lacked; None if unknown [kWh].
    starts : int
        How often charging started.
    arrived : bool
        Whether it was plugged in at `plugged_since`; else it had been there before.
    skipped_at : datetime or None
        When a stop began that a person had asked for, if it was short for that.
    left_early_at : datetime or None
        When it left, if it was short and left well before the departure.
    too_little_time : TooLittleTime or None
        From when on the time was too short, if it was short for that.
    gave_way_at : datetime or None
        When it left before its departure, if another vehicle came in its place.
    wh : int or None
        Its energy at the meter [Wh]; None if no other vehicle was there that night.
    cost : Decimal or None
        What that cost [currency]; None likewise.
    departed : bool
        Whether its departure had come, where no times were shared.
    """

    vehicle: str
    plugged_since: datetime
    departure: datetime | None
    need_percent: float
    want_percent: float
    soc_before_percent: float | None
    soc_after_percent: float | None
    need_met: bool
    missing_kwh: float | None
    starts: int
    arrived: bool = True
    skipped_at: datetime | None = None
    left_early_at: datetime | None = None
    too_little_time: TooLittleTime | None = None
    gave_way_at: datetime | None = None
    wh: int | None = None
    cost: Decimal | None = None
    departed: bool = False


@dataclass(frozen=True, slots=True)
class NightRow:
    """One closed night at one charge point, as the ledger recorded it.

    Attributes
    ----------
    night : date
        The local date on which it began.
    charge_point, vehicle : str
        Names in the household file of that night.
    energy_wh : int
        Energy through the meter [Wh].
    cost : Decimal
        Sum of `by_band`, unrounded [currency].
    by_band : tuple of BandSum
        In the order of first use.
    standing_charge : Decimal
        Of the night's date [currency].
    soc_before_percent, soc_after_percent : float or None
        State of charge; None if unknown.
    soc_from : str
        The source of `soc_before_percent`.
    need_percent : float
        The state of charge needed by the first departure.
    need_met : bool
        Whether each departure had enough.
    stays : tuple of StayRow
        At least one, in order of time.
    starts : int
        How often charging started.
    planned_cost : Decimal
        The cost that the night's plans expected [currency].
    estimated_wh : int
        Part of `energy_wh` whose amount or time was not measured [Wh].
    at_once, timer, hindsight : Decimal or None
        Cost of the same energy by these rules [currency]; None if unknown.
    at_once_outside_wh, timer_outside_wh : int
        Part of the energy for which the rule's own hours are too few [Wh].
    estimated_rate_wh : int
        Part of `energy_wh` whose rate is estimated [Wh].
    unknown_hours : float
        How long it was to charge while nothing shows what flowed [h].
    compared_by_older_version : bool
        Whether the costs by other rules are unknown because an earlier version worked them out,
        perhaps for less energy.
    roof_wh : int
        Part of `energy_wh` that came from the home's own generation [Wh].
    all_grid_cost : Decimal or None
        What all of it would have cost from the grid [currency]; None without generation.
    lowered_minutes : int
        How long the home's live load left less current than was wanted.
    lowered_to_amps, home_load_amps : float or None
        The lowest current meanwhile, 0 for a stop, and the most that the rest of the home drew [A];
        None if there was no such time.
    plugged_since, closed_at : datetime
        UTC.
    departure : datetime or None
        UTC; None if none was known.
    carbon : NightCarbon or None
        What the energy caused; None if the household declared no carbon.
    flows : tuple of EnergyFlow
        The half-hours of the settlement grid in which energy flowed, from the meter's readings;
        empty if the readings are no longer kept, or were not shared.
    rates : tuple of RateSpan
        The night's rates from noon to noon; empty if unknown.
    times_known : bool
        Whether it is known when vehicles were plugged in. If a household did not share that,
        `plugged_since` and `closed_at` are the edges of the night, and no departure has a time.
    """

    night: date
    charge_point: str
    vehicle: str
    energy_wh: int
    cost: Decimal
    by_band: tuple[BandSum, ...]
    standing_charge: Decimal
    soc_before_percent: float | None
    soc_after_percent: float | None
    soc_from: str
    need_percent: float
    need_met: bool
    stays: tuple[StayRow, ...]
    starts: int
    planned_cost: Decimal
    estimated_wh: int
    at_once: Decimal | None
    timer: Decimal | None
    hindsight: Decimal | None
    plugged_since: datetime
    departure: datetime | None
    closed_at: datetime
    flows: tuple[EnergyFlow, ...] = ()
    rates: tuple[RateSpan, ...] = ()
    at_once_outside_wh: int = 0
    timer_outside_wh: int = 0
    estimated_rate_wh: int = 0
    unknown_hours: float = 0.0
    roof_wh: int = 0
    all_grid_cost: Decimal | None = None
    compared_by_older_version: bool = False
    lowered_minutes: int = 0
    lowered_to_amps: float | None = None
    home_load_amps: float | None = None
    carbon: NightCarbon | None = None
    times_known: bool = True

    @property
    def departures(self) -> tuple[StayRow, ...]:
        """The stays that a departure ended by the time the night was closed."""
        if not self.times_known:
            return tuple(stay for stay in self.stays if stay.departed)
        closed_at = self.closed_at
        return tuple(stay for stay in self.stays if stay.departure and stay.departure <= closed_at)

    @property
    def shown_stays(self) -> tuple[StayRow, ...]:
        """The stays to show: those that have ended, and the last if no other is its vehicle's."""
        if not self.times_known:  # nor whether one gave way to another
            return self.stays
        ended = self.departures
        shown = [stay for stay in self.stays if stay in ended or stay.gave_way_at]
        last = self.stays[-1]
        if last.vehicle not in {stay.vehicle for stay in shown}:
            shown.append(last)
        return tuple(shown)

    @property
    def vehicles(self) -> tuple[str, ...]:
        """The vehicles that were there, in the order in which they came."""
        names = tuple(dict.fromkeys(stay.vehicle for stay in self.stays))
        return names if len(names) > 1 else (self.vehicle,)

    @property
    def by_vehicle(self) -> tuple[VehicleSum, ...]:
        """The energy and the cost of each vehicle; an earlier version recorded only their sum."""
        if len(self.vehicles) == 1 or any(stay.wh is None for stay in self.stays):
            return (VehicleSum(self.vehicle, 1, int(not self.need_met), self.energy_wh, self.cost),)
        return tuple(
            VehicleSum(
                vehicle=vehicle,
                nights=1,
                nights_short=int(not all(stay.need_met for stay in own)),
                wh=sum(stay.wh or 0 for stay in own),
                cost=sum((stay.cost or Decimal(0) for stay in own), Decimal(0)),
            )
            for vehicle in self.vehicles
            for own in [[stay for stay in self.stays if stay.vehicle == vehicle]]
        )


@dataclass(frozen=True, slots=True)
class AlertRow:
    """An alert that was raised; `charge_point` is None for the whole household."""

    at: datetime
    charge_point: str | None
    code: str
    message: str


@dataclass(frozen=True, slots=True)
class VehicleSum:
    """The nights of one vehicle in a month.

    Attributes
    ----------
    vehicle : str
        Its name.
    nights, nights_short : int
        How many, and how many of them ended with less than it needed.
    wh : int
        Energy through the meter [Wh].
    cost : Decimal
        Its cost, unrounded [currency].
    """

    vehicle: str
    nights: int
    nights_short: int
    wh: int
    cost: Decimal


@dataclass(frozen=True, slots=True)
class Month:
    """A household's month.

    Attributes
    ----------
    household : str
        Its name.
    year, month : int
        The calendar month; a night belongs to the month of its date.
    timezone : str
        IANA name.
    currency : str
        ISO 4217 code.
    distance_unit : str or None
        ``"km"`` or ``"mile"``, as in the file; None if no vehicle's consumption is known.
    distance : float or None
        How far the month's energy drives the vehicles [distance_unit]; None unless the consumption
        of every vehicle that charged is known.
    nights : tuple of NightRow
        In order of date and charge point.
    alerts : tuple of AlertRow
        In order of time.
    standing_charge : Decimal
        The sum over every day of the month, unrounded [currency].
    as_of : datetime
        When it was read; a night may be priced again later.
    capacity : CapacityBill or None
        The capacity charge, if the tariff has one.
    by_component : tuple of (str, Decimal)
        What each component and percentage of a composed tariff cost [currency]; see
        `daemon.nights.cost_by_component`.
    minimum_bills : tuple of (tuple of str, MinimumOfMonth)
        The minimum bill of each meter that has one, with the charge points whose own meter it is.
    account_changes : tuple of AccountChange
        Since when a night ends at noon or at midnight: see `config.calendar.account_days`.
    untimed_alerts : tuple of (str, int)
        Codes of alerts of which only the number was shared, and how many there were of each.
    remarks : tuple of str
        What was not shared, for a home that was received; sentences.
    lacks_capacity : bool
        Whether there is a capacity charge that is not known for that, and so in no sum.
    """

    household: str
    year: int
    month: int
    timezone: str
    currency: str
    distance_unit: str | None
    distance: float | None
    nights: tuple[NightRow, ...]
    alerts: tuple[AlertRow, ...]
    standing_charge: Decimal
    as_of: datetime
    capacity: CapacityBill | None = None
    by_component: tuple[tuple[str, Decimal], ...] = ()
    minimum_bills: tuple[tuple[tuple[str, ...], MinimumOfMonth], ...] = ()
    account_changes: tuple[AccountChange, ...] = ()
    untimed_alerts: tuple[tuple[str, int], ...] = ()
    remarks: tuple[str, ...] = ()
    lacks_capacity: bool = False

    @property
    def alert_count(self) -> int:
        """How many alerts were raised."""
        return len(self.alerts) + sum(count for _, count in self.untimed_alerts)

    @property
    def days(self) -> AccountDays:
        """The days of the account."""
        return AccountDays(ZoneInfo(self.timezone), self.account_changes)

    @property
    def together(self) -> Decimal:
        """Energy, standing charge, what a minimum bill adds, and a capacity charge [currency]."""
        charge = self.capacity
        by_month = charge.charge if charge is not None and charge.per == "month" else Decimal(0)
        return self.cost + self.standing_charge + self.top_up + by_month

    @property
    def top_up(self) -> Decimal:
        """What is charged on top up to minimum bills [currency]."""
        return sum((bill.top_up for _, bill in self.minimum_bills), Decimal(0))

    @property
    def energy_wh(self) -> int:
        """Energy of all nights [Wh]."""
        return sum(row.energy_wh for row in self.nights)

    @property
    def estimated_wh(self) -> int:
        """Part of the energy that was not measured [Wh]."""
        return sum(row.estimated_wh for row in self.nights)

    @property
    def roof_wh(self) -> int:
        """Part of the energy that came from the home's own generation [Wh]."""
        return sum(row.roof_wh for row in self.nights)

    @property
    def all_grid_cost(self) -> Decimal:
        """What all of the energy would have cost from the grid [currency]."""
        costs = (
            row.cost if row.all_grid_cost is None else row.all_grid_cost for row in self.nights
        )
        return sum(costs, Decimal(0))

    @property
    def carbon(self) -> tuple[NightCarbon, ...]:
        """What the energy caused, each kind of intensity by itself; empty if none is recorded."""
        return carbon_sums((row.carbon, row.energy_wh) for row in self.nights)

    @property
    def estimated_rate_wh(self) -> int:
        """Part of the energy whose rate is estimated [Wh]."""
        return sum(row.estimated_rate_wh for row in self.nights)

    @property
    def cost(self) -> Decimal:
        """Cost of the energy, unrounded [currency]."""
        return sum((row.cost for row in self.nights), Decimal(0))

    @property
    def cost_rounded(self) -> Decimal:
        """Cost of the energy, rounded once, half-even, at the currency's minor unit."""
        return round_money(self.cost, minor_units(self.currency))

    @property
    def by_band(self) -> tuple[BandSum, ...]:
        """Energy and cost by band and rate, in the order of first use."""
        sums: dict[tuple[str, Decimal], BandSum] = {}
        for line in (line for row in self.nights for line in row.by_band):
            key = line.band, line.rate
            before = sums.get(key, BandSum(*key, 0, Decimal(0)))
            sums[key] = BandSum(*key, before.wh + line.wh, before.cost + line.cost)
        return tuple(sums.values())

    @property
    def by_vehicle(self) -> tuple[VehicleSum, ...]:
        """The nights of each vehicle, in the order of names."""
        sums: dict[str, list[VehicleSum]] = {}
        for row in self.nights:
            for each in row.by_vehicle:
                sums.setdefault(each.vehicle, []).append(each)
        return tuple(
            VehicleSum(
                vehicle=vehicle,
                nights=sum(each.nights for each in own),
                nights_short=sum(each.nights_short for each in own),
                wh=sum(each.wh for each in own),
                cost=sum((each.cost for each in own), Decimal(0)),
            )
            for vehicle, own in sorted(sums.items())
        )

    @property
    def cost_per_kwh(self) -> Decimal | None:
        """Average rate paid [currency per kWh]; None without energy."""
        return self.cost * 1000 / self.energy_wh if self.energy_wh else None

    @property
    def cost_per_distance(self) -> Decimal | None:
        """Cost of the energy per `distance_unit` [currency]; None if unknown."""
        return self.cost / Decimal(repr(self.distance)) if self.distance else None

    @property
    def saved_against_at_once(self) -> Decimal | None:
        """How much more charging at once would have cost, as far as known."""
        return self.extra_cost("at_once")

    @property
    def saved_against_timer(self) -> Decimal | None:
        """How much more a timer would have cost, as far as known."""
        return self.extra_cost("timer")

    @property
    def hindsight_would_save(self) -> Decimal | None:
        """How much less the cheapest possible hours would have cost, as far as known."""
        extra = self.extra_cost("hindsight")
        return None if extra is None else -extra

    @property
    def nights_short(self) -> tuple[NightRow, ...]:
        """Nights on which the vehicle had less than it needed by the departure."""
        return tuple(row for row in self.nights if not row.need_met)

    @property
    def nights_estimated(self) -> tuple[NightRow, ...]:
        """Nights on which some energy was not measured."""
        return tuple(row for row in self.nights if row.estimated_wh)

    def extra_cost(self, rule: str) -> Decimal | None:
        """Add up how much more one of `RULES` would have cost, as far as known."""
        known = [cost - row.cost for row in self.nights if (cost := getattr(row, rule)) is not None]
        return sum(known, Decimal(0)) if known else None
