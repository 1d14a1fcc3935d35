"""The command `lullwatt letter`: what a client gets."""

from __future__ import annotations

from pathlib import Path

import click

from adapters.clocks.clock import SystemClock
from config.choices.loading import load_choices
from config.files.errors import UsageError
from config.letter.letter_file import load_letter
from daemon.command_line.reports import read_month_name
from daemon.desk.appraising import appraise_homes
from daemon.letter.letter import Letter, Worth
from daemon.night_log.month_reading import ledger_of, read_month
from daemon.presentation.options import FILE
from daemon.presentation.output import needs_extra, say, write_output
from daemon.service.house_loading import load_recorded_house
from planners.local_time.conversion import local_date


@click.command()
@FILE
@click.argument("month", callback=read_month_name, metavar="MONTH")
@click.option(
    "--words", type=click.Path(path_type=Path), required=True, metavar="YAML",
    help="Who writes, and in which words; config/examples/letter.yaml shows every key.",
)  # fmt: skip
@click.option(
    "--choices", type=click.Path(path_type=Path), metavar="YAML",
    help="A choices file: the third figure is then what the best of its tariffs would be worth.",
)  # fmt: skip
@click.option(
    "--output", type=click.Path(path_type=Path), metavar="PATH",
    help="Write to this file instead of printing.",
)  # fmt: skip
def letter(
    file: Path, month: tuple[int, int], words: Path, choices: Path | None, output: Path | None
) -> None:
    """Write a letter of one page about a month to a client, as HTML to print.

    It has three figures: what charging cost, what it saved, and what could still be saved; a
    picture; and the cautions. Greeting, text and name are the adviser's own, from the file of
    --words. To get a PDF, print the page with a browser.
    """  # noqa: DOC501 - this text is the command's help
    with needs_extra("lullwatt letter"):
        from daemon.letter.page import render_letter  # noqa: PLC0415

    loaded = load_letter(words)
    (house, faults), now = load_recorded_house(file), SystemClock().now()
    for fault in faults:
        say(f"{fault}; nights are priced in the ledger", err=True)
    with ledger_of(house) as ledger:
        read = read_month(file, house, ledger, month, now, reads_meter=False)
    if not read.nights:
        named = f"{month[0]}-{month[1]:02d}"
        raise UsageError(f"{file}: expected a night recorded in {named}, got none")
    worth = None if choices is None else _worth(choices, file)
    written = Letter(house.file, read, loaded, worth)
    write_output(render_letter(written, local_date(now, house.file.zone)), output)


def _worth(choices: Path, file: Path) -> Worth:
    """Appraise the tariffs of a choices file for one home."""
    loaded = load_choices(choices)
    [home] = appraise_homes(loaded, [file], _no_progress, tariffs_only=True)
    if home.now is None or home.better is None:
        raise UsageError(f"--choices: {home.fault}")
    return Worth(home.now.tariff, *home.better, home.nights, bool(loaded.home_use))


def _no_progress(_done: int, _whole: int) -> None:
    """Show nothing: one home takes a second."""
