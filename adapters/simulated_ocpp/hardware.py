"""Simulated equipment: the physics of a charge point behind an OCPP connection."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from ocpp.v16 import call
from typing_extensions import override

from adapters.contract.messages import Command, Message, Reading, VehicleReport
from adapters.simulated.faults import Fault
from adapters.simulated.hardware import SimulatedHardware
from adapters.simulated_ocpp.connection import Door, EquipmentConnection
from adapters.simulated_ocpp.profiles import OF_TRANSACTION, StoredProfiles, profile_of

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime, timedelta

    from adapters.contract.topics import Topics
    from adapters.simulated.charge_point import SimulatedChargePoint
    from adapters.simulated.vehicle import SimulatedVehicle
    from config.doors.broker import Bus

CONNECTOR: Final = 1
TAG: Final = "simulated"


class SimulatedEquipment(SimulatedHardware):
    """A simulated charge point that speaks OCPP.

    Parameters
    ----------
    point, bus, topics, charge_point, fault
        As for `SimulatedHardware`; the bus is not used.
    door
        Where the daemon listens, and as whom to connect.
    max_amps, watts_per_amp
        The highest current [A per phase], and the power of an ampere [W].
    lasts
        How long a charge goes on at most without a profile that changes.
    """

    def __init__(
        self,
        point: SimulatedChargePoint,
        bus: Bus,
        topics: Topics,
        charge_point: str,
        *,
        door: Door,
        max_amps: float,
        watts_per_amp: float,
        lasts: timedelta,
        fault: Fault | None = None,
    ) -> None:
        super().__init__(point, bus, topics, charge_point, fault=fault)
        self.is_displaced = False
        self._max_amps, self._watts_per_amp, self._lasts = max_amps, watts_per_amp, lasts
        self._profiles = StoredProfiles()
        self._configured: dict[str, str] = {
            "ChargeProfileMaxStackLevel": "8",
            "ChargingScheduleAllowedChargingRateUnit": "Current,Power",
            "ChargingScheduleMaxPeriods": "50",
            "MaxChargingProfilesInstalled": "10",
            "MeterValueSampleInterval": "60",
            "NumberOfConnectors": "1",
            "SupportedFeatureProfiles": "Core,SmartCharging,RemoteTrigger",
        }
        self._begun: datetime | None = None
        self._transaction: int | str | None = None
        self._stays_after = False
        self._serial = 0
        self._followed: tuple[float, datetime | None, int | None] | None = None
        self._reported_status = ""
        self._kept: list[Any] = []
        self._connection = EquipmentConnection(
            door, carry_out=self._carry_out, configuration=self._configuration,
            on_change=self._on_change, on_triggered=self._on_triggered,
        )  # fmt: skip

    @override
    def start(self) -> None:
        self._connection.start()

    @override
    def stop(self) -> None:
        self._connection.stop()

    @override
    def unplug(self, now: datetime) -> SimulatedVehicle:
        vehicle = super().unplug(now)
        with self.changed:
            self._end_if_gone()
        return vehicle

    # --- on the connection's thread -----------------------------------------------------------

    def _on_change(self, is_up: bool, reason: str) -> None:  # noqa: FBT001 - as it is called
        self.narrate("connected" if is_up else f"not connected: {reason}")
        with self.changed:
            self._is_connected = is_up
            self.is_displaced = self.is_displaced or "newer connection" in reason
            self._kept = (
                [call.BootNotification("Simulated", "Lullwatt"), *self._kept]
                if is_up
                else [
                    each
                    for each in self._kept
                    if isinstance(each, call.StartTransaction | call.StopTransaction)
                ]
            )
            self._reported_status = ""
            self._report_again()
            self.changed.notify_all()

    def _configuration(self) -> Mapping[str, str]:
        return self._configured

    def _carry_out(self, name: str, values: Mapping[str, Any]) -> str:
        with self.changed:
            status = self._status_of(name, values)
            self.changed.notify_all()
        self.narrate(f"asked  {name}: {status}")
        return status

    def _on_triggered(self, name: str) -> None:
        with self.changed:
            if name == "StatusNotification":
                self._reported_status = ""
            self._report_again()
            self.changed.notify_all()

    def _status_of(self, name: str, values: Mapping[str, Any]) -> str:
        match name:
            case "RemoteStartTransaction":
                return self._start_charge(values)
            case "RemoteStopTransaction":
                if values["transaction_id"] != self._transaction:
                    return "Rejected"
                self._end_charge("Remote")
            case "SetChargingProfile" if not self._takes(values["cs_charging_profiles"]):
                return "Rejected"
            case "ClearChargingProfile":
                return self._clear_profiles(values)
            case "ChangeConfiguration":
                self._configured[values["key"]] = values["value"]
            case "UnlockConnector":
                return "NotSupported"
            case _:
                pass
        self._follow()
        return "Accepted"

    def _takes(self, body: Mapping[str, Any]) -> bool:
        """Store a profile, unless it is of a transaction that is not."""
        profile = profile_of(body, self._watts_per_amp)
        if profile.purpose == OF_TRANSACTION and self._begun is None:
            return False
        self._profiles.store(profile)
        return True

    def _clear_profiles(self, values: Mapping[str, Any]) -> str:
        purpose = values.get("charging_profile_purpose")
        wanted = None if purpose is None else str(purpose)
        found = self._profiles.clear(values.get("id"), wanted, values.get("stack_level"))
        self._follow()
        return "Accepted" if found else "Unknown"

    def _start_charge(self, values: Mapping[str, Any]) -> str:
        if self._begun is not None or self._point.vehicle is None:
            return "Rejected"
        self._begun = self._point.now
        profile = values.get("charging_profile")
        if profile is not None:
            self._profiles.store(profile_of(profile, self._watts_per_amp))
        at = self._point.now.isoformat()
        self._kept.append(call.StartTransaction(CONNECTOR, TAG, self._register_wh, at))
        self._follow()
        return "Accepted"

    def _end_charge(self, reason: str) -> None:
        if self._begun is None:
            return
        self._begun, self._stays_after = None, self._point.vehicle is not None
        self._profiles.clear(None, OF_TRANSACTION, None)
        at = self._point.now.isoformat()
        # Its number may be unknown yet: it is filled in when the message is sent.
        self._kept.append(call.StopTransaction(self._register_wh, at, 0, reason))
        self._follow()

    def _end_if_gone(self) -> None:
        if self._point.vehicle is None:
            self._end_charge("EVDisconnected")
            self._stays_after = False

    @property
    def _register_wh(self) -> int:
        return max(0, round(self._point.register_kwh * 1000))

    def _follow(self) -> None:
        """Offer the current that its profiles allow from now on."""
        now = self._point.now
        amps = 0.0
        if self._begun is not None:
            amps = self._profiles.amps_at(now, self._begun, self._max_amps)
        until = self._profiles.next_change(now, self._begun)
        phases = self._profiles.phases
        if self._followed == (amps, until, phases):
            return
        self._followed = amps, until, phases
        self._serial += 1
        ends = now + self._lasts if until is None else until
        body = {"serial": self._serial, "valid_until": ends, "why": "its charging profile"}
        more = {"do": "start", "amps": amps, "phases": phases} if amps > 0 else {"do": "stop"}
        self._point.obey(Command.model_validate({**body, **more}), now)

    # --- what it reports ----------------------------------------------------------------------

    @override
    def _next_due(self) -> datetime:
        if self._is_connected and (self._kept or self._reported_status != self._status()):
            return self._point.now
        change = self._profiles.next_change(self._point.now, self._begun)
        due = super()._next_due()
        return due if change is None else min(due, change)

    @override
    def _reports(self) -> list[tuple[str, Message]]:
        self._end_if_gone()
        self._follow()
        return super()._reports() if super()._next_due() <= self._point.now else []

    def _status(self) -> str:
        if self._point.vehicle is None:
            return "Available"
        if self._begun is None:
            return "Finishing" if self._stays_after else "Preparing"
        if self._point.pilot == "C":
            return "Charging"
        return "SuspendedEVSE" if self._point.offered_amps <= 0 else "SuspendedEV"

    @override
    def _send(self, reports: list[tuple[str, Message]], at: datetime) -> None:
        with self.changed:
            kept, self._kept = self._kept, []
            status = self._status()
            tells_status = status != self._reported_status and self._is_connected
            if tells_status:
                self._reported_status = status
        messages = [*kept]
        if tells_status:
            messages.append(call.StatusNotification(CONNECTOR, "NoError", status, at.isoformat()))
        for _, report in reports:
            messages += self._sampled(report)
        for message in messages:
            self._say(message)

    def _say(self, message: Any) -> None:  # noqa: ANN401 - a request of the package
        is_lasting = isinstance(message, call.StartTransaction | call.StopTransaction)
        if not is_lasting and self._lost_out.loses_next():
            return
        if isinstance(message, call.StopTransaction):
            message.transaction_id = self._transaction or 0
        elif isinstance(message, call.MeterValues):
            message.transaction_id = self._transaction
        answer = self._connection.say(message)
        with self.changed:
            if answer is None and is_lasting:
                self._kept.insert(0, message)  # it is sent once there is a connection again
            elif isinstance(message, call.StartTransaction):
                self._transaction = answer.transaction_id
            elif isinstance(message, call.StopTransaction):
                self._transaction = None
        if answer is not None:
            self.sent += 1
            self.narrate(f"says   {type(message).__name__}{_shown(message)}")

    def _sampled(self, report: Message) -> list[Any]:
        """Sample as section 7.31: the register, the power, the current, or a state of charge."""
        match report:
            case Reading(register_kwh=float(kwh), watts=watts, amps=amps):
                samples = [
                    {"value": str(round(kwh * 1000)), "unit": "Wh"},
                    {"value": str(watts), "unit": "W", "measurand": "Power.Active.Import"},
                    {"value": str(amps), "unit": "A", "measurand": "Current.Import"},
                ]
            case VehicleReport(soc_percent=float(percent)):
                samples = [{"value": str(percent), "unit": "Percent", "measurand": "SoC"}]
            case _:
                return []
        values = [{"timestamp": report.at.isoformat(), "sampled_value": samples}]
        return [call.MeterValues(CONNECTOR, values, self._transaction)]


def _shown(message: Any) -> str:  # noqa: ANN401 - a request of the package
    match message:
        case call.StatusNotification(status=status):
            return f" {status}"
        case call.MeterValues(meter_value=[{"sampled_value": samples}]):
            return " " + ", ".join(f"{each['value']} {each['unit']}" for each in samples)
        case _:
            return ""
