"""Show a month in a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from rich.console import Group
from rich.table import Table
from rich.text import Text

from config.calendar.words import MONTHS
from daemon.month.capacity import capacity_lines
from daemon.month.components import component_lines
from daemon.month.minimum_bills import minimum_lines
from daemon.month.page_tables import MonthTables
from daemon.month.page_wording import MonthWords
from daemon.month.wording import (
    AS_OF,
    ROUNDING,
    alerts_shown,
    difference_words,
    untimed_alerts,
    why_short,
)
from daemon.night_log.carbon import carbon_lines
from daemon.night_log.month import RULES
from daemon.night_log.notes import at_estimated_rates, of_the_roof
from daemon.night_log.show_nights import nights_table
from daemon.presentation.figures import local_time
from planners.accounts.accounts import exact_kwh
from planners.accounts.money import format_money

if TYPE_CHECKING:
    from collections.abc import Iterator
    from decimal import Decimal

    from rich.console import RenderableType

    from daemon.night_log.month import Month


def show_month(month: Month) -> RenderableType:
    """Lay out a month for rich."""
    title = f"{month.household}, {MONTHS[month.month - 1]} {month.year} ({month.timezone})"
    if not month.nights:
        empty = "No nights are recorded in this month."
        return Group(Text(title, style="bold"), empty, *map(Text, month.remarks))
    return Group(
        Text(title, style="bold"),
        Text(f"as of {local_time(month.as_of, ZoneInfo(month.timezone), AS_OF)}", style="dim"),
        "",
        _figures(month),
        "",
        _bands(month),
        *_vehicles(month),
        *_short(month),
        *_alerts(month),
        *nights_table(month.nights, month.currency, month.days),
        "",
        *map(Text, month.remarks),
        Text(ROUNDING, style="dim"),
    )


def _figures(month: Month) -> Table:
    table = Table.grid(padding=(0, 2, 0, 0))
    for name, words in (
        ("energy", _energy(month)),
        ("cost", _cost(month)),
        *component_lines(month),
        *_roof(month),
        ("standing charge", f"{_money(month, month.standing_charge)} for every day of the month"),
        *minimum_lines(month),
        *capacity_lines(month),
        *_together(month),
        *_rules(month),
        *carbon_lines(month.carbon),
        ("nights", _counts(month)),
    ):
        table.add_row(name, Text(words))
    return table


def _energy(month: Month) -> str:
    whole = f"{exact_kwh(month.energy_wh):.2f} kWh at the meter"
    if not month.estimated_wh:
        return f"{whole}, all of it measured"
    return f"{whole}, of which {exact_kwh(month.estimated_wh):.2f} kWh estimated"


def _cost(month: Month) -> str:
    parts = [_money(month, month.cost)]
    if month.cost_per_kwh is not None:
        parts.append(f"{month.cost_per_kwh:.4f} per kWh")
    if month.cost_per_distance is not None and month.distance is not None:
        unit = month.distance_unit
        parts.append(
            f"{month.cost_per_distance:.4f} per {unit} over about {month.distance:.0f} {unit}"
            f"{'s' if unit == 'mile' else ''}"
        )
    if month.estimated_rate_wh:
        parts.append(at_estimated_rates(month.estimated_rate_wh))
    return "; ".join(parts)


def _roof(month: Month) -> Iterator[tuple[str, str]]:
    if month.roof_wh:
        yield "roof", of_the_roof(month.roof_wh, month.all_grid_cost, month.currency)


def _rules(month: Month) -> Iterator[tuple[str, str]]:
    """Say what each rule would have cost, beside what was paid."""
    for rule, words in RULES.items():
        extra = month.extra_cost(rule)
        difference = None if extra is None else difference_words(extra, month.currency)
        yield words, "not known" if difference is None else f"would have cost {difference}"


def _together(month: Month) -> Iterator[tuple[str, str]]:
    if not month.lacks_capacity:
        yield "together", _money(month, month.together)


def _counts(month: Month) -> str:
    return (
        f"{len(month.nights)}, {len(month.nights_short)} short for the departure,"
        f" {len(month.nights_estimated)} partly estimated"
    )


def _bands(month: Month) -> Table:
    table = Table(box=None, pad_edge=False, header_style="dim")
    for name in ("band", "rate", "kWh", "cost"):
        table.add_column(name, justify="left" if name == "band" else "right")
    for cells in MonthTables(month, MonthWords(month)).bands():
        table.add_row(cells.band, cells.rate, cells.energy, cells.cost)
    return table


def _vehicles(month: Month) -> Iterator[RenderableType]:
    rows = MonthTables(month, MonthWords(month)).vehicles()
    if not rows:
        return
    table = Table(box=None, pad_edge=False, header_style="dim")
    for name in ("vehicle", "nights", "short", "kWh", "cost"):
        table.add_column(name, justify="left" if name == "vehicle" else "right")
    for cells in rows:
        table.add_row(*cells)
    yield ""
    yield table


def _short(month: Month) -> Iterator[RenderableType]:
    if month.nights_short:
        yield ""
        yield Text("Short for the departure", style="bold")
    for row in month.nights_short:
        yield Text(f"  {row.night:%a %d %b}, {', '.join(row.vehicles)}: {why_short(month, row)}")


def _alerts(month: Month) -> Iterator[RenderableType]:
    shown = alerts_shown(month)
    if shown or month.untimed_alerts:
        yield ""
        yield Text("Alerts", style="bold")
    for each in shown:
        at = local_time(each.alert.at, ZoneInfo(month.timezone), "%a %d %b %H:%M")
        yield Text(f"  {at} {each.alert.code}: {each.alert.message}{each.again}")
    if month.untimed_alerts:
        yield Text(f"  {untimed_alerts(month)}")


def _money(month: Month, amount: Decimal) -> str:
    return format_money(amount, month.currency)
