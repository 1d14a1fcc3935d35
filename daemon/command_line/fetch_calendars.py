"""The command `lullwatt fetch-calendars`: fetch calendars, where the file says where they are."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from threading import Event

import click

from adapters.calendar_file.process import read_apart
from adapters.clocks.clock import SystemClock
from adapters.feeds.client import ask
from config.files.errors import FetchError, LullwattError, UsageError
from config.household.loading import load_household
from daemon.calendar.fetching import CalendarFetching
from daemon.fetching.last_time import alone
from daemon.presentation.options import FILE
from daemon.presentation.output import say

_NOTHING_TO_FETCH = (
    "expected url or url_file in one of its calendars; config/HOUSEHOLD.md shows how to write it"
)


@click.command("fetch-calendars")
@FILE
@click.option("--dry-run", is_flag=True, help="Say what it would keep; write nothing.")
def fetch_calendars(file: Path, *, dry_run: bool) -> None:
    """Fetch the calendars that the household file names by an address, into their files.

    Only events with a declared word are kept, and of them only times and titles. A timer runs this
    every quarter of an hour. A calendar that can't be fetched, or is none, changes nothing: the
    last copy stays, exit code 5.
    """  # noqa: DOC501 - this text is the command's help
    household, now = load_household(file), SystemClock().now()
    calendars = household.calendars or {}
    names = [name for name, each in calendars.items() if each.is_fetched]
    if not names:
        raise UsageError(f"{file}: {_NOTHING_TO_FETCH}")
    asks = partial(ask, wait=Event().wait)
    runs = [
        CalendarFetching(household, name, now, asks, read_apart, say, writes=not dry_run)
        for name in names
    ]
    faults: list[LullwattError] = []
    for run in runs:
        try:
            with alone(calendars[run.name].file):
                run.run()
        except LullwattError as error:  # of one calendar's own files: it hinders no other
            faults.append(error)
    failures = [f"{run.name}: {run.failure}" for run in runs if run.failure]
    if faults:
        for each in (*failures, *faults[1:]):
            say(str(each), err=True)
        raise faults[0]
    if failures:
        raise FetchError("\n".join(failures))
