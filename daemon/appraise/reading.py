"""Read an appraisal's choices file, price series and nights of a ledger."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from functools import partial
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from adapters.clocks.clock import SystemClock
from adapters.ledger.ledger import open_ledger
from config.choices.loading import load_choices
from config.extract.received import received_beside, refuse_ended
from config.files.announcements import load_announcements
from config.files.errors import FileError, UsageError
from config.files.price_series import load_prices
from planners.local_time.conversion import local_date

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from config.choices.choices_file import ChoicesFile
    from config.files.announcements import RateNews
    from config.files.errors import Fault
    from planners.appraisal.appraisal import Appraisal


def read_choices(
    path: Path,
) -> tuple[ChoicesFile, Mapping[str, Sequence[RateNews]], Mapping[date, int] | None]:
    """Read a choices file and all that it names.

    Parameters
    ----------
    path : Path
        The choices file.

    Returns
    -------
    file : ChoicesFile
        The file.
    series : mapping of str to sequence of RateNews
        Prices and announced days, by the name of the choice whose tariff has any.
    used_wh : mapping of date to int or None
        Metered energy of the vehicle on each night of the ledger [Wh]; None if no ledger is named.

    Raises
    ------
    FileError
        If the choices file or a price series has faults: all of them.
    UsageError
        If the ledger has no nights of the vehicle.
    LedgerError
        If the ledger can't be read.
    """  # noqa: DOC502 - raised further down
    file = load_choices(path)
    return file, read_series(file), _used_of(path, file)


def appraise_file(path: Path, progress: Callable[[int, int], None]) -> Appraisal:
    """Read a choices file and appraise it.

    Parameters
    ----------
    path : Path
        The choices file.
    progress : callable
        Is told how many years are drawn so far, of how many.

    Returns
    -------
    Appraisal
        The appraisal.
    """
    from planners.appraisal.appraising import appraised, compare  # noqa: PLC0415 - slow to load
    from planners.sensitivity.hinges import hinges_of  # noqa: PLC0415

    file, series, used_wh = read_choices(path)
    compared = compare(file, series, used_wh)
    appraisal = appraised(file, compared, progress)
    return replace(appraisal, hinges=hinges_of(file, series, used_wh, compared, appraisal))


def appraise_series(
    file: ChoicesFile,
    series: Mapping[str, Sequence[RateNews]],
    used_wh: Mapping[date, int] | None,
    progress: Callable[[int, int], None] | None = None,
) -> Appraisal:
    """Appraise what is read already: see `planners.appraisal.appraising`."""
    from planners.appraisal.appraising import appraise  # noqa: PLC0415 - slow to load, and not for --help

    return appraise(file, series, used_wh, progress)


def read_series(file: ChoicesFile) -> dict[str, tuple[RateNews, ...]]:
    """Read each price series and list of announcements once, or raise the faults of all."""
    faults: list[Fault] = []
    read: dict[tuple[Path, str], tuple[RateNews, ...]] = {}
    # Loading refuses a choices file whose price series has no file.
    found: dict[str, list[tuple[Path, str]]] = {}
    readers: dict[tuple[Path, str], Callable[[Path], tuple[RateNews, ...]]] = {}
    for choice in file.choices:
        series, announced = choice.bought_at.series, choice.bought_at.announced
        sources = found.setdefault(choice.name, [])
        if series is not None and series.file is not None:
            sources.append((series.file, ""))
            readers[sources[-1]] = load_prices
        if announced is not None and announced.file is not None:
            sources.append((announced.file, " ".join(announced.names)))
            readers[sources[-1]] = partial(load_announcements, kinds=announced.picked_by_name)
    for source, reader in readers.items():
        try:
            read[source] = reader(source[0])
        except FileError as error:
            faults += error.faults
    if faults:
        raise FileError(faults)
    return {
        name: tuple(each for source in sources for each in read[source])
        for name, sources in found.items()
        if sources
    }


def _used_of(path: Path, file: ChoicesFile) -> dict[date, int] | None:
    """Add up the vehicle's metered energy of each night over all charge points [Wh]."""
    record = file.driving.ledger
    if record is None:
        return None
    today = local_date(SystemClock().now(), ZoneInfo(file.appraisal.timezone))
    refuse_ended(received_beside(record.path), record.path.parent, today)
    with open_ledger(record.path, read_only=True) as ledger:
        nights = ledger.nights()
    if not nights:
        raise UsageError(f"{record.path}: expected nights in the ledger, got none")
    vehicles = dict.fromkeys(night["vehicle"] for night in nights)
    if record.vehicle not in vehicles:
        raise UsageError(
            f"{path}: driving.ledger.vehicle: expected one of {', '.join(vehicles)}, which are in"
            f" the ledger, got {record.vehicle!r}"
        )
    used: dict[date, int] = {}
    for night in nights:
        if night["vehicle"] == record.vehicle:
            day = date.fromisoformat(night["night"])
            used[day] = used.get(day, 0) + round(night["energy_kwh"] * 1000)
    return used
