"""Hold an appraisal: each choice's figures, the cheapest, break-even points.

`planners.appraisal.appraising` fills them in. Money is in floats, since all of it comes from the
solver or is compared with sums that do; it is rounded where it is shown.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import ceil, floor, log10
from typing import TYPE_CHECKING

from planners.appraisal.ranking import LEAST_KWH

if TYPE_CHECKING:
    from collections.abc import Mapping
    from decimal import Decimal

    from config.choices.money_over_years import Grant, Maintenance
    from config.choices.restated import Restated
    from planners.worth.lifetime import Lifetime


@dataclass(frozen=True, slots=True)
class BandYear:
    """The energy and cost of one band in the year.

    Attributes
    ----------
    band : str
        Name of the band, "price" for a price series, or "roof" for what the home's own roofs gave.
    rate : Decimal or None
        Rate, tax included [currency per kWh]; None for a price series, which has many, and a roof.
    kwh : float
        Energy through the meter [kWh].
    cost : float
        What it cost [currency].
    """

    band: str
    rate: Decimal | None
    kwh: float
    cost: float


@dataclass(frozen=True, slots=True)
class RoofShare:
    """What the home's own roofs give in the year, and what of it charges the vehicle.

    Attributes
    ----------
    gives_kwh, per_kwp_kwh : float
        All that they give, and that for each kW of peak power [kWh].
    surplus_kwh : float
        What of it the rest of the home does not use [kWh].
    kwh, cost : float
        What of that charges the vehicle, and what its export would have earned [kWh, currency].
    grid_cost : float
        What the energy from the grid costs [currency].
    all_grid_cost : float
        What all energy would have cost from the grid, in the same hours [currency].
    earns : float
        What export still earns beside the charging [currency].
    """

    gives_kwh: float
    per_kwp_kwh: float
    surplus_kwh: float
    kwh: float
    cost: float
    grid_cost: float
    all_grid_cost: float
    earns: float


@dataclass(frozen=True, slots=True)
class Spread:
    """The range of a figure in nine of ten drawn years: its 5th and 95th percentile.

    Attributes
    ----------
    low, high : float
        The two percentiles.
    low_error, high_error : float
        Their standard errors: by how much they vary from one set of draws to another.
    """

    low: float
    high: float
    low_error: float = 0.0
    high_error: float = 0.0

    def draws_for(self, share: float, draws: int) -> int:
        """Return about how many draws make both errors at most a share of the range.

        Parameters
        ----------
        share : float
            Such as 0.05.
        draws : int
            How many there are.

        Returns
        -------
        int
            Errors fall with the root of the number of draws; rounded up to two digits.
        """
        error = max(self.low_error, self.high_error) / (share * (self.high - self.low))
        wanted = max(1.0, draws * error**2)
        unit = 10.0 ** max(0, floor(log10(wanted)) - 1)
        return int(ceil(wanted / unit - 1e-9) * unit)


@dataclass(frozen=True, slots=True)
class VehicleYear:
    """One of several vehicles under one choice.

    Attributes
    ----------
    vehicle : str
        Its name.
    energy_kwh : float
        Energy through the meter for it [kWh].
    nights, nights_short : int
        Nights between two of its trips, and how many of them ended short of the need; none if it
        has no charge point.
    charged_elsewhere_kwh : float
        Battery energy of its trips that is charged elsewhere [kWh].
    """

    vehicle: str
    energy_kwh: float
    nights: int
    nights_short: int
    charged_elsewhere_kwh: float


@dataclass(frozen=True, slots=True)
class BatteryYears:
    """What a published model says of a battery after the years that a choice is kept.

    Attributes
    ----------
    mean_percent : float
        Its state of charge over all the time [percent].
    loss_percent, by_time_percent, by_use_percent : float
        What of its capacity it has lost, and the parts by time and by use [percent].
    """

    mean_percent: float
    loss_percent: float
    by_time_percent: float
    by_use_percent: float


@dataclass(frozen=True, slots=True)
class ChoiceYear:
    """The figures of one choice for the year.

    Attributes
    ----------
    name, tariff, planner : str
        As declared.
    energy_kwh : float
        Energy through the meter for the vehicle [kWh].
    cost : float
        Cost of that energy, without standing charge [currency].
    by_band : tuple of BandYear
        Energy and cost by band, in the tariff's order.
    standing_charge : float
        Of all days of the year, tax included [currency].
    standing_charge_difference : float
        How much more than the first choice's; negative if less [currency].
    home_cost_difference : float
        How much more the rest of the home's energy costs than under the first choice; negative if
        less [currency]. 0 if the file does not say what the home uses.
    capacity_charge_difference : float
        How much more the home's capacity charge is than under the first choice without the vehicle
        [currency]. 0 without such a charge.
    minimum_bill_difference : float
        How much more minimum bills add than under the first choice without the vehicle; less than 0
        where charging fills them up [currency].
    kept_amps : float or None
        The current that it keeps to all year because of that charge; None if to its full one [A].
    year_cost : float
        `cost` plus all four differences, `elsewhere_cost`, `maintenance_per_year` and
        `ageing_cost`: the cost of the first year by which choices are compared, for the same energy
        [currency].
    cost_per_kwh, cost_per_km, cost_per_mile : float or None
        `cost` per metered kWh, and per distance driven on that energy; None if there is no energy,
        or if the distance is not known.
    cheapest_band_share : float
        Share of the energy bought in the tariff's cheapest band, 0 to 1; for a price series, in the
        cheapest quarter of the year's rates.
    nights, nights_short : int
        Nights between two trips, and how many of them ended short of the need.
    shortfall_kwh, worst_shortfall_kwh : float
        Metered energy missing at these departures, in all and at the worst of them [kWh].
    charged_elsewhere_kwh : float
        Battery energy of trips beyond what the battery held [kWh].
    short_at_end_kwh : float
        Battery energy missing from the need after the last night [kWh].
    elsewhere_cost : float or None
        What both of these cost elsewhere; None if the file gives no price for them [currency].
    ends_below_kwh : float
        How much less the battery holds at the end of the year than at its start; 0 if not less
        [kWh].
    longest_day_km, cheap_hours_km : float or None
        The longest day's driving that one usual night can recharge, in all its hours, and in the
        cheapest band alone [km]; None if consumption is not known, and the second also for a price
        series.
    estimated_kwh : float
        Energy bought in hours for which the price series has no rate [kWh].
    outlay : float
        Paid once [currency].
    outlay_note : str
        What the outlay pays for; may be empty.
    total_over_years : float
        Outlay less grants, plus such costs of all years that it is kept, worth today; without
        interest, growth and grants it is the outlay plus `keep_years` times `year_cost` [currency].
    saves_per_year : float
        `year_cost` of the first choice less this one's [currency].
    payback_years : float or None
        Years until the first year's saving, repeated, has paid for the outlay beyond the first
        choice's, both less grants; 0 if there is nothing to pay back, None if it never does.
    discounted_payback_years : float or None
        The same with interest, growth of prices, and the dates of grants and maintenance; None if
        it is not within the years that it is kept.
    topped_up_kwh : float
        The part of `charged_elsewhere_kwh` that was missing from needs at departures [kWh].
    nights_topped_up : int
        In how many nights.
    shared_elsewhere_kwh : float
        The part of it that is charged elsewhere whatever the choice [kWh].
    battery : BatteryYears or None
        What becomes of the battery; None if there is no model for it.
    ageing_cost : float
        What it loses in a year, if it has a price [currency].
    grants, maintenance : tuple of Grant, tuple of Maintenance
        As declared.
    spreads : mapping of str to Spread
        Ranges of those attributes above that vary over the drawn years, by name; empty if no years
        are drawn.
    cheapest_in : int
        Drawn years in which this choice is the cheapest over `keep_years`.
    vehicles : tuple of VehicleYear
        Each vehicle, if there are several; the figures above are then those of all together.
    """

    name: str
    tariff: str
    planner: str
    energy_kwh: float
    cost: float
    by_band: tuple[BandYear, ...]
    standing_charge: float
    standing_charge_difference: float
    home_cost_difference: float
    year_cost: float
    cost_per_kwh: float | None
    cost_per_km: float | None
    cost_per_mile: float | None
    cheapest_band_share: float
    nights: int
    nights_short: int
    shortfall_kwh: float
    worst_shortfall_kwh: float
    charged_elsewhere_kwh: float
    short_at_end_kwh: float
    elsewhere_cost: float | None
    ends_below_kwh: float
    longest_day_km: float | None
    cheap_hours_km: float | None
    estimated_kwh: float
    outlay: float
    outlay_note: str
    total_over_years: float
    saves_per_year: float
    payback_years: float | None
    spreads: Mapping[str, Spread] = field(default_factory=dict)
    cheapest_in: int = 0
    vehicles: tuple[VehicleYear, ...] = ()
    capacity_charge_difference: float = 0.0
    minimum_bill_difference: float = 0.0
    kept_amps: float | None = None
    roof: RoofShare | None = None
    grants: tuple[Grant, ...] = ()
    maintenance: tuple[Maintenance, ...] = ()
    discounted_payback_years: float | None = None
    topped_up_kwh: float = 0.0
    nights_topped_up: int = 0
    shared_elsewhere_kwh: float = 0.0
    battery: BatteryYears | None = None
    ageing_cost: float = 0.0

    @property
    def granted(self) -> float:
        """All grants together [currency]."""
        return sum(float(grant.amount) for grant in self.grants)

    @property
    def outlay_left(self) -> float:
        """Outlay less all grants [currency]."""
        return self.outlay - self.granted

    @property
    def maintenance_per_year(self) -> float:
        """Maintenance of a year on average [currency]."""
        return sum(each.per_year for each in self.maintenance)

    @property
    def roof_kwh(self) -> float:
        """Energy from the home's own roofs, at the meter [kWh]."""
        return 0.0 if self.roof is None else self.roof.kwh

    @property
    def grid_kwh(self) -> float:
        """Energy from the grid, at the meter [kWh]."""
        return self.energy_kwh - self.roof_kwh

    @property
    def roof_cost(self) -> float:
        """What the roofs' energy would have earned as export [currency]."""
        return 0.0 if self.roof is None else self.roof.cost

    @property
    def all_grid_cost(self) -> float:
        """What all energy would have cost from the grid, in the same hours [currency]."""
        return self.cost if self.roof is None else self.roof.all_grid_cost

    def delivers_less_than(self, other: ChoiceYear) -> bool:
        """Tell whether it leaves more nights short, or more energy without a price elsewhere."""
        return self.nights_short > other.nights_short or self.unpriced_above(other) > 0

    def unpriced_above(self, other: ChoiceYear) -> float:
        """Return how much more it leaves to be charged elsewhere without a price [kWh]."""
        more = self.elsewhere_kwh - other.elsewhere_kwh
        return more if self.elsewhere_cost is None and more > LEAST_KWH else 0.0

    @property
    def elsewhere_kwh(self) -> float:
        """Battery energy that is left to be charged elsewhere in the year [kWh]."""
        return self.charged_elsewhere_kwh + self.short_at_end_kwh


