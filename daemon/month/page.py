"""Make a month's page in HTML."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.month.pictures import draw_month
from daemon.month.sections import FILTERS, month_values
from daemon.presentation.page import page_of

if TYPE_CHECKING:
    from daemon.night_log.month import Month


def render_page(month: Month) -> str:
    """Make the page of a month as an HTML document, to be encoded as UTF-8."""
    pictures = draw_month(month) if month.nights else None
    return page_of("month.html.j2", FILTERS, pictures=pictures, **month_values(month))
