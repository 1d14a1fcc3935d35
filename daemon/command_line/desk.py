"""The commands `lullwatt desk ...`: an adviser's key, and the extracts that households give."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from adapters.clocks.clock import SystemClock
from daemon.command_line.reports import NOT_ALL
from daemon.presentation.output import needs_extra, say
from planners.local_time.conversion import local_date

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date

    from config.household.household_file import HouseholdFile

FOLDER = click.argument("folder", type=click.Path(path_type=Path))


@click.group()
def desk() -> None:
    """Keep the extracts that households share with their adviser, in a folder."""


@desk.command("start")
@FOLDER
def start(folder: Path) -> None:
    """Make an adviser's folder with its key, and print the recipient that households encrypt to.

    Run again, it prints the same recipient. The key opens every extract: keep a copy of it in a
    safe place, and give it to nobody.
    """
    with needs_extra("lullwatt desk", "extracts"):
        from daemon.extracts.desk_folder import KEY_FILE, start_desk  # noqa: PLC0415

    recipient, is_new = start_desk(folder)
    if is_new:
        say(f"{folder / KEY_FILE}: made; it opens every extract: copy it to a safe place", err=True)
    say(recipient)


@desk.command("confirm")
@FOLDER
@click.argument("extract", type=click.Path(path_type=Path))
@click.option(
    "--fingerprint", "typed", metavar="TEXT",
    help="What the household told you; without, it is asked for.",
)  # fmt: skip
@click.option(
    "--new-key", "replaces", is_flag=True,
    help="The home was confirmed before, and has told you itself that its key is a new one.",
)  # fmt: skip
def confirm(folder: Path, extract: Path, typed: str | None, *, replaces: bool) -> None:
    """Confirm once that EXTRACT is signed with the key of the household that it names.

    Ask the household for the fingerprint that `lullwatt share` printed, by telephone or in person:
    whoever could change the file could also change a message beside it.
    """
    with needs_extra("lullwatt desk", "extracts"):
        from daemon.extracts.desk_folder import Desk  # noqa: PLC0415

    kept = Desk(folder)
    opened = kept.open(extract)
    if typed is None:
        typed = click.prompt(f"Fingerprint that {opened.name} told you", err=True)
    day = _today()(opened.home)
    confirmed = kept.confirm(extract, opened, typed, day, replaces=replaces)
    say(f"Confirmed: {confirmed.name}, in {folder / confirmed.folder}")


@desk.command("receive")
@FOLDER
@click.argument(
    "extracts", type=click.Path(path_type=Path), nargs=-1, required=True, metavar="EXTRACT..."
)
def receive(folder: Path, extracts: tuple[Path, ...]) -> None:
    """Check and decrypt extracts, and add each to the folder of its home.

    A home's folder then has a house.yaml and a ledger for `nights`, `month`, `letter` and `appraise
    --homes`. A month that comes again takes the place of the earlier one. A file that can't be used
    is named with the reason; the others go on, and the exit code is then 3.
    """
    with needs_extra("lullwatt desk", "extracts"):
        from daemon.extracts.desk_folder import Desk  # noqa: PLC0415

    kept, today, whole = Desk(folder), _today(), True
    for file in extracts:
        line, is_used = kept.receive(file, today)
        say(line, err=not is_used)
        whole = whole and is_used
    if not whole:
        sys.exit(NOT_ALL)


@desk.command("tidy")
@FOLDER
def tidy(folder: Path) -> None:
    """Delete every month whose household's consent has ended."""
    with needs_extra("lullwatt desk", "extracts"):
        from daemon.extracts.desk_folder import Desk  # noqa: PLC0415

    lines = list(Desk(folder).tidy(_today()))
    for line in lines or [f"{folder}: no consent has ended"]:
        say(line)


def _today() -> Callable[[HouseholdFile], date]:

    now = SystemClock().now()
    return lambda home: local_date(now, home.zone)
