"""The command `lullwatt why`: explain why a night charged, or did not."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from adapters.clocks.clock import SystemClock
from config.files.errors import UsageError
from daemon.night_log.month_reading import ledger_of
from daemon.presentation.options import FILE, JSON_OPTION, read_date
from daemon.presentation.output import json_text, rich_text, write_output
from daemon.service.house_loading import load_house
from daemon.why.records import read_night
from daemon.why.show_why import show_why, why_of, why_values
from planners.local_time.departures import night_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, datetime

    from adapters.ledger.reader import LedgerReader
    from daemon.control.state import House
    from daemon.why.show_why import Why


@click.command()
@FILE
@click.option(
    "--night", callback=read_date, metavar="DATE",
    help="The date on which the night begins; by default the last night that has begun.",
)  # fmt: skip
@click.option("--charge-point", metavar="NAME", help="Only this charge point.")
@JSON_OPTION
def why(file: Path, night: date | None, charge_point: str | None, *, as_json: bool) -> None:
    """Explain why it did, or did not, charge in a night.

    First a short answer, then what was known, planned, commanded and measured, in order of time. A
    night runs from noon to noon by the home's clock (from midnight to midnight with `account_day:
    midnight`). Everything comes from the ledger, whether a
    daemon is running or not; what the ledger does not show is said to be unknown.
    """
    house = load_house(file)
    with ledger_of(house) as ledger:
        whys = whys_of(file, house, ledger, (night, charge_point), SystemClock().now())
    text = json_text(why_values(house, whys)) if as_json else rich_text(show_why(house, whys))
    write_output(text)


def whys_of(
    file: Path,
    house: House,
    ledger: LedgerReader,
    choice: tuple[date | None, str | None],
    now: datetime,
) -> Sequence[Why]:
    """Explain the night at each charge point that is asked for.

    Parameters
    ----------
    file : Path
        The household file, for error messages.
    house : House
        The household.
    ledger : LedgerReader
        Its ledger.
    choice : tuple
        The night and the charge point; None for the last night that has begun, and for all points.
    now : datetime
        UTC.

    Returns
    -------
    sequence of Why
        In the order of the file.

    Raises
    ------
    UsageError
        If the charge point is unknown, or the ledger does not cover the night.
    """
    night, point = choice
    points = list(house.file.charge_points)
    if point is not None and point not in points:
        raise UsageError(f"--charge-point: expected one of {', '.join(points)}, got {point!r}")
    tonight = night_of(now, house.file.days)
    night = night or tonight
    if night > tonight:
        raise UsageError(f"--night: the night of {night} has not begun; the last one is {tonight}")
    first = ledger.first_written(points)
    if first is None:
        raise UsageError(f"{file}: the ledger {house.file.ledger.path} is empty")
    begun = night_of(first, house.file.days)
    if night < begun:
        raise UsageError(
            f"--night: the ledger begins in the night of {begun}; it knows nothing of {night}"
        )
    chosen = points if point is None else [point]
    return [why_of(house, read_night(house, ledger, name, night, now)) for name in chosen]