@dataclass(frozen=True, slots=True)
class BreakEven:
    """The value of one figure at which another choice becomes the cheapest.

    Attributes
    ----------
    now : float
        The figure's present value.
    at : float or None
        The value at which the cheapest choice and a rival cost the same over the years; None if
        there is no such value.
    rival : str or None
        The choice that becomes the cheapest.
    by_shortage : bool
        Whether the rival wins because the other choice falls short of the need on more nights, not
        because of its cost.
    by_elsewhere : bool
        The same, because the other choice leaves more to be charged elsewhere without a price.
    """

    now: float
    at: float | None
    rival: str | None
    by_shortage: bool = False
    by_elsewhere: bool = False


@dataclass(frozen=True, slots=True)
class BreakEvens:
    """The values at which another choice becomes the cheapest, one at a time.

    Attributes
    ----------
    distance_per_year : tuple of BreakEven
        Distance of the year [km], or battery energy of the trips [kWh] if no distance is known: the
        nearest such value below the present one and the nearest above it, if they lie between a
        tenth and three times of it.
    rate : BreakEven
        Rate of the cheapest band of the cheapest choice's tariff, wherever that tariff is used
        [currency per kWh]; for a price series, the amount added to every price.
    rate_band : str
        Name of that band.
    outlay : BreakEven
        Outlay of the cheapest choice [currency].
    """

    distance_per_year: tuple[BreakEven, ...]
    rate: BreakEven
    rate_band: str
    outlay: BreakEven


