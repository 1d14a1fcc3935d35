"""The requests of OCPP 1.6."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from ocpp.v16 import call
from ocpp.v16.enums import ChargingProfilePurposeType, MessageTrigger
from typing_extensions import override

from adapters.ocpp_point.abilities import KEYS, abilities_of
from adapters.ocpp_point.charging_profile import PROFILE_IDS
from adapters.ocpp_point.meter import CURRENT, EXPORT, POWER, REGISTER, SOC
from adapters.ocpp_point.state import WHOLE_EQUIPMENT
from adapters.ocpp_versions.call import Callee, ask, ask_for
from adapters.ocpp_versions.requests import HOME_SECONDS, ID_TAG, SAMPLE_SECONDS, Profile, Requests

if TYPE_CHECKING:
    from collections.abc import Sequence

    from adapters.ocpp_point.abilities import Abilities, Purpose
    from adapters.ocpp_point.point import Equipment
    from adapters.ocpp_point.state import TransactionId

SAMPLED: Final = (f"{REGISTER},{POWER},{CURRENT},{SOC}", f"{REGISTER},{POWER}", REGISTER)
"""The values to sample; if equipment refuses one list, the next one is tried."""


class Requests16(Requests):
    """Makes the requests of OCPP 1.6 for one charge point."""

    def __init__(self, callee: Callee, equipment: Equipment) -> None:
        self._callee = callee
        self._equipment = equipment

    @override
    def start(self, profile: Profile | None = None) -> object:
        return call.RemoteStartTransaction(ID_TAG, self._equipment.connector, profile)

    @override
    def stop(self, transaction: TransactionId) -> object:
        return call.RemoteStopTransaction(transaction)

    @override
    def set_profile(self, profile: Profile) -> object:
        purpose = profile["charging_profile_purpose"]
        return call.SetChargingProfile(self._place_of(purpose), profile)

    @override
    def clear(self, purpose: Purpose, level: int) -> tuple[object, object]:
        by_kind = call.ClearChargingProfile(
            connector_id=self._place_of(purpose),
            charging_profile_purpose=ChargingProfilePurposeType(purpose),
            stack_level=level,
        )
        return call.ClearChargingProfile(id=PROFILE_IDS[purpose]), by_kind

    @override
    def schedule(self, seconds: int) -> object:
        return call.GetCompositeSchedule(self._equipment.connector, seconds)

    @override
    async def abilities(self, known: Abilities) -> Abilities | None:
        for request in (call.GetConfiguration(list(KEYS)), call.GetConfiguration()):
            answer = await ask_for(self._callee, request)
            found = getattr(answer, "configuration_key", None)
            if isinstance(found, list) and found:
                said = abilities_of(found, known)
                # A unit that was found out stays where none is said.
                return said if said.units else replace(said, units=known.units)
        return None

    @override
    async def status(self) -> bool:
        connector = self._equipment.connector
        await ask(self._callee, call.TriggerMessage(MessageTrigger.status_notification, connector))
        samples = call.TriggerMessage(MessageTrigger.meter_values, connector)
        return await ask(self._callee, samples) is None

    @override
    async def samples(self) -> None:
        point = self._equipment
        if point.home_phases:
            # For more of them, also between charges.
            await self._configure("ClockAlignedDataInterval", HOME_SECONDS)
            lists = (f"{CURRENT},{POWER},{EXPORT}", f"{POWER},{EXPORT}")
            await self._configure_first(
                "MeterValuesAlignedData", (*(lists if point.reports_grid else ()), CURRENT)
            )
        seconds = HOME_SECONDS if point.home_phases else SAMPLE_SECONDS
        await self._configure("MeterValueSampleInterval", seconds)
        await self._configure_first("MeterValuesSampledData", SAMPLED)

    async def _configure(self, key: str, value: str) -> bool:
        return await ask(self._callee, call.ChangeConfiguration(key, value)) is None

    async def _configure_first(self, key: str, lists: Sequence[str]) -> None:
        """Ask for a list of values; if equipment refuses it, for the next one."""
        for values in lists:
            if await self._configure(key, values):
                return

    def _place_of(self, purpose: str) -> int:
        """Return the connector of a profile: the highest current is that of all together."""
        is_of_all = purpose == "ChargePointMaxProfile"
        return WHOLE_EQUIPMENT if is_of_all else self._equipment.connector
