"""Make a letter's page in HTML: one sheet of A4."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.month.page_tables import MonthTables
from daemon.month.pictures import draw_cost
from daemon.presentation.page import page_of

if TYPE_CHECKING:
    from datetime import date

    from daemon.letter.letter import Letter


def render_letter(letter: Letter, today: date) -> str:
    """Make the letter as an HTML document, to be encoded as UTF-8."""
    return page_of(
        "letter.html.j2",
        {"filled": letter.filled},
        letter=letter,
        words=letter.words,
        adviser=letter.words.adviser,
        today=letter.dated(today),
        picture_of_cost=draw_cost(letter.month),
        described=MonthTables(letter.month, letter.tables).describe_costs(),
    )
