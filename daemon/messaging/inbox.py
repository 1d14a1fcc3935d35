"""Read messages from the bus, store them, and make events for the controllers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from time import monotonic
from typing import TYPE_CHECKING, Protocol

import structlog

from adapters.contract.messages import (
    Announcements,
    CarbonIntensity,
    DaemonState,
    Forecast,
    Generated,
    GridPower,
    HomeLoad,
    MalformedMessage,
    PriceFeed,
    Reading,
    Request,
    VehicleReport,
    decode,
    request_id_of,
)
from adapters.contract.refusals import MALFORMED, Refusal
from config.fields.names import topic_level
from config.files.texts import printable
from daemon.control.events import GridRead, LoadRead, MeterRead, PersonAsked, VehicleReported
from daemon.control.learning import AHEAD
from daemon.grid_limit.heard import CONTACT, LimitHeard, heard_from, limit_of
from daemon.messaging.answering import refusal_by_state, refusal_of
from planners.power.live_load import SILENCE

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from datetime import datetime

    from adapters.bus.events import MessageArrived
    from adapters.contract.messages import Message
    from adapters.contract.topics import Topics
    from daemon.control.events import Event
    from daemon.control.state import House, PointState
    from daemon.messaging.hardware_channels import HardwareChannels

_log = structlog.get_logger(__name__)

LONGEST_SHOWN = 200
"""Longest topic in the log [characters]."""


@dataclass(frozen=True, slots=True)
class RequestRefused:
    """A request with an `id` that can't be obeyed, and why."""

    charge_point: str
    id: str
    why: Refusal


News = PriceFeed | Announcements | Forecast | CarbonIntensity | Generated
OfHousehold = News | LoadRead | GridRead | LimitHeard | DaemonState
"""A message to the whole household."""

Received = tuple[str, "Event"] | OfHousehold | RequestRefused
"""A charge point and its event, a message to the whole household, or a refusal."""


class ReadingStore(Protocol):
    """The part of the ledger that stores incoming messages."""

    def add_reading(
        self,
        charge_point: str,
        at: datetime,
        register_wh: int | None = None,
        watts: float | None = None,
        amps: float | None = None,
    ) -> bool:
        """Store a meter's reading; False if it is stored already."""
        ...

    def add_vehicle_report(
        self,
        charge_point: str,
        at: datetime,
        pilot: str | None = None,
        soc_percent: float | None = None,
    ) -> bool:
        """Store a report of a vehicle; False if it is stored already."""
        ...

    def add_request(self, charge_point: str, at: datetime, body: Mapping[str, object]) -> None:
        """Store a person's request."""
        ...


