"""Answer the messages of one connection of equipment that speaks OCPP 1.6."""

from __future__ import annotations

from typing import Any

import structlog
from ocpp.exceptions import FormationViolationError, FormatViolationError
from ocpp.v16 import ChargePoint, call_result
from ocpp.v16.datatypes import IdTagInfo
from ocpp.v16.enums import Action, AuthorizationStatus, DataTransferStatus
from typing_extensions import override

from adapters.ocpp_point.meter import register_reading
from adapters.ocpp_point.state import NumberedState
from adapters.ocpp_point.transaction_numbers import may_be_earlier
from adapters.ocpp_versions.requests import Requests
from adapters.ocpp_versions.requests_16 import Requests16
from adapters.ocpp_versions.session import Session, answers

_log = structlog.get_logger(__name__)


class Session16(Session, ChargePoint):  # type: ignore[misc]  # the package has no types
    """Answers one connection of OCPP 1.6; its state is a `NumberedState`."""

    state: NumberedState  # type: ignore[mutable-override]  # as the versions are put together

    @override
    def _make_requests(self) -> Requests:
        return Requests16(self, self.equipment)

    async def _handle_call(self, msg: object) -> object:
        try:
            return await super()._handle_call(msg)
        except FormatViolationError as error:
            # The package uses the code of OCPP 2; in 1.6 it has another name.
            raise FormationViolationError(error.description, error.details) from error

    @answers(Action.boot_notification)
    async def _on_boot(self, **said: object) -> object:
        names = ("charge_point_vendor", "charge_point_model", "firmware_version")
        return call_result.BootNotification(**self._note_boot(*(said.get(name) for name in names)))

    @answers(Action.heartbeat)
    async def _on_heartbeat(self, **_rest: object) -> object:
        return call_result.Heartbeat(current_time=self._time())

    @answers(Action.status_notification)
    async def _on_status(self, connector_id: int, status: str, **rest: Any) -> object:  # noqa: ANN401 - as the schema has it
        pilot = self.state.update_status(self.equipment.connector, connector_id, status)
        await self._hand_on_pilot(rest.get("timestamp"), pilot)
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
            if self.state.last_transaction in {None, transaction_id}:
                # An end that comes again sets nothing back: more may have been counted since.
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
            pilot = state.update_status(connector, connector, "Finishing")
            await self._hand_on_pilot(timestamp, pilot)

    async def _hand_on_register(self, timestamp: object, watt_hours: int) -> None:
        reading = register_reading(self._instant(timestamp), watt_hours)
        if reading is not None:
            await self._hand_on(reading)