@dataclass(frozen=True, slots=True)
class HingePoint:
    """What holds at one value of an input, with all else as it is.

    Attributes
    ----------
    value : float
        The value.
    cheapest : str
        The choice that wins there.
    saves : float
        How much less it costs than the first choice over the years [currency].
    ahead : float or None
        How much less today's answer costs there than the best other choice that delivers as much;
        None if no other does [currency].
    """

    value: float
    cheapest: str
    saves: float
    ahead: float | None


@dataclass(frozen=True, slots=True)
class HingeBreak:
    """The value of an input from which another choice wins, and which one."""

    at: float
    rival: str


@dataclass(frozen=True, slots=True)
class Hinge:
    """One input of an appraisal, changed alone.

    Attributes
    ----------
    what : str
        "distance" [km, or kWh], "consumption" [kWh per 100 km], "efficiency" [percent], "rates",
        "outlay" and "elsewhere" [multiple of the declared], "energy_growth" and "interest" [percent
        a year], or "keep_years" [years].
    now : float
        Today's value.
    low, high : HingePoint
        A lower and a higher value.
    least, most : float
        Between these, values from which another choice wins were looked for.
    breaks : tuple of HingeBreak
        The nearest below and above today's value.
    """

    what: str
    now: float
    low: HingePoint
    high: HingePoint
    least: float
    most: float
    breaks: tuple[HingeBreak, ...]

    def times(self, unit: float) -> Hinge:
        """Return the same with all values multiplied."""
        return replace(
            self,
            now=self.now * unit,
            low=replace(self.low, value=self.low.value * unit),
            high=replace(self.high, value=self.high.value * unit),
            least=self.least * unit,
            most=self.most * unit,
            breaks=tuple(HingeBreak(each.at * unit, each.rival) for each in self.breaks),
        )


