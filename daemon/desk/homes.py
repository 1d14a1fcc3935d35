"""Read months of many homes; a home that can't be read is kept with its reason.

Homes are read in any order, by several processes. Which of them were there before is found
afterwards, in the order given.
"""

from __future__ import annotations

import hashlib
from collections.abc import Generator
from contextlib import closing
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Generic, NamedTuple, TypeVar

from adapters.workers.in_order import Lost, Workers, in_order
from config.files.errors import LullwattError
from config.household.loading import load_household
from daemon.month.capacity import NO_CAPACITY
from daemon.night_log.month_reading import ledger_of, month_days, read_month
from daemon.service.house_loading import load_recorded_house

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
    from datetime import datetime
    from pathlib import Path

    from config.household.household_file import HouseholdFile
    from daemon.control.state import House
    from daemon.night_log.month import Month

YEAR_MONTHS = 12
ENOUGH = 2
"""So many equal nights are no coincidence: energy is counted in Wh."""


@dataclass(frozen=True, slots=True)
class HomeMonths:
    """What one household file shows of some months.

    Attributes
    ----------
    file : Path
        The household file.
    name : str
        The home's name; the file's path if that can't be read.
    months : tuple of Month
        In order; the last is the month asked for. Empty if the home can't be read.
    tariff : str
        Its tariff at the end of the month.
    remarks : tuple of str
        What to know about its figures.
    fault : str or None
        Why it can't be read.
    better : BetterTariff or None
        Which tariff would be the best for it; None if that was not asked, or is not known.
    """

    file: Path
    name: str
    months: tuple[Month, ...] = ()
    tariff: str = ""
    remarks: tuple[str, ...] = ()
    fault: str | None = None
    better: BetterTariff | None = None


class BetterTariff(NamedTuple):
    """The tariff that would cost a home the least, and what that saves in a year [currency].

    It saves 0 if the home is on it, or if none that was compared costs less.
    """

    tariff: str
    saves_per_year: float


