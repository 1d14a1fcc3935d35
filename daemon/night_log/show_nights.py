"""The log of nights as people read it in a terminal: a table for each charge point."""

from __future__ import annotations

from decimal import Decimal
from itertools import groupby
from typing import TYPE_CHECKING

from rich.console import Group
from rich.table import Table
from rich.text import Text

from config.fields.currencies import minor_units
from daemon.night_log.night_rows import average_rate, cheapest_percent, kwh
from planners.accounts.money import format_money, round_money

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from rich.console import RenderableType

    from daemon.night_log.month import NightRow

ESTIMATED = "*"
SAVED_BY = {"at once": "at_once", "a timer": "timer", "hindsight": "hindsight"}


def show_nights(name: str, currency: str, rows: Sequence[NightRow]) -> RenderableType:
    """Lay nights out for people, newest last.

    Parameters
    ----------
    name : str
        The household's.
    currency : str
        ISO 4217 code.
    rows : sequence of NightRow
        In order of date.

    Returns
    -------
    RenderableType
        To be printed by rich; at most 80 columns wide where one vehicle uses each charge point.
    """
    if not rows:
        return Text(f"{name}: no nights are recorded in that time.")
    nights = len({row.night for row in rows})
    counted = "1 night" if nights == 1 else f"{nights} nights"
    return Group(
        Text(f"{name}: {counted}, amounts in {currency}, tax included", style="bold"),
        *nights_table(rows, currency),
        "",
        *_sums(rows, currency),
    )


def nights_table(rows: Sequence[NightRow], currency: str) -> Iterator[RenderableType]:
    """List nights, charge point by charge point.

    Parameters
    ----------
    rows : sequence of NightRow
        In order of date.
    currency : str
        ISO 4217 code.

    Yields
    ------
    RenderableType
        A heading and a table for each charge point; below, what is not measured.
    """
    by_point = sorted(rows, key=lambda row: row.charge_point)
    for point, group in groupby(by_point, lambda row: row.charge_point):
        nights = list(group)
        vehicles = list(dict.fromkeys(row.vehicle for row in nights))
        yield ""
        yield Text(f"{point}: {', '.join(vehicles)}")
        yield _table(nights, currency, with_vehicle=len(vehicles) > 1)
    estimated_wh = sum(row.estimated_wh for row in rows)
    if estimated_wh:
        yield Text(
            f"{ESTIMATED} not all of it measured: {kwh(estimated_wh):.2f} kWh in all are estimated."
        )


def _table(rows: Sequence[NightRow], currency: str, *, with_vehicle: bool) -> Table:
    columns = _columns(minor_units(currency), with_vehicle=with_vehicle)
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="dim")
    for name in columns:
        table.add_column(name, justify="left" if name in {"night", "vehicle"} else "right")
    for row in rows:
        table.add_row(*(cell(row) for cell in columns.values()))
    return table


def _columns(units: int, *, with_vehicle: bool) -> dict[str, Callable[[NightRow], str]]:
    first: dict[str, Callable[[NightRow], str]] = {"night": lambda row: f"{row.night:%a %d %b}"}
    if with_vehicle:
        first["vehicle"] = lambda row: row.vehicle
    return first | {
        "kWh": lambda row: f"{kwh(row.energy_wh):.2f}{ESTIMATED if row.estimated_wh else ''}",
        "cost": lambda row: f"{round_money(row.cost, units):f}",
        "rate": lambda row: _number(average_rate(row), 4),
        "cheapest": lambda row: _percent(cheapest_percent(row)),
        "charge": soc_text,
        "need": lambda row: "met" if row.need_met else "short",
        "at once": lambda row: _number(row.at_once, units),
        "timer": lambda row: _number(row.timer, units),
        "hindsight": lambda row: _number(row.hindsight, units),
    }


def soc_text(row: NightRow) -> str:
    """Tell the state of charge before and after, a question mark where it was not known."""
    before, after = (
        "?" if percent is None else f"{percent:.0f}"
        for percent in (row.soc_before_percent, row.soc_after_percent)
    )
    return f"{before} to {after}"


def _sums(rows: Sequence[NightRow], currency: str) -> Iterator[Text]:
    """Add up: rounded once, from the unrounded nights."""
    energy_wh = sum(row.energy_wh for row in rows)
    cost = sum((row.cost for row in rows), Decimal(0))
    yield Text(f"{kwh(energy_wh):.2f} kWh at the meter for {format_money(cost, currency)}.")
    rules = [
        f"{words} {format_money(sum(known, Decimal(0)), currency)}"
        for words, name in SAVED_BY.items()
        if (known := [it for row in rows if (it := getattr(row, name)) is not None])
        and len(known) == len(rows)
    ]
    if rules:
        yield Text(f"The same energy would have cost: {', '.join(rules)}.")


def _number(amount: Decimal | None, decimals: int) -> str:
    return "" if amount is None else f"{round_money(amount, decimals):f}"


def _percent(percent: Decimal | None) -> str:
    return "" if percent is None else f"{percent:.0f} %"
