"""What the page of a month says: its figures as texts, its sentences, its tables' cells. Pure."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from config.fields import currencies
from config.tariffs.calendar_words import MONTHS, listed
from daemon.control.state import SOC_SOURCES
from daemon.month.chart import (
    days_of,
    night_strips,
    rule_cost,
)
from planners.accounts.money import format_money, round_money

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, datetime

    from daemon.night_log.month import AlertRow, Month, NightRow

UNKNOWN = "not known"


class MonthWords:
    """Writes the figures of one month, by its currency and its clock."""

    def __init__(self, month: Month) -> None:
        self.month = month
        self._zone = ZoneInfo(month.timezone)
        self._units = currencies.minor_units(month.currency)

    @property
    def name(self) -> str:
        """The month's name and year."""
        return f"{MONTHS[self.month.month - 1]} {self.month.year}"

    def money(self, amount: Decimal | None) -> str:
        """Write an amount with its currency."""
        return UNKNOWN if amount is None else format_money(amount, self.month.currency)

    def amount(self, amount: Decimal | None) -> str:
        """Write an amount without its currency, for a column that names it."""
        return UNKNOWN if amount is None else f"{round_money(amount, self._units):f}"

    def fine(self, amount: Decimal | None) -> str:
        """Write a price of one unit, with two decimals more than the currency has."""
        return UNKNOWN if amount is None else f"{round_money(amount, self._units + 2):f}"

    def instant(self, at: datetime) -> str:
        """Write an instant by the household's clock."""
        local = at.astimezone(self._zone)
        return f"{short_date(local)} {local:%H:%M}"

    def clock(self, at: datetime) -> str:
        """Write a time of day by the household's clock."""
        return f"{at.astimezone(self._zone):%H:%M}"

    # --- sentences ------------------------------------------------------------------------

    def lead(self) -> str:
        """Tell the month in a sentence."""
        month = self.month
        if not month.nights:
            return f"No night was recorded in {self.name}."
        nights = counted(len({row.night for row in month.nights}), "night")
        sentence = (
            f"{month.household} charged {kwh(month.energy_wh)} kWh in {nights}"
            f" for {self.money(month.cost)}"
        )
        saved = month.saved_against_at_once
        return sentence + ("." if saved is None else f", {self.than(saved, 'charging at once')}.")

    def than(self, saved: Decimal, rule: str) -> str:
        """Compare what was paid with what a rule would have cost."""
        rounded = round_money(saved, self._units)
        if not rounded:
            return f"the same as {rule} would have cost"
        less = "less" if rounded > 0 else "more"
        return f"{self.money(abs(saved))} {less} than {rule} would have cost"

    def saved(self, saved: Decimal | None) -> str:
        """Write what was saved, or what more was paid."""
        if saved is None or round_money(saved, self._units) >= 0:
            return self.money(saved)
        return f"nothing: {self.money(-saved)} more was paid"

    def compared(self, rule: str) -> str:
        """Tell over how many nights a rule is known, where not over all."""
        known = len(known_costs(self.month, rule))
        whole = len(self.month.nights)
        return (
            "" if known in {0, whole} else f"over the {known} of {whole} nights where it is known"
        )

    def where(self, row: NightRow) -> str:
        """Name a vehicle, and its charge point where some vehicle had several."""
        pairs = {(each.vehicle, each.charge_point) for each in self.month.nights}
        alone = len(pairs) == len({vehicle for vehicle, _ in pairs})
        return row.vehicle if alone else f"{row.vehicle} at {row.charge_point}"

    def unrecorded(self) -> str:
        """Name the days of the month of which no night is recorded."""
        recorded = {row.night for row in self.month.nights}
        missing = [short_date(day) for day in days_of(self.month) if day not in recorded]
        return listed(missing) if missing else ""

    def clock_changes(self) -> str:
        """Tell on which nights the clock changes, and what that does to the picture."""
        changes = [
            short_date(line.night) for line in night_strips(self.month) if line.turn is not None
        ]
        if not changes:
            return ""
        return (
            f"On {listed(changes)} the clock changes, where the line marks it: hours after it stand"
            " aside by as much."
        )


def kwh(wh: int) -> str:
    """Write energy to the watt-hour [kWh]."""
    return f"{Decimal(wh) / 1000:.3f}"


def short_date(day: date) -> str:
    """Write a date such as ``"Thu 1 Oct"``."""
    return f"{day:%a} {day.day} {day:%b}"


def counted(count: int, noun: str) -> str:
    """Write a number of things."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def known_costs(month: Month, rule: str) -> list[Decimal]:
    """List what a rule would have cost on each night of which that is known."""
    return [cost for row in month.nights if (cost := rule_cost(row, rule)) is not None]


def sources(rows: Sequence[NightRow]) -> str:
    """Tell where the states of charge before were known from, and how often."""
    count: dict[str, int] = {}
    for row in rows:
        count[row.soc_from] = count.get(row.soc_from, 0) + 1
    return "; ".join(
        f"{SOC_SOURCES.get(source, source)}, {nights}" for source, nights in count.items()
    )


def alert_place(alert: AlertRow) -> str:
    """Name what an alert is about."""
    return alert.charge_point or "the household"
