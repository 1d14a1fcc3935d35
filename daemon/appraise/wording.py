"""What an appraisal says in words, alike in a terminal and on its page. Pure."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

from config.fields import currencies
from config.fields.distance import KM_PER_MILE
from daemon.presentation.figures import plain_number
from planners.accounts.money import round_money

if TYPE_CHECKING:
    from planners.appraisal.appraisal import Appraisal, ChoiceYear, Spread

UNKNOWN = "not known"
NEVER = "never"
WHOLE_FROM = 100
"""With a year's cost from here on, amounts are told in whole units [currency]."""
LEAST_PAYBACK = 0.1
"""A shorter payback is told as less than this [years]."""
HALF_WATT_HOUR = 0.0005
"""Less energy than this is none [kWh]."""


class AppraisalWords:
    """Writes the figures of one appraisal, by its currency and its unit of distance.

    Parameters
    ----------
    appraisal : Appraisal
        The appraisal.

    Attributes
    ----------
    first, cheapest : ChoiceYear
        The choice that others are held against, and the answer.
    by_total : tuple of ChoiceYear
        The choices from the least total over the years to the highest.
    """

    def __init__(self, appraisal: Appraisal) -> None:
        self.appraisal = appraisal
        self.first = appraisal.choices[0]
        self.cheapest = next(it for it in appraisal.choices if it.name == appraisal.cheapest)
        self.by_total = tuple(sorted(appraisal.choices, key=lambda it: it.total_over_years))
        self._units = currencies.minor_units(appraisal.currency)
        dearest = max(abs(it.year_cost) for it in appraisal.choices)
        self._decimals = 0 if dearest >= WHOLE_FROM else self._units

    # --- figures ----------------------------------------------------------------------------

    @property
    def years(self) -> str:
        """For how long the choice is kept, such as ``"8 years"``."""
        return counted(self.appraisal.keep_years, "year")

    @property
    def unit(self) -> str:
        """What driving is told in: ``"km"``, ``"miles"``, or ``"kWh"`` where no distance is."""
        if self.appraisal.distance_km is None:
            return "kWh"
        return "km" if self.appraisal.distance_unit == "km" else "miles"

    def amount(self, amount: float) -> str:
        """Write an amount without its currency, with commas at thousands."""
        return f"{round_money(_decimal(amount), self._decimals):,f}"

    def money(self, amount: float) -> str:
        """Write an amount with its currency."""
        return f"{self.appraisal.currency} {self.amount(amount)}"

    def fine(self, amount: float) -> str:
        """Write a price of one unit, with two decimals more than the currency has."""
        return f"{round_money(_decimal(amount), self._units + 2):f}"

    def rate(self, amount: float) -> str:
        """Write a rate with its unit."""
        return f"{self.fine(amount)} {self.appraisal.currency} per kWh"

    def in_unit(self, km: float) -> float:
        """Turn a place on the scale of driving [km, or kWh] into `unit`."""
        return km / KM_PER_MILE if self.unit == "miles" else km

    def driven(self, km: float) -> str:
        """Write a year's driving, such as ``"20,000 km"``."""
        return f"{self.in_unit(km):,.0f} {self.unit}"

    def day(self, km: float) -> str:
        """Write a day's distance, without its unit."""
        return f"{km / KM_PER_MILE if self.appraisal.distance_unit == 'mile' else km:,.0f}"

    @property
    def day_unit(self) -> str:
        """The unit of `day`."""
        return "miles" if self.appraisal.distance_unit == "mile" else "km"

    # --- the answer -------------------------------------------------------------------------

    def answer(self) -> str:
        """Tell in one line which choice to take, and what it saves."""
        return f"{self.lead()}: {self.cheapest.name}: {self.sums()}"

    def lead(self) -> str:
        """Begin the answer, up to the choice's name; say so where one that delivers less wins."""
        if len(self.appraisal.choices) == 1:
            return f"The only choice over {self.years}"
        if not self._costs_more_than_some:
            return f"Cheapest over {self.years}"
        others = self.as_seldom_short()
        meets = "that meet the need" if others else "that meets the need"
        what = "with so few nights short" if self.cheapest.nights_short else meets
        return f"Cheapest over {self.years} of those {what}" if others else f"The only one {what}"

    def sums(self) -> str:
        """End the answer: its total, and how much less that is than another."""
        total = self.money(self.cheapest.total_over_years)
        if len(self.appraisal.choices) == 1:
            return total
        others = self.as_seldom_short()
        if self._costs_more_than_some and not others:
            total += f" over {self.years}"
        if self.first is not self.cheapest:
            return f"{total}, {self._less(self.first)}"
        # Beside one that delivers less it would not be like with like.
        return f"{total}, {self._less(others[0])}" if others else total

    @property
    def title(self) -> str:
        """What the answer is beside the others, in a picture or a table."""
        return "the answer" if self._costs_more_than_some else "cheapest"

    @property
    def _costs_more_than_some(self) -> bool:
        return self.by_total[0].total_over_years < self.cheapest.total_over_years

    def _less(self, other: ChoiceYear) -> str:
        difference = other.total_over_years - self.cheapest.total_over_years
        amount = self.amount(abs(difference))
        if amount == self.amount(0):
            return f"about the same as {other.name}"
        less = "less" if difference > 0 else "more"
        return f"{self.appraisal.currency} {amount} {less} than {other.name}"

    def paid_back(self, years: float) -> str:
        """Write a payback in years, such as ``"2.3"``."""
        return f"{years:.1f}" if years >= LEAST_PAYBACK else f"less than {LEAST_PAYBACK:g}"

    def as_seldom_short(self) -> list[ChoiceYear]:
        """List the other choices that leave no more nights short, from the least total."""
        most = self.cheapest.nights_short
        return [it for it in self.by_total if it is not self.cheapest and it.nights_short <= most]

    def nights_short(self, choice: ChoiceYear) -> str:
        """Tell how many nights of how many are short of the need."""
        return f"{choice.nights_short} of {counted(choice.nights, 'night')}"

    def outlays(self) -> list[str]:
        """Tell what each outlay is for, where the file says so."""
        return [
            f"{it.name}: {self.money(it.outlay)} ({it.outlay_note})"
            for it in self.appraisal.choices
            if it.outlay_note
        ]

    def ranges(self) -> str:
        """Tell what ranges are; empty where none were asked for."""
        draws = self.appraisal.draws
        if not draws:
            return ""
        return f"In brackets: where nine in ten of the {counted(draws, 'year')} drawn lie."

    def basis(self) -> str:
        """Tell in a sentence what was computed."""
        it = self.appraisal
        driven = "" if it.distance_km is None else f", {self.driven(it.distance_km)}"
        return (
            f"The year {it.year} ({it.timezone}), night by night: {counted(it.trips, 'trip')}"
            f"{driven}, {it.trips_kwh:,.0f} kWh out of the battery. Amounts are in {it.currency},"
            " tax included."
        )


def counted(count: float, noun: str) -> str:
    """Write a number of things, such as ``"1 year"`` and ``"2.5 years"``."""
    number = plain_number(_decimal(count)) if count % 1 else f"{count:,.0f}"
    return f"{number} {noun}{'' if count == 1 else 's'}"


def between(spread: Spread) -> str:
    """Write a range of whole numbers."""
    low, high = f"{spread.low:,.0f}", f"{spread.high:,.0f}"
    return low if low == high else f"{low} to {high}"


def quoted(name: str | None) -> str:
    """Set a name off from the sentence around it, since it may hold commas."""
    return f"“{name}”"


def _decimal(amount: float) -> Decimal:
    return Decimal(repr(float(amount)))
