"""Load the household file and its prices, and load them again when they change.

A changed file with faults is refused, and the old one stays in force. As long as the household file
is the same, this holds for each price file separately.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import structlog

from adapters.contract.messages import PriceFeed
from config.calendar.account_days import AccountDays, changes_from_the_start
from config.calendar.words import listed
from config.files.errors import FileError
from config.files.price_series import load_prices
from config.household.loading import load_household
from config.tariffs.read_dates import dates_files
from daemon.calendar.calendar_watch import CalendarWatch
from daemon.carbon.carbon_watch import CarbonWatch
from daemon.carbon.intensities import carbon_file
from daemon.control.events import HouseholdHealth
from daemon.generation.forecasts import forecast_file
from daemon.generation.roof_watch import RoofWatch
from daemon.messaging.price_feed import sort_announcements, sort_feed
from daemon.nights.home_peaks import peaks_so_far
from daemon.service.house_loading import (
    house_of,
    load_series,
    read_all,
    series_files,
    with_learned_load,
)
from planners.local_time.departures import DAY, night_bounds, night_of, with_account_day

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from datetime import datetime

    from adapters.contract.messages import Announcements, CarbonIntensity, Forecast, Generated
    from adapters.ledger.ledger import Ledger
    from config.calendar.account_days import AccountChange
    from config.files.announcements import RateNews
    from config.home.grid_limit import LimitInForce
    from config.household.household_file import HouseholdFile
    from config.tariffs.capacity_charge import CapacityCharge
    from daemon.calendar.calendar_watch import CalendarsRead, CalendarsTask
    from daemon.control.state import House
    from planners.capacity.tonight import DayPeak
    from planners.power.live_load import LoadHour

    Stamp = tuple[int, int, int, int]

HOUR = timedelta(hours=1)
SAVED_WITHIN = timedelta(seconds=10)
"""An editor may take this long to save a file: until then a refused one is no alert."""

MOST_OF_A_FAULT = 600
"""The longest text of a fault in an alert."""

_log = structlog.get_logger(__name__)


class HouseholdWatch:
    """Keeps a `House` up to date with its files.

    Parameters
    ----------
    path : Path
        The household file.
    stores : bool
        Whether what its calendars say is stored beside its ledger: the daemon's own watch does.

    Raises
    ------
    FileError
        If it, or a price series that it names, has faults.
    """

    def __init__(self, path: Path, *, stores: bool = False) -> None:
        self._path = path
        # Each file's stamp when it was last read, with or without faults.
        self._stamps: dict[Path, Stamp | None] = {}
        # The price files that a refused household file names.
        self._wanted: frozenset[Path] = frozenset()
        # The lists of dates that the household file names.
        self._dates_files: frozenset[Path] = frozenset()
        # Why the changed file is refused, since when, and whether that was reported.
        self._refused: str | None = None
        self._refused_at: datetime | None = None
        self._is_reported = False
        # The highest loads of past hours, and when they were read.
        self._load_hours: tuple[LoadHour, ...] = ()
        self._learned_at: datetime | None = None
        # The highest power of each day, for a capacity charge, read with them.
        self._peaks: tuple[DayPeak, ...] = ()
        self._peaks_due = True
        # Since when nights end at noon or at midnight, once the ledger has told.
        self._account_changes: tuple[AccountChange, ...] | None = None
        self.days_due = True
        # What random delays are drawn from.
        self._seed = b""
        # What the grid operator allows now.
        self._grid_limits: tuple[LimitInForce, ...] = ()
        # What is expected of the home's own roofs.
        self._roofs = RoofWatch()
        # What is known of the grid's carbon.
        self._carbon = CarbonWatch()
        # What the calendars say.
        self._calendars = CalendarWatch(stores=stores)
        file, series = self._read()
        self._series = series
        self._read_forecast(file)
        self._read_carbon(file)
        house = self._roofs.over(house_of(file, series, lambda _tariff: ()))
        self._house = self._calendars.over(self._carbon.over(house))

    @property
    def house(self) -> House:
        """The household file and the rates in force."""
        return self._house

    def use_ledger(self, ledger: Ledger) -> None:
        """Replace prices of the files with those that came over the bus and were stored."""
        self._seed = ledger.random_seed()
        self._put_in_force(house_of(self._house.file, self._series, ledger.rate_news))

    def settle_days(self, ledger: Ledger, now: datetime) -> None:
        """Let nights end where the file says; one that has begun ends as it was to end.

        Parameters
        ----------
        ledger : Ledger
            Tells how the nights before ended, and is told of a change.
        now : datetime
            UTC.

        Raises
        ------
        LedgerError
            If it can't be read or written.
        """  # noqa: DOC502 - raised by the ledger
        file, stored = self._house.file, ledger.account_changes()
        ends = file.household.account_day
        # What could not be stored before holds all the same.
        known = stored if stored is None or self._account_changes is None else self._account_changes
        if known is None:
            changes = changes_from_the_start(ends)
        else:
            changes = with_account_day(AccountDays(file.zone, known), ends, now).changes
        self._account_changes = changes
        self._put_in_force(self._house)
        if known is not None and changes != known:
            days = self._house.file.days
            night = night_of(now, days) + DAY
            begins, over = night_bounds(night, days)
            _log.warning(
                "the days of the account change", night=str(night), hours=(over - begins) / HOUR
            )
        if changes != (stored or ()):
            ledger.set_account_changes(changes)
        self.days_due = False

    def learn_load(self, ledger: Ledger, now: datetime) -> bool:
        """Learn from the ledger what the home draws, and its peaks; once a night.

        Parameters
        ----------
        ledger : Ledger
            Holds the highest load of each hour.
        now : datetime
            UTC.

        Returns
        -------
        bool
            Whether plans must expect another load, or other peaks.

        Raises
        ------
        LedgerError
            If it can't be read.
        """  # noqa: DOC502 - raised by the ledger
        days, before = self._house.file.days, self._house
        learned_at = self._learned_at
        is_known = learned_at is not None and night_of(learned_at, days) == night_of(now, days)
        if is_known and not self._peaks_due:
            return False
        self._learned_at, self._peaks_due = now, False
        self._load_hours = ledger.load_hours()
        self._peaks = peaks_so_far(self._house, ledger, now, self._peaks)
        self._roofs.use_ledger(ledger, self._house.file, now)
        self._carbon.use_ledger(ledger, self._house.file, now)
        self._put_in_force(self._house)
        return self._house is not before

    def _put_in_force(self, house: House) -> None:
        changes = self._account_changes
        if changes is not None and house.file.days.changes != changes:
            house = replace(house, file=house.file.with_account_changes(changes))
        if house.file.grid_limits != self._grid_limits:
            house = replace(house, file=house.file.with_grid_limits(self._grid_limits))
        if house.seed != self._seed:
            house = replace(house, seed=self._seed)
        if self._learned_at is not None:
            house = with_learned_load(house, self._load_hours, self._learned_at)
        house = self._calendars.over(self._carbon.over(self._roofs.over(house)))
        self._house = house if house.peaks == self._peaks else replace(house, peaks=self._peaks)

    def limit(self, limits: tuple[LimitInForce, ...]) -> None:
        """Plan with what the grid operator allows from now on."""
        self._grid_limits = limits
        self._put_in_force(self._house)

    def load_changes(
        self, ledger: Ledger, *, again: bool = False
    ) -> Literal["file", "prices", "forecast"] | None:
        """Load the files that have changed on disk.

        Parameters
        ----------
        ledger : Ledger
            Holds the prices that came over the bus.
        again : bool
            Whether to load all files, changed or not.

        Returns
        -------
        {"file", "prices", "forecast"} or None
            What is new; None if nothing is or the new files are refused.
        """
        if again:
            self._stamps.clear()
        in_force = series_files(self._house.file)
        with_the_file = {self._path} | self._wanted | self._dates_files
        forecast, carbon = forecast_file(self._house.file), carbon_file(self._house.file)
        watched = with_the_file | in_force | {each for each in (forecast, carbon) if each}
        changed = {path for path in watched if _stamp(path) != self._stamps.get(path)}
        if changed & with_the_file and self._load_file(ledger):
            return "file"
        if self._load_series(sorted(changed & in_force), ledger):
            return "prices"
        is_new = forecast in changed and self._read_forecast(self._house.file)
        if carbon in changed and self._read_carbon(self._house.file):
            is_new = True
        if is_new:
            self._put_in_force(self._house)
            return "forecast"
        return None

    def calendars_task(self, now: datetime) -> CalendarsTask | None:
        """Say which calendars are to be read, elsewhere; None if none is."""
        return self._calendars.task(self._house.file, now)

    def take_calendars(self, read: CalendarsRead, now: datetime) -> bool:
        """Take up what calendars say; whether departures may have changed."""
        is_new = self._calendars.take(read, self._house.file, now)
        self._put_in_force(self._house)
        return is_new

    def calendar_news(self, now: datetime) -> tuple[HouseholdHealth | None, ...]:
        """Report, once each, that a calendar can't be read or an event is odd, or no longer is."""
        self._calendars.look(self._house.file, now)
        self._house = self._calendars.over(self._house)
        return self._calendars.news()

    def _read_carbon(self, file: HouseholdFile) -> bool:
        """Read the file of carbon intensities, if there is one; whether it says anything new."""
        path = carbon_file(file)
        if path is not None:
            self._stamps[path] = _stamp(path)
        is_new = self._carbon.read_file(file)
        self._peaks_due = self._peaks_due or is_new  # it is stored with the next look
        return is_new

    def store_carbon(self, received: CarbonIntensity, ledger: Ledger, now: datetime) -> bool:
        """Store intensities that came over the bus; whether plans must count on another carbon."""
        is_new = self._carbon.take(received, self._house.file, ledger, now)
        self._put_in_force(self._house)
        return is_new

    def carbon_news(self) -> HouseholdHealth | None:
        """Report, once, that intensities were dropped, or that good ones have come since."""
        return self._carbon.news()

    def _read_forecast(self, file: HouseholdFile) -> bool:
        """Read the file of forecasts, if there is one; whether it says anything new."""
        path = forecast_file(file)
        if path is not None:
            self._stamps[path] = _stamp(path)
        return self._roofs.read_file(file)

    def store_forecast(self, received: Forecast, ledger: Ledger, now: datetime) -> bool:
        """Store a forecast that came over the bus; whether plans must count on another sun."""
        if not self._roofs.take_forecast(received, self._house.file, ledger, now):
            return False
        self._put_in_force(self._house)
        return True

    def store_generated(self, reading: Generated, ledger: Ledger) -> bool:
        """Take up what the home's own roofs give; whether plans must count on another sun."""
        if not self._roofs.take_reading(reading, self._house, ledger):
            return False
        self._put_in_force(self._house)
        return True

    def forecast_end(self, now: datetime) -> HouseholdHealth | None:
        """Report, once, that the last forecast has ended, or that one reaches on again."""
        return self._roofs.news_of_the_end(now)

    def forecast_news(self) -> HouseholdHealth | None:
        """Report, once, that a forecast was dropped, or that a good one has come since."""
        return self._roofs.news()

    def news(self, now: datetime) -> HouseholdHealth | None:
        """Report, once, that the changed household file is refused, or no longer is.

        Parameters
        ----------
        now : datetime
            UTC.

        Returns
        -------
        HouseholdHealth or None
            What is wrong with the file, or that it is in force again.
        """
        if self._refused is None:
            was_reported, self._is_reported, self._refused_at = self._is_reported, False, None
            return HouseholdHealth("file-refused", None) if was_reported else None
        self._refused_at = self._refused_at or now
        if self._is_reported or now < self._refused_at + SAVED_WITHIN:
            return None
        self._is_reported = True
        return HouseholdHealth("file-refused", self._refused)

    def store_news(self, received: PriceFeed | Announcements, ledger: Ledger) -> bool:
        """Store prices or kinds of days that came over the bus, each for the tariff of its day.

        Parameters
        ----------
        received : PriceFeed or Announcements
            The message.
        ledger : Ledger
            Where to store them.

        Returns
        -------
        bool
            Whether any of them is new.
        """
        if isinstance(received, PriceFeed):
            what, prices = "prices", sort_feed(self._house.prices, received)
            ignored, why = prices.ignored, prices.why()
            news = {
                tariff: ledger.add_prices(tariff, list(points.values()))
                for tariff, points in prices.by_tariff.items()
            }
        else:
            what, days = "announcements", sort_announcements(self._house.prices, received)
            ignored, why = days.ignored, days.why()
            news = {
                tariff: ledger.add_announcements(tariff, list(kinds.values()))
                for tariff, kinds in days.by_tariff.items()
            }
        if ignored:
            _log.warning(f"{what} are ignored", count=ignored.total(), why=why)
        if not any(news.values()):
            return False
        self.use_ledger(ledger)
        _log.info(f"{what} came", news=news)
        return True

    def _read(self) -> tuple[HouseholdFile, dict[Path, tuple[RateNews, ...]]]:
        """Read the household file and the price files it names, or raise their faults."""
        self._wanted = frozenset()
        self._stamps[self._path] = _stamp(self._path)
        for path in self._dates_files:
            self._stamps[path] = _stamp(path)
        try:
            file = load_household(self._path)
        except FileError as error:
            # A list of dates with faults is looked at again, though the household is refused.
            self._dates_files |= {Path(fault.file) for fault in error.faults} - {self._path}
            self._stamp_new_dates_files()
            raise
        self._dates_files = dates_files((file.household, *file.tariffs))
        self._stamp_new_dates_files()
        self._wanted = series_files(file)
        series = read_all(
            sorted(self._wanted), lambda path: self._stamped(path, lambda: load_series(path, file))
        )
        self._wanted = frozenset()
        return file, series

    def _stamp_new_dates_files(self) -> None:
        for path in self._dates_files:
            self._stamps.setdefault(path, _stamp(path))

    def _stamped(
        self, path: Path, read: Callable[[], tuple[RateNews, ...]]
    ) -> tuple[RateNews, ...]:
        # The stamp first: a write during the read is noticed at the next look.
        self._stamps[path] = _stamp(path)
        return read()

    def _load_file(self, ledger: Ledger) -> bool:
        try:
            file, series = self._read()
        except FileError as error:
            _log.error("the changed file is refused, the old one stays in force", why=str(error))
            self._refused = _first_fault(error)
            return False
        needs_restart = _needing_restart(self._house.file, file)
        if needs_restart:
            _log.error("this change takes a restart, the old file stays in force", of=needs_restart)
            self._refused = f"to change {listed(needs_restart)}, restart Lullwatt"
            return False
        self._refused = None
        self.days_due = True
        self._read_forecast(file)
        self._read_carbon(file)
        old = self._house.file
        if (file.generation, file.carbon) != (old.generation, old.carbon):
            self._peaks_due = True  # what was stored of the roofs, and of carbon, is read again
        if _capacity_charges(file) != _capacity_charges(self._house.file):
            self._peaks, self._peaks_due = (), True  # other hours may count: read all again
        self._put_in_force(house_of(file, series, ledger.rate_news))
        self._series = series
        _log.info("the changed file is in force", file=str(self._path))
        return True

    def _load_again(self, path: Path) -> tuple[RateNews, ...]:
        """Read a file that is in force; it must still be there, even if it is fetched."""
        return load_series(path, self._house.file) if path.exists() else load_prices(path)

    def _load_series(self, paths: Iterable[Path], ledger: Ledger) -> bool:
        news: dict[Path, tuple[RateNews, ...]] = {}
        for path in paths:
            try:
                points = self._stamped(path, partial(self._load_again, path))
            except FileError as error:
                _log.error("changed prices are refused, the old ones stay", why=str(error))
                continue
            if points != self._series[path]:
                news[path] = points
        if news:
            self._series |= news
            self.use_ledger(ledger)
            _log.info("changed prices are in force", files=[str(path) for path in news])
        return bool(news)


