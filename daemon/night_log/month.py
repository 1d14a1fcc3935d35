"""A month of nights as data: its rows, and the sums over them. Pure; reads nothing, words nothing.

Rounding: each night's cost stands unrounded in its row, and is rounded by itself where a night is
shown, half-even at the currency's minor unit. The month's cost is the sum of the unrounded nights,
rounded once. What other rules would have cost is kept rounded for each night, and added up.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from config.fields.currencies import minor_units
from planners.accounts.money import round_money

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date, datetime

    from planners.rates.spans import RateSpan


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
    """A stretch of time in which energy flowed.

    Attributes
    ----------
    start, end : datetime
        UTC, half-open.
    wh : int
        Energy [Wh].
    """

    start: datetime
    end: datetime
    wh: int


@dataclass(frozen=True, slots=True)
class NightRow:
    """One closed night at one charge point, as the ledger has kept it.

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
        State of charge; None where it was not known.
    soc_from : str
        Where the state of charge before was known from.
    need_percent : float
        What was needed by the departure.
    need_met : bool
        Whether it was there.
    starts : int
        How often charging started.
    planned_cost : Decimal
        What the night's plans expected [currency].
    estimated_wh : int
        Part of `energy_wh` whose place in time, or size, is not measured [Wh].
    at_once, timer, hindsight : Decimal or None
        What the same energy would have cost by these rules [currency]; None where not known.
    plugged_since, closed_at : datetime
        UTC.
    departure : datetime or None
        UTC; None where none was known.
    flows : tuple of EnergyFlow
        The half-hours of the settlement grid in which energy flowed, from the meter's readings;
        empty where the readings are no longer kept.
    rates : tuple of RateSpan
        The night's rates from noon to noon; empty where they are not known.
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


@dataclass(frozen=True, slots=True)
class AlertRow:
    """Something people were told; `charge_point` is None for the whole household."""

    at: datetime
    charge_point: str | None
    code: str
    message: str


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
        ``"km"`` or ``"mile"``, by the file's own unit; None if no vehicle's use is known.
    distance : float or None
        Driven by the month's energy at the vehicles' consumption [distance_unit]; None where the
        use of a vehicle that charged is not known.
    nights : tuple of NightRow
        In order of date and charge point.
    alerts : tuple of AlertRow
        In order of time.
    standing_charge : Decimal
        Of every day of the month, unrounded [currency].
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

    @property
    def energy_wh(self) -> int:
        """Energy of all nights [Wh]."""
        return sum(row.energy_wh for row in self.nights)

    @property
    def estimated_wh(self) -> int:
        """Part of the energy that is not measured [Wh]."""
        return sum(row.estimated_wh for row in self.nights)

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
    def cost_per_kwh(self) -> Decimal | None:
        """Average rate paid [currency per kWh]; None without energy."""
        return self.cost * 1000 / self.energy_wh if self.energy_wh else None

    @property
    def cost_per_distance(self) -> Decimal | None:
        """Cost of the energy per `distance_unit` [currency]; None where it is not known."""
        return self.cost / Decimal(repr(self.distance)) if self.distance else None

    @property
    def saved_against_at_once(self) -> Decimal | None:
        """What charging at once would have cost more, over the nights where that is known."""
        return self._dearer(lambda row: row.at_once)

    @property
    def saved_against_timer(self) -> Decimal | None:
        """What a timer would have cost more, over the nights where that is known."""
        return self._dearer(lambda row: row.timer)

    @property
    def hindsight_would_save(self) -> Decimal | None:
        """What hindsight would still have saved, over the nights where that is known."""
        dearer = self._dearer(lambda row: row.hindsight)
        return None if dearer is None else -dearer

    @property
    def nights_short(self) -> tuple[NightRow, ...]:
        """Nights whose need was not met."""
        return tuple(row for row in self.nights if not row.need_met)

    @property
    def nights_estimated(self) -> tuple[NightRow, ...]:
        """Nights of which some energy is not measured."""
        return tuple(row for row in self.nights if row.estimated_wh)

    def _dearer(self, rule: Callable[[NightRow], Decimal | None]) -> Decimal | None:
        """Tell by how much a rule would have been dearer, over the nights that know it."""
        known = [cost - row.cost for row in self.nights if (cost := rule(row)) is not None]
        return sum(known, Decimal(0)) if known else None
