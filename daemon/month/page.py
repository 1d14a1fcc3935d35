"""Make a month's page in HTML."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.month.chart import RULE_WORDS, band_stacks, charge_points_of, cost_lines
from daemon.month.page_tables import MonthTables
from daemon.month.page_wording import MonthWords, alert_place, kwh, short_date, sources
from daemon.month.pictures import draw_month
from daemon.month.wording import ROUNDING, alerts_shown, why_short
from daemon.night_log.notes import rule_notes
from daemon.presentation.page import page_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from daemon.night_log.month import Month

_FILTERS: dict[str, Callable[..., str]] = {
    "kwh": kwh,
    "short_date": short_date,
    "alert_place": alert_place,
    "rule_words": RULE_WORDS.__getitem__,
}


def render_page(month: Month) -> str:
    """Make the page of a month as an HTML document, to be encoded as UTF-8."""
    words = MonthWords(month)
    return page_of(
        "month.html.j2",
        _FILTERS,
        month=month,
        words=words,
        tables=MonthTables(month, words),
        points=charge_points_of(month),
        pictures=draw_month(month) if month.nights else None,
        stacks=band_stacks(month),
        lines=cost_lines(month),
        many=len({words.where(row) for row in month.nights}) > 1,
        why_short=why_short,
        alerts=alerts_shown(month),
        rounding=ROUNDING,
        rule_notes=rule_notes,
        sources=sources(month.nights),
    )
