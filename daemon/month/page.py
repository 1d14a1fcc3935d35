"""Make a month's page in HTML."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from daemon.month.pictures import draw_month
from daemon.month.sections import FILTERS, month_values
from daemon.presentation.page import page_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.night_log.month import Month


def render_page(month: Month, bill: Mapping[str, Any] | None = None) -> str:
    """Make the page of a month as an HTML document, to be encoded as UTF-8.

    Parameters
    ----------
    month : Month
        The month.
    bill : mapping, optional
        Rows and lines of its comparison with a bill, by `daemon.bill.show_bill.bill_section`.

    Returns
    -------
    str
        The document.
    """
    pictures = draw_month(month) if month.nights else None
    return page_of("month.html.j2", FILTERS, pictures=pictures, bill=bill, **month_values(month))
