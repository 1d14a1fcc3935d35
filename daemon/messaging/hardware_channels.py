"""Exchange messages with charge points that do not use the daemon's own messages."""

from __future__ import annotations

from typing import TYPE_CHECKING

import structlog

from adapters.bus.credentials import client_id_of
from adapters.contract.messages import MalformedMessage
from adapters.contract.topics import Topics, matches
from adapters.wired.channels import StopAsWill, WiredChannel
from adapters.wired.grid_meter import WiredGridMeter, grid_meter_topics
from adapters.wired.hardware import WiredHardware, wiring_topics
from adapters.wired.limit_contact import WiredLimitContact
from adapters.wired.load_meter import WiredLoadMeter, load_meter_topics
from config.fields.names import topic_level
from config.fields.value_types import WATT_HOURS_PER_KWH
from daemon.control.events import HardwareChanged
from daemon.messaging.outbox import command_message
from daemon.sharing.claims import stored_periods

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from datetime import datetime

    from adapters.bus.events import MessageArrived
    from adapters.contract.messages import GridLimit, GridPower, HomeLoad, Message
    from adapters.ledger.ledger import Ledger
    from adapters.wired.channels import HardwareChannel, Sender
    from config.doors.broker import Bus
    from config.household.household_file import HouseholdFile
    from config.household.wiring import WiringOutputs
    from daemon.control.events import HouseholdHealth
    from daemon.control.state import PointState
    from daemon.messaging.ocpp_equipment import OcppEquipment

_log = structlog.get_logger(__name__)


