"""Appraise the same choices for many homes, each by the record of its own ledger."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from importlib.metadata import version
from typing import TYPE_CHECKING

from pydantic import ValidationError

from adapters.clocks.clock import SystemClock
from adapters.ledger.stored_prices import stored_news
from adapters.workers.in_order import Workers
from config.files.errors import UsageError
from daemon.appraise.reading import appraise_series, read_series
from daemon.desk.choices_of_home import (
    AS_NOW,
    file_of_home,
    home_now,
    refuse_for_homes,
    same_prices,
)
from daemon.desk.homes import BetterTariff, each_home, prints_of, shared
from daemon.night_log.month_reading import ledger_of, records_between
from daemon.service.house_loading import load_recorded_house, load_series
from planners.local_time.conversion import local_date

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime
    from pathlib import Path
    from typing import Any

    from config.choices.choices_file import ChoicesFile
    from config.files.announcements import RateNews
    from config.household.household_file import HouseholdFile
    from config.tariffs.tariff import Tariff
    from daemon.desk.homes import HomeMonths, Reading
    from planners.appraisal.appraisal import Appraisal, ChoiceYear


@dataclass(frozen=True, slots=True)
class HomeChoices:
    """What the choices are worth to one home.

    Attributes
    ----------
    file : Path
        The household file.
    name : str
        The home's name; the file's path if it can't be appraised.
    vehicle : str
        The vehicle whose record counts.
    nights : int
        Nights of the record.
    appraisal : Appraisal or None
        Its first choice is the home as it is now; None if it can't be appraised.
    wrong_tariff : bool
        Whether the cheapest choice has a tariff with other prices.
    remarks : tuple of str
        What to know about its figures.
    fault : str or None
        Why it can't be appraised.
    """

    file: Path
    name: str
    vehicle: str = ""
    nights: int = 0
    appraisal: Appraisal | None = None
    wrong_tariff: bool = False
    remarks: tuple[str, ...] = ()
    fault: str | None = None

    @property
    def now(self) -> ChoiceYear | None:
        """The home as it is now."""
        return None if self.appraisal is None else self.appraisal.choices[0]

    @property
    def cheapest(self) -> ChoiceYear | None:
        """The cheapest choice, which may be to leave things as they are."""
        if self.appraisal is None:
            return None
        name = self.appraisal.cheapest
        return next(each for each in self.appraisal.choices if each.name == name)

    @property
    def better(self) -> BetterTariff | None:
        """The best tariff, and what it saves in a year; None if it can't be appraised."""
        now, best = self.now, self.cheapest
        if now is None or best is None:
            return None
        saves = now.year_cost - best.year_cost if self.wrong_tariff else 0.0
        return BetterTariff(best.tariff, max(0.0, saves))


def appraise_homes(
    choices: ChoicesFile,
    files: Sequence[Path],
    progress: Callable[[int, int], None],
    workers: Workers | None = None,
    *,
    tariffs_only: bool,
) -> tuple[HomeChoices, ...]:
    """Appraise the same choices for many homes.

    Parameters
    ----------
    choices : ChoicesFile
        The choices, the year, and when vehicles are away.
    files : sequence of Path
        Household files.
    progress : callable
        Is told how many homes are done, of how many.
    workers : Workers, optional
        How the work is shared; by default this process does it.
    tariffs_only : bool
        Whether only the tariffs of the choices count, at each home's own charge point.

    Returns
    -------
    tuple of HomeChoices
        One for each file, in the order given. What can't be appraised, or is given twice, has a
        fault.

    Raises
    ------
    UsageError
        If the choices file is made for one home alone.
    """  # noqa: DOC502 - refuse_for_homes raises it
    desk = desk_of(choices, tariffs_only=tariffs_only)
    read = shared(desk.appraised, workers or Workers())
    return tuple(each_home(files, read, _unread, progress))