class Inbox:
    """Reads and stores incoming messages.

    Parameters
    ----------
    topics : Topics
        The household's.
    charge_points : iterable of str
        Their names in the household file.
    ledger : ReadingStore
        Where each message is stored before anything acts on it.
    channels : HardwareChannels, optional
        Reads the topics of wired hardware.
    seconds : callable
        A clock that nobody sets [s].
    """

    def __init__(
        self,
        topics: Topics,
        charge_points: Iterable[str],
        ledger: ReadingStore,
        channels: HardwareChannels | None = None,
        seconds: Callable[[], float] = monotonic,
    ) -> None:
        self._seconds = seconds
        # The last of each kind, if it was dated in the future, and when it came [s].
        self._ahead: dict[tuple[str, frozenset[str]], tuple[Reading | VehicleReport, float]] = {}
        self._topics = topics
        self._channels = channels
        self._by_level = {topic_level(name): name for name in charge_points}
        self._ledger = ledger

    def receive(
        self,
        message: MessageArrived,
        now: datetime,
        house: House | None = None,
        states: Mapping[str, PointState] | None = None,
    ) -> Received | None:
        """Read a message on the daemon's own topics and store it.

        Parameters
        ----------
        message : MessageArrived
            From the bus.
        now : datetime
            UTC.
        house : House, optional
            The household file and the rates, which show whether a request can be obeyed.
        states : mapping of str to PointState, optional
            The states of the charge points; so do what was asked for before.

        Returns
        -------
        Received or None
            None for a repeated message, or one on another topic.

        Raises
        ------
        MalformedMessage
            If it does not fit its topic.
        LedgerError
            If it can't be stored.
        """  # noqa: DOC502 - raised by decode and by the ledger
        place = self._topics.parse(message.topic)
        if place is None:
            return None
        name, leaf = place
        if name is None:
            if leaf == "load" and self._channels is not None and self._channels.reads_load:
                _log.warning("load ignored: the home's meter is wired")
                return None
            return _of_the_household(leaf, message.payload, now)
        point = self._by_level.get(name)
        if point is None:
            shown = printable(message.topic[:LONGEST_SHOWN])  # the publisher chose it
            _log.warning("message for an unknown charge point", topic=shown)
            return None
        if leaf == "request":
            return self._request(point, message, now, house, states[point] if states else None)
        event = self._event(point, leaf, message, now)
        return None if event is None else (point, event)

    def lane_of(self, topic: str) -> str | None:
        """Return what a topic's messages are counted under; may be called from any thread.

        Parameters
        ----------
        topic : str
            A topic name.

        Returns
        -------
        str or None
            The topic, or the filter of wired hardware; None if the household has no such topic.
        """
        place = self._topics.parse(topic)
        if place is None:
            return None if self._channels is None else self._channels.filter_of(topic)
        return topic if place[0] is None or place[0] in self._by_level else None

    def receive_from_wiring(
        self, message: MessageArrived, now: datetime
    ) -> list[tuple[str, Event]]:
        """Read a message on a topic of wired hardware, and store its values.

        Parameters
        ----------
        message : MessageArrived
            From the bus.
        now : datetime
            UTC.

        Returns
        -------
        list of tuple of (str, Event)
            Each charge point and its event; empty for a message on another topic.

        Raises
        ------
        LedgerError
            If it can't be stored.
        """  # noqa: DOC502 - raised by the ledger
        if self._channels is None or self._topics.parse(message.topic) is not None:
            return []
        read = list(self._channels.read(message, now))
        return [(point, event) for point, each in read if (event := self.store(point, each, now))]

    def home_from_wiring(self, message: MessageArrived, now: datetime) -> list[LoadRead | GridRead]:
        """Read a message of the home's own meters.

        Parameters
        ----------
        message : MessageArrived
            From the bus.
        now : datetime
            UTC.

        Returns
        -------
        list of LoadRead and GridRead
            Empty for another message, and while a phase has been silent for more than 30 s.
        """
        found = () if self._channels is None else self._channels.read_home(message, now)
        return [home_read(each) for each in found if now - each.at <= SILENCE]

    def limit_from_wiring(self, message: MessageArrived, now: datetime) -> LimitHeard | None:
        """Read a message of the grid operator's contact; None for another message."""
        limit = None if self._channels is None else self._channels.read_limit(message, now)
        return None if limit is None else heard_from(CONTACT, limit, is_dated=False)

    def store(self, point: str, message: Message, now: datetime) -> Event | None:
        """Store a reading or report, whichever way it came.

        Parameters
        ----------
        point : str
            The charge point.
        message : Message
            A reading or a report.
        now : datetime
            UTC.

        Returns
        -------
        Event or None
            The event; None for a repeated message.

        Raises
        ------
        LedgerError
            If it can't be stored.
        """  # noqa: DOC502 - raised by the ledger
        match message:
            case Reading():
                return self._reading(point, message, now)
            case VehicleReport():
                return self._report(point, message, now)
            case _:
                return None

    def after_clock_was_set(self, now: datetime) -> list[tuple[str, Event]]:
        """Store the last messages that were from the future only because the clock was behind.

        Parameters
        ----------
        now : datetime
            UTC.

        Returns
        -------
        list of tuple of (str, Event)
            Each charge point and its event; empty unless the clock was set forward since they came.

        Raises
        ------
        LedgerError
            If one can't be stored.
        """  # noqa: DOC502 - raised by the ledger
        seconds = self._seconds()
        found = [
            (point, message)
            for (point, _), (message, came) in self._ahead.items()
            if message.at <= now - timedelta(seconds=seconds - came) + AHEAD
        ]
        events = []
        for point, message in sorted(found, key=lambda each: each[1].at):
            _log.info("message counts after all: the clock was behind", charge_point=point)
            event = self.store(point, message, now)
            events += [] if event is None else [(point, event)]
        return events

    def _event(self, point: str, leaf: str, message: MessageArrived, now: datetime) -> Event | None:
        match leaf:
            case "reading" if self._channels is not None and self._channels.has_own_meter(point):
                _log.warning(
                    "reading ignored: this charge point's meter is wired or speaks OCPP",
                    charge_point=point,
                )
                return None
            case "reading":
                return self._reading(point, decode(Reading, message.payload), now)
            case "vehicle":
                return self._report(point, decode(VehicleReport, message.payload), now)
            case _:
                return None

    def _reading(self, point: str, reading: Reading, now: datetime) -> Event | None:
        if self._is_held(point, reading, now):
            return None
        new = self._ledger.add_reading(
            point, reading.at, reading.register_wh, reading.watts, reading.amps
        )
        return MeterRead(reading) if new else None

    def _report(self, point: str, report: VehicleReport, now: datetime) -> Event | None:
        if self._is_held(point, report, now):
            return None
        new = self._ledger.add_vehicle_report(point, report.at, report.pilot, report.soc_percent)
        return VehicleReported(report) if new else None

    def _is_held(self, point: str, message: Reading | VehicleReport, now: datetime) -> bool:
        """Return whether a message is from the future; the last of a kind is judged again later."""
        kind = point, frozenset(message.model_fields_set)
        self._ahead.pop(kind, None)
        if not _is_ahead(message.at, point, now):
            return False
        self._ahead[kind] = message, self._seconds()
        return True

    def _request(
        self,
        point: str,
        message: MessageArrived,
        now: datetime,
        house: House | None,
        state: PointState | None,
    ) -> tuple[str, Event] | RequestRefused | None:
        if message.retain:
            # A retained request would come back on every connection.
            _log.warning("a retained request is not obeyed", topic=message.topic)
            return None
        try:
            request = decode(Request, message.payload)
        except MalformedMessage as error:
            name = request_id_of(message.payload)
            if name is None:
                raise
            return RequestRefused(point, name, Refusal(MALFORMED, str(error)))
        # Without an id nobody gets an answer, so as much of it as possible is obeyed.
        if request.id is not None and house is not None:
            why = refusal_of(request, point, now, house)
            if why is None and state is not None:
                why = refusal_by_state(request, state, now, house)
            if why is not None:
                return RequestRefused(point, request.id, why)
        if not request.preview:
            body = request.model_dump(mode="json", exclude_none=True)
            self._ledger.add_request(point, now, body)
        return point, PersonAsked(request)


