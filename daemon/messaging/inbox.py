"""From a message on the bus to an event for a controller: sorted, read, and kept in the ledger."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import structlog

from adapters.contract.messages import (
    DaemonState,
    MalformedMessage,
    PriceFeed,
    Reading,
    Request,
    VehicleReport,
    decode,
    request_id_of,
)
from config.fields.names import topic_level
from config.files.texts import printable
from daemon.control.events import MeterRead, PersonAsked, VehicleReported
from daemon.control.learning import AHEAD
from daemon.messaging.answering import impossible

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import datetime

    from adapters.bus.events import MessageArrived
    from adapters.contract.messages import Message
    from adapters.contract.topics import Topics
    from daemon.control.events import Event
    from daemon.control.state import House
    from daemon.messaging.hardware_channels import HardwareChannels

_log = structlog.get_logger(__name__)

LONGEST_SHOWN = 200
"""So many characters of a topic stand in the log."""


@dataclass(frozen=True, slots=True)
class RequestRefused:
    """A request that wants an answer and can't be obeyed, and why."""

    charge_point: str
    id: str
    why: str


Received = tuple[str, "Event"] | PriceFeed | DaemonState | RequestRefused
"""The charge point it concerns and what happened; or what concerns all; or a refusal."""


class ReadingStore(Protocol):
    """The part of the ledger that what comes is kept in."""

    def add_reading(
        self,
        charge_point: str,
        at: datetime,
        register_wh: int | None = None,
        watts: float | None = None,
        amps: float | None = None,
    ) -> bool:
        """Keep a meter's reading; False if it is kept already."""
        ...

    def add_vehicle_report(
        self,
        charge_point: str,
        at: datetime,
        pilot: str | None = None,
        soc_percent: float | None = None,
    ) -> bool:
        """Keep what a charge point told of its vehicle; False if it is kept already."""
        ...

    def add_request(self, charge_point: str, at: datetime, body: Mapping[str, object]) -> None:
        """Keep what a person asked for."""
        ...


class Inbox:
    """Reads and keeps what comes.

    Parameters
    ----------
    topics : Topics
        The household's.
    charge_points : iterable of str
        Their names in the household file.
    ledger : ReadingStore
        Where everything is kept before anybody acts on it.
    channels : HardwareChannels, optional
        Which charge points have topics of their own.
    """

    def __init__(
        self,
        topics: Topics,
        charge_points: Iterable[str],
        ledger: ReadingStore,
        channels: HardwareChannels | None = None,
    ) -> None:
        self._topics = topics
        self._channels = channels
        self._by_level = {topic_level(name): name for name in charge_points}
        self._ledger = ledger

    def receive(
        self, message: MessageArrived, now: datetime, house: House | None = None
    ) -> Received | None:
        """Read a message and keep it.

        Parameters
        ----------
        message : MessageArrived
            From the bus.
        now : datetime
            UTC.
        house : House, optional
            The household file and the rates, which what a person asks for must fit.

        Returns
        -------
        Received or None
            None for what is not news or not ours.

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
            return _of_the_household(leaf, message.payload)
        point = self._by_level.get(name)
        if point is None:
            shown = printable(message.topic[:LONGEST_SHOWN])  # whoever publishes chose it
            _log.warning("message for an unknown charge point", topic=shown)
            return None
        if leaf == "request":
            return self._request(point, message, now, house)
        event = self._event(point, leaf, message, now)
        return None if event is None else (point, event)

    def receive_from_wiring(
        self, message: MessageArrived, now: datetime
    ) -> list[tuple[str, Event]]:
        """Read a message on a topic of hardware's own, and keep what it says.

        Parameters
        ----------
        message : MessageArrived
            From the bus.
        now : datetime
            UTC.

        Returns
        -------
        list of tuple of (str, Event)
            The charge points that it concerns and what happened; nothing for what is not ours.

        Raises
        ------
        LedgerError
            If it can't be kept.
        """  # noqa: DOC502 - raised by the ledger
        if self._channels is None or self._topics.parse(message.topic) is not None:
            return []
        said = list(self._channels.read(message, now))
        return [(point, event) for point, what in said if (event := self.store(point, what, now))]

    def store(self, point: str, said: Message, now: datetime) -> Event | None:
        """Keep what hardware says, however it was heard.

        Parameters
        ----------
        point : str
            The charge point.
        said : Message
            A reading or a report.
        now : datetime
            UTC.

        Returns
        -------
        Event or None
            What happened; None for what is not news.

        Raises
        ------
        LedgerError
            If it can't be kept.
        """  # noqa: DOC502 - raised by the ledger
        match said:
            case Reading():
                return self._reading(point, said, now)
            case VehicleReport():
                return self._report(point, said, now)
            case _:
                return None

    def _event(self, point: str, leaf: str, message: MessageArrived, now: datetime) -> Event | None:
        match leaf:
            case "reading" if self._channels is not None and self._channels.has_own_meter(point):
                _log.warning("its meter is heard in another way, passed over", charge_point=point)
                return None
            case "reading":
                return self._reading(point, decode(Reading, message.payload), now)
            case "vehicle":
                return self._report(point, decode(VehicleReport, message.payload), now)
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

    def _request(
        self, point: str, message: MessageArrived, now: datetime, house: House | None
    ) -> tuple[str, Event] | RequestRefused | None:
        if message.retain:
            # A wish belongs to its evening; a retained one would come back on every connection.
            _log.warning("a retained request is not obeyed", topic=message.topic)
            return None
        try:
            request = decode(Request, message.payload)
        except MalformedMessage as error:
            name = request_id_of(message.payload)
            if name is None:
                raise
            return RequestRefused(point, name, str(error))
        # Without an id nobody would be told: as much of it as can be is obeyed.
        if request.id is not None and house is not None:
            why = impossible(request, point, now, house)
            if why is not None:
                return RequestRefused(point, request.id, why)
        body = request.model_dump(mode="json", exclude_none=True)
        self._ledger.add_request(point, now, body)
        return point, PersonAsked(request)


def _of_the_household(leaf: str, payload: bytes) -> PriceFeed | DaemonState | None:
    match leaf:
        case "prices":
            return decode(PriceFeed, payload)
        case "daemon":
            return decode(DaemonState, payload) if payload else None
        case _:
            return None


def _is_ahead(at: datetime, point: str, now: datetime) -> bool:
    """Whether something is dated later than can be; it would hide all that comes before then."""
    if at <= now + AHEAD:
        return False
    _log.warning("dated in the future, not believed", charge_point=point, at=at.isoformat())
    return True
