"""Write the figures and sentences of a month's page. Pure."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from config.calendar.words import MONTHS, listed
from config.fields.currencies import minor_units
from daemon.control.state import SOC_SOURCES
from daemon.month.chart import (
    days_of,
    night_strips,
    rule_cost,
)
from daemon.month.wording import difference_words
from daemon.night_log.month import RULES
from daemon.night_log.notes import at_estimated_rates
from daemon.presentation.figures import counted
from planners.accounts.money import format_amount, format_money, round_money
from planners.local_time.conversion import clock_text, nearest_minute

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, datetime

    from daemon.night_log.month import AlertRow, Month, NightRow

UNKNOWN = "not known"
KWH_PLACES = 2
"""Decimals of an energy [kWh]; the ledger keeps watt-hours."""


class MonthWords:
    """Writes the figures of one month in its currency and by its clock."""

    def __init__(self, month: Month) -> None:
        self.month = month
        self._zone = ZoneInfo(month.timezone)
        self._units = minor_units(month.currency)

    @property
    def name(self) -> str:
        """The month's name and year."""
        return f"{MONTHS[self.month.month - 1]} {self.month.year}"

    def money(self, amount: Decimal | None) -> str:
        """Write an amount with its currency."""
        return UNKNOWN if amount is None else format_money(amount, self.month.currency)

    def amount(self, amount: Decimal | None) -> str:
        """Write an amount without its currency, for a column whose head names it."""
        return UNKNOWN if amount is None else format_amount(amount, self.month.currency)

    def fine(self, amount: Decimal | None) -> str:
        """Write a price of one unit, with two decimals more than the currency has."""
        return UNKNOWN if amount is None else f"{round_money(amount, self._units + 2):f}"

    def instant(self, at: datetime) -> str:
        """Write an instant by the household's clock."""
        local = nearest_minute(at, self._zone)
        return f"{short_date(local)} {self.clock(at)}"

    def clock(self, at: datetime) -> str:
        """Write a time of day by the household's clock."""
        return clock_text(at, self._zone, "%H:%M")

    # --- sentences ------------------------------------------------------------------------

    def lead(self) -> str:
        """Sum the month up in a sentence."""
        month = self.month
        if not month.nights:
            return f"No night was recorded in {self.name}."
        nights = counted(len({row.night for row in month.nights}), "night")
        sentence = (
            f"{month.household} charged {kwh(month.energy_wh)} kWh in {nights}"
            f" for {self.money(month.cost)}{self._estimated_rates()}"
        )
        saved = month.saved_against_at_once
        return sentence + ("." if saved is None else f", {self.than(saved, 'charging at once')}.")

    def _estimated_rates(self) -> str:
        wh = self.month.estimated_rate_wh
        return f" ({at_estimated_rates(wh)})" if wh else ""

    def than(self, saved: Decimal, rule: str) -> str:
        """Compare what was paid with what a rule would have cost."""
        if not round_money(saved, self._units):
            return f"the same as {rule} would have cost"
        less = "less" if saved > 0 else "more"
        return f"{self.money(abs(saved))} {less} than {rule} would have cost"

    def other_rules(self) -> list[tuple[str, str, str]]:
        """Say how much more or less each rule would have cost, over how many nights."""
        return [
            (f"Charging {words} instead", self._difference(rule), self._nights_known(rule))
            for rule, words in RULES.items()
        ]

    def _difference(self, rule: str) -> str:
        extra = self.month.extra_cost(rule)
        return UNKNOWN if extra is None else difference_words(extra, self.month.currency)

    def _nights_known(self, rule: str) -> str:
        """Say over how many nights a rule's cost is known, unless over all."""
        known = len(known_costs(self.month, rule))
        whole = len(self.month.nights)
        return (
            "" if known in {0, whole} else f"over {known} of {whole} nights; unknown for the others"
        )

    def where(self, row: NightRow) -> str:
        """Name a vehicle, and its charge point if any vehicle used several."""
        pairs = {(each.vehicle, each.charge_point) for each in self.month.nights}
        alone = len(pairs) == len({vehicle for vehicle, _ in pairs})
        vehicles = ", ".join(row.vehicles)
        return vehicles if alone else f"{vehicles} at {row.charge_point}"

    def unrecorded(self) -> str:
        """List the days of the month without a recorded night."""
        missing = [short_date(day) for day in self.days_unrecorded()]
        return listed(missing) if missing else ""

    def days_unrecorded(self) -> list[date]:
        """Return the same days as dates."""
        recorded = {row.night for row in self.month.nights}
        return [day for day in days_of(self.month) if day not in recorded]

    def clock_changes(self) -> str:
        """Say on which nights the clock changes, and what that does to the picture."""
        changes = [
            short_date(strip.night)
            for strip in night_strips(self.month)
            if strip.clock_change is not None
        ]
        if not changes:
            return ""
        return (
            f"On {listed(changes)} the clock changes at the mark: after it, the hours of the axis"
            " are off by as much."
        )


def kwh(wh: int) -> str:
    """Write energy [kWh]."""
    return f"{Decimal(wh) / 1000:.{KWH_PLACES}f}"


def short_date(day: date) -> str:
    """Write a date such as ``"Thu 1 Oct"``."""
    return f"{day:%a} {day.day} {day:%b}"


def known_costs(month: Month, rule: str) -> list[Decimal]:
    """List the costs by a rule, of the nights for which they are known."""
    return [cost for row in month.nights if (cost := rule_cost(row, rule)) is not None]


def sources(rows: Sequence[NightRow]) -> str:
    """Count the nights by the source of the state of charge before charging."""
    count: dict[str, int] = {}
    for row in rows:
        count[row.soc_from] = count.get(row.soc_from, 0) + 1
    return "; ".join(
        f"{SOC_SOURCES.get(source, source)}, {nights}" for source, nights in count.items()
    )


def alert_place(alert: AlertRow) -> str:
    """Name the charge point or the household that an alert is about."""
    return alert.charge_point or "the household"
