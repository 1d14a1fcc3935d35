"""The month of many homes, for `lullwatt month`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from adapters.clocks.clock import SystemClock
from config.files.errors import UsageError
from daemon.desk.appraising import with_better_tariffs
from daemon.desk.homes import YEAR_MONTHS, months_until, read_homes
from daemon.desk.months_view import HomesView, homes_csv, homes_values, show_homes
from daemon.presentation.output import progress_bar, rich_text
from daemon.sheets.written import document_text

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from adapters.workers.in_order import Workers
    from config.choices.choices_file import ChoicesFile
    from daemon.desk.months_view import Wanted
    from daemon.presentation.output import ReportForm


def months_of_homes(
    files: Sequence[Path],
    wanted: Wanted,
    form: ReportForm,
    workers: Workers,
    choices: ChoicesFile | None = None,
) -> tuple[str | bytes, bool]:
    """Write the months of many homes.

    Parameters
    ----------
    files : sequence of Path
        Household files.
    wanted : Wanted
        Which homes, which months, in which order.
    form : ReportForm
        How they are written.
    workers : Workers
        How the work is shared.
    choices : ChoicesFile, optional
        Its tariffs are compared for each home.

    Returns
    -------
    text : str or bytes
        The document.
    whole : bool
        Whether every home could be read.

    Raises
    ------
    UsageError
        If no home at all can be read.
    """
    year, month = wanted.when
    count = YEAR_MONTHS if wanted.trend else month if wanted.year_to_date else 1
    with progress_bar("homes") as progress:
        months, now = months_until((year, month), count), SystemClock().now()
        homes = read_homes(files, months, now, progress, workers)
    if all(home.fault is not None for home in homes):
        raise UsageError("\n".join(f"{home.file}: {home.fault}" for home in homes))
    if choices is not None:
        with progress_bar("tariffs compared") as progress:
            homes = with_better_tariffs(homes, choices, progress, workers)
    view = HomesView(homes, wanted)
    whole = all(home.fault is None for home in homes)
    if form.name == "csv":
        return homes_csv(view, form.style), whole
    if form.name == "text":
        return rich_text(show_homes(view), form.width), whole
    return document_text("months", homes_values(view), form), whole
