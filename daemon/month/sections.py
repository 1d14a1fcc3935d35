"""Fill in the sections of a month's page, with its pictures or without them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from daemon.month.capacity import capacity_lines
from daemon.month.chart import RULE_WORDS, band_stacks, charge_points_of, cost_lines
from daemon.month.components import component_lines
from daemon.month.minimum_bills import minimum_lines
from daemon.month.page_tables import MonthTables
from daemon.month.page_wording import MonthWords, alert_place, kwh, short_date, sources
from daemon.month.wording import ROUNDING, alerts_shown, untimed_alerts, why_short
from daemon.night_log.carbon import carbon_lines
from daemon.night_log.notes import account_notes, rule_notes
from daemon.presentation.page import page_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from daemon.night_log.month import Month

FILTERS: Final[Mapping[str, Callable[..., str]]] = {
    "kwh": kwh,
    "short_date": short_date,
    "alert_place": alert_place,
    "rule_words": RULE_WORDS.__getitem__,
}


def month_values(month: Month) -> dict[str, Any]:
    """Return all that a month's templates show, but the pictures."""
    words = MonthWords(month)
    return {
        "month": month,
        "words": words,
        "tables": MonthTables(month, words),
        "points": charge_points_of(month),
        "stacks": band_stacks(month),
        "lines": cost_lines(month),
        "many": len({words.where(row) for row in month.nights}) > 1,
        "why_short": why_short,
        "capacity_lines": capacity_lines,
        "carbon_lines": carbon_lines,
        "component_lines": component_lines,
        "minimum_lines": minimum_lines,
        "alerts": alerts_shown(month),
        "untimed_alerts": untimed_alerts,
        "rounding": ROUNDING,
        "notes": (
            *month.remarks,
            *account_notes(month.nights, month.days),
            *rule_notes(month.nights),
        ),
        "sources": sources(month.nights),
    }


def render_sections(month: Month) -> str:
    """Make the sections of a month's page without pictures, to be put into another page."""
    values = month_values(month)
    return "".join(
        page_of(template, FILTERS, pictures=None, **values)
        for template in ("month_sections.html.j2", "month_notes.html.j2")
    )
