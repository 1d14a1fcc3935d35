"""A month as one page of HTML that needs nothing else: no script, no network, no font.

Every text goes through the template's escaping; only the pictures, which are drawn here, do not.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from daemon.month_chart import RULE_WORDS, band_stacks, charge_points_of, cost_lines
from daemon.month_page_tables import Tables
from daemon.month_page_words import Words, alert_place, kwh, short_date, sources
from daemon.month_pictures import draw_month
from daemon.month_words import ROUNDING, why_short

if TYPE_CHECKING:
    from daemon.month import Month


def render_page(month: Month) -> str:
    """Make the page of a month.

    Parameters
    ----------
    month : Month
        The month.

    Returns
    -------
    str
        An HTML document, to be written as UTF-8.
    """
    words = Words(month)
    template = _environment().get_template("month.html.j2")
    return template.render(
        month=month,
        words=words,
        tables=Tables(month, words),
        points=charge_points_of(month),
        pictures=draw_month(month) if month.nights else None,
        svg=_svg,
        stacks=band_stacks(month),
        lines=cost_lines(month),
        many=len({words.where(row) for row in month.nights}) > 1,
        why_short=why_short,
        rounding=ROUNDING,
        sources=sources(month.nights),
    )


def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("daemon"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        kwh=kwh, short_date=short_date, alert_place=alert_place, rule_words=RULE_WORDS.__getitem__
    )
    return environment


def _svg(drawing: str) -> Markup:
    """Let a picture through as it is: what draws it has escaped its words."""
    return Markup(drawing)  # noqa: S704 - see above
