"""Show an appraisal in a terminal: the answer, the figures, what would change it."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from rich.console import Group
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from daemon.appraise.changes import all_else, changes
from daemon.appraise.hinges import breaks, explained, rows_of
from daemon.appraise.nights import longest_days, nights_short
from daemon.appraise.remarks import notes, remarks
from daemon.appraise.tables import bands, figures
from daemon.appraise.wording import AppraisalWords

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from rich.console import Console, ConsoleOptions, RenderableType

    from daemon.appraise.tables import FigureCell
    from planners.appraisal.appraisal import Appraisal

LABELS, COLUMN, RANGED = 22, 14, 19
"""Widths of the labels, of a choice's figures, and of figures with ranges [characters]."""


def show_appraisal(appraisal: Appraisal) -> RenderableType:
    """Lay out an appraisal for rich, at any width."""
    words = AppraisalWords(appraisal)
    return Group(
        Text(words.answer(), style="bold"),
        *map(Text, remarks(words)),
        "",
        Text(f"{appraisal.name}. {words.basis()}"),
        "",
        _Figures(words),
        *(Text(note, style="dim") for note in notes(words)),
        "",
        _bands(words),
        *_hinges(words),
        *_listed("What would change it", [*changes(words), *breaks(words), *all_else(words)]),
        *_listed("Longest day's drive that one usual night recharges", longest_days(words)),
        *_listed("Nights short for the departure", nights_short(words)),
        *_listed("Outlays, grants and maintenance", words.outlays()),
        *_listed("What was declared", [f"{it.what}: {it.said}." for it in appraisal.inputs]),
        *_listed("What was assumed", appraisal.assumptions),
        *_listed("Cautions", appraisal.cautions),
    )


def _listed(title: str, lines: Sequence[str]) -> Iterator[RenderableType]:
    if lines:
        yield ""
        yield Text(title, style="bold")
    for line in lines:
        yield Padding(Text(line), (0, 0, 0, 2))


class _Figures:
    """The table of figures, with as many choices side by side as fit."""

    def __init__(self, words: AppraisalWords) -> None:
        self._names = [choice.name for choice in words.appraisal.choices]
        self._rows = figures(words)
        self._column = RANGED if words.appraisal.draws else COLUMN

    def __rich_console__(self, _console: Console, options: ConsoleOptions) -> Iterator[Table | str]:
        most = max(1, (options.max_width - LABELS) // self._column)
        count = len(self._names)
        parts = -(-count // most)
        edges = [count * part // parts for part in range(parts + 1)]
        for place, (start, end) in enumerate(pairwise(edges)):
            if place:
                yield ""
            yield self._table(start, end)

    def _table(self, start: int, end: int) -> Table:
        table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="dim")
        table.add_column("", width=LABELS - 1)
        for name in self._names[start:end]:
            table.add_column(Text(name), justify="right", width=self._column - 1, vertical="top")
        for row in self._rows:
            cells = [_two_lines(cell) for cell in row.cells[start:end]]
            table.add_row(Text(row.label), *cells, style="bold" if row.strong else "")
        return table


def _two_lines(cell: FigureCell) -> Text:
    return Text(cell.text).append(f"\n{cell.range}" if cell.range else "", style="dim")


def _hinges(words: AppraisalWords) -> Iterator[RenderableType]:
    """Lay out what the answer hangs on, a row for each value tried."""
    rows = rows_of(words)
    if not rows:
        return
    yield ""
    yield Text("What the answer hangs on", style="bold")
    table = Table(box=None, padding=(0, 1, 0, 0), header_style="dim")
    for name in ("input", "now", "changed to", "cheapest then", "saves", "ahead"):
        table.add_column(name, justify="right" if name in {"saves", "ahead"} else "left")
    before = ""
    for row in rows:
        first = ("", "") if row.what == before else row[:2]
        table.add_row(*map(Text, (*first, *row[2:])))
        before = row.what
    yield Padding(table, (0, 0, 0, 2))
    yield Padding(Text(explained(words), style="dim"), (0, 0, 0, 2))


def _bands(words: AppraisalWords) -> Table:
    table = Table(box=None, pad_edge=False, header_style="dim")
    for name in ("choice", "band", "rate", "kWh", "share", words.appraisal.currency):
        left = name in {"choice", "band"}
        table.add_column(name, justify="left" if left else "right", no_wrap=not left)
    before = ""
    for line in bands(words):
        choice = "" if line.choice == before else line.choice
        before = line.choice
        table.add_row(Text(choice), Text(line.band), *map(Text, line[2:]))
    return table