class HardwareChannels:
    """Sends commands to wired and OCPP charge points, and reads wired ones.

    Parameters
    ----------
    channels : mapping of str to HardwareChannel
        How to send commands, by charge point; one that reads the daemon's own commands has none.
    wired : mapping of str to WiredHardware
        How to speak with hardware that has its own topics, by charge point.
    home_meters : sequence of WiredLoadMeter and WiredGridMeter
        How to read what the home draws, and what flows between it and the grid.
    limit_contact : WiredLimitContact, optional
        How to read the grid operator's contact.
    has_home_meter : bool
        Whether equipment has a meter of the home, and reports what that draws by itself.
    begin : callable, optional
        Called once the daemon has commands to send.
    news : callable, optional
        Reports, once, what is wrong at the door for hardware, or that it is over.
    """

    def __init__(
        self,
        channels: Mapping[str, HardwareChannel] | None = None,
        wired: Mapping[str, WiredHardware] | None = None,
        home_meters: Sequence[WiredLoadMeter | WiredGridMeter] = (),
        *,
        limit_contact: WiredLimitContact | None = None,
        has_home_meter: bool = False,
        begin: Callable[[], None] = lambda: None,
        news: Callable[[], HouseholdHealth | None] = lambda: None,
    ) -> None:
        self.begin = begin
        self.news = news
        self._channels = dict(channels or {})
        self._wired = dict(wired or {})
        self._home_meters = tuple(home_meters)
        self._limit_contact = limit_contact
        self._has_home_meter = has_home_meter
        contacts = () if limit_contact is None else (limit_contact,)
        heard = (*contacts, *self._wired.values(), *self._home_meters)
        self._filters = tuple(
            dict.fromkeys(topic for each in heard for topic in each.topic_filters)
        )

    def has(self, charge_point: str) -> bool:
        """Return whether a charge point gets its commands through a channel."""
        return charge_point in self._channels

    def send(
        self, charge_point: str, state: PointState, now: datetime, file: HouseholdFile
    ) -> None:
        """Send a charge point its command and plan, if it has a channel.

        Parameters
        ----------
        charge_point : str
            Its name in the household file.
        state : PointState
            Its command in force and its plan.
        now : datetime
            UTC.
        file : HouseholdFile
            The household.
        """
        channel = self._channels.get(charge_point)
        if channel is None or state.command is None:
            return
        channel.send(command_message(state.command), stored_periods(state, file), now)
        if charge_point in self._wired:
            self._wired[charge_point].command_sent(now)

    def send_new_plan(
        self,
        charge_point: str,
        before: PointState,
        after: PointState,
        now: datetime,
        file: HouseholdFile,
    ) -> None:
        """Send a charge point that stores its plan a new one; the command stays the same.

        Parameters
        ----------
        charge_point : str
            Its name in the household file.
        before, after : PointState
            The state when the last plan was sent, and the state now.
        now : datetime
            UTC.
        file : HouseholdFile
            The household.
        """
        channel = self._channels.get(charge_point)
        if (
            channel is not None
            and channel.stores_plan
            and _future(before, now) != _future(after, now)
        ):
            self.send(charge_point, after, now, file)

    def sent_to(self, charge_point: str) -> int:
        """Return how many messages wired hardware was sent; may be asked from any thread."""
        wired = self._wired.get(charge_point)
        return 0 if wired is None else wired.sent

    def send_again(
        self, states: Mapping[str, PointState], now: datetime, file: HouseholdFile
    ) -> None:
        """Send the commands that are due again, ask what is to be asked, and try again."""
        for wired in self._wired.values():
            wired.advance(now)
        for charge_point, channel in self._channels.items():
            due = channel.next_repeat()
            if due is not None and due <= now and charge_point in states:
                self.send(charge_point, states[charge_point], now, file)

    def next_repeat(self) -> datetime | None:
        """Return when `send_again` next has something to do."""
        dues = [channel.next_repeat() for channel in self._channels.values()]
        dues += [wired.next_due() for wired in self._wired.values()]
        return min((due for due in dues if due is not None), default=None)

    def read(self, message: MessageArrived, now: datetime) -> Iterator[tuple[str, Message]]:
        """Yield what a message on a topic of wired hardware says.

        Parameters
        ----------
        message : MessageArrived
            From the bus.
        now : datetime
            UTC; dates the values.

        Yields
        ------
        tuple of (str, Message)
            A charge point, and its reading or report.
        """
        for charge_point, wired in self._wired.items():
            try:
                messages = wired.read(message.topic, message.payload, now, retain=message.retain)
            except MalformedMessage as error:
                _log.warning(
                    "message not understood", charge_point=charge_point, topic=message.topic,
                    reason=str(error),
                )  # fmt: skip
                continue
            yield from ((charge_point, each) for each in messages)

    def point_news(self) -> Iterator[tuple[str, HardwareChanged]]:
        """Yield what is new about wired hardware itself: that it is gone, or does not answer.

        Yields
        ------
        tuple of (str, HardwareChanged)
            A charge point, and what has changed.
        """
        for charge_point, wired in self._wired.items():
            news = wired.take_news()
            if news is not None:
                yield charge_point, HardwareChanged(news.available, news.trouble)

    def read_home(self, message: MessageArrived, now: datetime) -> Iterator[HomeLoad | GridPower]:
        """Read a message of the home's own meters.

        Parameters
        ----------
        message : MessageArrived
            From the bus.
        now : datetime
            UTC; dates the values.

        Yields
        ------
        HomeLoad or GridPower
            Nothing if it says nothing, or can't be understood.
        """
        for meter in self._home_meters:
            try:
                read = meter.read(message.topic, message.payload, now, retain=message.retain)
            except MalformedMessage as error:
                _log.warning("message not understood", topic=message.topic, reason=str(error))
                continue
            if read is not None:
                yield read

    def read_limit(self, message: MessageArrived, now: datetime) -> GridLimit | None:
        """Read a message of the grid operator's contact; None for one that says nothing of it."""
        if self._limit_contact is None:
            return None
        try:
            return self._limit_contact.read(message.topic, message.payload, now)
        except MalformedMessage as error:
            _log.warning("message not understood", topic=message.topic, reason=str(error))
            return None

    def is_urgent(self, lane: str) -> bool:
        """Whether messages under a filter must not wait; may be called by any thread."""
        return self._limit_contact is not None and lane in self._limit_contact.topic_filters

    @property
    def reads_load(self) -> bool:
        """Whether the home's load comes another way than by the daemon's own topic."""
        has_meter = any(isinstance(each, WiredLoadMeter) for each in self._home_meters)
        return has_meter or self._has_home_meter

    def filter_of(self, topic: str) -> str | None:
        """Return the filter of wired hardware that covers a topic; may be called by any thread."""
        return next((each for each in self._filters if matches(each, topic)), None)

    def has_own_meter(self, charge_point: str) -> bool:
        """Return whether readings come another way than by the daemon's own topic."""
        channel = self._channels.get(charge_point)
        if channel is not None and channel.stores_plan:
            return True  # its readings come over OCPP
        wired = self._wired.get(charge_point)
        return wired is not None and wired.point is not None and wired.point.measures

    def send_final_stops(self) -> None:
        """Stop the hardware that would go on charging once the daemon has ended."""
        for channel in self._channels.values():
            if isinstance(channel, WiredChannel) and channel.needs_a_stop:
                channel.send_stop()


def _future(state: PointState, now: datetime) -> list[tuple[datetime, datetime, float]]:
    """List the periods of a plan that are still to come, with the current that is told."""
    periods = state.plan.periods if state.plan else ()
    return [(max(p.start, now), p.end, p.told_amps) for p in periods if p.end > now]


def without_wiring(file: HouseholdFile) -> HouseholdFile:
    """Return the household with all its charge points using the daemon's own messages."""
    points = {
        name: point.model_copy(update={"wiring": None, "ocpp": None})
        for name, point in file.charge_points.items()
    }
    return _without_meters(file).model_copy(update={"charge_points": points, "ocpp": None})


def without_ocpp(file: HouseholdFile) -> HouseholdFile:
    """Return the household without OCPP and meters of its own, its charge points wired as it is."""
    points = {
        name: point.model_copy(update={"ocpp": None}) for name, point in file.charge_points.items()
    }
    return _without_meters(file).model_copy(update={"charge_points": points, "ocpp": None})


