"""Write an appraisal's figures and answer, for terminal and page. Pure."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

from config.calendar.words import listed
from config.fields import currencies
from config.fields.distance import KM_PER_MILE
from daemon.presentation.figures import counted, rounded_parts
from planners.accounts.money import round_money
from planners.appraisal.ranking import LEAST_MONEY

if TYPE_CHECKING:
    from collections.abc import Iterator

    from planners.appraisal.appraisal import Appraisal, ChoiceYear, Spread

UNKNOWN = "not known"
NEVER = "never"
WHOLE_FROM = 100
"""If a choice costs this much a year, amounts are written in whole units [currency]."""
SMALL = 10
"""Below this, distances and energies are written with a decimal [km, miles or kWh]."""
LEAST_PAYBACK = 0.1
"""A shorter payback is written as less than this [years]."""
PARTS_OF_YEAR = (
    "cost",
    "elsewhere_cost",
    "standing_charge_difference",
    "home_cost_difference",
    "capacity_charge_difference",
    "minimum_bill_difference",
    "maintenance_per_year",
    "ageing_cost",
)
"""What `ChoiceYear.year_cost` is the sum of."""
HALF_WATT_HOUR = 0.0005
"""Less energy than this counts as none [kWh]."""


class AppraisalWords:
    """Writes the figures of one appraisal in its currency and its unit of distance.

    Parameters
    ----------
    appraisal : Appraisal
        The appraisal.

    Attributes
    ----------
    first, cheapest : ChoiceYear
        The choice that the others are compared with, and the answer.
    by_total : tuple of ChoiceYear
        The choices from the lowest total over the years to the highest.
    """

    def __init__(self, appraisal: Appraisal) -> None:
        self.appraisal = appraisal
        self.first = appraisal.choices[0]
        choices = appraisal.choices
        self.cheapest = next(each for each in choices if each.name == appraisal.cheapest)
        self.by_total = tuple(
            sorted(choices, key=lambda choice: round(choice.total_over_years / LEAST_MONEY))
        )
        self._units = currencies.minor_units(appraisal.currency)
        dearest = max(abs(choice.year_cost) for choice in choices)
        self._decimals = 0 if dearest >= WHOLE_FROM else self._units

    # --- figures ----------------------------------------------------------------------------

    @property
    def years(self) -> str:
        """How long a choice is kept, such as ``"8 years"``."""
        return counted(self.appraisal.keep_years, "year")

    @property
    def worth(self) -> str:
        """What totals are, where interest is counted; else empty."""
        return ", worth today" if self.appraisal.lifetime.interest_percent else ""

    @property
    def unit(self) -> str:
        """The unit of driving: ``"km"``, ``"miles"``, or ``"kWh"`` without distances."""
        if self.appraisal.distance_km is None:
            return "kWh"
        return "km" if self.appraisal.distance_unit == "km" else "miles"

    def amount(self, amount: float | Decimal) -> str:
        """Write an amount without its currency, with commas at thousands."""
        return f"{round_money(_decimal(amount), self._decimals):,f}"

    def between(self, amount: float, other: float) -> Decimal:
        """Subtract an amount from another, both as they are written."""
        first, second = (round_money(_decimal(each), self._decimals) for each in (amount, other))
        return first - second

    def money(self, amount: float | Decimal) -> str:
        """Write an amount with its currency."""
        return f"{self.appraisal.currency} {self.amount(amount)}"

    def exactly(self, amount: Decimal) -> str:
        """Write a declared amount with its currency, to the smallest unit if it needs that."""
        decimals = 0 if amount == amount.to_integral_value() else self._units
        return f"{self.appraisal.currency} {round_money(amount, decimals):,f}"

    def fine(self, amount: float) -> str:
        """Write a price of one unit, with two decimals more than the currency has."""
        return f"{round_money(_decimal(amount), self._units + 2):f}"

    def rate(self, amount: float) -> str:
        """Write a rate with its unit."""
        return f"{self.fine(amount)} {self.appraisal.currency} per kWh"

    def in_unit(self, km: float) -> float:
        """Convert an amount of driving [km, or kWh] into `unit`."""
        return km / KM_PER_MILE if self.unit == "miles" else km

    def driven(self, km: float) -> str:
        """Write a year's driving, such as ``"20,000 km"``."""
        amount = self.in_unit(km)
        number = f"{amount:,.0f}" if amount >= SMALL else f"{amount:.1f}".removesuffix(".0")
        return f"{number} {self.unit.removesuffix('s') if number == '1' else self.unit}"

    def energy(self, kwh: float) -> str:
        """Write an energy, such as ``"5,280 kWh"``."""
        return f"{kwh:,.0f} kWh" if kwh >= SMALL else f"{kwh:.1f} kWh"

    def day(self, km: float) -> str:
        """Write a day's distance, without its unit."""
        return f"{km / KM_PER_MILE if self.appraisal.distance_unit == 'mile' else km:,.0f}"

    @property
    def day_unit(self) -> str:
        """The unit of `day`."""
        return "miles" if self.appraisal.distance_unit == "mile" else "km"

    # --- the answer -------------------------------------------------------------------------

    def answer(self) -> str:
        """Say in one line which choice to take, and how its cost compares."""
        return f"{self.lead()}: {self.cheapest.name}: {self.sums()}"

    def lead(self) -> str:
        """Begin the answer, up to the choice's name."""
        if len(self.appraisal.choices) == 1:
            return f"The only choice over {self.years}"
        if not self._costs_more_than_some:
            return f"Cheapest over {self.years}"
        others, cheaper = self.delivering_no_less(), self._cheaper
        if any(other.unpriced_above(self.cheapest) for other in cheaper):
            of_those = f"Cheapest over {self.years} of those that deliver the most"
            return of_those if others else "The one that delivers the most"
        enough = "that charge enough" if others else "that charges enough"
        if self.cheapest.nights_short:
            which = "with the fewest nights short"
        else:
            which = f"{enough} every night"
        return f"Cheapest over {self.years} of those {which}" if others else f"The only one {which}"

    def sums(self) -> str:
        """End the answer: its total, and how much less that is than another."""
        total = self.money(self.cheapest.total_over_years)
        if len(self.appraisal.choices) == 1:
            return total
        others = self.delivering_no_less()
        if self._costs_more_than_some and not others:
            total += f" over {self.years}"
        if self.first is not self.cheapest:
            return f"{total}, {self._less(self.first)}"
        # A comparison with one that delivers less would not be fair.
        return f"{total}, {self._less(others[0])}" if others else total

    @property
    def title(self) -> str:
        """What the answer is called in a picture or a table."""
        return "the answer" if self._costs_more_than_some else "cheapest"

    @property
    def _costs_more_than_some(self) -> bool:
        return bool(self._cheaper)

    @property
    def _cheaper(self) -> list[ChoiceYear]:
        """The choices that cost less than the answer, and deliver less."""
        below = self.cheapest.total_over_years - LEAST_MONEY
        return [choice for choice in self.by_total if choice.total_over_years < below]

    def _less(self, other: ChoiceYear) -> str:
        difference = self.between(other.total_over_years, self.cheapest.total_over_years)
        if not difference:
            return f"about the same as {other.name}"
        less = "less" if difference > 0 else "more"
        return f"{self.money(abs(difference))} {less} than {other.name}"

    def paid_back(self, years: float) -> str:
        """Write a payback in years, such as ``"2.3"``."""
        return f"{years:.1f}" if years >= LEAST_PAYBACK else f"less than {LEAST_PAYBACK:g}"

    def delivering_no_less(self) -> list[ChoiceYear]:
        """List the other choices that deliver no less, from the lowest total."""
        others = (choice for choice in self.by_total if choice is not self.cheapest)
        return [other for other in others if not other.delivers_less_than(self.cheapest)]

    def nights_short(self, choice: ChoiceYear) -> str:
        """Write how many of how many nights are short, such as ``"3 of 365 nights"``."""
        return f"{choice.nights_short} of {counted(choice.nights, 'night')}"

    def outlays(self) -> list[str]:
        """Say what each outlay is for, if the file says so, and list grants and maintenance."""
        return [
            f"{choice.name}: {line}"
            for choice in self.appraisal.choices
            for line in self._lines(choice)
        ]

    def _lines(self, choice: ChoiceYear) -> Iterator[str]:
        if choice.outlay_note:
            yield f"{self.money(choice.outlay)} ({choice.outlay_note})"
        for grant in choice.grants:
            when = f" after {counted(grant.after_years, 'year')}" if grant.after_years else ""
            yield f"receives {self.exactly(grant.amount)}{when}{_noted(grant.note)}"
        for paid in choice.maintenance:
            often = "every year" if paid.every_years == 1 else f"every {paid.every_years} years"
            yield f"costs {self.exactly(paid.amount)} {often}{_noted(paid.note)}"

    def ranges(self) -> str:
        """Explain the ranges; empty if there are none."""
        draws = self.appraisal.draws
        if not draws:
            return ""
        brackets = f"In brackets: the range of nine in ten of the {counted(draws, 'year')} drawn."
        spread = self.cheapest.spreads.get("total_over_years")
        if spread is None or not spread.high > spread.low:
            return brackets
        error = max(spread.low_error, spread.high_error)
        enough = spread.draws_for(ENOUGH, draws)
        sure = f"Each end of the answer's range is itself sure to about {self.money(error)}"
        if enough <= draws:
            return f"{brackets} {sure} (standard error), which is little."
        return (
            f"{brackets} {sure} (standard error); some {enough:,} draws would bring that to"
            f" {100 * ENOUGH:.0f} % of the range."
        )

    def differences(self) -> list[str]:
        """Explain what the home pays more or less, choice by choice; alike ones once."""
        said: dict[tuple[Decimal, Decimal], list[str]] = {}
        for choice in self.appraisal.choices[1:]:
            parts = self.parts_of_year(choice)
            key = parts["standing_charge_difference"], parts["home_cost_difference"]
            if any(key):
                said.setdefault(key, []).append(quoted(choice.name))
        return [self._difference(names, *key) for key, names in said.items()]

    def _difference(self, names: list[str], standing: Decimal, home: Decimal) -> str:
        with_ = f"With {listed(names)}, compared with {quoted(self.first.name)},"
        parts = []
        if standing:
            more = "more" if standing > 0 else "less"
            parts.append(
                f"standing charges are {self.money(abs(standing))} a year {more}: they are another"
                " tariff's, or those of one more meter"
            )
        if home:
            more = "more" if home > 0 else "less"
            parts.append(
                f"what the rest of the home uses costs {self.money(abs(home))} a year {more}: it is"
                " the same energy in the same hours, at this choice's rates"
            )
        return f"{with_} {'; and '.join(parts)}."

    def counted_in_totals(self) -> str:
        """Say what the totals leave out; empty if the home has no standing charge."""
        if not any(choice.standing_charge for choice in self.appraisal.choices):
            return ""
        if len(self.appraisal.choices) == 1:
            return "The totals are for the vehicle alone, without the home's standing charge."
        return (
            "A total counts what the vehicle costs, and what the home pays more or less than with"
            f" {quoted(self.first.name)}. The standing charge of that choice,"
            f" {self.money(self.first.standing_charge)} a year, is paid without the vehicle too,"
            " and is in no total."
        )

    def parts_of_year(self, choice: ChoiceYear) -> dict[str, Decimal]:
        """Round the parts of a choice's total a year so that they add up to it as written."""
        parts = [_part(getattr(choice, key) or 0.0) for key in PARTS_OF_YEAR]
        return dict(zip(PARTS_OF_YEAR, rounded_parts(parts, self._decimals), strict=True))

    def band_costs(self, choice: ChoiceYear) -> list[Decimal]:
        """Round what each band costs so that they add up to the energy's cost as written."""
        costs = [_part(band.cost) for band in choice.by_band]
        return rounded_parts(costs, self._decimals, self.parts_of_year(choice)["cost"])

    def basis(self) -> str:
        """Say in a sentence what was computed."""
        year = self.appraisal
        driven = "" if year.distance_km is None else f", {self.driven(year.distance_km)}"
        return (
            f"The year {year.year} ({year.timezone}), night by night: {counted(year.trips, 'trip')}"
            f"{driven}, {self.energy(year.trips_kwh)} out of the battery. Amounts are in"
            f" {year.currency}, tax included."
        )


ENOUGH = 0.05
"""A standard error of this share of the range is small enough to read it."""


def between(spread: Spread) -> str:
    """Write a range of whole numbers."""
    low, high = f"{spread.low:,.0f}", f"{spread.high:,.0f}"
    return low if low == high else f"{low} to {high}"


def _noted(note: str | None) -> str:
    return f" ({note})" if note else ""


def quoted(name: str | None) -> str:
    """Put a name in quotation marks, because it may contain commas."""
    return f"“{name}”"


def _part(amount: float) -> Decimal:
    """Drop what floats add to a sum."""
    return _decimal(round(amount, 6))


def _decimal(amount: float | Decimal) -> Decimal:
    return amount if isinstance(amount, Decimal) else Decimal(repr(float(amount)))
