"""Keep what is known of the grid's carbon up to date."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import structlog

from config.files.errors import FileError
from daemon.carbon.intensities import (
    KEPT,
    RefusedIntensitiesError,
    load_intensities_of,
    points_of,
    with_earlier,
)
from daemon.generation.forecasts import FURTHEST
from daemon.generation.refusals import Refusals
from planners.carbon.outlook import CarbonOutlook
from planners.local_time.conversion import minute_of

if TYPE_CHECKING:
    from datetime import datetime

    from adapters.contract.messages import CarbonIntensity
    from adapters.ledger.ledger import Ledger
    from config.files.forecast_series import IntensityPoint
    from config.household.household_file import HouseholdFile
    from daemon.control.events import HouseholdHealth
    from daemon.control.state import House

_log = structlog.get_logger(__name__)


class CarbonWatch:
    """Keeps carbon intensities.

    Bad ones are dropped, those before them stay, and `news` says so once.
    """

    def __init__(self) -> None:
        self._of_file: tuple[IntensityPoint, ...] = ()
        self._stored_of_file: tuple[IntensityPoint, ...] = ()
        self._of_bus: tuple[IntensityPoint, ...] = ()
        self._outlook: CarbonOutlook | None = None
        self._refusals = Refusals("carbon-refused")

    def read_file(self, file: HouseholdFile) -> bool:
        """Read the file of intensities, if the household names one; whether it says news."""
        before = self._of_file
        self._refusals.note("file", None)
        try:
            self._of_file = load_intensities_of(file)
        except FileError as error:
            _log.error("the intensities are dropped, those before stay", why=str(error))
            self._refusals.note("file", str(error.faults[0]))
        return self._of_file != before

    def use_ledger(self, ledger: Ledger, file: HouseholdFile, now: datetime) -> None:
        """Store what the file says, for nights of which it will say nothing more; read the rest."""
        if file.carbon is None:
            return
        if self._of_file:
            ledger.add_intensities(self._of_file, "file", now - KEPT)
        self._stored_of_file = ledger.intensity_points("file")
        self._of_bus = ledger.intensity_points("bus")

    def take(
        self, message: CarbonIntensity, file: HouseholdFile, ledger: Ledger, now: datetime
    ) -> bool:
        """Store intensities that came over the bus.

        Parameters
        ----------
        message : CarbonIntensity
            The message.
        file : HouseholdFile
            The household.
        ledger : Ledger
            Where they are stored.
        now : datetime
            UTC.

        Returns
        -------
        bool
            Whether plans must count on another carbon.
        """
        if file.carbon is None:
            _log.warning("intensities ignored: the household file declares no carbon")
            return False
        try:
            points = points_of(message, now)
        except RefusedIntensitiesError as error:
            _log.error("the intensities are dropped, those before stay", why=str(error))
            self._refusals.note("bus", str(error))
            return False
        self._refusals.note("bus", None)
        if not ledger.add_intensities(points, "bus", now - KEPT):
            return False
        before = self._outlook_of(file)
        self._of_bus = ledger.intensity_points("bus")
        _log.info("intensities came", issued=message.issued.isoformat(), values=len(points))
        return _differ(before, self._outlook_of(file), now)

    def over(self, house: House) -> House:
        """Return a house with what is known of carbon; the same one if nothing is new."""
        outlook = self._outlook_of(house.file)
        if house.prices.carbon is outlook:
            return house
        return replace(house, prices=house.prices.with_carbon(outlook))

    def news(self) -> HouseholdHealth | None:
        """Report, once, that intensities were dropped, or that good ones have come since."""
        return self._refusals.news()

    def _outlook_of(self, file: HouseholdFile) -> CarbonOutlook | None:
        if file.carbon is None:
            return None
        points = (*with_earlier(self._of_file, self._stored_of_file), *self._of_bus)
        known = self._outlook
        if known is None or (known.carbon, known.points) != (file.carbon, points):
            self._outlook = known = CarbonOutlook(file.carbon, file.zone, points)
        return known


def _differ(before: CarbonOutlook | None, after: CarbonOutlook | None, now: datetime) -> bool:
    """Whether plans must count on another carbon in the time to come."""
    if before is None or after is None or not after.has_price:
        return False
    first = minute_of(now)
    last = first + int(FURTHEST.total_seconds() // 60)
    return not before.is_known or before.runs(first, last) != after.runs(first, last)
