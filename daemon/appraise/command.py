"""The command `lullwatt appraise`: compare tariffs and charge points."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from config.files.errors import UsageError
from daemon.presentation.options import FILE, JSON_OPTION
from daemon.presentation.output import (
    json_text,
    needs_pictures,
    progress_bar,
    rich_text,
    text_width,
    write_output,
)

if TYPE_CHECKING:
    from planners.appraisal.appraisal import Appraisal


@click.command()
@FILE
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "csv", "json", "html"]),
    help="Text for people (the default), csv or json for scripts, or html for a page to print.",
)
@JSON_OPTION
@click.option(
    "--output",
    type=click.Path(path_type=Path),
    metavar="PATH",
    help="Write to this file instead of standard output.",
)
def appraise(file: Path, form: str | None, output: Path | None, *, as_json: bool) -> None:
    """Simulate a year of nights with each choice in FILE, and find the cheapest.

    Each choice is a tariff, a charge point and an outlay. Every night of the year is planned as
    the daemon would plan it. The other choices are compared with the first.
    """
    form = _form(form, as_json=as_json)
    text = _text(_appraisal(file), form, to_file=output is not None)
    write_output(text, output)


def _form(form: str | None, *, as_json: bool) -> str:
    if as_json and form:
        raise UsageError(f"expected either --json or --format {form}, got both")
    return "json" if as_json else form or "text"


def _appraisal(file: Path) -> Appraisal:
    from daemon.appraise.reading import appraise_file  # noqa: PLC0415 - each command loads its own

    with progress_bar("years drawn") as progress:
        return appraise_file(file, progress)


def _text(appraisal: Appraisal, form: str, *, to_file: bool) -> str:
    from daemon.appraise.rows import appraisal_csv, document  # noqa: PLC0415
    from daemon.appraise.show_appraisal import show_appraisal  # noqa: PLC0415

    if form == "html":
        with needs_pictures("--format html"):
            from daemon.appraise.page import render_page  # noqa: PLC0415
        return render_page(appraisal)
    if form == "csv":
        return appraisal_csv(appraisal)
    if form == "json":
        return json_text(document(appraisal))
    return rich_text(show_appraisal(appraisal), text_width(to_file=to_file))
