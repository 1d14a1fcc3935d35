"""What an appraisal says in words, alike in a terminal and on its page. Pure."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

from config import currencies
from daemon.plain_figures import plain
from planners.appraisal import KM_PER_MILE
from planners.money import round_money

if TYPE_CHECKING:
    from collections.abc import Iterator

    from planners.appraisal import Appraisal, ChoiceYear, Spread

UNKNOWN = "not known"
NEVER = "never"
WHOLE_FROM = 100
"""With a year's cost from here on, amounts are told in whole units [currency]."""
HALF_WATT_HOUR = 0.0005
"""Less energy than this is none [kWh]."""


class Words:
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
        """Begin the answer, up to the choice's name."""
        what = "The only choice" if len(self.appraisal.choices) == 1 else "Cheapest"
        return f"{what} over {self.years}"

    def sums(self) -> str:
        """End the answer: its total, and how much less that is than another."""
        total = self.money(self.cheapest.total_over_years)
        return total if len(self.appraisal.choices) == 1 else f"{total}, {self._less()}"

    def _less(self) -> str:
        """Hold the answer against the first choice, or where it is that, against the next."""
        other = self.first if self.first is not self.cheapest else self._next_cheapest()
        difference = other.total_over_years - self.cheapest.total_over_years
        amount = self.amount(abs(difference))
        if amount == self.amount(0):
            return f"about the same as {other.name}"
        less = "less" if difference > 0 else "more"
        return f"{self.appraisal.currency} {amount} {less} than {other.name}"

    def _next_cheapest(self) -> ChoiceYear:
        return next(it for it in self.by_total if it is not self.cheapest)

    def beside(self) -> list[str]:
        """List what belongs beside the answer: payback, years drawn, nights short, what is less."""
        return [*self._pays_back(), *self._drawn(), *self._short_itself(), *self._cheaper()]

    def _pays_back(self) -> Iterator[str]:
        more = self.cheapest.outlay - self.first.outlay
        if self.cheapest is self.first or more <= 0:
            return
        its = f"Its outlay, {self.money(more)} more than that of {quoted(self.first.name)},"
        years = self.cheapest.payback_years
        if years is None:
            yield f"{its} never pays back."
        else:
            yield f"{its} is paid back after {years:.1f} years."

    def _drawn(self) -> Iterator[str]:
        """Tell how the answer fares in the years drawn, where that may change a mind."""
        draws = self.appraisal.draws
        if not draws or len(self.appraisal.choices) == 1:
            return
        most = max(self.appraisal.choices, key=lambda it: it.cheapest_in)
        own = self.cheapest.cheapest_in
        years = f"Of {counted(draws, 'year')} drawn at random around the declared one"
        if own >= most.cheapest_in:
            yield f"{years} it is the cheapest in {own:,}."
        else:
            none = f"{own:,}" if own else "none"
            yield (
                f"But no two days are alike: {_lower(years)} it is the cheapest in {none}, and"
                f" {quoted(most.name)} in {most.cheapest_in:,}.{self._short_when_drawn()}"
            )

    def _short_when_drawn(self) -> str:
        spread = self.cheapest.spreads.get("nights_short")
        if spread is None or spread.high <= 0:
            return ""
        nights = between(spread)
        return f" In these years the need is not met on {nights} of its nights."

    def _short_itself(self) -> Iterator[str]:
        if self.cheapest.nights_short:
            yield f"With it the need is not met on {self.nights_short(self.cheapest)}."

    def _cheaper(self) -> Iterator[str]:
        for choice in self.by_total:
            if choice.total_over_years >= self.cheapest.total_over_years:
                return
            saved = self.money(self.cheapest.total_over_years - choice.total_over_years)
            yield (
                f"{quoted(choice.name)} would cost {saved} less, but the need is not met on"
                f" {self.nights_short(choice)}."
            )

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
        it = self.appraisal
        if not it.draws:
            return ""
        return (
            f"Ranges: nine in ten of {counted(it.draws, 'year')} drawn with trips"
            f" {it.spread_percent:g} % around the declared ones (seed {it.seed}) lie in them."
        )

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
    number = plain(_decimal(count)) if count % 1 else f"{count:,.0f}"
    return f"{number} {noun}{'' if count == 1 else 's'}"


def _lower(sentence: str) -> str:
    return sentence[0].lower() + sentence[1:]


def between(spread: Spread) -> str:
    """Write a range of whole numbers."""
    low, high = f"{spread.low:,.0f}", f"{spread.high:,.0f}"
    return low if low == high else f"{low} to {high}"


def quoted(name: str | None) -> str:
    """Set a name off from the sentence around it, since it may hold commas."""
    return f"“{name}”"


def _decimal(amount: float) -> Decimal:
    return Decimal(repr(float(amount)))