def _capacity_charges(file: HouseholdFile) -> list[CapacityCharge | None]:
    return [tariff.capacity_charge for tariff in file.tariffs]


def _first_fault(error: FileError) -> str:
    first, *others = map(str, error.faults)
    more = f" (and {len(others)} more)" if others else ""
    return f"{first[:MOST_OF_A_FAULT]}{more}"


def _stamp(path: Path) -> Stamp | None:
    # A copy may keep the time and size of the file it replaces, but not its inode and ctime.
    try:
        stat = path.stat()
    except OSError:
        return None
    return stat.st_mtime_ns, stat.st_size, stat.st_ino, stat.st_ctime_ns


def _needing_restart(old: HouseholdFile, new: HouseholdFile) -> list[str]:
    """List the changes that a running daemon can't make: its topics, broker, ledger and so on."""
    changed = {
        "household.name": old.household.name != new.household.name,
        "household.topic": old.household.topic != new.household.topic,
        "household.timezone": old.household.timezone != new.household.timezone,
        "household.currency": old.household.currency != new.household.currency,
        "the names in charge_points": set(old.charge_points) != set(new.charge_points),
        "bus": old.bus != new.bus,
        "ledger": old.ledger != new.ledger,
        "ocpp": old.ocpp != new.ocpp,
        "metrics": old.metrics != new.metrics,
        "how charge points are wired": _ways(old) != _ways(new),
    }
    return [what for what, differs in changed.items() if differs]


def _ways(file: HouseholdFile) -> dict[str, object]:
    """Give each charge point's way of connection, and that of the grid operator's contact."""
    ways: dict[str, object] = {
        n: (each.wiring, each.ocpp) for n, each in file.charge_points.items()
    }
    return {**ways, "": file.household.grid_limit.contact}
