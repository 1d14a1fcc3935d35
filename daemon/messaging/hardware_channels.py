"""The channels of a household: which charge points are wired otherwise, and what they are told."""

from __future__ import annotations

from typing import TYPE_CHECKING

import structlog

from adapters.contract.messages import MalformedMessage
from adapters.contract.topics import Topics
from adapters.wired.channels import StopAsWill, WiredChannel
from adapters.wired.point import WiredPoint
from adapters.wired.values import topic_filters
from config.fields.names import topic_level
from config.fields.value_types import WATT_HOURS_PER_KWH
from daemon.messaging.outbox import command_message

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from datetime import datetime

    from adapters.bus.events import MessageArrived
    from adapters.contract.messages import Message
    from adapters.ledger.ledger import Ledger
    from adapters.wired.channels import HardwareChannel, Sender
    from config.household.broker import Bus
    from config.household.household_file import HouseholdFile
    from config.household.wiring import WiringOutputs
    from daemon.control.state import PointState
    from daemon.messaging.ocpp_equipment import OcppEquipment

_log = structlog.get_logger(__name__)


class HardwareChannels:
    """Tells charge points that are wired otherwise what is in force, and hears them.

    Parameters
    ----------
    channels : mapping of str to HardwareChannel
        By charge point; those that speak the daemon's own messages have none.
    heard : mapping of str to WiredPoint
        By charge point; those whose values come on topics of their own.
    begin : callable, optional
        Called once the daemon knows what is to be told.
    """

    def __init__(
        self,
        channels: Mapping[str, HardwareChannel] | None = None,
        heard: Mapping[str, WiredPoint] | None = None,
        begin: Callable[[], None] = lambda: None,
    ) -> None:
        self.begin = begin
        self._channels = dict(channels or {})
        self._heard = dict(heard or {})

    def has(self, charge_point: str) -> bool:
        """Whether a charge point is told otherwise than by the daemon's own commands."""
        return charge_point in self._channels

    def send(self, charge_point: str, state: PointState, now: datetime) -> None:
        """Tell a charge point what is in force, if it has a channel.

        Parameters
        ----------
        charge_point : str
            Its name in the household file.
        state : PointState
            With the command in force and the plan behind it.
        now : datetime
            UTC.
        """
        channel = self._channels.get(charge_point)
        if channel is None or state.command is None:
            return
        # A plan that a person has asked to skip, or that waits for one, is not to be held.
        holds = state.command.plan is not None and state.plan is not None
        periods = state.plan.periods if holds and state.plan else ()
        channel.send(command_message(state.command), periods, now)

    def send_new_plan(
        self, charge_point: str, before: PointState, after: PointState, now: datetime
    ) -> None:
        """Tell a charge point that keeps its plan of a new one; what is in force stays.

        Parameters
        ----------
        charge_point : str
            Its name in the household file.
        before, after : PointState
            What was known when it was told last, and what is known now.
        now : datetime
            UTC.
        """
        channel = self._channels.get(charge_point)
        if (
            channel is not None
            and channel.stores_plan
            and _ahead(before, now) != _ahead(after, now)
        ):
            self.send(charge_point, after, now)

    def send_again(self, states: Mapping[str, PointState], now: datetime) -> None:
        """Tell again what may have been forgotten."""
        for charge_point, channel in self._channels.items():
            due = channel.next_repeat()
            if due is not None and due <= now and charge_point in states:
                self.send(charge_point, states[charge_point], now)

    def next_repeat(self) -> datetime | None:
        """Say when something is to be told again."""
        dues = (channel.next_repeat() for channel in self._channels.values())
        return min((due for due in dues if due is not None), default=None)

    def read(self, message: MessageArrived, now: datetime) -> Iterator[tuple[str, Message]]:
        """Read a message on a topic of hardware.

        Parameters
        ----------
        message : MessageArrived
            From the bus.
        now : datetime
            UTC, taken to be when it was so.

        Yields
        ------
        tuple of (str, Message)
            Each charge point that it concerns, with a reading or a report.
        """
        for charge_point, wired in self._heard.items():
            try:
                said = wired.read(message.topic, message.payload, now, retain=message.retain)
            except MalformedMessage as error:
                _log.warning(
                    "message not understood", charge_point=charge_point, topic=message.topic,
                    reason=str(error),
                )  # fmt: skip
                continue
            yield from ((charge_point, each) for each in said)

    def has_own_meter(self, charge_point: str) -> bool:
        """Whether a charge point's meter is heard in another way, which ours would contradict."""
        channel = self._channels.get(charge_point)
        if channel is not None and channel.stores_plan:
            return True  # its equipment has a connection of its own
        return charge_point in self._heard and self._heard[charge_point].measures

    def send_final_stops(self) -> None:
        """Tell hardware to stop that nobody else would stop once the daemon has ended."""
        for channel in self._channels.values():
            if isinstance(channel, WiredChannel) and channel.needs_a_stop:
                channel.send_stop()