_KINDS: Mapping[str, type[PriceFeed | Announcements | Forecast | CarbonIntensity]] = {
    "prices": PriceFeed,
    "announcements": Announcements,
    "forecast": Forecast,
    "carbon": CarbonIntensity,
}


def _of_the_household(leaf: str, payload: bytes, now: datetime) -> OfHousehold | None:
    match leaf:
        case "load":
            load = decode(HomeLoad, payload)
            _refuse_old(load.at, now)
            return LoadRead(load)
        case "grid":
            power = decode(GridPower, payload)
            _refuse_old(power.at, now)
            return GridRead(power)
        case "generation":
            given = decode(Generated, payload)
            _refuse_old(given.at, now)
            return given
        case "grid-limit":
            return limit_of(payload, now)
        case "daemon":
            return decode(DaemonState, payload) if payload else None
        case _:
            kind = _KINDS.get(leaf)
            return None if kind is None else decode(kind, payload)


def _refuse_old(at: datetime, now: datetime) -> None:
    if abs(now - at) > SILENCE:
        raise MalformedMessage("at: expected an instant of the last 30 seconds")


def home_read(read: HomeLoad | GridPower) -> LoadRead | GridRead:
    """Make the event of what a meter of the home has read."""
    return LoadRead(read) if isinstance(read, HomeLoad) else GridRead(read)


def _is_ahead(at: datetime, point: str, now: datetime) -> bool:
    """Return whether a message is dated in the future, and would hide later ones."""
    if at <= now + AHEAD:
        return False
    _log.warning("message ignored: dated in the future", charge_point=point, at=at.isoformat())
    return True
