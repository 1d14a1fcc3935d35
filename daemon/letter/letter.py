"""Choose the figures and sentences of a letter. Pure."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import TYPE_CHECKING, NamedTuple

from config.calendar.words import listed
from config.fields.currencies import minor_units
from daemon.month.page_wording import MonthWords, kwh, short_date
from daemon.presentation.figures import counted, date_text
from planners.accounts.money import format_money, round_money
from planners.power.cautions import cautions

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date

    from config.household.household_file import HouseholdFile
    from config.letter.letter_file import LetterFile
    from daemon.night_log.month import Month

MOST_DATES, MOST_POINTS = 4, 2
"""How many short nights are dated, and of how many charge points there are cautions: one page."""


class Figure(NamedTuple):
    """A figure of the letter, and what it means."""

    amount: str
    meaning: str


class Worth(NamedTuple):
    """What the cheapest of some tariffs would save this home in a year.

    `tariff_now` and `tariff` are names; `saves` is 0 if none would cost less [currency a year];
    `nights` is how many were recorded; `assumes_home_use` if the saving counts what the rest of the
    home would pay, for a use that somebody declared.
    """

    tariff_now: str
    tariff: str
    saves: float
    nights: int
    assumes_home_use: bool = False


class Letter:
    """Writes the letter about one home's month."""

    def __init__(
        self,
        home: HouseholdFile,
        month: Month,
        words: LetterFile,
        worth: Worth | None = None,
    ) -> None:
        self.month = month
        self.words = words
        self.tables = MonthWords(month)
        self._home = home
        self._worth = worth

    def filled(self, text: str) -> str:
        """Put the home's and the month's name into a text of the adviser's."""
        names = {"{home}": self.month.household, "{month}": self.tables.name}
        return re.sub(r"\{(?:home|month)\}", lambda found: names[found[0]], text)

    def dated(self, today: date) -> str:
        """Write the day of the letter."""
        return date_text(today)

    def figures(self) -> tuple[Figure, Figure, Figure]:
        """Return the three figures that matter: what was paid, what was saved, what is left."""
        return self._paid(), self._saved(), self._left()

    def _paid(self) -> Figure:
        month, nights = self.month, counted(len({row.night for row in self.month.nights}), "night")
        rate = self.tables.fine(month.cost_per_kwh)
        per_kwh = f", {rate} {month.currency} per kWh on average" if month.energy_wh else ""
        return Figure(
            self.tables.money(month.cost_rounded),
            f"paid for {kwh(month.energy_wh)} kWh in {nights}{per_kwh}, tax included",
        )

    def _saved(self) -> Figure:
        saved = self.month.saved_against_at_once
        if saved is None:
            return Figure("Not known", "what charging at once, on arrival, would have cost")
        if not round_money(saved, minor_units(self.month.currency)):
            return Figure(
                "Nothing", "saved: charging at once, on arrival, would have cost the same"
            )
        less = "less" if saved > 0 else "more"
        return Figure(
            self.tables.money(abs(saved)),
            f"{less} than charging at once, on arrival, would have cost",
        )

    def _left(self) -> Figure:
        worth = self._worth
        if worth is None:
            possible = self.month.hindsight_would_save
            if possible is None:
                return Figure("Not known", "what the cheapest possible hours would have cost")
            return Figure(
                self.tables.money(max(possible, Decimal(0))),
                "is the most that other hours could still have saved on the same tariff",
            )
        nights = counted(worth.nights, "night")
        if worth.saves <= 0:
            meaning = f"of the tariffs compared, none would cost you less than {worth.tariff_now}"
            return Figure("Stay", f"{meaning}, by your {nights} on record")
        amount = format_money(Decimal(repr(worth.saves)), self.month.currency)
        meaning = f"a year less on the tariff {worth.tariff} than on {worth.tariff_now}"
        return Figure(amount, f"{meaning}, if the year is like your {nights} on record")

    def facts(self) -> Iterator[str]:
        """Say what the figures rest on: nights short, estimates, days without a record."""
        short = sorted({row.night for row in self.month.nights_short})
        if not short:
            yield "On every night recorded there was enough for the departure."
        else:
            dates = [short_date(day) for day in short[:MOST_DATES]]
            dates += [f"{len(short) - MOST_DATES} more"] if len(short) > MOST_DATES else []
            yield f"There was less than needed by the departure on {listed(dates)}."
        if self.month.estimated_wh:
            estimated, whole = kwh(self.month.estimated_wh), kwh(self.month.energy_wh)
            yield f"{estimated} of {whole} kWh are estimated: the meter was silent for a while."
        if self.month.estimated_rate_wh:
            at_rates = kwh(self.month.estimated_rate_wh)
            yield f"{at_rates} kWh are priced at estimated rates; the amount may still change."
        missing = len(self.tables.days_unrecorded())
        if missing:
            yield f"{counted(missing, 'day')} of the month {_have(missing)} no record."

    def cautions(self) -> Iterator[str]:
        """Write the cautions: what this is not, and what heavy loads need."""
        yield (
            "This is an account of charging, not a bill: that of the supplier decides. What other"
            " hours or tariffs would have cost is calculated."
        )
        if self._worth is not None:
            yield (
                "What another tariff would save counts its standing charge"
                + (
                    ", and what the rest of your home would pay, for a use that is assumed."
                    if self._worth.assumes_home_use
                    else "; what the rest of your home would pay on it is not counted."
                )
            )
        used = sorted({row.charge_point for row in self.month.nights})
        known = [point for point in used if point in self._home.charge_points]
        yield from dict.fromkeys(cautions(self._home, point)[0] for point in known[:MOST_POINTS])
        yield (
            "Charging is a heavy load for hours. If a plug, socket, switch or cable gets warm, stop"
            " and call a licensed electrician. Software is no protective device: local wiring rules"
            " and a licensed electrician decide what may be connected."
        )


def _have(count: int) -> str:
    return "has" if count == 1 else "have"
