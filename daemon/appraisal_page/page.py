"""Make an appraisal's page in HTML."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.appraisal_page.chart import curves_of
from daemon.appraisal_page.hinge_picture import describe_hinges, draw_hinges
from daemon.appraisal_page.pictures import draw_appraisal
from daemon.appraise.changes import all_else, changes, in_short
from daemon.appraise.hinges import breaks, explained, rows_of
from daemon.appraise.nights import longest_days, nights_short
from daemon.appraise.remarks import notes, remarks
from daemon.appraise.tables import bands, figures
from daemon.appraise.wording import AppraisalWords
from daemon.presentation.page import page_of

if TYPE_CHECKING:
    from planners.appraisal.appraisal import Appraisal


def render_page(appraisal: Appraisal) -> str:
    """Make the page of an appraisal as an HTML document, to be encoded as UTF-8."""
    words = AppraisalWords(appraisal)
    return page_of(
        "appraisal.html.j2",
        {},
        appraisal=appraisal,
        words=words,
        pictures=draw_appraisal(words),
        changes=[*changes(words), *breaks(words)],
        hinges=draw_hinges(words),
        hinges_described=describe_hinges(words) if appraisal.hinges else "",
        hinge_rows=rows_of(words),
        hinges_explained=explained(words),
        all_else=all_else(words),
        remarks=remarks(words),
        notes=notes(words),
        in_short=in_short(words),
        short=nights_short(words),
        longest=longest_days(words),
        figures=figures(words),
        bands=bands(words),
        totals_described=describe_totals(words),
        distances_described=describe_distances(words) if appraisal.curve else "",
        distances=distances(words) if appraisal.curve else [],
    )


def describe_totals(words: AppraisalWords) -> str:
    """Describe the picture of totals."""
    totals = [
        f"{choice.name} {words.money(choice.total_over_years)},"
        f" of which {words.money(max(0.0, choice.outlay_left))} once"
        for choice in words.by_total
    ]
    return f"Total over {words.years}{words.worth}, from the lowest: {'; '.join(totals)}."


def describe_distances(words: AppraisalWords) -> str:
    """Describe the picture of distances."""
    curves = curves_of(words)
    ends = [
        f"{line.name} from {words.money(line.totals[0])} to {words.money(line.totals[-1])}"
        for line in curves.lines
    ]
    first, last = (
        f"{at:,.0f} {words.unit}"
        for at in (curves.lines[0].distances[0], curves.lines[0].distances[-1])
    )
    crossings = [
        f"{crossing.rival} takes the place of the answer at {crossing.distance:,.0f} {words.unit}."
        for crossing in curves.crossings
    ]
    return " ".join(
        [
            f"From {first} to {last} a year: {'; '.join(ends)}.",
            *crossings,
            f"Now: {curves.today:,.0f} {words.unit}.",
        ]
    )


def distances(words: AppraisalWords) -> list[tuple[str, tuple[str, ...]]]:
    """List each choice's total at the distances of the picture."""
    curves = curves_of(words)
    return [
        (f"{at:,.0f}", tuple(words.amount(line.totals[place]) for line in curves.lines))
        for place, at in enumerate(curves.lines[0].distances)
    ]
