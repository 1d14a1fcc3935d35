"""Answer the messages of one connection of equipment that speaks OCPP 2.0.1 or 2.1."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any, Final

import structlog
from ocpp import v21, v201
from ocpp.exceptions import NotImplementedError as NotImplementedHereError
from ocpp.v201 import call_result
from ocpp.v201.enums import Action
from typing_extensions import override

from adapters.contract.messages import Reading
from adapters.ocpp_point.events import ChargingLimitNoticed
from adapters.ocpp_point.meter import meter_messages
from adapters.ocpp_point.state import WHOLE_EQUIPMENT
from adapters.ocpp_point.station import StationState, TransactionEvent
from adapters.ocpp_versions.limit_pace import LimitPace
from adapters.ocpp_versions.requests import Requests
from adapters.ocpp_versions.requests_2 import Requests2
from adapters.ocpp_versions.samples import without_wrong_samples
from adapters.ocpp_versions.session import Session, answers

if TYPE_CHECKING:
    from collections.abc import Mapping

_TRIGGERED: Final = "Triggered"
"""The reason of a BootNotification that was asked for: nothing has booted."""
_UNPLUGGED: Final = frozenset({"EVDisconnected"})
_SAMPLED: Final = frozenset({Action.transaction_event, Action.meter_values})
_ACCEPTED: Final = {"status": "Accepted"}
_MOST_KINDS: Final = 20
_MOST_WORDS: Final = 50

_log = structlog.get_logger(__name__)


class Session2(Session):
    """Answers one connection of OCPP 2; its state is a `StationState`.

    Everything but meter values must fit the schema of its message. Samples that do not fit are
    dropped, so that a transaction is known whatever its meter says.
    """

    state: StationState  # type: ignore[mutable-override]  # as the versions are put together

    def __init__(self, *arguments: Any, **named: Any) -> None:  # noqa: ANN401 - of the session
        super().__init__(*arguments, **named)
        self._logged: set[str] = set()
        self._limit_pace = LimitPace()

    @override
    def _make_requests(self) -> Requests:
        return Requests2(self, self.equipment, self._context.transaction_ids.__next__)

    async def _handle_call(self, msg: Any) -> object:  # noqa: ANN401 - of the package
        if msg.action not in self.route_map:
            raise NotImplementedHereError(details={"cause": f"{str(msg.action)[:_MOST_WORDS]}"})
        if msg.action in _SAMPLED:
            msg.payload = without_wrong_samples(msg.payload, msg.action, self._ocpp_version)
        return await super()._handle_call(msg)

    # --- what it is and what it does ----------------------------------------------------------

    @answers(Action.boot_notification)
    async def _on_boot(self, charging_station: Mapping[str, Any], reason: str, **_: object) -> Any:  # noqa: ANN401 - an answer of the package
        names = ("vendor_name", "model", "firmware_version")
        answer = self._note_boot(*(charging_station.get(name) for name in names))
        if reason == _TRIGGERED:
            self._booted = False
        else:
            self.state.note_boot()
        return call_result.BootNotification(**answer)

    @answers(Action.heartbeat)
    async def _on_heartbeat(self, **_: object) -> object:
        return call_result.Heartbeat(current_time=self._time())

    @answers(Action.status_notification)
    async def _on_status(
        self, timestamp: str, connector_status: str, evse_id: int, connector_id: int, **_: object
    ) -> object:
        await self._take_status(evse_id, connector_id, connector_status, timestamp)
        return call_result.StatusNotification()

    @answers(Action.notify_event)
    async def _on_event(self, event_data: list[dict[str, Any]], **_: object) -> object:
        for each in event_data:
            component, evse = each["component"], each["component"].get("evse", {})
            if each["variable"]["name"] != "AvailabilityState":
                continue
            if component["name"] == "Connector" and "connector_id" in evse:
                place = evse["id"], evse["connector_id"]
            elif component["name"] == "ChargingStation":
                place = WHOLE_EQUIPMENT, 0
            else:
                continue
            await self._take_status(*place, each["actual_value"], each["timestamp"])
        return call_result.NotifyEvent()

    async def _take_status(self, evse: int, connector: int, status: str, at: str) -> None:
        own = self.equipment.connector
        if evse == own:
            status = self.state.take_connector(connector, status)
        await self._hand_on_pilot(at, self.state.update_status(own, evse, status))

    @answers(Action.transaction_event)
    async def _on_transaction(
        self,
        event_type: str,
        timestamp: str,
        seq_no: int,
        transaction_info: Mapping[str, Any],
        **more: Any,  # noqa: ANN401 - as the schema has it
    ) -> object:
        evse, own = more.get("evse"), self.equipment.connector
        number = None if evse is None else evse["id"]
        meter_values = more.get("meter_value")
        await self._hand_on_home_load(own if number is None else number, meter_values)
        if self.state.belongs(transaction_info["transaction_id"], number, own):
            event = TransactionEvent(
                kind=event_type,  # type: ignore[arg-type]  # as the schema has it
                transaction=transaction_info["transaction_id"],
                at=self._instant(timestamp),
                number=seq_no,
                is_offline=more.get("offline") is True,
                charging_state=transaction_info.get("charging_state"),
                is_authorized="id_token" in more or "remote_start_id" in transaction_info,
                has_left=transaction_info.get("stopped_reason") in _UNPLUGGED,
            )
            await self._hand_on_samples(meter_values, event)
            status = self.state.take(event)
            if status is not None:
                pilot = self.state.update_status(own, own, status)
                await self._hand_on_pilot(timestamp, pilot)
            self.sampled.set()
        # The daemon decides when is charged, not who charges.
        return call_result.TransactionEvent(id_token_info=_ACCEPTED if "id_token" in more else None)

    @answers(Action.meter_values)
    async def _on_meter(self, evse_id: int, meter_value: list[Any], **_: object) -> object:
        await self._hand_on_home_load(evse_id, meter_value)
        if evse_id == self.equipment.connector:
            await self._hand_on_meter_values(meter_value)
            self.sampled.set()
        return call_result.MeterValues()

    async def _hand_on_samples(self, meter_values: object, event: TransactionEvent) -> None:
        """Hand on the samples of a transaction; at its edges its register sets what is counted.

        An edge that comes again sets nothing back: more may have been counted since.
        """
        if event.kind == "Updated":
            await self._hand_on_meter_values(meter_values)
            return
        point, is_late = self.equipment, self.state.is_late(event)
        for message in meter_messages(
            meter_values, self._context.clock.now(), phases=point.phases, volts=point.volts,
            max_amps=point.max_amps, inlet_is_home=point.home_phases > 0,
        ):  # fmt: skip
            if isinstance(message, Reading) and message.register_kwh is not None and not is_late:
                self.state.register.set_to(1000 * message.register_kwh)
            await self._hand_on(message)

    # --- limits from elsewhere ----------------------------------------------------------------

    @answers(Action.notify_charging_limit)
    async def _on_limit(
        self,
        charging_limit: Mapping[str, Any],
        evse_id: int = WHOLE_EQUIPMENT,
        **said: Any,  # noqa: ANN401 - as the schema has it
    ) -> object:
        await self._hand_on_limit(evse_id, charging_limit["charging_limit_source"], said)
        return call_result.NotifyChargingLimit()

    @answers(Action.cleared_charging_limit)
    async def _on_limit_cleared(
        self, charging_limit_source: str, evse_id: int = WHOLE_EQUIPMENT, **_: object
    ) -> object:
        await self._hand_on_limit(evse_id, charging_limit_source, None)
        return call_result.ClearedChargingLimit()

    async def _hand_on_limit(
        self, evse: int, source: str, notice: Mapping[str, Any] | None
    ) -> None:
        """Hand on a limit of this EVSE, or its end; a flood of them waits, since each is obeyed."""
        if evse not in {WHOLE_EQUIPMENT, self.equipment.connector}:
            return
        await asyncio.sleep(self._limit_pace.wait_seconds(asyncio.get_running_loop().time()))
        await self._hand_on(ChargingLimitNoticed(self.equipment.name, source, notice))

    # --- what is only acknowledged ------------------------------------------------------------

    @answers(Action.authorize)
    async def _on_authorize(self, **_: object) -> object:
        return call_result.Authorize(id_token_info=_ACCEPTED)

    @answers(Action.security_event_notification)
    async def _on_security(self, type: str, **_: object) -> object:  # noqa: A002 - the schema's own
        if type not in self._logged and len(self._logged) < _MOST_KINDS:
            self._logged.add(type)
            _log.warning(
                "equipment reports a security event", charge_point=self.equipment.name, kind=type
            )
        return call_result.SecurityEventNotification()

    @answers(Action.data_transfer)
    async def _on_data(self, **_: object) -> object:
        return call_result.DataTransfer(status="UnknownVendorId")

    @answers(Action.notify_ev_charging_needs)
    async def _on_needs(self, **_: object) -> object:
        # The plan follows the departures of the household file: no schedule is made for this.
        return call_result.NotifyEVChargingNeeds(status="Rejected")

    @answers(Action.notify_ev_charging_schedule)
    async def _on_schedule(self, **_: object) -> object:
        return call_result.NotifyEVChargingSchedule(**_ACCEPTED)

    @answers(Action.sign_certificate)
    async def _on_sign(self, **_: object) -> object:
        return call_result.SignCertificate(status="Rejected")  # no authority of ours signs it

    @answers(Action.notify_report)
    async def _on_report(self, **_: object) -> object:
        return call_result.NotifyReport()

    @answers(Action.report_charging_profiles)
    async def _on_profiles(self, **_: object) -> object:
        return call_result.ReportChargingProfiles()

    @answers(Action.notify_monitoring_report)
    async def _on_monitoring(self, **_: object) -> object:
        return call_result.NotifyMonitoringReport()

    @answers(Action.firmware_status_notification)
    async def _on_firmware(self, **_: object) -> object:
        return call_result.FirmwareStatusNotification()

    @answers(Action.log_status_notification)
    async def _on_log(self, **_: object) -> object:
        return call_result.LogStatusNotification()


class Session201(Session2, v201.ChargePoint):  # type: ignore[misc]  # the package has no types
    """Answers one connection of OCPP 2.0.1."""


class Session21(Session2, v21.ChargePoint):  # type: ignore[misc]  # the package has no types
    """Answers one connection of OCPP 2.1, whose messages used here are those of 2.0.1."""
