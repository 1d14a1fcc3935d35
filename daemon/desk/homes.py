"""Read months of many homes; a home that can't be read is kept with its reason."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

from config.files.errors import LullwattError
from config.household.loading import load_household
from daemon.month.capacity import NO_CAPACITY
from daemon.night_log.month_reading import ledger_of, month_days, read_month
from daemon.service.house_loading import load_recorded_house

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Sequence
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

    Returns
    -------
    tuple of HomeMonths
        One for each file, in the order given. A file, ledger or home that was there before is not
        read again: its fault says where it was.
    """
    found: list[HomeMonths] = []
    first = FirstSeen()
    for place, file in enumerate(files):
        if progress is not None:
            progress(place, len(files))
        found.append(first.only_once(file, lambda file=file: _read(file, months, now, first)))  # type: ignore[misc]
    return tuple(_with_namesakes(found))


def _read(
    file: Path, months: Sequence[tuple[int, int]], now: datetime, first: FirstSeen
) -> HomeMonths:
    house, faults = load_recorded_house(file)
    first.refuse_again("ledger", house.file.ledger.path, file)
    with ledger_of(house) as ledger:
        read = tuple(
            read_month(file, house, ledger, month, now, reads_meter=False) for month in months
        )
    nights = {
        (row.night, row.charge_point, row.energy_wh, row.cost)
        for month in read
        for row in month.nights
        if row.energy_wh
    }
    first.refuse_same_home(house.file.household.name, nights, file)
    remarks = [f"{fault}; its nights are priced in the ledger" for fault in faults]
    remarks += ["from an extract"] if read[-1].remarks else []
    remarks += [NO_CAPACITY] if read[-1].lacks_capacity else []
    if not read[-1].nights:
        remarks.append("no night was recorded in this month")
    name, tariff = house.file.household.name, tariff_at_end(house, months[-1])
    return HomeMonths(file, name, read, tariff, tuple(remarks))


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

    def only_once(self, file: Path, read: Callable[[], HomeMonths]) -> HomeMonths:
        """Read a home, or say why not."""
        try:
            self.refuse_again("file", file, file)
            return read()
        except Exception as error:  # noqa: BLE001 - one home's fault must not hide the others
            return HomeMonths(file, name_in(file), fault=reason_of(error))


class CountedAlready(LullwattError):  # noqa: N818 - the name says what it is
    """A file, a ledger or a home was given twice."""

    def __init__(self, what: str, before: Path) -> None:
        how = " (same name, same nights)" if what == "home" else ""
        super().__init__(f"the same {what} as {before}{how}: counted once, there")


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
