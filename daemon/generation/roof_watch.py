"""Keep what is expected of the home's own roofs up to date."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np
import structlog

from config.files.errors import FileError
from daemon.generation.forecasts import (
    FURTHEST,
    KEPT,
    RefusedForecastError,
    forecast_file,
    load_forecast_of,
    points_of,
)
from daemon.generation.refusals import Refusals
from daemon.presentation.figures import local_time
from planners.generation import nowcast
from planners.generation.forecast import values_by_minute
from planners.generation.metered import HourInProgress, with_reading
from planners.generation.nowcast import Recent
from planners.generation.outlook import LEARNED_WEEKS, Outlook, learned_shares
from planners.local_time.conversion import minute_of

if TYPE_CHECKING:
    from datetime import datetime

    from numpy.typing import NDArray

    from adapters.contract.messages import Forecast, Generated
    from adapters.ledger.ledger import Ledger
    from adapters.ledger.reader import LedgerReader
    from config.files.forecast_series import ForecastPoint
    from config.home.generation import Generation
    from config.household.household_file import HouseholdFile
    from daemon.control.events import HouseholdHealth
    from daemon.control.state import House

_log = structlog.get_logger(__name__)


class RoofWatch:
    """Keeps forecasts, and what the roofs have given of late.

    A bad forecast is dropped, the one before it stays, and `news` says so once.
    """

    def __init__(self) -> None:
        self._of_file: tuple[ForecastPoint, ...] = ()
        self._of_bus: tuple[ForecastPoint, ...] = ()
        self._shares: tuple[float, ...] = ()
        self._hour: HourInProgress | None = None
        self._recent = Recent()
        self._outlook: Outlook | None = None
        self._refusals = Refusals("forecast-refused")
        self._ended = Refusals("forecast-ended")

    def read_file(self, file: HouseholdFile) -> bool:
        """Read the file of forecasts, if the household names one; whether it says anything new."""
        before = self._of_file
        self._refusals.note("file", None)
        if forecast_file(file) is None:
            self._of_file = ()
            return self._of_file != before
        try:
            self._of_file = load_forecast_of(file)
        except FileError as error:
            _log.error("the forecast is dropped, the one before stays", why=str(error))
            self._refusals.note("file", str(error.faults[0]))
        return self._of_file != before

    def use_ledger(self, ledger: LedgerReader, file: HouseholdFile, now: datetime) -> None:
        """Read stored forecasts, and learn from what the roofs have given, if there are roofs."""
        if file.generation is not None:
            self._of_bus = ledger.forecast_points()
            hours = ledger.generation_hours()
            self._shares = learned_shares(hours, file.generation, now, file.zone)

    def take_forecast(
        self, message: Forecast, file: HouseholdFile, ledger: Ledger, now: datetime
    ) -> bool:
        """Store a forecast that came over the bus.

        Parameters
        ----------
        message : Forecast
            The message.
        file : HouseholdFile
            The household.
        ledger : Ledger
            Where it is stored.
        now : datetime
            UTC.

        Returns
        -------
        bool
            Whether it says anything new.
        """
        if file.generation is None:
            _log.warning("forecast ignored: the household file declares no generation")
            return False
        try:
            points = points_of(message, file.generation, now)
        except RefusedForecastError as error:
            _log.error("the forecast is dropped, the one before stays", why=str(error))
            self._refusals.note("bus", str(error))
            return False
        self._refusals.note("bus", None)
        if not ledger.add_forecast(points, now - KEPT):
            return False
        before = self._forecast_kw(file.generation, now)
        self._of_bus = ledger.forecast_points()
        _log.info("a forecast came", issued=message.issued.isoformat(), values=len(points))
        # One that is older than the file's is stored, and changes nothing.
        after = self._forecast_kw(file.generation, now)
        return not np.array_equal(before, after, equal_nan=True)

    def _forecast_kw(self, generation: Generation, now: datetime) -> NDArray[np.float64]:
        """Return what the forecasts say of each minute to come [kW]."""
        first, points = minute_of(now), (*self._of_file, *self._of_bus)
        last = first + FURTHEST // timedelta(minutes=1)
        return values_by_minute(points, generation.forecast_step, first, last)

    def take_reading(self, reading: Generated, house: House, ledger: Ledger) -> bool:
        """Take up what the roofs give now, and store the mean of each hour.

        Parameters
        ----------
        reading : Generated
            The reading.
        house : House
            The household, with what is expected of its roofs.
        ledger : Ledger
            Where hours are stored.

        Returns
        -------
        bool
            Whether plans must count on another sun in the next hours. A restart forgets that.
        """
        sun = house.prices.sun
        if house.file.generation is None or sun is None:
            return False
        self._hour, ended = with_reading(self._hour, reading.watts, reading.at)
        if ended is not None:
            ledger.add_generation_hour(ended, reading.at - LEARNED_WEEKS)
        before = self._recent.correction
        self._recent = nowcast.with_reading(self._recent, reading.watts, reading.at, sun)
        correction = self._recent.correction
        if correction is None or correction == before:
            return False
        _log.info("the roofs differ from what was expected", factor=round(correction.factor, 2))
        return True

    def over(self, house: House) -> House:
        """Return a house with what is expected of its roofs; the same one if nothing is new."""
        generation = house.file.generation
        if generation is None:
            return house
        points, known = (*self._of_file, *self._of_bus), self._outlook
        correction = self._recent.correction
        wanted = (generation, points, self._shares, correction)
        if known is None or wanted != (
            known.generation, known.points, known.shares, known.correction,
        ):  # fmt: skip
            zone = house.file.zone
            known = self._outlook = Outlook(generation, zone, points, self._shares, correction)
        if house.prices.sun is known:
            return house
        return replace(house, prices=replace(house.prices, sun=known))

    def news(self) -> HouseholdHealth | None:
        """Report, once, that a forecast was dropped, or that a good one has come since."""
        return self._refusals.news()

    def news_of_the_end(self, now: datetime) -> HouseholdHealth | None:
        """Report, once, that the last forecast has ended, or that one reaches on again."""
        outlook, reason = self._outlook, None
        until = None if outlook is None else outlook.known_until
        if outlook is not None and until is not None and until <= now:
            reason = f"the last one ended at {local_time(until, outlook.zone, '%a %d %b %H:%M')}"
        self._ended.note("end", reason)
        return self._ended.news()