def months_until(when: tuple[int, int], count: int) -> tuple[tuple[int, int], ...]:
    """List some months, the last of which is given, as years and calendar months."""
    last = when[0] * YEAR_MONTHS + when[1] - 1
    numbers = range(last - count + 1, last + 1)
    return tuple((number // YEAR_MONTHS, number % YEAR_MONTHS + 1) for number in numbers)


def read_homes(
    files: Sequence[Path],
    months: Sequence[tuple[int, int]],
    now: datetime,
    progress: Callable[[int, int], None] | None = None,
    workers: Workers | None = None,
) -> tuple[HomeMonths, ...]:
    """Read months of many homes.

    Parameters
    ----------
    files : sequence of Path
        Household files.
    months : sequence of tuple of int
        Years and calendar months, in order.
    now : datetime
        When they are read, UTC.
    progress : callable, optional
        Is told how many homes are read, of how many.
    workers : Workers, optional
        How the work is shared; by default this process does it.

    Returns
    -------
    tuple of HomeMonths
        One for each file, in the order given. A file, ledger or home that was there before does not
        count: its fault says where it was.
    """
    read = partial(_read, months=months, now=now)
    found = each_home(files, shared(read, workers or Workers()), _unread, progress)
    return tuple(_with_namesakes([*found]))


def _unread(file: Path, name: str, fault: str) -> HomeMonths:
    return HomeMonths(file, name, fault=fault)


Home = TypeVar("Home")


@dataclass(slots=True)
class Reading(Generic[Home]):
    """A home that was read, and what it was read from.

    Attributes
    ----------
    home : Home or None
        None until it is read.
    name : str
        Its name, as soon as that is read.
    fault : str or None
        Why it can't be read.
    ledger : Path or None
        Its ledger, as soon as that is known.
    nights : frozenset of int or None
        From `prints_of`, what tells its nights from any other home's; None until they are read.
    """

    home: Home | None = None
    name: str = ""
    fault: str | None = None
    ledger: Path | None = None
    nights: frozenset[int] | None = None


Readings = Generator["Reading[Home] | Lost", None, None]


def shared(
    read: Callable[[Path, Reading[Home]], Home], workers: Workers
) -> Callable[[Sequence[Path]], Readings[Home]]:
    """Return what reads the homes of files, with several processes."""
    return partial(in_order, partial(reading_of, read), workers=workers)


def each_home(
    files: Sequence[Path],
    read: Callable[[Sequence[Path]], Readings[Home]],
    unread: Callable[[Path, str, str], Home],
    progress: Callable[[int, int], None] | None = None,
) -> Iterator[Home]:
    """Read homes, each file, ledger and record once.

    Parameters
    ----------
    files : sequence of Path
        Household files.
    read : callable
        Gives a reading for each of some files, in order; see `shared`.
    unread : callable
        Makes what stands for a home that can't be read, of its file, its name and the reason.
    progress : callable or None
        Is told how many homes are done, of how many.

    Yields
    ------
    object
        A home for each file, in the order given.
    """
    first, once = FirstSeen(), []
    again: dict[int, CountedAlready] = {}
    for place, file in enumerate(files):
        try:
            first.refuse_again("file", file, file)
            once.append(file)
        except CountedAlready as error:
            again[place] = error
    names: dict[Path, str] = {}
    with closing(read(once)) as readings:
        for place, file in enumerate(files):
            if progress is not None:
                progress(place, len(files))
            if place in again:
                yield unread(file, names[again[place].before], str(again[place]))
                continue
            made = _once(next(readings), file, first)
            names[file] = made.name
            yield unread(file, made.name, made.fault or "") if made.home is None else made.home


def reading_of(read: Callable[[Path, Reading[Home]], Home], file: Path) -> Reading[Home]:
    """Read one home, or say why not.

    Parameters
    ----------
    read : callable
        Reads the home of a file, and says in its reading what it is called and what it was read
        from.
    file : Path
        The file.

    Returns
    -------
    Reading
        The home, or the fault.
    """
    made: Reading[Home] = Reading()
    try:
        made.home = read(file, made)
    except Exception as error:  # noqa: BLE001 - one home's fault must not hide the others
        made.fault = reason_of(error)
        made.name = made.name or name_in(file)
    return made


def _once(made: Reading[Home] | Lost, file: Path, first: FirstSeen) -> Reading[Home]:
    """Refuse a home whose ledger or record was there before."""
    if isinstance(made, Lost):  # its file may be what it hung on: it is not read here, too
        return Reading(name=str(file), fault=made.reason)
    try:
        if made.ledger is not None:
            first.refuse_again("ledger", made.ledger, file)
        if made.nights is not None:
            first.refuse_same_home(made.name, made.nights, file)
    except CountedAlready as error:
        return Reading(name=made.name, fault=str(error))
    return made


def _read(
    file: Path, made: Reading[HomeMonths], months: Sequence[tuple[int, int]], now: datetime
) -> HomeMonths:
    house, faults = load_recorded_house(file)
    made.name = house.file.household.name
    made.ledger = house.file.ledger.path
    with ledger_of(house) as ledger:
        read = tuple(
            read_month(file, house, ledger, month, now, reads_meter=False) for month in months
        )
    made.nights = prints_of(
        (row.night, row.charge_point, row.energy_wh, row.cost)
        for month in read
        for row in month.nights
        if row.energy_wh
    )
    remarks = [f"{fault}; its nights are priced in the ledger" for fault in faults]
    remarks += ["from an extract"] if read[-1].remarks else []
    remarks += [NO_CAPACITY] if read[-1].lacks_capacity else []
    if not read[-1].nights:
        remarks.append("no night was recorded in this month")
    name, tariff = house.file.household.name, tariff_at_end(house, months[-1])
    return HomeMonths(file, name, read, tariff, tuple(remarks))


def prints_of(nights: Iterable[object]) -> frozenset[int]:
    """Return a short number for each night, the same for equal nights alone."""
    hashed = (hashlib.blake2b(repr(night).encode(), digest_size=8).digest() for night in nights)
    return frozenset(int.from_bytes(each) for each in hashed)


def tariff_at_end(house: House, month: tuple[int, int]) -> str:
    """Name the tariff of a home's own meter at the end of a month; empty if none holds yet."""
    return _tariff_on(house.file, month)


def _tariff_on(file: HouseholdFile, month: tuple[int, int]) -> str:
    last = month_days(*month)[1]
    own = {name for point in file.charge_points.values() for name in point.tariff or ()}
    holding = [
        each.name
        for each in file.tariffs
        if each.name not in own and (each.valid_from is None or each.valid_from <= last)
    ]
    return holding[-1] if holding else ""


class FirstSeen:
    """Remembers which files, ledgers and homes were read, so that none counts twice."""

    def __init__(self) -> None:
        self._seen: dict[tuple[str, object], Path] = {}
        self._homes: dict[str, list[tuple[frozenset[object], Path]]] = {}

    def refuse_again(self, what: str, key: Path, file: Path) -> None:
        """Remember a file or a ledger; raise if it was there before.

        Parameters
        ----------
        what : str
            ``"file"`` or ``"ledger"``.
        key : Path
            Its path.
        file : Path
            The household file that is read now.

        Raises
        ------
        CountedAlready
            If it was there before.
        """
        before = self._seen.setdefault((what, identity(key)), file)
        if before is not file:
            raise CountedAlready(what, before)

    def refuse_same_home(self, name: str, nights: Collection[object], file: Path) -> None:
        """Remember the nights of a home; raise if another file has some of them.

        Parameters
        ----------
        name : str
            The home's name.
        nights : collection
            What tells each night with energy from any other home's.
        file : Path
            The household file that is read now.

        Raises
        ------
        CountedAlready
            If a home of that name had the same ones: all, or at least two, as an extract has fewer
            than the ledger that it came from.
        """
        own = frozenset(nights)
        homes = self._homes.setdefault(name, [])
        for others, before in homes:
            if own and (own == others or len(own & others) >= ENOUGH):
                raise CountedAlready("home", before)
        homes.append((own, file))


class CountedAlready(LullwattError):  # noqa: N818 - the name says what it is
    """A file, a ledger or a home was given twice."""

    def __init__(self, what: str, before: Path) -> None:
        how = " (same name, same nights)" if what == "home" else ""
        super().__init__(f"the same {what} as {before}{how}: counted once, there")
        self.before = before


def name_in(file: Path) -> str:
    """Return the name of a home that can't be read; its path if its file can't be read either."""
    try:
        return load_household(file, to_read=True).household.name
    except LullwattError:
        return str(file)


def identity(path: Path) -> object:
    """Return what is the same for two paths to one file."""
    try:
        stat = path.stat()
    except OSError:
        return str(path)
    return stat.st_dev, stat.st_ino


def reason_of(error: Exception) -> str:
    """Write why a home can't be read, in one line."""
    if isinstance(error, LullwattError):
        return "; ".join(str(error).splitlines())
    return f"a fault in Lullwatt itself: {type(error).__name__}: {error}"


def _with_namesakes(homes: Sequence[HomeMonths]) -> Iterable[HomeMonths]:
    """Tell homes of one name apart: each names the file of another."""
    for home in homes:
        others = [each for each in homes if each is not home and each.name == home.name]
        read = [each for each in others if each.fault is None]
        if home.fault is None and read:
            remark = f"another home is called {home.name}, too: {read[0].file}"
            yield replace(home, remarks=(*home.remarks, remark))
        else:
            yield home
