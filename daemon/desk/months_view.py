"""Choose, sort and lay out months of many homes. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Final

from rich.console import Group
from rich.table import Table
from rich.text import Text

from config.calendar.words import MONTHS
from daemon.desk.sums import BESIDE, SUMMARY, TOTAL, home_row, row_of, total_rows
from daemon.night_log.notes import ESTIMATED_RATE
from daemon.presentation.csv_text import csv_text
from daemon.presentation.figures import counted

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from rich.console import RenderableType

    from daemon.desk.homes import HomeMonths
    from daemon.night_log.month import Month
    from daemon.presentation.csv_text import CsvStyle

SORT_BY: Final[Mapping[str, str]] = {
    "name": "household",
    "possible": "hindsight_would_save",
    "short": "nights_short",
    "estimated": "estimated_percent",
    "cost": "cost",
    "energy": "energy_kwh",
    "worth": "saves_per_year",
}
"""What homes can be sorted by, and the figure of each; the highest first, but names from A on."""
ONLY: Final[Mapping[str, str]] = {
    "possible": "hindsight_would_save",
    "short": "nights_short",
    "estimated": "estimated_kwh",
    "wrong-tariff": "saves_per_year",
}
"""Which homes can be chosen: those whose figure is above 0."""
FAILED = "failed"
"""Those that can't be read; they stay in every choice, since nobody knows their figures."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is asked of many homes: kinds of `ONLY` and `FAILED`, a key of `SORT_BY`, which months.

    `year_to_date` adds January to the month up; `trend` shows twelve months, each by itself.
    `compares_tariffs` says that the best tariff of each home is wanted, too.
    """

    when: tuple[int, int]
    sort_by: str | None = None
    only: frozenset[str] = frozenset()
    year_to_date: bool = False
    trend: bool = False
    compares_tariffs: bool = False

    @property
    def period(self) -> str:
        """Name the time that a row is about."""
        year, month = self.when
        name = f"{MONTHS[month - 1]} {year}"
        return f"January to {name}" if self.year_to_date and month > 1 else name


class HomesView:
    """Rows of the homes that are wanted, in the order that is wanted, and their totals."""

    def __init__(self, homes: Sequence[HomeMonths], wanted: Wanted) -> None:
        self.wanted = wanted
        self.count = len(homes)
        pairs = [(home, home_row(home, self._summed(home))) for home in homes]
        pairs = [pair for pair in pairs if self._is_wanted(pair[1])]
        if wanted.sort_by is not None:
            pairs.sort(key=lambda pair: _order(pair[1], wanted.sort_by or ""))
        self.homes = [home for home, _ in pairs]
        self.rows = [row for _, row in pairs]
        self.totals = total_rows(map(self._summed, self.homes))

    def _summed(self, home: HomeMonths) -> tuple[Month, ...]:
        """Return the months that a home's row adds up."""
        if self.wanted.year_to_date:
            return tuple(each for each in home.months if each.year == self.wanted.when[0])
        return home.months[-1:]

    def _is_wanted(self, row: Mapping[str, Any]) -> bool:
        only = self.wanted.only
        if not only or row["fault"] is not None:
            return True
        return any((row[ONLY[kind]] or 0) > 0 for kind in only - {FAILED})

    def trend_of(self, home: HomeMonths) -> list[dict[str, Any]]:
        """Make a row for each of a home's twelve months."""
        return [home_row(home, [month]) for month in home.months]

    def trend_totals(self) -> list[dict[str, Any]]:
        """Make a row for each currency and month."""
        columns = zip(*(home.months for home in self.homes if home.months), strict=True)
        rows = [row for months in columns for row in total_rows([month] for month in months)]
        return sorted(rows, key=lambda row: (row["currency"], row["month"]))


def _order(row: Mapping[str, Any], key: str) -> tuple[int, Any]:
    """Put what can't be read, or is not known, last."""
    value = row[SORT_BY[key]]
    if row["fault"] is not None or value is None:
        return 2 if row["fault"] is not None else 1, 0
    return 0, value.casefold() if isinstance(value, str) else -value


def homes_values(view: HomesView) -> dict[str, Any]:
    """Make the JSON document of many homes."""
    rows = view.rows
    if view.wanted.trend:
        pairs = zip(rows, view.homes, strict=True)
        rows = [row | {"trend": [*map(_brief, view.trend_of(home))]} for row, home in pairs]
    values = {"homes": rows, "totals": view.totals}
    return values | ({"trend": [*map(_brief, view.trend_totals())]} if view.wanted.trend else {})


def _brief(row: Mapping[str, Any]) -> dict[str, Any]:
    """Leave out of a month of a trend what its home says already."""
    return {key: value for key, value in row.items() if key not in {"household", *BESIDE}}


def homes_csv(view: HomesView, style: CsvStyle | None = None) -> str:
    """Write a row for each home, or for each month of each in a trend; and totals by currency."""
    rows, totals = view.rows, view.totals
    if view.wanted.trend:
        rows = [row for home in view.homes for row in view.trend_of(home) or [home_row(home, ())]]
        totals = view.trend_totals()
    return csv_text(SUMMARY, [*rows, *totals], style)


