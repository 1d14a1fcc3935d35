"""Answer the messages of one connection of equipment that speaks OCPP 1.6.

A message is handed on before it is answered, so that whatever is acknowledged is stored.
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
from adapters.contract.messages import Reading, VehicleReport
from adapters.ocpp.events import EquipmentEvent
from adapters.ocpp.meter import (
    grid_powers,
    home_loads,
    instant_of,
    meter_messages,
    register_reading,
)
from adapters.ocpp_point.point import WHOLE_EQUIPMENT, Equipment, EquipmentState
from adapters.ocpp_point.transaction_numbers import may_be_earlier

HEARTBEAT_SECONDS: Final = 300
_MOST_MODEL: Final = 100

_log = structlog.get_logger(__name__)
QUIET: Final = logging.Logger("ocpp", level=logging.CRITICAL + 1)  # noqa: LOG001 - of no tree
"""Silences packages that log whole messages, and a trace for each malformed one."""

Handler = TypeVar("Handler", bound=Callable[..., Awaitable[object]])
HandOn = Callable[[EquipmentEvent], Awaitable[None]]


def answers(action: Action, *, leniently: bool = False) -> Callable[[Handler], Handler]:
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


class Session(ChargePoint):  # type: ignore[misc]  # the package has no types
    """Answers one connection.

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
        self._hand_on = hand_on
        self.after_message: Callable[[], Awaitable[None]] = _nothing
        """Called after each message and its answer."""
        self._has_received = False
        self._booted = False

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

    async def _handle_call(self, msg: object) -> object:
        try:
            return await super()._handle_call(msg)
        except FormatViolationError as error:
            # The package uses the code of OCPP 2; in 1.6 it has another name.
            raise FormationViolationError(error.description, error.details) from error

    @answers(Action.boot_notification)
    async def _on_boot(self, **said: object) -> object:
        self._booted = True
        names = ("charge_point_vendor", "charge_point_model", "firmware_version")
        words = (str(said[name]) for name in names if said.get(name))
        self.state.model = " ".join(words)[:_MOST_MODEL]
        return call_result.BootNotification(
            current_time=self._time(),
            interval=HEARTBEAT_SECONDS,
            status=RegistrationStatus.accepted,
        )

    @answers(Action.heartbeat)
    async def _on_heartbeat(self, **_rest: object) -> object:
        return call_result.Heartbeat(current_time=self._time())

    @answers(Action.status_notification)
    async def _on_status(self, connector_id: int, status: str, **rest: Any) -> object:  # noqa: ANN401 - as the schema has it
        at = instant_of(rest.get("timestamp"), self._context.clock.now())
        pilot = self.state.update_status(self.equipment.connector, connector_id, status)
        if pilot is not None:
            await self._hand_on(VehicleReport(at=at, pilot=pilot))
        return call_result.StatusNotification()

    @answers(Action.meter_values, leniently=True)
    async def _on_meter(self, connector_id: object, meter_value: object, **rest: Any) -> object:  # noqa: ANN401 - not checked yet
        if type(connector_id) is not int or not isinstance(meter_value, list):
            raise FormationViolationError(details={"cause": "connectorId or meterValue"})
        await self._hand_on_home_load(connector_id, meter_value)
        if connector_id == self.equipment.connector:
            await self._hand_on_meter_values(meter_value)
            self.state.learn_transaction(rest.get("transaction_id"))
            self.sampled.set()
        return call_result.MeterValues()

    @answers(Action.start_transaction)
    async def _on_start(
        self, connector_id: int, id_tag: str, meter_start: int, timestamp: str, **_rest: object
    ) -> object:
        accepted = IdTagInfo(status=AuthorizationStatus.accepted)
        if connector_id != self.equipment.connector:
            number = next(self._context.transaction_ids)
            self.state.on_other_connectors.add(number)
            return call_result.StartTransaction(transaction_id=number, id_tag_info=accepted)
        await self._hand_on_register(timestamp, meter_start)
        key, state = (id_tag, meter_start, timestamp), self.state
        if state.started != key:
            state.started, state.started_as = key, next(self._context.transaction_ids)
            state.register.set_to(meter_start)
        state.transaction = state.started_as
        return call_result.StartTransaction(transaction_id=state.started_as, id_tag_info=accepted)

    @answers(Action.stop_transaction, leniently=True)
    async def _on_stop(
        self,
        transaction_id: object,
        meter_stop: object,
        timestamp: object,
        **rest: Any,  # noqa: ANN401 - not checked yet
    ) -> object:
        if type(transaction_id) is not int or type(meter_stop) is not int:
            raise FormationViolationError(details={"cause": "transactionId or meterStop"})
        if self._is_ours(transaction_id):
            await self._hand_on_meter_values(rest.get("transaction_data"))
            await self._hand_on_register(timestamp, meter_stop)
            self.state.register.set_to(meter_stop)
            await self._hand_on_end(transaction_id, timestamp)
            self.state.end_transaction(transaction_id)
        elif transaction_id in self.state.on_other_connectors:
            self.state.end_transaction(transaction_id)
        else:
            _log.warning("end of an unknown transaction skipped", charge_point=self.equipment.name)
        return call_result.StopTransaction(IdTagInfo(status=AuthorizationStatus.accepted))

    @answers(Action.authorize)
    async def _on_authorize(self, **_rest: object) -> object:
        return call_result.Authorize(IdTagInfo(status=AuthorizationStatus.accepted))

    @answers(Action.data_transfer)
    async def _on_data(self, **_rest: object) -> object:
        return call_result.DataTransfer(status=DataTransferStatus.unknown_vendor_id)

    @answers(Action.firmware_status_notification)
    async def _on_firmware(self, **_rest: object) -> object:
        return call_result.FirmwareStatusNotification()

    @answers(Action.diagnostics_status_notification)
    async def _on_diagnostics(self, **_rest: object) -> object:
        return call_result.DiagnosticsStatusNotification()

    def _is_ours(self, transaction: int) -> bool:
        """Whether a transaction ran on our connector; if none is known, an earlier daemon's may."""
        state = self.state
        if state.last_transaction is None and transaction not in state.on_other_connectors:
            return may_be_earlier(transaction, self._context.clock.now())
        return transaction > 0 and transaction in {state.transaction, state.started_as, state.ended}

    async def _hand_on_end(self, transaction: int, timestamp: object) -> None:
        """Report that a transaction's end stops the power; equipment may send no status for it."""
        state, connector = self.state, self.equipment.connector
        is_ours = state.last_transaction in {None, transaction}
        if is_ours and state.statuses.get(connector) == "Charging":
            at = instant_of(timestamp, self._context.clock.now())
            pilot = state.update_status(connector, connector, "Finishing")
            if pilot is not None:
                await self._hand_on(VehicleReport(at=at, pilot=pilot))

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

    async def _hand_on_register(self, timestamp: object, watt_hours: int) -> None:
        reading = register_reading(instant_of(timestamp, self._context.clock.now()), watt_hours)
        if reading is not None:
            await self._hand_on(reading)

    def _time(self) -> str:
        now = self._context.clock.now()
        return now.isoformat(timespec="milliseconds").replace("+00:00", "Z")
