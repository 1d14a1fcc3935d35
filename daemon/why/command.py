"""The command `lullwatt why`: why it did, or did not, charge in a night."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from config.files.errors import UsageError
from daemon.presentation.options import FILE, JSON_OPTION, read_date

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
    help="The date on which the night begins; without it, the last night that has begun.",
)  # fmt: skip
@click.option("--charge-point", metavar="NAME", help="Only this charge point.")
@JSON_OPTION
def why(file: Path, night: date | None, charge_point: str | None, *, as_json: bool) -> None:
    """Tell why it did, or did not, charge in a night.

    First a short answer, then what was known, planned, commanded and measured, in the order of
    time. A night goes from noon to noon of the home's clock. It is told from the ledger alone,
    beside a running daemon or without one; what the ledger does not say, is said to be so.
    """
    from adapters.clocks.clock import SystemClock  # noqa: PLC0415 - each command loads what it needs
    from daemon.night_log.month_reading import ledger_of  # noqa: PLC0415
    from daemon.presentation.output import json_text, rich_text  # noqa: PLC0415
    from daemon.service.household_watch import load_house  # noqa: PLC0415
    from daemon.why.show_why import show_why, why_values  # noqa: PLC0415

    house = load_house(file)
    with ledger_of(house) as ledger:
        whys = whys_of(file, house, ledger, (night, charge_point), SystemClock().now())
    text = json_text(why_values(house, whys)) if as_json else rich_text(show_why(house, whys))
    click.echo(text, nl=False)


def whys_of(
    file: Path,
    house: House,
    ledger: LedgerReader,
    choice: tuple[date | None, str | None],
    now: datetime,
) -> Sequence[Why]:
    """Answer for each charge point that is asked for.

    Parameters
    ----------
    file : Path
        The household file, to be named in errors.
    house : House
        The household.
    ledger : LedgerReader
        Its record.
    choice : tuple
        The night and the charge point; None for the last night that has begun, and for all.
    now : datetime
        UTC.

    Returns
    -------
    sequence of Why
        In the order of the file.

    Raises
    ------
    UsageError
        If the charge point is unknown, or the night is not one that the ledger can tell of.
    """
    from daemon.why.records import read_night  # noqa: PLC0415
    from daemon.why.show_why import why_of  # noqa: PLC0415
    from planners.local_time.departures import night_of  # noqa: PLC0415

    night, point = choice
    points = list(house.file.charge_points)
    if point is not None and point not in points:
        raise UsageError(f"--charge-point: expected one of {', '.join(points)}, got {point!r}")
    tonight = night_of(now, house.file.zone)
    night = night or tonight
    if night > tonight:
        raise UsageError(f"--night: the night of {night} has not begun; the last one is {tonight}")
    first = ledger.first_written(points)
    if first is None:
        raise UsageError(f"{file}: the ledger {house.file.ledger.path} is empty: nothing to tell")
    begun = night_of(first, house.file.zone)
    if night < begun:
        raise UsageError(
            f"--night: the ledger begins in the night of {begun}; it knows nothing of {night}"
        )
    chosen = points if point is None else [point]
    return [why_of(house, read_night(house, ledger, name, night, now)) for name in chosen]
