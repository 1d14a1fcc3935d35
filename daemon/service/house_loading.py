"""Load a household file with its prices, once. Loads no more than that needs, for fast commands."""

from __future__ import annotations

import sys
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING

from adapters.clocks.clock import SystemClock
from adapters.ledger.stored_prices import (
    stored_account_changes,
    stored_intensities,
    stored_ledger,
    stored_load_hours,
    stored_news,
    stored_sunshine,
)
from config.extract.received import received_beside, refuse_ended
from config.files.announcements import (
    Announcement,
    RateNews,
    announcements_in,
    load_announcements,
    prices_in,
)
from config.files.errors import Fault, FileError, LedgerError
from config.files.price_series import load_prices
from config.home.known_load import LearnedLoad
from config.household.loading import load_household
from daemon.carbon.intensities import load_intensities_of, with_earlier
from daemon.control.state import House
from daemon.generation.forecasts import load_forecast_of
from planners.carbon.outlook import CarbonOutlook
from planners.generation.outlook import Outlook, learned_shares
from planners.home.learned_load import learned_load
from planners.local_time.conversion import local_date
from planners.rates.prices import prices_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from datetime import date, datetime
    from pathlib import Path

    from config.files.forecast_series import ForecastPoint
    from config.household.household_file import HouseholdFile
    from planners.power.live_load import LoadHour

    Series = Mapping[Path, tuple[RateNews, ...]]


def load_house(path: Path, now: datetime | None = None) -> House:
    """Load a household file, the prices and announcements it names, and what its ledger holds.

    Writes no file. If the ledger can't be read, one line on standard error says so.

    Parameters
    ----------
    path : Path
        The household file.
    now : datetime, optional
        UTC; with it, what the home has drawn stands in for a known load that is not declared, and
        forecasts of the home's own roofs and carbon intensities are loaded too, and calendars.

    Returns
    -------
    House
        Ready to plan with.

    Raises
    ------
    FileError
        Every fault of the file, or of its price series.
    """  # noqa: DOC502 - raised by the loaders
    file = load_household(path)
    series = read_all(series_files(file), lambda each: load_series(each, file))
    file, stored = _with_record(file)
    house = house_of(file, series, lambda tariff: stored.get(tariff, ()))
    if file.calendars:
        house = _with_calendars(house, now)
    if now is None:
        return house
    if file.generation is not None:
        house = _with_roofs(house, load_forecast_of(file), now)
    if file.carbon is not None:
        house = _with_carbon(house)
    try:
        if file.household.main_fuse_amps is not None and not file.household.known_load:
            house = with_learned_load(house, stored_load_hours(file.ledger.path), now)
        return _with_peaks(house, now)
    except LedgerError as error:
        sys.stderr.write(f"{error}; what the home has drawn is left out\n")
        return house


def load_recorded_house(path: Path) -> tuple[House, tuple[Fault, ...]]:
    """Load a household file to show what its ledger recorded; its price files may be missing.

    Nights are priced in the ledger. Without their prices, only the rates of hours are not known.

    Parameters
    ----------
    path : Path
        The household file.

    Returns
    -------
    house : House
        To read the record with, not to plan with.
    faults : tuple of Fault
        What is wrong with its price files.

    Raises
    ------
    FileError
        Every fault of the household file itself.
    SealError
        If it was received from a household whose consent has ended.
    """  # noqa: DOC502 - raised by the loaders
    file = load_household(path, to_read=True)
    today = local_date(SystemClock().now(), file.zone)
    refuse_ended(received_beside(path), path.parent, today)
    series: dict[Path, tuple[RateNews, ...]] = {}
    faults: list[Fault] = []
    for each in sorted(series_files(file)):
        try:
            series[each] = load_series(each, file)
        except FileError as error:
            series[each] = ()
            faults += error.faults
    file, stored = _with_record(file, warn=_say_nothing)
    return house_of(file, series, lambda tariff: stored.get(tariff, ())), tuple(faults)


def _say_nothing(_line: str) -> None:
    """Leave it to whoever opens the ledger next, which fails in the same way."""


def _with_record(
    file: HouseholdFile, warn: Callable[[str], object] | None = None
) -> tuple[HouseholdFile, Mapping[str, tuple[RateNews, ...]]]:
    """Read when nights have ended, and the prices and announcements of each tariff."""
    with suppress(LedgerError):  # what follows, or who reads its nights, says so
        changes = stored_account_changes(file.ledger.path)
        file = file if changes is None else file.with_account_changes(changes)
    tariffs = [each.name for each in file.tariffs if each.series or each.announced]
    if not tariffs:
        return file, {}
    try:
        return file, stored_news(file.ledger.path, tariffs)
    except LedgerError as error:
        (warn or sys.stderr.write)(
            f"{error}; announcements and prices that came over the bus are left out\n"
        )
        return file, {}


def _with_calendars(house: House, now: datetime | None) -> House:
    """Add what the calendars say now, or what the daemon has kept of them."""
    from daemon.calendar.saved import with_calendars, with_kept  # noqa: PLC0415 - few need it

    file = house.file
    return replace(house, file=with_kept(file) if now is None else with_calendars(file, now))


