"""Show half-hours of metered energy in a terminal: a table of those with energy."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING

from rich.console import Group
from rich.table import Table
from rich.text import Text

from daemon.presentation.figures import local_time
from planners.accounts.accounts import exact_kwh

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from rich.console import RenderableType

    from planners.local_time.settlement import HalfHour

ESTIMATED = "*"


def show_half_hours(
    name: str,
    rows: Sequence[HalfHour],
    zone: ZoneInfo,
    now: datetime,
    *,
    may_be_withheld: bool = False,
) -> RenderableType:
    """Lay out half-hours, with a sum for each day and for all.

    Parameters
    ----------
    name : str
        Name of the household.
    rows : sequence of HalfHour
        In order.
    zone : ZoneInfo
        The household's.
    now : datetime
        UTC; later half-hours are not counted as unknown.
    may_be_withheld : bool
        Whether some may not have been shared, as of a home that came as extracts.

    Returns
    -------
    RenderableType
        For rich; half-hours without energy are left out.
    """
    if not rows:
        return Text(f"{name}: no nights are recorded in that time.")
    first, last = (local_time(row.start, zone, "%a %d %b %Y") for row in (rows[0], rows[-1]))
    days = first if first == last else f"{first} to {last}"
    return Group(
        Text(f"{name}: metered energy by half-hours", style="bold"),
        Text(f"{days}, {zone}"),
        *(_day(list(group), zone, now) for _, group in groupby(rows, lambda row: _date(row, zone))),
        "",
        *_notes(rows, now, may_be_withheld=may_be_withheld),
    )


def _date(row: HalfHour, zone: ZoneInfo) -> str:
    return local_time(row.start, zone, "%a %d %b")


def _day(rows: Sequence[HalfHour], zone: ZoneInfo, now: datetime) -> Table:
    table = Table.grid(padding=(0, 2, 0, 0))
    table.add_column(min_width=12)
    table.add_column()
    table.add_column(justify="right")
    known = any(row.wh is not None for row in rows)
    part = ", the rest not known" if known and _unknown(rows, now) else ""
    table.add_row(_date(rows[0], zone), "", f"{_kwh(rows)}{part}", style="bold")
    for row in rows:
        if row.wh:
            times = (
                f"{local_time(row.start, zone, '%H:%M')} to {local_time(row.end, zone, '%H:%M')}"
            )
            table.add_row("", times, _kwh([row]))
    return table


def _kwh(rows: Sequence[HalfHour]) -> str:
    if all(row.wh is None for row in rows):
        return "not known"
    mark = ESTIMATED if any(row.estimated_wh for row in rows) else ""
    return f"{exact_kwh(sum(row.wh or 0 for row in rows)):.2f} kWh{mark}"


def _unknown(rows: Sequence[HalfHour], now: datetime) -> int:
    return sum(row.wh is None and row.end <= now for row in rows)


def _notes(rows: Sequence[HalfHour], now: datetime, *, may_be_withheld: bool) -> Iterator[Text]:
    whole = exact_kwh(sum(row.wh or 0 for row in rows))
    yield Text(f"{whole:.2f} kWh in all. Half-hours without energy are left out.")
    estimated = exact_kwh(sum(row.estimated_wh for row in rows))
    if estimated:
        yield Text(f"{ESTIMATED} partly estimated, {estimated:.2f} kWh in all.")
    unread = _unknown(rows, now)
    if unread:
        of = "1 half-hour" if unread == 1 else f"{unread} half-hours"
        why = "not shared, or no meter was read" if may_be_withheld else "no meter was read"
        yield Text(f"The energy of {of} is not known: {why} before and after.")