def desk_of(choices: ChoicesFile, *, tariffs_only: bool) -> Desk:
    """Read what is the same for every home.

    Parameters
    ----------
    choices : ChoicesFile
        The choices, the year, and when vehicles are away.
    tariffs_only : bool
        Whether only the tariffs of the choices count.

    Returns
    -------
    Desk
        It can be pickled.

    Raises
    ------
    UsageError
        If the choices file is made for one home alone.
    """  # noqa: DOC502 - refuse_for_homes raises it
    refuse_for_homes(choices)
    return Desk(choices, read_series(choices), SystemClock().now(), tariffs_only=tariffs_only)


def _unread(file: Path, name: str, fault: str) -> HomeChoices:
    return HomeChoices(file, name, fault=fault)


def with_better_tariffs(
    homes: Sequence[HomeMonths],
    choices: ChoicesFile,
    progress: Callable[[int, int], None],
    workers: Workers,
) -> tuple[HomeMonths, ...]:
    """Find the best tariff of each home that could be read; say of which it is not known, and why.

    Parameters
    ----------
    homes : sequence of HomeMonths
        The homes.
    choices : ChoicesFile
        Its tariffs are compared, at each home's own charge point.
    progress : callable
        Is told how many homes are done, of how many.
    workers : Workers
        How the work is shared.

    Returns
    -------
    tuple of HomeMonths
        In the same order.
    """
    readable = [home.file for home in homes if home.fault is None]
    appraised = iter(appraise_homes(choices, readable, progress, workers, tariffs_only=True))
    return tuple(
        home if home.fault is not None else _with_better(home, next(appraised)) for home in homes
    )


def _with_better(home: HomeMonths, found: HomeChoices) -> HomeMonths:
    if found.fault is not None:
        remark = f"tariffs are not compared: {found.fault}"
        return replace(home, remarks=(*home.remarks, remark))
    return replace(home, better=found.better)


@dataclass(frozen=True)
class Desk:
    """What is the same for every home: the choices with their prices, and the present instant."""

    choices: ChoicesFile
    series: dict[str, tuple[RateNews, ...]]
    now: datetime
    tariffs_only: bool

    def appraised(self, file: Path, reading: Reading[HomeChoices]) -> HomeChoices:
        """Appraise a home; say what it was read from.

        Parameters
        ----------
        file : Path
            Its household file.
        reading : Reading
            Its name, ledger and nights are set.

        Returns
        -------
        HomeChoices
            With what many homes need of the appraisal.
        """
        return self.finished(self.prepared(file, reading))

    def prepared(self, file: Path, reading: Reading[Any]) -> Prepared:
        """Read all that a home's appraisal rests on.

        Parameters
        ----------
        file, reading
            As for `appraised`.

        Returns
        -------
        Prepared
            All of it.

        Raises
        ------
        UsageError
            If the choices do not fit the home, or it has too little of a record.
        """
        try:
            return self._prepared(file, reading)
        except ValidationError as error:
            reasons = "; ".join(each["msg"] for each in error.errors())
            raise UsageError(f"the choices do not fit this home: {reasons}") from error

    def _prepared(self, file: Path, reading: Reading[Any]) -> Prepared:
        house, _faults = load_recorded_house(file)
        home = house.file
        reading.name = home.household.name
        reading.ledger = home.ledger.path
        with ledger_of(house) as ledger:
            records = records_between(file, house, ledger, None, None)
        if not records:
            raise UsageError(f"{home.ledger.path}: expected nights in the ledger, got none")
        reading.nights = prints_of(
            tuple(str(record[key]) for key in ("night", "charge_point", "energy_kwh", "cost"))
            for record in records
            if record["energy_kwh"]
        )
        used = _used(records)
        vehicle = max(used, key=lambda name: sum(used[name].values()))
        if vehicle not in home.vehicles:
            raise UsageError(f"{file}: vehicles: expected {vehicle}, which is in the ledger")
        today = local_date(self.now, home.zone)
        now = home_now(home, vehicle, today)
        made = file_of_home(self.choices, now, tariffs_only=self.tariffs_only)
        series = self._series_for(made) | {AS_NOW: _news(home, now.bought_at)}
        remarks = _remarks(home, used, vehicle, records)
        return Prepared(file, vehicle, made, series, used[vehicle], now.bought_at, tuple(remarks))

    def finished(self, it: Prepared) -> HomeChoices:
        """Appraise a home of which all is read."""
        result = appraise_series(it.choices, it.series, it.used_wh)
        best = next(each for each in it.choices.choices if each.name == result.cheapest)
        return HomeChoices(
            file=it.file,
            name=it.choices.appraisal.name,
            vehicle=it.vehicle,
            nights=len(it.used_wh),
            appraisal=_brief(result),
            wrong_tariff=not same_prices(best.bought_at, it.bought_at),
            remarks=(*it.remarks, *_estimated(result)),
        )

    def _series_for(self, made: ChoicesFile) -> dict[str, tuple[RateNews, ...]]:
        """Give each choice the prices of its tariff, whatever the choice is called here."""
        by_tariff = {
            each.bought_at.name: self.series[each.name]
            for each in self.choices.choices
            if each.name in self.series
        }
        kept = {each.name: by_tariff.get(each.bought_at.name) for each in made.choices[1:]}
        return {name: news for name, news in kept.items() if news is not None}


