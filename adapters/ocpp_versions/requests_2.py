"""The requests of OCPP 2.0.1, which OCPP 2.1 has as well."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from ocpp.v201 import call
from typing_extensions import override

from adapters.ocpp_point.charging_profile import PROFILE_IDS
from adapters.ocpp_point.meter import CURRENT, EXPORT, POWER, REGISTER, SOC
from adapters.ocpp_point.state import WHOLE_EQUIPMENT
from adapters.ocpp_versions.call import ACCEPTED, Callee, answer_to, ask
from adapters.ocpp_versions.requests import HOME_SECONDS, ID_TAG, SAMPLE_SECONDS, Profile, Requests
from adapters.ocpp_versions.variables import VARIABLES, abilities_of, named

if TYPE_CHECKING:
    from collections.abc import Sequence

    from adapters.ocpp_point.abilities import Abilities, Purpose
    from adapters.ocpp_point.point import Equipment
    from adapters.ocpp_point.state import TransactionId

SAMPLED: Final = (f"{REGISTER},{POWER},{CURRENT},{SOC}", f"{REGISTER},{POWER}", REGISTER)
CONNECTOR: Final = 1
"""An EVSE has at least this one."""
_PURPOSES: Final = {"ChargePointMaxProfile": "ChargingStationMaxProfile"}
"""Purposes that have another name in OCPP 2."""


class Requests2(Requests):
    """Makes the requests of OCPP 2 for one charge point.

    Parameters
    ----------
    callee
        Its session.
    equipment
        The charge point; its connector is its EVSE here.
    next_number
        Numbers that only grow, for the starts.
    """

    def __init__(
        self, callee: Callee, equipment: Equipment, next_number: Callable[[], int]
    ) -> None:
        self._callee = callee
        self._evse = equipment.connector
        self._equipment = equipment
        self._next_number = next_number

    @override
    def start(self, profile: Profile | None = None) -> object:
        return call.RequestStartTransaction(
            id_token={"id_token": ID_TAG, "type": "Central"},
            remote_start_id=self._next_number(),
            evse_id=self._evse,
            charging_profile=None if profile is None else _translated(profile),
        )

    @override
    def stop(self, transaction: TransactionId) -> object:
        return call.RequestStopTransaction(str(transaction))

    @override
    def set_profile(self, profile: Profile) -> object:
        place = self._place_of(profile["charging_profile_purpose"])
        return call.SetChargingProfile(place, _translated(profile))

    @override
    def clear(self, purpose: Purpose, level: int) -> tuple[object, object]:
        criteria = {
            "evse_id": self._place_of(purpose),
            "charging_profile_purpose": _PURPOSES.get(purpose, purpose),
            "stack_level": level,
        }
        return (
            call.ClearChargingProfile(charging_profile_id=PROFILE_IDS[purpose]),
            call.ClearChargingProfile(charging_profile_criteria=criteria),
        )

    @override
    def schedule(self, seconds: int) -> object:
        return call.GetCompositeSchedule(duration=seconds, evse_id=self._evse)

    @override
    async def abilities(self, known: Abilities) -> Abilities | None:
        found = await self._variables(VARIABLES)
        if found is not None:
            return abilities_of(found, known)
        # Some take only so many at a time, and refuse them all otherwise.
        each = [await self._variables([variable]) for variable in VARIABLES]
        found = [result for results in each for result in results or ()]
        # What was lost is asked for again.
        said = replace(abilities_of(found, known), answered=None not in each)
        return said if found else None

    @override
    async def status(self) -> bool:
        evse = {"id": self._evse}
        with_connector = evse | {"connector_id": CONNECTOR}
        await ask(self._callee, call.TriggerMessage("StatusNotification", with_connector))
        for message in ("TransactionEvent", "MeterValues"):
            if await ask(self._callee, call.TriggerMessage(message, evse)) is None:
                return True
        return False

    @override
    async def samples(self) -> None:
        point = self._equipment
        if point.home_phases:
            await self._set("AlignedDataCtrlr", "Interval", HOME_SECONDS)
            lists = (f"{CURRENT},{POWER},{EXPORT}", f"{POWER},{EXPORT}")
            await self._set(
                "AlignedDataCtrlr", "Measurands", *(lists if point.reports_grid else ()), CURRENT
            )
        seconds = HOME_SECONDS if point.home_phases else SAMPLE_SECONDS
        await self._set("SampledDataCtrlr", "TxUpdatedInterval", seconds)
        await self._set("SampledDataCtrlr", "TxUpdatedMeasurands", *SAMPLED)
        for variable in ("TxStartedMeasurands", "TxEndedMeasurands"):
            await self._set("SampledDataCtrlr", variable, REGISTER)

    async def _variables(self, wanted: Sequence[tuple[str, ...]]) -> list[dict[str, Any]] | None:
        answer = await answer_to(self._callee, call.GetVariables([named(each) for each in wanted]))
        found = getattr(answer, "get_variable_result", None)
        return found if isinstance(found, list) else None

    async def _set(self, component: str, variable: str, *values: str) -> None:
        """Set a variable to the first of several values that the equipment takes."""
        for value in values:
            data = named((component, variable)) | {"attribute_value": value}
            answer = await answer_to(self._callee, call.SetVariables([data]))
            results = getattr(answer, "set_variable_result", None) or [{}]
            if results[0].get("attribute_status") in ACCEPTED:
                return

    def _place_of(self, purpose: str) -> int:
        """Return the EVSE of a profile: the highest current is that of all together."""
        return WHOLE_EQUIPMENT if purpose in _PURPOSES else self._evse


def _translated(profile: Profile) -> dict[str, Any]:
    """Write a profile as OCPP 2 has it: it may have several schedules, each with a number."""
    rest = {
        key: value
        for key, value in profile.items()
        if key not in {"charging_profile_id", "charging_schedule", "transaction_id"}
    }
    transaction = profile.get("transaction_id")
    named_by_it = {} if transaction is None else {"transaction_id": str(transaction)}
    purpose = profile["charging_profile_purpose"]
    return {
        "id": profile["charging_profile_id"],
        **rest,
        **named_by_it,
        "charging_profile_purpose": _PURPOSES.get(purpose, purpose),
        "charging_schedule": [
            {"id": profile["charging_profile_id"], **profile["charging_schedule"]}
        ],
    }
