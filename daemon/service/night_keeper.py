"""Sees to it that every night is recorded, if not at once then later, and none forgotten.

What can't be recorded when it is closed is owed, and tried again; so is each night that a reading
tells more of afterwards. What is owed is kept with the state, in one row, so that no restart
forgets a night: as long as even that row can't be written, the one before it stands, and a start
closes the same night again.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import structlog

from config.files.errors import TariffError
from daemon.control.state import vehicle_of
from daemon.nights.kept import Owed, kept_body, kept_of
from daemon.nights.recount import (
    MOST_NIGHTS,
    facts_again,
    facts_unseen,
    nights_between,
    says_the_same,
)
from daemon.nights.retention import has_all_readings
from planners.local_time.departures import night_of

if TYPE_CHECKING:
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from adapters.ledger.ledger import Ledger
    from daemon.control.events import NightFacts
    from daemon.control.state import House, PointState
    from daemon.messaging.outbox import Outbox

AT_ONCE = 20
"""Nights that are accounted for in one go: more would keep commands waiting."""

_log = structlog.get_logger(__name__)


@dataclass(slots=True)
class _Point:
    facts: dict[date, NightFacts] = field(default_factory=dict)
    nights: set[date] = field(default_factory=set)
    read_to: datetime | None = None
    body: dict[str, Any] | None = None

    @property
    def owed(self) -> Owed:
        return Owed(tuple(self.facts.values()), tuple(sorted(self.nights)), self.read_to)


class NightKeeper:
    """Keeps the nights of all charge points.

    Parameters
    ----------
    ledger : Ledger
        Where they are recorded.
    outbox : Outbox
        Accounts for them, records and publishes them.
    """

    def __init__(self, ledger: Ledger, outbox: Outbox) -> None:
        self._ledger = ledger
        self._outbox = outbox
        self._points: dict[str, _Point] = {}
        self._not_priced_with: House | None = None

    def begin(self, state: PointState, now: datetime, zone: ZoneInfo) -> None:
        """Find again what is owed.

        Parameters
        ----------
        state : PointState
            As it was recovered.
        now : datetime
            UTC.
        zone : ZoneInfo
            The household's.

        Raises
        ------
        LedgerError
            If it can't be read.
        """  # noqa: DOC502 - raised by the ledger
        point = self._points[state.charge_point] = _Point()
        body = self._ledger.open_night(state.charge_point)
        if body is not None:
            owed = kept_of(body).owed
            point.facts = {facts.night: facts for facts in owed.facts}
            point.nights = set(owed.nights)
            if owed.read_to is not None and owed.read_to <= now:
                # A reading may have been kept just before the end, and not been seen to.
                point.nights.update(nights_between(owed.read_to, now, zone))
        point.read_to = state.register.at if state.register else None

    def save(self, state: PointState) -> None:
        """Keep a state and what is owed, where that is another than what is kept."""
        point = self._points[state.charge_point]
        body = kept_body(state, point.owed)
        # That a reading has come is a row of its own.
        if point.body is None or body | {"read_to": None} != point.body | {"read_to": None}:
            self._ledger.save_open_night(state.charge_point, body)
            point.body = body

    def saw(self, charge_point: str, at: datetime, zone: ZoneInfo) -> None:
        """Take note of a reading of the register, and of the nights that it tells more of.

        Parameters
        ----------
        charge_point : str
            Its name.
        at : datetime
            The reading's instant.
        zone : ZoneInfo
            The household's.
        """
        point = self._points[charge_point]
        before = point.read_to
        if before is None or at >= before:
            point.read_to = at
            if before is not None and night_of(before, zone) != night_of(at, zone):
                point.nights.update(nights_between(before, at, zone))
            return
        around = [reading.at for reading in self._ledger.register_readings(charge_point, at, at)]
        point.nights.update(nights_between(min([at, *around]), max([at, *around]), zone))

    def close(self, facts: NightFacts, house: House) -> dict[str, Any] | None:
        """Record a night, or owe it.

        Parameters
        ----------
        facts : NightFacts
            What is known of it.
        house : House
            The household file and the rates.

        Returns
        -------
        dict or None
            Its record, if that is news.

        Raises
        ------
        LedgerError
            If it can't be recorded now.
        """  # noqa: DOC502 - raised by the ledger
        point = self._points[facts.charge_point]
        point.facts[facts.night] = facts
        try:
            record = self._outbox.record_night(facts, house)
        except TariffError as error:
            self._not_priced_with = house
            _log.error("the night can't be priced", night=facts.night.isoformat(), why=str(error))
            return None
        del point.facts[facts.night]
        return record

    def look(self, state: PointState, now: datetime, house: House) -> list[dict[str, Any]]:
        """Record what is owed and can be recorded by now.

        Parameters
        ----------
        state : PointState
            The charge point.
        now : datetime
            UTC.
        house : House
            The household file and the rates.

        Returns
        -------
        list of dict
            The records that are news.

        Raises
        ------
        LedgerError
            If they can't be recorded now.
        """  # noqa: DOC502 - raised by the ledger
        point = self._points[state.charge_point]
        made: list[dict[str, Any] | None] = []
        if self._not_priced_with is not house:
            made += [self.close(facts, house) for facts in list(point.facts.values())]
        tonight = night_of(now, house.file.zone)
        # The controller closes its own night first; what is left of a wrong clock is passed over.
        closing = state.night.night if state.night and not state.night.closed else None
        over = sorted(night for night in point.nights if night < tonight and night != closing)
        for night in over[:AT_ONCE]:
            if night not in point.facts and self._can_tell(night, tonight, house):
                made.append(self._again(state, night, house))
            point.nights.discard(night)
        return [record for record in made if record is not None]

    def _can_tell(self, night: date, tonight: date, house: House) -> bool:
        """Whether the readings still tell what flowed in a night."""
        is_near = tonight - night <= timedelta(days=MOST_NIGHTS)
        return is_near and has_all_readings(night, house.file.zone, self._ledger.kept_from())

    def _again(self, state: PointState, night: date, house: House) -> dict[str, Any] | None:
        """Account for a night again, and record it if the meter tells something else by now."""
        file, name = house.file, state.charge_point
        closed = next(iter(self._ledger.nights(night, night, name)), None)
        facts = (
            facts_unseen(night, name, vehicle_of(state, file) or "", file)
            if closed is None
            else facts_again(closed, file)
        )
        try:
            record = self._outbox.night_account(facts, house)
        except TariffError:
            return self.close(facts, house)  # owed until there are rates
        if says_the_same(closed, record) if closed else not record["energy_kwh"]:
            return None
        return self._outbox.record_night(facts, house)
