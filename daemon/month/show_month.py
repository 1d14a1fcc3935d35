"""A month as people read it in a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from rich.console import Group
from rich.table import Table
from rich.text import Text

from config.fields.currencies import minor_units
from config.tariffs.calendar_words import MONTHS
from daemon.month.wording import ROUNDING, why_short
from daemon.night_log.night_rows import kwh
from daemon.night_log.show_nights import nights_table
from daemon.presentation.figures import local_time
from daemon.tariff.rows import exact
from planners.accounts.money import format_money, round_money

if TYPE_CHECKING:
    from collections.abc import Iterator
    from decimal import Decimal

    from rich.console import RenderableType

    from daemon.night_log.month import Month


def show_month(month: Month) -> RenderableType:
    """Lay a month out for people.

    Parameters
    ----------
    month : Month
        The month.

    Returns
    -------
    RenderableType
        To be printed by rich.
    """
    title = f"{month.household}, {MONTHS[month.month - 1]} {month.year} ({month.timezone})"
    if not month.nights:
        return Group(Text(title, style="bold"), "No nights are recorded in this month.")
    return Group(
        Text(title, style="bold"),
        "",
        _figures(month),
        "",
        _bands(month),
        *_short(month),
        *_alerts(month),
        *nights_table(month.nights, month.currency),
        "",
        Text(ROUNDING, style="dim"),
    )


def _figures(month: Month) -> Table:
    table = Table.grid(padding=(0, 2, 0, 0))
    for name, words in (
        ("energy", _energy(month)),
        ("cost", _cost(month)),
        ("standing charge", f"{_money(month, month.standing_charge)} for every day of the month"),
        ("together", _money(month, month.cost + month.standing_charge)),
        ("saved", _saved(month)),
        ("hindsight", _hindsight(month)),
        ("nights", _counts(month)),
    ):
        table.add_row(name, Text(words))
    return table


def _energy(month: Month) -> str:
    whole = f"{kwh(month.energy_wh):.2f} kWh at the meter"
    if not month.estimated_wh:
        return f"{whole}, all of it measured"
    return f"{whole}, of which {kwh(month.estimated_wh):.2f} kWh estimated"


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
    return "; ".join(parts)


def _saved(month: Month) -> str:
    rules = {
        "charging at once": month.saved_against_at_once,
        "a timer": month.saved_against_timer,
    }
    words = [f"{_money(month, it)} against {rule}" for rule, it in rules.items() if it is not None]
    return ", ".join(words) or "not known"


def _hindsight(month: Month) -> str:
    still = month.hindsight_would_save
    return "not known" if still is None else f"would still have saved {_money(month, still)}"


def _counts(month: Month) -> str:
    return (
        f"{len(month.nights)}, {len(month.nights_short)} short of the need,"
        f" {len(month.nights_estimated)} partly estimated"
    )


def _bands(month: Month) -> Table:
    table = Table(box=None, pad_edge=False, header_style="dim")
    for name in ("band", "rate", "kWh", "cost"):
        table.add_column(name, justify="left" if name == "band" else "right")
    units = minor_units(month.currency)
    for line in month.by_band:
        table.add_row(
            line.band, exact(line.rate), f"{kwh(line.wh):.2f}", f"{round_money(line.cost, units):f}"
        )
    return table


def _short(month: Month) -> Iterator[RenderableType]:
    if month.nights_short:
        yield ""
        yield Text("Short of the need", style="bold")
    for row in month.nights_short:
        yield Text(f"  {row.night:%a %d %b}, {row.vehicle}: {why_short(month, row)}")


def _alerts(month: Month) -> Iterator[RenderableType]:
    if month.alerts:
        yield ""
        yield Text("Alerts", style="bold")
    for alert in month.alerts:
        at = local_time(alert.at, ZoneInfo(month.timezone), "%a %d %b %H:%M")
        yield Text(f"  {at} {alert.code}: {alert.message}")


def _money(month: Month, amount: Decimal) -> str:
    return format_money(amount, month.currency)