@dataclass(frozen=True)
class Prepared:
    """All that the appraisal of one home rests on.

    Attributes
    ----------
    file : Path
        Its household file.
    vehicle : str
        The vehicle whose record counts.
    choices : ChoicesFile
        The choices for this home; the first is the home as it is now.
    series : dict
        Prices and announced days, by the name of the choice.
    used_wh : dict of date to int
        Metered energy of each night [Wh].
    bought_at : Tariff
        The tariff at which charging is paid now.
    remarks : tuple of str
        What to know about its figures.
    """

    file: Path
    vehicle: str
    choices: ChoicesFile
    series: dict[str, tuple[RateNews, ...]]
    used_wh: dict[date, int]
    bought_at: Tariff
    remarks: tuple[str, ...]

    def inputs(self) -> str:
        """Return what is the same for equal inputs of this version alone."""
        parts = (version("lullwatt"), self.choices, self.series, self.used_wh, self.remarks)
        return hashlib.sha256(repr(parts).encode()).hexdigest()


def _brief(result: Appraisal) -> Appraisal:
    """Leave out what only a report of one home shows: there may be many homes."""
    return replace(
        result, break_even=None, curve=(), curve_short=(), assumptions=(), cautions=(), hinges=()
    )


def _used(records: Sequence[dict[str, Any]]) -> dict[str, dict[date, int]]:
    """Add up each vehicle's metered energy of each night [Wh]."""
    used: dict[str, dict[date, int]] = {}
    for record in records:
        nights, day = used.setdefault(record["vehicle"], {}), date.fromisoformat(record["night"])
        nights[day] = nights.get(day, 0) + round(record["energy_kwh"] * 1000)
    return used


def _news(home: HouseholdFile, tariff: Tariff) -> tuple[RateNews, ...]:
    """Read the prices and announced days of a home's tariff, by file and over the bus."""
    sources = [part.file for part in (tariff.series, tariff.announced) if part is not None]
    read = partial(load_series, file=home)
    of_files = [each for source in sources if source is not None for each in read(source)]
    if not sources:
        return ()
    return (*of_files, *stored_news(home.ledger.path, [tariff.name]).get(tariff.name, ()))


def _estimated(result: Appraisal) -> list[str]:
    """Say how much of a choice's energy has no known price in that year, if any has."""
    shares = (
        (each.name, 100 * each.estimated_kwh / each.energy_kwh)
        for each in result.choices
        if each.energy_kwh
    )
    return [
        f"{share:.0f} % of the energy of “{name}” is at estimated rates"
        for name, share in shares
        if round(share)
    ]


def _remarks(
    home: HouseholdFile,
    used: dict[str, dict[date, int]],
    vehicle: str,
    records: Sequence[dict[str, Any]],
) -> list[str]:
    remarks = []
    if len(used) > 1:
        whole = sum(sum(nights.values()) for nights in used.values())
        share = 100 * sum(used[vehicle].values()) / whole if whole else 0.0
        remarks.append(f"counts {vehicle} alone, {share:.0f} % of the energy")
    # An extract has no roof, but its nights have what came from one.
    if home.generation is not None or any("roof_kwh" in record for record in records):
        remarks.append("its own roof is left out")
    return remarks