def _with_roofs(house: House, of_file: tuple[ForecastPoint, ...], now: datetime) -> House:
    """Add what the roofs are expected to give, by forecasts and by what they gave of late."""
    file, generation = house.file, house.file.generation
    if generation is None:
        return house
    try:
        of_bus, hours = stored_sunshine(file.ledger.path)
    except LedgerError as error:
        sys.stderr.write(f"{error}; what came over the bus about the roofs is left out\n")
        of_bus, hours = (), ()
    shares = learned_shares(hours, generation, now, file.zone)
    sun = Outlook(generation, file.zone, (*of_file, *of_bus), shares)
    return replace(house, prices=replace(house.prices, sun=sun))


def _with_carbon(house: House) -> House:
    """Add what is known of the grid's carbon, by file and by what was stored."""
    file, carbon = house.file, house.file.carbon
    if carbon is None:
        return house
    of_file = load_intensities_of(file)
    try:
        earlier, of_bus = stored_intensities(file.ledger.path)
    except LedgerError as error:
        sys.stderr.write(f"{error}; stored carbon intensities are left out\n")
        earlier, of_bus = (), ()
    outlook = CarbonOutlook(carbon, file.zone, (*with_earlier(of_file, earlier), *of_bus))
    return replace(house, prices=house.prices.with_carbon(outlook))


def _with_peaks(house: House, now: datetime) -> House:
    """Add the highest power of each day so far, if a capacity charge needs them."""
    if not any(tariff.capacity_charge for tariff in house.file.tariffs):
        return house
    from daemon.nights.home_peaks import peaks_so_far  # noqa: PLC0415 - few households need it

    with stored_ledger(house.file.ledger.path) as ledger:
        return house if ledger is None else replace(house, peaks=peaks_so_far(house, ledger, now))


def with_learned_load(house: House, hours: Iterable[LoadHour], now: datetime) -> House:
    """Let what the home has drawn stand in for a known load that the file does not declare.

    Parameters
    ----------
    house : House
        The household, with or without a learned load.
    hours : iterable of LoadHour
        The highest loads of past hours.
    now : datetime
        UTC.

    Returns
    -------
    House
        The same one if its file declares a known load or no main fuse, or if nothing else is
        learned.
    """
    home = house.file.household
    if any(not isinstance(each, LearnedLoad) for each in home.known_load):
        return house
    learned = learned_load(hours, now, house.file.zone, home.fuse_by_phase)
    if learned == home.known_load:
        return house
    home = home.model_copy(update={"known_load": learned})
    file = house.file.model_copy(update={"household": home})
    return House(file, house.prices)


def series_files(file: HouseholdFile) -> frozenset[Path]:
    """Return the price files, and files of announcements, that a household file names."""
    sources = [part for tariff in file.tariffs for part in (tariff.series, tariff.announced)]
    if file.generation is not None:
        sources += [each.export_rate.series for each in file.tariffs if each.export_rate]
    return frozenset(each.file for each in sources if each is not None and each.file is not None)


def load_series(path: Path, file: HouseholdFile) -> tuple[RateNews, ...]:
    """Read a price file, or a file of announcements; one that is fetched need not be there yet."""
    for tariff in file.tariffs:
        if tariff.announced is not None and tariff.announced.file == path:
            return load_announcements(path, tariff.announced.picked_by_name)
    series = (tariff.series for tariff in file.tariffs)
    fetched = {each.file for each in series if each is not None and each.fetch is not None}
    return () if path in fetched and not path.exists() else load_prices(path)


def read_all(
    paths: Iterable[Path], read: Callable[[Path], tuple[RateNews, ...]]
) -> dict[Path, tuple[RateNews, ...]]:
    """Read price series with a function, or raise all their faults (`FileError`)."""
    series: dict[Path, tuple[RateNews, ...]] = {}
    faults: list[Fault] = []
    for path in paths:
        try:
            series[path] = read(path)
        except FileError as error:
            faults += error.faults
    if faults:
        raise FileError(faults)
    return series


def house_of(
    file: HouseholdFile, series: Series, stored: Callable[[str], Iterable[RateNews]]
) -> House:
    """Build a house; what came over the bus replaces what the files say."""
    news: dict[str, list[RateNews]] = {}
    for tariff in file.tariffs:
        parts = (tariff.series, tariff.announced)
        sources = [each.file for each in parts if each is not None and each.file is not None]
        if any(parts):
            known = [each for source in sources for each in series[source]]
            came = tuple(stored(tariff.name))
            points = {each.start: each for each in (*prices_in(known), *prices_in(came))}
            kinds = {each.day: each for each in (*announcements_in(known), *announcements_in(came))}
            news[tariff.name] = [*sorted(points.values()), *_in_order(kinds)]
    return House(file, prices_of(file, news, sold=_sold(file, series)))


def _sold(file: HouseholdFile, series: Series) -> dict[str, tuple[RateNews, ...]]:
    """Return the prices of export rates that have a file of their own, by the tariff's name."""
    if file.generation is None:
        return {}
    sources = {each.name: each.export_rate.series for each in file.tariffs if each.export_rate}
    return {
        name: series[source.file]
        for name, source in sources.items()
        if source is not None and source.file is not None
    }


def _in_order(kinds: Mapping[date, Announcement]) -> list[Announcement]:
    return [kinds[day] for day in sorted(kinds)]
