"""The command `lullwatt appraise`: compare tariffs and charge points."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from config.choices.loading import load_choices
from config.files.errors import UsageError
from daemon.appraise.reading import appraise_file
from daemon.appraise.rows import appraisal_csv, document
from daemon.appraise.show_appraisal import show_appraisal
from daemon.command_line.reports import NOT_ALL
from daemon.desk.appraised_view import (
    AppraisedView,
    appraised_csv,
    appraised_row,
    appraised_values,
    show_appraised,
)
from daemon.desk.appraising import appraise_homes
from daemon.presentation.options import (
    FILE,
    JSON_OPTION,
    LIMIT_OPTION,
    WORKERS_OPTION,
    read_workers,
    report_options,
)
from daemon.presentation.output import (
    needs_extra,
    progress_bar,
    rich_text,
)
from daemon.sheets.written import document_text

if TYPE_CHECKING:
    from adapters.workers.in_order import Workers
    from daemon.presentation.output import ReportForm
    from planners.appraisal.appraisal import Appraisal


@click.command()
@FILE
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "csv", "json", "html", "xlsx"]),
    help="Text for people (the default), csv or json for scripts, html for a page to print, or xlsx"
    " for a workbook.",
)
@JSON_OPTION
@report_options
@click.argument("houses", type=click.Path(path_type=Path), nargs=-1, metavar="[HOUSE]...")
@click.option(
    "--homes",
    "of_homes",
    is_flag=True,
    help="Appraise the choices for each HOUSE, a household file, by the record of its own ledger.",
)
@click.option(
    "--tariffs-only",
    is_flag=True,
    help="With --homes: compare only the tariffs, at each home's own charge point.",
)
@click.option(
    "--sort",
    "sort_by",
    type=click.Choice(["worth", "name"]),
    help="With --homes: those that gain most first (the default), or by name.",
)
@click.option(
    "--only",
    type=click.Choice(["wrong-tariff"]),
    help="With --homes: only homes for which another tariff would cost less.",
)
@WORKERS_OPTION
@LIMIT_OPTION
@click.option(
    "--results",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="With --homes: work on a Dask cluster, keep each home's result in this folder (Parquet),"
    " and do none again whose inputs are the same.",
)
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="With --results: the scheduler of a Dask cluster, such as tcp://10.0.0.5:8786; by default"
    " a cluster on this machine.",
)
def appraise(
    file: Path,
    form: ReportForm,
    houses: tuple[Path, ...],
    workers: int | None,
    limit: float,
    **choice: Any,  # noqa: ANN401 - options
) -> None:
    """Simulate a year of nights with each choice in FILE, and find the cheapest.

    Each choice is a tariff, a charge point, an outlay, grants and maintenance. Every night of the
    year is planned as the daemon would plan it. The other choices are compared with the first.

    With --homes, each HOUSE is compared as it is now, on its own tariff and charge point, with the
    choices: which homes are on the wrong tariff, and what is another worth? A home that can't be
    appraised is a row with its reason, and the exit code is then 3.
    """
    whole = True
    if houses or any(choice.values()):
        _refuse_homes(houses, form.name, choice)
        shared = read_workers(workers, limit, len(houses))
        text, whole = _homes_text(file, houses, form, shared, choice)
    else:
        text = _text(_appraisal(file), form)
    form.write(text)
    if not whole:
        sys.exit(NOT_ALL)


def _refuse_homes(houses: tuple[Path, ...], form: str, choice: dict[str, Any]) -> None:
    if not choice["of_homes"]:
        given = "HOUSE" if houses else "--tariffs-only, --sort, --only, --results and --scheduler"
        raise UsageError(f"{given}: expected --homes beside it")
    if not houses:
        raise UsageError("--homes: expected household files after the choices file, got none")
    if choice["scheduler"] is not None and choice["results"] is None:
        raise UsageError("--scheduler: expected --results with a folder beside it")
    if form == "html":
        raise UsageError("--format html: expected text, csv, json or xlsx beside --homes")


def _homes_text(
    file: Path,
    houses: tuple[Path, ...],
    form: ReportForm,
    workers: Workers,
    choice: dict[str, Any],
) -> tuple[str | bytes, bool]:
    """Write what the choices are worth to many homes, and whether all could be appraised."""
    choices, only_tariffs = load_choices(file), choice["tariffs_only"]
    with progress_bar("homes") as progress:
        if choice["results"] is not None:
            with needs_extra("--results", "fleet"):
                from daemon.fleet.fleet import Fleet, appraise_fleet  # noqa: PLC0415

            fleet = Fleet(choice["results"], choice["scheduler"], workers)
            rows = appraise_fleet(choices, houses, fleet, progress, tariffs_only=only_tariffs)
        else:
            homes = appraise_homes(choices, houses, progress, workers, tariffs_only=only_tariffs)
            rows = [*map(appraised_row, homes)]
    whole = all(row["fault"] is None for row in rows)
    if all(row["fault"] is not None for row in rows):
        raise UsageError("\n".join(f"{row['file']}: {row['fault']}" for row in rows))
    wrong_only = choice["only"] is not None
    view = AppraisedView(rows, choice["sort_by"] or "worth", wrong_tariff_only=wrong_only)
    if form.name == "csv":
        return appraised_csv(view, form.style), whole
    if form.name == "text":
        return rich_text(show_appraised(view), form.width), whole
    return document_text("appraisals", appraised_values(view), form), whole


def _appraisal(file: Path) -> Appraisal:

    with progress_bar("years drawn") as progress:
        return appraise_file(file, progress)


def _text(appraisal: Appraisal, form: ReportForm) -> str | bytes:

    if form.name == "html":
        with needs_extra("--format html"):
            from daemon.appraisal_page.page import render_page  # noqa: PLC0415
        return render_page(appraisal)
    if form.name == "csv":
        return appraisal_csv(appraisal, form.style)
    if form.name == "text":
        return rich_text(show_appraisal(appraisal), form.width)
    return document_text("appraisal", document(appraisal), form)
