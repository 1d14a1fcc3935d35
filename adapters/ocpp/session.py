"""One connection of equipment that speaks OCPP 1.6: answers what it says.

What it says is handed on before it is answered, so that whatever is acknowledged is kept.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass
from typing import Any, Final, TypeVar, cast

import structlog
from ocpp.exceptions import FormationViolationError, FormatViolationError
from ocpp.routing import on
from ocpp.v16 import ChargePoint, call_result
from ocpp.v16.datatypes import IdTagInfo
from ocpp.v16.enums import Action, AuthorizationStatus, DataTransferStatus, RegistrationStatus
from websockets.asyncio.server import ServerConnection
from websockets.exceptions import ConnectionClosed

from adapters.clocks.clock import Clock
from adapters.contract.messages import VehicleReport
from adapters.ocpp.events import EquipmentEvent
from adapters.ocpp.meter import instant_of, meter_messages, register_reading
from adapters.ocpp.point import Equipment, EquipmentState

HEARTBEAT_SECONDS: Final = 300

_log = structlog.get_logger(__name__)
QUIET: Final = logging.Logger("ocpp", level=logging.CRITICAL + 1)  # noqa: LOG001 - of no tree
"""For packages that would log whole messages, and a trace for each that is malformed."""

Handler = TypeVar("Handler", bound=Callable[..., Awaitable[object]])
Hear = Callable[[EquipmentEvent], Awaitable[None]]


def answers(action: Action, *, leniently: bool = False) -> Callable[[Handler], Handler]:
    """Mark what answers an action; leniently, without holding it against the schema first."""
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


class Session(ChargePoint):  # type: ignore[misc]  # the package has no types
    """Answers one connection.

    Parameters
    ----------
    equipment
        Whose it is.
    connection
        The websocket.
    state
        What is known of the equipment; kept up to date here.
    context
        What all connections share.
    hear
        Takes what was heard; an answer waits for it.
    """

    def __init__(
        self,
        equipment: Equipment,
        connection: ServerConnection,
        state: EquipmentState,
        context: ServerContext,
        hear: Hear,
    ) -> None:
        super().__init__(equipment.identity, connection, context.answer_seconds, QUIET)
        self.equipment = equipment
        self.state = state
        self.greeted = asyncio.Event()
        """Set once equipment has said something, and again when it says that it has booted."""
        self.sampled = asyncio.Event()
        """Set once meter values have been handed on."""
        self.on_transaction: Callable[[], None] = lambda: None
        """Called when a transaction has become known, after its message was answered."""
        self._context = context
        self._hear = hear
        self._spoke = False
        self._booted = False

    async def serve(self) -> None:
        """Answer until the connection ends."""
        try:
            await self.start()
        except ConnectionClosed:
            return

    async def route_message(self, raw_msg: str | bytes) -> None:
        """Answer one message, whatever it is; what can't be read is passed over."""
        transaction, is_first = self.state.transaction, not self._spoke
        self._spoke, self._booted = True, False
        try:
            await super().route_message(raw_msg)
        except ConnectionClosed:
            raise
        except Exception as error:  # noqa: BLE001 - no message may end the service
            _log.warning(
                "message of equipment passed over",
                charge_point=self.equipment.name,
                reason=type(error).__name__,
            )
        if is_first or self._booted:
            self.greeted.set()
        if self.state.transaction not in {None, transaction}:
            self.on_transaction()

    async def _handle_call(self, msg: object) -> object:
        try:
            return await super()._handle_call(msg)
        except FormatViolationError as error:
            # The package has the code of OCPP 2; in 1.6 it has another name.
            raise FormationViolationError(error.description, error.details) from error

    @answers(Action.boot_notification)
    async def _on_boot(self, **_said: object) -> object:
        self._booted = True
        return call_result.BootNotification(
            current_time=self._time(),
            interval=HEARTBEAT_SECONDS,
            status=RegistrationStatus.accepted,
        )

    @answers(Action.heartbeat)
    async def _on_heartbeat(self, **_said: object) -> object:
        return call_result.Heartbeat(current_time=self._time())

    @answers(Action.status_notification)
    async def _on_status(self, connector_id: int, status: str, **said: Any) -> object:  # noqa: ANN401 - as the schema has it
        at = instant_of(said.get("timestamp"), self._context.clock.now())
        pilot = self.state.take_status(self.equipment.connector, connector_id, status)
        if pilot is not None:
            await self._hear(VehicleReport(at=at, pilot=pilot))
        return call_result.StatusNotification()

    @answers(Action.meter_values, leniently=True)
    async def _on_meter(self, connector_id: object, meter_value: object, **said: Any) -> object:  # noqa: ANN401 - not checked yet
        if type(connector_id) is not int or not isinstance(meter_value, list):
            raise FormationViolationError(details={"cause": "connectorId or meterValue"})
        if connector_id == self.equipment.connector:
            await self._hear_meter(meter_value)
            self.state.take_sample(said.get("transaction_id"))
            self.sampled.set()
        return call_result.MeterValues()

    @answers(Action.start_transaction)
    async def _on_start(
        self, connector_id: int, id_tag: str, meter_start: int, timestamp: str, **_said: object
    ) -> object:
        accepted = IdTagInfo(status=AuthorizationStatus.accepted)
        if connector_id != self.equipment.connector:
            number = next(self._context.transaction_ids)
            self.state.elsewhere.add(number)
            return call_result.StartTransaction(transaction_id=number, id_tag_info=accepted)
        await self._hear_register(timestamp, meter_start)
        said, state = (id_tag, meter_start, timestamp), self.state
        if state.started != said:
            state.started, state.started_as = said, next(self._context.transaction_ids)
        state.transaction = state.started_as
        return call_result.StartTransaction(transaction_id=state.started_as, id_tag_info=accepted)

    @answers(Action.stop_transaction, leniently=True)
    async def _on_stop(
        self,
        transaction_id: object,
        meter_stop: object,
        timestamp: object,
        **said: Any,  # noqa: ANN401 - not checked yet
    ) -> object:
        if type(transaction_id) is not int or type(meter_stop) is not int:
            raise FormationViolationError(details={"cause": "transactionId or meterStop"})
        if transaction_id not in self.state.elsewhere:
            await self._hear_meter(said.get("transaction_data"))
            await self._hear_register(timestamp, meter_stop)
        self.state.take_end(transaction_id)
        return call_result.StopTransaction(IdTagInfo(status=AuthorizationStatus.accepted))

    @answers(Action.authorize)
    async def _on_authorize(self, **_said: object) -> object:
        return call_result.Authorize(IdTagInfo(status=AuthorizationStatus.accepted))

    @answers(Action.data_transfer)
    async def _on_data(self, **_said: object) -> object:
        return call_result.DataTransfer(status=DataTransferStatus.unknown_vendor_id)

    @answers(Action.firmware_status_notification)
    async def _on_firmware(self, **_said: object) -> object:
        return call_result.FirmwareStatusNotification()

    @answers(Action.diagnostics_status_notification)
    async def _on_diagnostics(self, **_said: object) -> object:
        return call_result.DiagnosticsStatusNotification()

    async def _hear_meter(self, meter_values: object) -> None:
        now, point = self._context.clock.now(), self.equipment
        for message in meter_messages(meter_values, now, phases=point.phases, volts=point.volts):
            await self._hear(message)

    async def _hear_register(self, timestamp: object, watt_hours: int) -> None:
        reading = register_reading(instant_of(timestamp, self._context.clock.now()), watt_hours)
        if reading is not None:
            await self._hear(reading)

    def _time(self) -> str:
        now = self._context.clock.now()
        return now.isoformat(timespec="milliseconds").replace("+00:00", "Z")