@dataclass(frozen=True, slots=True)
class Appraisal:
    """A year under each choice, and how the choices compare.

    Attributes
    ----------
    name, timezone, currency : str
        As declared.
    year : int
        Calendar year.
    lifetime : Lifetime
        For how many years the choice is kept, with interest and growth of prices.
    elsewhere_rate : float or None
        Price of energy that is charged elsewhere [currency per kWh].
    distance_km : float or None
        Distance of the year [km]; None if only energies are known.
    distance_unit : str
        "km" or "mile": the unit that the file uses.
    trips_kwh : float
        Battery energy of the year's trips [kWh].
    trips : int
        Days with a trip.
    draws, seed, spread_percent : int, int, float
        How many years are drawn around the declared one (0 for none), and how.
    choices : tuple of ChoiceYear
        In the file's order; the others are compared with the first.
    cheapest : str
        Name of the choice that wins: see `planners.appraisal.ranking`.
    break_even : BreakEvens or None
        None if there is only one choice.
    curve : tuple of (float, tuple of float)
        Distances of the year [km, or kWh as above], each with every choice's total over the years
        [currency], for a picture.
    assumptions, cautions : tuple of str
        Whole sentences.
    curve_short : tuple of tuple of int
        Each choice's nights short of the need, for each point of the curve.
    hinges : tuple of Hinge
        What the answer hangs on; empty if nobody asked, or if there is only one choice.
    inputs : tuple of Restated
        What the file declares, in words.
    """

    name: str
    timezone: str
    currency: str
    year: int
    lifetime: Lifetime
    elsewhere_rate: float | None
    distance_km: float | None
    distance_unit: str
    trips_kwh: float
    trips: int
    draws: int
    seed: int
    spread_percent: float
    choices: tuple[ChoiceYear, ...]
    cheapest: str
    break_even: BreakEvens | None
    curve: tuple[tuple[float, tuple[float, ...]], ...]
    assumptions: tuple[str, ...]
    cautions: tuple[str, ...]
    curve_short: tuple[tuple[int, ...], ...] = ()
    hinges: tuple[Hinge, ...] = ()
    inputs: tuple[Restated, ...] = ()

    @property
    def keep_years(self) -> float:
        """For how many years the choice is kept."""
        return self.lifetime.keep_years
