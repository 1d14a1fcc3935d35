"""What an appraisal of a year says: each choice's figures, the cheapest, and what would change it.

Made by `planners.appraisal.appraising`. Money is in floats, since all of it comes from the solver
or is compared with what does; it is rounded where it is shown.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping
    from decimal import Decimal

LEAST_KWH = 0.05
"""Energy of a year that is not worth a word [kWh]."""


@dataclass(frozen=True, slots=True)
class BandYear:
    """What one band delivered in the year.

    Attributes
    ----------
    band : str
        Name of the band, or "price" for a price series.
    rate : Decimal or None
        Rate, tax included [currency per kWh]; None for a price series, which has many.
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
class Spread:
    """Where a figure lay in nine of ten of the years that were drawn: 5th and 95th percentile."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class ChoiceYear:
    """One choice through the year.

    Attributes
    ----------
    name, tariff, planner : str
        As declared.
    energy_kwh : float
        Energy through the meter for the vehicle [kWh].
    cost : float
        What that energy costs, without standing charge [currency].
    by_band : tuple of BandYear
        Parts of both, in the tariff's order.
    standing_charge : float
        Of all days of the year, tax included [currency].
    standing_charge_difference : float
        More (or less) than the first choice's [currency].
    home_cost_difference : float
        What the rest of the home's energy costs more (or less) than under the first choice
        [currency]; 0 where the file does not say what the home uses.
    year_cost : float
        `cost` and both differences: what the year costs, by which choices are compared [currency].
    cost_per_kwh, cost_per_km, cost_per_mile : float or None
        `cost` per metered kWh and per distance driven on it; None where there is none, or where
        the distance is not known.
    cheapest_band_share : float
        Share of the energy bought in the tariff's cheapest band, 0 to 1; of a price series: in the
        cheapest quarter of the year's rates.
    nights, nights_short : int
        Charges between two trips, and how many of them ended short of the need.
    shortfall_kwh, worst_shortfall_kwh : float
        Metered energy that was missing at these departures, together and at the worst [kWh].
    charged_elsewhere_kwh : float
        Battery energy of trips that went further than what the battery held [kWh].
    ends_below_kwh : float
        Battery energy by which the year ends lower than it began, 0 where it does not [kWh].
    longest_day_km, cheap_hours_km : float or None
        The longest day that one usual night brings back to what was there, in all its hours, and
        in the cheapest band alone [km]; None where consumption is not known, the second also for
        a price series.
    estimated_kwh : float
        Energy bought at rates that the price series does not hold [kWh].
    outlay : float
        Paid once [currency].
    outlay_note : str
        What for; may be empty.
    total_over_years : float
        Outlay, and `year_cost` times `keep_years` [currency].
    saves_per_year : float
        `year_cost` of the first choice less this one's [currency].
    payback_years : float or None
        After how many years the saving has paid for the outlay beyond the first choice's: 0 where
        there is nothing to pay back; None where it never does.
    spreads : mapping of str to Spread
        By the names of the attributes above, those that vary from drawn year to drawn year; empty
        without draws.
    cheapest_in : int
        Drawn years in which this choice is the cheapest over `keep_years`.
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

    def delivers_less_than(self, other: ChoiceYear) -> bool:
        """Whether it leaves more nights short, or more elsewhere: it is flattered by its cost."""
        more_elsewhere = self.charged_elsewhere_kwh - other.charged_elsewhere_kwh
        return self.nights_short > other.nights_short or more_elsewhere > LEAST_KWH


@dataclass(frozen=True, slots=True)
class BreakEven:
    """How far one figure would have to go for the cheapest choice to lose its place.

    Attributes
    ----------
    now : float
        What it is.
    at : float or None
        Where the cheapest and a rival cost the same over the years; None where no change does.
    rival : str or None
        The choice that takes its place.
    by_shortage : bool
        Whether it does so because the cheapest comes to be short of the need on more nights, and
        not by cost.
    """

    now: float
    at: float | None
    rival: str | None
    by_shortage: bool = False


@dataclass(frozen=True, slots=True)
class BreakEvens:
    """What would change the answer, each with all else as it is.

    Attributes
    ----------
    distance_per_year : tuple of BreakEven
        Distance of the year [km], or battery energy of the trips [kWh] where no distance is known:
        the nearest below and the nearest above what it is, as far as there are such between a
        tenth and three times of it.
    rate : BreakEven
        Rate of the cheapest band of the cheapest choice's tariff, wherever that tariff is used
        [currency per kWh]; of a price series: what is added to every price.
    rate_band : str
        Which band that is.
    outlay : BreakEven
        Outlay of the cheapest choice [currency].
    """

    distance_per_year: tuple[BreakEven, ...]
    rate: BreakEven
    rate_band: str
    outlay: BreakEven


@dataclass(frozen=True, slots=True)
class Appraisal:
    """A year under each choice.

    Attributes
    ----------
    name, timezone, currency : str
        As declared.
    year : int
        Calendar year.
    keep_years : float
        For how many years the choice is kept.
    distance_km : float or None
        Distance of the year [km]; None where only energies are known.
    distance_unit : str
        "km" or "mile": the unit in which the file gives it.
    trips_kwh : float
        Battery energy of the year's trips [kWh].
    trips : int
        Days with a trip.
    draws, seed, spread_percent : int, int, float
        Years drawn around the declared one; 0 where none were asked for.
    choices : tuple of ChoiceYear
        In the file's order; the first is the one that others are held against.
    cheapest : str
        Name of the choice with the least total over the years that is not short on more nights
        than need be: see `planners.appraisal.appraising`.
    break_even : BreakEvens or None
        None where there is but one choice.
    curve : tuple of (float, tuple of float)
        Distances of the year [km, or kWh as above] and each choice's total over the years there
        [currency], for a picture.
    assumptions, cautions : tuple of str
        In plain words.
    curve_short : tuple of tuple of int
        For each point of the curve, each choice's nights short of the need.
    """

    name: str
    timezone: str
    currency: str
    year: int
    keep_years: float
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
