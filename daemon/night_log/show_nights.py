"""Show nights in a terminal: a table for each charge point."""

from __future__ import annotations

from decimal import Decimal
from itertools import groupby
from typing import TYPE_CHECKING

from rich.console import Group
from rich.table import Table
from rich.text import Text

from daemon.night_log.carbon import carbon_lines, carbon_sums
from daemon.night_log.month import RULES
from daemon.night_log.night_rows import average_rate, cheapest_percent
from daemon.night_log.notes import (
    ESTIMATED_RATE,
    OUTSIDE,
    UNKNOWN,
    account_notes,
    at_estimated_rates,
    departure_notes,
    rule_notes,
)
from daemon.presentation.figures import counted
from planners.accounts.accounts import exact_kwh
from planners.accounts.money import format_amount, format_money, round_money

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from rich.console import RenderableType

    from config.calendar.account_days import AccountDays
    from daemon.night_log.month import NightRow

ESTIMATED = "*"


def show_nights(
    name: str, currency: str, rows: Sequence[NightRow], days: AccountDays, remark: str = ""
) -> RenderableType:
    """Lay out nights, the newest last.

    Parameters
    ----------
    name : str
        Name of the household.
    currency : str
        ISO 4217 code.
    rows : sequence of NightRow
        In order of date.
    days : AccountDays
        The days of the home's account.
    remark : str
        What a received home did not share.

    Returns
    -------
    RenderableType
        For rich; at most 80 columns wide if each charge point has one vehicle.
    """
    if not rows:
        return Text(f"{name}: no nights are recorded in that time.")
    nights = counted(len({row.night for row in rows}), "night")
    return Group(
        Text(f"{name}: {nights}, amounts in {currency}, tax included", style="bold"),
        *nights_table(rows, currency, days),
        "",
        *_sums(rows, currency),
        *([Text(remark)] if remark else ()),
    )


def nights_table(
    rows: Sequence[NightRow], currency: str, days: AccountDays
) -> Iterator[RenderableType]:
    """Lay out a table for each charge point, and remarks on the figures."""
    by_point = sorted(rows, key=lambda row: row.charge_point)
    for point, group in groupby(by_point, lambda row: row.charge_point):
        nights = list(group)
        vehicles = list(dict.fromkeys(name for row in nights for name in row.vehicles))
        yield ""
        yield Text(f"{point}: {', '.join(vehicles)}")
        yield _table(nights, currency, with_vehicle=len(vehicles) > 1)
    estimated_wh = sum(row.estimated_wh for row in rows)
    if estimated_wh:
        yield Text(f"{ESTIMATED} partly estimated, {exact_kwh(estimated_wh):.2f} kWh in all.")
    estimated_rate_wh = sum(row.estimated_rate_wh for row in rows)
    if estimated_rate_wh:
        yield Text(
            f"{ESTIMATED_RATE} {exact_kwh(estimated_rate_wh):.2f} kWh in all are priced at"
            " estimated rates; each night is priced again once its rates are known."
        )
    yield from map(Text, departure_notes(rows, days.zone))
    yield from map(Text, account_notes(rows, days))
    yield from map(Text, rule_notes(rows))


def _table(rows: Sequence[NightRow], currency: str, *, with_vehicle: bool) -> Table:
    columns = _columns(currency, with_vehicle=with_vehicle)
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="dim")
    for name in columns:
        table.add_column(name, justify="left" if name in {"night", "vehicle"} else "right")
    for row in rows:
        table.add_row(*(cell(row) for cell in columns.values()))
    return table


def _columns(currency: str, *, with_vehicle: bool) -> dict[str, Callable[[NightRow], str]]:
    first: dict[str, Callable[[NightRow], str]] = {"night": lambda row: f"{row.night:%a %d %b}"}
    if with_vehicle:
        first["vehicle"] = _vehicles
    return first | {
        "kWh": _energy,
        "cost": lambda row: _cost(row, currency),
        "rate": lambda row: _rate(average_rate(row)),
        "cheapest\nband": lambda row: _percent(cheapest_percent(row)),
        "charge, %": _soc,
        "for the\ndeparture": _departures,
        "at\nonce": lambda row: _rule(row.at_once, row.at_once_outside_wh, currency),
        "timer": lambda row: _rule(row.timer, row.timer_outside_wh, currency),
        "cheapest\npossible": lambda row: _amount(row.hindsight, currency),
    }


def _energy(row: NightRow) -> str:
    marks = f"{ESTIMATED if row.estimated_wh else ''}{UNKNOWN if row.unknown_hours else ''}"
    return f"{exact_kwh(row.energy_wh):.2f}{marks}"


def _vehicles(row: NightRow) -> str:
    """Write the vehicle, or that of each stay if there were several."""
    if len(row.vehicles) == 1:
        return row.vehicle
    return "\n".join(stay.vehicle for stay in row.shown_stays)


def _departures(row: NightRow) -> str:
    """Write for each stay whether its departure had enough, if it has come."""
    departures = row.departures
    return "\n".join(
        ("enough" if stay.need_met else "short") if stay in departures else "none"
        for stay in row.shown_stays
    )


def _soc(row: NightRow) -> str:
    """Write the state of charge before and after; a question mark if unknown."""
    return "\n".join(
        f"{_percent_or_unknown(stay.soc_before_percent)} to"
        f" {_percent_or_unknown(stay.soc_after_percent)}"
        for stay in row.shown_stays
    )


def _percent_or_unknown(percent: float | None) -> str:
    return "?" if percent is None else f"{percent:.0f}"


def _sums(rows: Sequence[NightRow], currency: str) -> Iterator[Text]:
    """Add up the unrounded nights, and round once."""
    energy_wh = sum(row.energy_wh for row in rows)
    cost = sum((row.cost for row in rows), Decimal(0))
    estimated_wh = sum(row.estimated_rate_wh for row in rows)
    estimated = f", {at_estimated_rates(estimated_wh)}" if estimated_wh else ""
    cost_text = f"{format_money(cost, currency)}{estimated}"
    yield Text(f"{exact_kwh(energy_wh):.2f} kWh at the meter for {cost_text}.")
    rules = [
        f"{words} {format_money(sum(known, Decimal(0)), currency)}"
        for rule, words in RULES.items()
        if (known := [cost for row in rows if (cost := getattr(row, rule)) is not None])
        and len(known) == len(rows)
    ]
    if rules:
        yield Text(f"The same energy would have cost: {', '.join(rules)}.")
    for _, words in carbon_lines(carbon_sums((row.carbon, row.energy_wh) for row in rows)):
        yield Text(f"Its carbon: {words}.")


def _amount(amount: Decimal | None, currency: str) -> str:
    return "" if amount is None else format_amount(amount, currency)


def _cost(row: NightRow, currency: str) -> str:
    return f"{_amount(row.cost, currency)}{ESTIMATED_RATE if row.estimated_rate_wh else ''}"


def _rule(cost: Decimal | None, outside_wh: int, currency: str) -> str:
    return f"{_amount(cost, currency)}{OUTSIDE if outside_wh else ''}"


def _rate(rate: Decimal | None) -> str:
    return "" if rate is None else f"{round_money(rate, 4):f}"


def _percent(percent: Decimal | None) -> str:
    return "" if percent is None else f"{percent:.0f} %"
