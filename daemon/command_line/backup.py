"""The command `lullwatt backup`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from adapters.backups.whole_copy import copy_ledger
from adapters.clocks.clock import SystemClock
from config.household.loading import load_household
from daemon.presentation.figures import counted
from daemon.presentation.options import FILE
from daemon.presentation.output import say
from planners.local_time.conversion import local_date

if TYPE_CHECKING:
    from adapters.backups.whole_copy import LedgerCopy

MEGABYTE = 1_000_000


@click.command()
@FILE
@click.argument("dest", type=click.Path(path_type=Path))
@click.option("--overwrite", is_flag=True, help="Replace an existing copy.")
def backup(file: Path, dest: Path, *, overwrite: bool) -> None:
    """Copy a household's ledger to DEST, a file or a folder.

    The daemon may keep running. In a folder the copy is named after the ledger and today's date.
    The copy is complete and consistent, and is checked before it gets its name.
    """
    household = load_household(file)
    ledger = household.ledger.path
    if dest.is_dir():
        today = local_date(SystemClock().now(), household.zone)
        dest /= f"{ledger.stem}-{today.isoformat()}{ledger.suffix}"
    say(_summary(copy_ledger(ledger, dest, overwrite=overwrite)))


def _summary(copy: LedgerCopy) -> str:
    """Sum up in one line what a copy holds."""
    nights = counted(copy.nights, "night")
    if copy.nights == 1:
        nights += f", {copy.first_night}"
    elif copy.nights:
        nights += f" from {copy.first_night} to {copy.last_night}"
    megabytes = copy.size_bytes / MEGABYTE
    return f"{copy.path}: {nights}, {counted(copy.readings, 'reading')}, {megabytes:.1f} MB"