def _without_meters(file: HouseholdFile) -> HouseholdFile:
    rules = file.household.grid_limit.model_copy(update={"contact": None})
    update = {"load_meter": None, "grid_meter": None, "grid_limit": rules}
    return file.model_copy(update={"household": file.household.model_copy(update=update)})


def wired_topic_filters(file: HouseholdFile) -> tuple[str, ...]:
    """Return the topics of wired hardware to subscribe to, each once."""
    wirings = [point.wiring for point in file.charge_points.values() if point.wiring]
    filters = [topic for each in wirings for topic in wiring_topics(each)]
    meter, grid = file.household.load_meter, file.household.grid_meter
    filters += [] if meter is None else load_meter_topics(meter)
    filters += [] if grid is None else grid_meter_topics(grid)
    return tuple(dict.fromkeys(filters))


def urgent_topic_filters(file: HouseholdFile) -> tuple[str, ...]:
    """Return the topics of wired hardware that must not wait for others."""
    contact = file.household.grid_limit.contact
    if contact is None or contact.topic in wired_topic_filters(file):
        return ()
    return (contact.topic,)


def hardware_channels_of(
    file: HouseholdFile,
    sender: Sender,
    ledger: Ledger,
    *,
    ocpp: OcppEquipment | None = None,
    wills: Mapping[str, StopAsWill] | None = None,
) -> HardwareChannels:
    """Return the channels of the charge points with `wiring` or `ocpp`.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    sender : Sender
        The bus.
    ledger : Ledger
        Gives the last register of a charge point whose energy is counted here.
    ocpp : OcppEquipment, optional
        Where OCPP equipment connects.
    wills : mapping of str to StopAsWill, optional
        The connections whose Wills stop hardware: while one is not up, nothing is started there.

    Returns
    -------
    HardwareChannels
        Empty for a charge point with neither.
    """
    volts = file.household.nominal_volts
    channels: dict[str, HardwareChannel] = {}
    wired: dict[str, WiredHardware] = {}
    for name, point in file.charge_points.items():
        if point.ocpp is not None and ocpp is not None:
            channels[name] = ocpp.channel(name)
        if point.wiring is None:
            continue
        hardware = wired[name] = WiredHardware(
            point.wiring, sender, watts_per_amp=volts * point.phases, phases=point.phases,
            register_kwh=_register_kwh(ledger, name), may_start=_may_start(wills or {}, name),
        )  # fmt: skip
        if hardware.channel is not None:
            channels[name] = hardware.channel
    meters, contact = home_meters_of(file), file.household.grid_limit.contact
    limit_contact = None if contact is None else WiredLimitContact(contact)
    if ocpp is None:
        return HardwareChannels(channels, wired, meters, limit_contact=limit_contact)
    has_home_meter = file.home_meter_at is not None
    return HardwareChannels(
        channels, wired, meters, limit_contact=limit_contact,
        has_home_meter=has_home_meter, begin=ocpp.accept_connections, news=ocpp.news,
    )  # fmt: skip


def home_meters_of(file: HouseholdFile) -> tuple[WiredLoadMeter | WiredGridMeter, ...]:
    """Return how to read the meters of the home that have topics of their own."""
    meter, grid = file.household.load_meter, file.household.grid_meter
    return (
        *(() if meter is None else (WiredLoadMeter(meter),)),
        *(() if grid is None else (WiredGridMeter(grid),)),
    )


def will_connections(
    file: HouseholdFile, bus: Bus, on_return: Callable[[str], None]
) -> dict[str, StopAsWill]:
    """Return the connections whose Wills stop hardware if the daemon dies.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    bus : Bus
        The broker to connect to.
    on_return : callable
        Called with a charge point's name when its connection is up, on that connection's thread.

    Returns
    -------
    dict of str to StopAsWill
        One for each charge point with `stop_as_will`.
    """
    client_id = client_id_of(bus, Topics.of_file(file).client_id)
    return {
        name: _will(bus, f"{client_id}-{topic_level(name)}-will", outputs, name, on_return)
        for name, outputs in _outputs_by_point(file)
        if outputs.stop_as_will
    }


def _may_start(wills: Mapping[str, StopAsWill], name: str) -> Callable[[], bool]:
    will = wills.get(name)
    return lambda: will is None or will.is_up


def _will(
    bus: Bus, client_id: str, outputs: WiringOutputs, name: str, on_return: Callable[[str], None]
) -> StopAsWill:
    return StopAsWill(bus, client_id, outputs, lambda: on_return(name))


def _outputs_by_point(file: HouseholdFile) -> Iterator[tuple[str, WiringOutputs]]:
    for name, point in file.charge_points.items():
        if point.wiring is not None and point.wiring.tell is not None:
            yield name, point.wiring.tell


def _register_kwh(ledger: Ledger, charge_point: str) -> float:
    last = ledger.last_reading(charge_point)
    return (last.register_wh or 0) / WATT_HOURS_PER_KWH if last else 0.0
