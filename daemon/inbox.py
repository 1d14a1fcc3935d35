"""From a message on the bus to an event for a controller: sorted, read, and kept in the ledger."""

from __future__ import annotations

from typing import TYPE_CHECKING

import structlog

from adapters.messages import PriceFeed, Reading, Request, VehicleReport, decode
from adapters.topics import slug
from config.texts import printable
from daemon.events import MeterRead, PersonAsked, VehicleReported
from daemon.learning import AHEAD

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from adapters.bus_events import MessageArrived
    from adapters.ledger import Ledger
    from adapters.topics import Topics
    from daemon.events import Event

_log = structlog.get_logger(__name__)

LONGEST_SHOWN = 200
"""So many characters of a topic stand in the log."""


class Inbox:
    """Reads and keeps what comes.

    Parameters
    ----------
    topics : Topics
        The household's.
    charge_points : iterable of str
        Their names in the household file.
    ledger : Ledger
        Where everything is kept before anybody acts on it.
    """

    def __init__(self, topics: Topics, charge_points: Iterable[str], ledger: Ledger) -> None:
        self._topics = topics
        self._by_slug = {slug(name): name for name in charge_points}
        self._ledger = ledger

    def take(self, message: MessageArrived, now: datetime) -> tuple[str, Event] | PriceFeed | None:
        """Read a message and keep it.

        Parameters
        ----------
        message : MessageArrived
            From the bus.
        now : datetime
            UTC.

        Returns
        -------
        tuple of (str, Event), PriceFeed or None
            The charge point it concerns and what happened; or prices, which concern all; None
            for what is not news or not ours.

        Raises
        ------
        MalformedMessage
            If it is not what its topic says it is.
        LedgerError
            If it can't be kept.
        """  # noqa: DOC502 - raised by decode and by the ledger
        place = self._topics.parse(message.topic)
        if place is None:
            return None
        name, leaf = place
        if name is None:
            return decode(PriceFeed, message.payload) if leaf == "prices" else None
        point = self._by_slug.get(name)
        if point is None:
            shown = printable(message.topic[:LONGEST_SHOWN])  # whoever publishes chose it
            _log.warning("message for an unknown charge point", topic=shown)
            return None
        event = self._event(point, leaf, message, now)
        return None if event is None else (point, event)

    def _event(self, point: str, leaf: str, message: MessageArrived, now: datetime) -> Event | None:
        match leaf:
            case "reading":
                return self._reading(point, decode(Reading, message.payload), now)
            case "vehicle":
                return self._report(point, decode(VehicleReport, message.payload), now)
            case "request":
                return self._request(point, message, now)
            case _:
                return None

    def _reading(self, point: str, reading: Reading, now: datetime) -> Event | None:
        if _is_ahead(reading.at, point, now):
            return None
        new = self._ledger.add_reading(
            point, reading.at, reading.register_wh, reading.watts, reading.amps
        )
        return MeterRead(reading) if new else None

    def _report(self, point: str, report: VehicleReport, now: datetime) -> Event | None:
        if _is_ahead(report.at, point, now):
            return None
        new = self._ledger.add_vehicle_report(point, report.at, report.pilot, report.soc_percent)
        return VehicleReported(report) if new else None

    def _request(self, point: str, message: MessageArrived, now: datetime) -> Event | None:
        request = decode(Request, message.payload)
        if message.retain:
            # A wish belongs to its evening; a retained one would come back on every connection.
            _log.warning("a retained request is not obeyed", topic=message.topic)
            return None
        body = request.model_dump(mode="json", exclude_none=True)
        self._ledger.add_request(point, now, body)
        return PersonAsked(request)


def _is_ahead(at: datetime, point: str, now: datetime) -> bool:
    """Whether something is dated later than can be; it would hide all that comes before then."""
    if at <= now + AHEAD:
        return False
    _log.warning("dated in the future, not believed", charge_point=point, at=at.isoformat())
    return True