def show_homes(view: HomesView) -> RenderableType:
    """Lay out a row for each home, a total for each currency, remarks and faults."""
    shown, count = len(view.rows), view.count
    homes = counted(shown, "home") if shown == count else f"{shown} of {count} homes"
    return Group(
        Text(f"{homes}, {view.wanted.period}", style="bold"),
        "",
        _table(view),
        "",
        *_better(view),
        *_trend(view),
        *listed("Not read", view.rows, "fault"),
        *listed("Remarks", view.rows, "remark"),
        Text(
            "Est.: share of the energy that is estimated."
            " At once, timer: how much more this rule would have cost; a minus sign means less."
            " Possible: how much less the cheapest possible hours would have cost."
            f" {ESTIMATED_RATE} beside a cost: partly at estimated rates. Totals are rounded once."
        ),
    )


def _table(view: HomesView) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="dim")
    table.add_column("home")
    for name in (
        "nights", "short", "kWh", "est.", "cost", "standing", "at once", "timer", "possible",
    ):  # fmt: skip
        table.add_column(name, justify="right")
    table.add_column("")
    for row in view.rows:
        table.add_row(*_cells(row))
    for row in view.totals:
        table.add_row(*_cells(row), style="bold")
    return table


def _better(view: HomesView) -> Iterator[RenderableType]:
    """Say which homes would pay less on another tariff; nothing if that was not asked."""
    if not view.wanted.compares_tariffs:
        return
    found = [row for row in view.rows if row["saves_per_year"]]
    yield Text("Would pay less on another tariff", style="bold")
    for row in found:
        saves = f"{row['currency']} {row['saves_per_year']:,.2f} a year"
        yield Text(f"  {_called(row)}: {row['best_tariff']} saves {saves}, now {row['tariff']}")
    if not found:
        yield "  None of these homes, on the tariffs compared."
    yield ""


def _cells(row: Mapping[str, Any]) -> list[Text]:
    if row["fault"] is not None:
        return [Text(row["household"]), Text("not read")]
    share = row["estimated_percent"]
    return [
        Text(row["household"]),
        Text(str(row["nights"])),
        Text(str(row["nights_short"])),
        Text(f"{row['energy_kwh']:.2f}"),
        Text("" if not share else f"{share:g} %"),
        *(
            Text("" if row[key] is None else f"{row[key]:f}{_mark(row, key)}")
            for key in (
                "cost", "standing_charge", "saved_against_at_once", "saved_against_timer",
                "hindsight_would_save",
            )
        ),
        Text(row["currency"]),
    ]  # fmt: skip


def _mark(row: Mapping[str, Any], key: str) -> str:
    return ESTIMATED_RATE if key == "cost" and row["estimated_rate_kwh"] else ""


def listed(title: str, rows: Sequence[Mapping[str, Any]], key: str) -> Iterator[RenderableType]:
    """List what rows say under one key, such as why a home was not read."""
    found = [row for row in rows if row[key]]
    if found:
        yield Text(title, style="bold")
        yield from (Text(f"  {_said(row, row[key])}") for row in found)
        yield ""


def _said(row: Mapping[str, Any], words: str) -> str:
    """Put a home before what is said of it, unless that begins with its file."""
    named = row["household"] == row["file"] and words.startswith(f"{row['file']}:")
    return words if named else f"{_called(row)}: {words}"


def _called(row: Mapping[str, Any]) -> str:
    """Name a home with its file, since another may have the same name."""
    name, file = row["household"], row["file"]
    return name if name == file else f"{name} ({file})"


def _trend(view: HomesView) -> Iterator[RenderableType]:
    """Show kWh and the cost of a kWh, month by month: both say something across currencies."""
    if not view.wanted.trend:
        return
    readable = [home for home in view.homes if home.months]
    for title, cell in (("kWh", _energy), ("cost per kWh", _per_kwh)):
        yield Text(f"Twelve months, {title}", style="bold")
        yield _trend_table(view, readable, cell)
        yield ""


def _trend_table(
    view: HomesView, homes: Sequence[HomeMonths], cell: Callable[[Mapping[str, Any]], str]
) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="dim")
    table.add_column("home")
    for month in homes[0].months if homes else ():
        table.add_column(MONTHS[month.month - 1][:3], justify="right")
    for home in homes:
        cells = [cell(row_of([month], home.name)) for month in home.months]
        table.add_row(Text(home.name), *cells)
    rows = view.trend_totals()
    for currency in dict.fromkeys(row["currency"] for row in rows):
        cells = [cell(row) for row in rows if row["currency"] == currency]
        table.add_row(f"{TOTAL} {currency}", *cells, style="bold")
    return table


def _energy(row: Mapping[str, Any]) -> str:
    return f"{row['energy_kwh']:.0f}" if row["nights"] else "-"


def _per_kwh(row: Mapping[str, Any]) -> str:
    rate: Decimal | None = row["cost_per_kwh"]
    return "-" if rate is None else f"{rate:.3f}"