def _ahead(state: PointState, now: datetime) -> list[tuple[datetime, datetime, float]]:
    """List what is left of a plan."""
    periods = state.plan.periods if state.plan else ()
    return [(max(p.start, now), p.end, p.amps) for p in periods if p.end > now]


def without_wiring(file: HouseholdFile) -> HouseholdFile:
    """Give the household as if all its charge points spoke the daemon's own messages."""
    points = {
        name: point.model_copy(update={"wiring": None, "ocpp": None})
        for name, point in file.charge_points.items()
    }
    return file.model_copy(update={"charge_points": points, "ocpp": None})


def wired_topic_filters(file: HouseholdFile) -> tuple[str, ...]:
    """Return the topics of hardware to subscribe to, each once."""
    wirings = (point.wiring for point in file.charge_points.values())
    inputs = (wiring.hear for wiring in wirings if wiring is not None)
    return tuple(
        dict.fromkeys(t for hear in inputs if hear is not None for t in topic_filters(hear))
    )


def hardware_channels_of(
    file: HouseholdFile, sender: Sender, ledger: Ledger, *, ocpp: OcppEquipment | None = None
) -> HardwareChannels:
    """Make the channels of the charge points that do not speak the daemon's own messages.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    sender : Sender
        The bus.
    ledger : Ledger
        Tells where a register that is counted here goes on from.
    ocpp : OcppEquipment, optional
        Where equipment that speaks OCPP connects.

    Returns
    -------
    HardwareChannels
        Of those with `wiring`, and of those with `ocpp`.
    """
    volts = file.household.nominal_volts
    channels: dict[str, HardwareChannel] = {}
    heard: dict[str, WiredPoint] = {}
    for name, point in file.charge_points.items():
        if point.ocpp is not None and ocpp is not None:
            channels[name] = ocpp.channel(name)
        if point.wiring is None:
            continue
        watts_per_amp = volts * point.phases
        if point.wiring.tell is not None:
            channels[name] = WiredChannel(point.wiring.tell, sender, watts_per_amp=watts_per_amp)
        if point.wiring.hear is not None:
            heard[name] = WiredPoint(
                point.wiring.hear,
                watts_per_amp=watts_per_amp,
                register_kwh=_register_kwh(ledger, name),
            )
    return HardwareChannels(channels, heard, begin=(lambda: None) if ocpp is None else ocpp.let_in)


def will_connections(
    file: HouseholdFile, bus: Bus, on_return: Callable[[str], None]
) -> tuple[StopAsWill, ...]:
    """Make the connections whose Wills stop what would stay on.

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
    tuple of StopAsWill
        One for each charge point that wants it.
    """
    client_id = Topics(file.bus.root, file.household.name).client_id
    return tuple(
        _will(bus, f"{client_id}-{topic_level(name)}-will", tell, name, on_return)
        for name, tell in _outputs_by_point(file)
        if tell.stop_as_will
    )


def _will(
    bus: Bus, client_id: str, tell: WiringOutputs, name: str, on_return: Callable[[str], None]
) -> StopAsWill:
    return StopAsWill(bus, client_id, tell, lambda: on_return(name))


def _outputs_by_point(file: HouseholdFile) -> Iterator[tuple[str, WiringOutputs]]:
    for name, point in file.charge_points.items():
        if point.wiring is not None and point.wiring.tell is not None:
            yield name, point.wiring.tell


def _register_kwh(ledger: Ledger, charge_point: str) -> float:
    last = ledger.last_reading(charge_point)
    return (last.register_wh or 0) / WATT_HOURS_PER_KWH if last else 0.0
