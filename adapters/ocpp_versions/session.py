"""Answer the messages of one connection of equipment, whatever its version of OCPP.

A message is handed on before it is answered, so that whatever is acknowledged is stored.
"""

from __future__ import annotations

import asyncio
import logging
from abc import ABC, abstractmethod
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, TypeVar, cast

import structlog
from ocpp.charge_point import ChargePoint
from ocpp.routing import on
from websockets.asyncio.server import ServerConnection
from websockets.exceptions import ConnectionClosed

from adapters.clocks.clock import Clock
from adapters.contract.messages import Pilot, Reading, VehicleReport
from adapters.ocpp_point.events import EquipmentEvent
from adapters.ocpp_point.meter import grid_powers, home_loads, instant_of, meter_messages
from adapters.ocpp_point.point import Equipment
from adapters.ocpp_point.state import WHOLE_EQUIPMENT, EquipmentState
from adapters.ocpp_versions.requests import Requests

HEARTBEAT_SECONDS: Final = 300
_MOST_MODEL: Final = 100

_log = structlog.get_logger(__name__)
QUIET: Final = logging.Logger("ocpp", level=logging.CRITICAL + 1)  # noqa: LOG001 - of no tree
"""Silences packages that log whole messages, and a trace for each malformed one."""

Handler = TypeVar("Handler", bound=Callable[..., Awaitable[object]])
HandOn = Callable[[EquipmentEvent], Awaitable[None]]


def answers(action: str, *, leniently: bool = False) -> Callable[[Handler], Handler]:
    """Mark a method that answers an action; leniently means without the schema check."""
    return cast("Callable[[Handler], Handler]", on(action, skip_schema_validation=leniently))


@dataclass(frozen=True)
class ServerContext:
    """What all connections share.

    Attributes
    ----------
    clock : Clock
        The daemon's.
    transaction_ids : iterator of int
        Numbers that only grow, also across restarts.
    answer_seconds : float
        How long equipment may take to answer [seconds].
    """

    clock: Clock
    transaction_ids: Iterator[int]
    answer_seconds: float


async def _nothing() -> None:
    """Do nothing after a message."""


class Session(ChargePoint, ABC):  # type: ignore[misc]  # the package has no types
    """Answers one connection, in the version of a class below it.

    Parameters
    ----------
    equipment
        The equipment that has connected.
    connection
        The websocket.
    state
        What is known about the equipment; updated here.
    context
        What all connections share.
    hand_on
        Takes each event; the answer waits for it.
    """

    def __init__(
        self,
        equipment: Equipment,
        connection: ServerConnection,
        state: EquipmentState,
        context: ServerContext,
        hand_on: HandOn,
    ) -> None:
        super().__init__(equipment.identity, connection, context.answer_seconds, QUIET)
        self.equipment = equipment
        self.state = state
        self.greeted = asyncio.Event()
        """Set by the first message of the equipment, and again whenever it has booted."""
        self.sampled = asyncio.Event()
        """Set when meter values have been handed on."""
        self.on_transaction: Callable[[], None] = lambda: None
        """Called when a transaction has become known, or shown by a status, after the answer."""
        self._context = context
        self.requests = self._make_requests()
        """Makes what is asked of the equipment, in its version."""
        self._hand_on = hand_on
        self.after_message: Callable[[], Awaitable[None]] = _nothing
        """Called after each message and its answer."""
        self._has_received = False
        self._booted = False

    @property
    def version(self) -> str:
        """The version of OCPP that it answers in."""
        return str(self._ocpp_version)

    @abstractmethod
    def _make_requests(self) -> Requests:
        """Make what makes the requests of the version."""

    async def serve(self) -> None:
        """Answer until the connection ends."""
        try:
            await self.start()
        except ConnectionClosed:
            return

    async def route_message(self, raw_msg: str | bytes) -> None:
        """Answer one message; one that can't be read is skipped."""
        transaction, is_first = self.state.transaction, not self._has_received
        ran = self.state.runs(self.equipment.connector)
        self._has_received, self._booted = True, False
        try:
            await super().route_message(raw_msg)
        except ConnectionClosed:
            raise
        except Exception as error:  # noqa: BLE001 - no message may end the service
            _log.warning(
                "message of equipment skipped",
                charge_point=self.equipment.name,
                reason=type(error).__name__,
            )
        if is_first or self._booted:
            self.greeted.set()
        begun = not ran and self.state.runs(self.equipment.connector)
        if begun or self.state.transaction not in {None, transaction}:
            self.on_transaction()
        await self.after_message()

    def _note_boot(self, *said: object) -> dict[str, Any]:
        """Take up vendor, model and firmware, and return the answer."""
        self._booted = True
        self.state.model = " ".join(str(each) for each in said if each)[:_MOST_MODEL]
        return {
            "current_time": self._time(), "interval": HEARTBEAT_SECONDS, "status": "Accepted",
        }  # fmt: skip

    async def _hand_on_pilot(self, at: object, pilot: Pilot | None) -> None:
        if pilot is not None:
            await self._hand_on(VehicleReport(at=self._instant(at), pilot=pilot))

    async def _hand_on_meter_values(self, meter_values: object) -> None:
        now, point = self._context.clock.now(), self.equipment
        for message in meter_messages(
            meter_values, now, phases=point.phases, volts=point.volts, max_amps=point.max_amps,
            inlet_is_home=point.home_phases > 0,
        ):  # fmt: skip
            if isinstance(message, Reading):
                await self._hand_on(self.state.register.completed(message))
            else:
                await self._hand_on(message)

    async def _hand_on_home_load(self, connector: int, meter_values: object) -> None:
        """Hand on what a meter at the home's grid connection shows, if one is declared."""
        now, point = self._context.clock.now(), self.equipment
        if point.home_phases and connector in {WHOLE_EQUIPMENT, point.connector}:
            for load in home_loads(meter_values, now, phases=point.home_phases, volts=point.volts):
                await self._hand_on(load)
            if point.reports_grid:
                for power in grid_powers(meter_values, now, phases=point.home_phases):
                    await self._hand_on(power)

    def _time(self) -> str:
        now = self._context.clock.now()
        return now.isoformat(timespec="milliseconds").replace("+00:00", "Z")

    def _instant(self, text: object) -> datetime:
        """Return an instant that equipment reports."""
        return instant_of(text, self._context.clock.now())
