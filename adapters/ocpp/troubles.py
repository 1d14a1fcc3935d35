"""Report equipment that refuses its commands, or can't do what the household file counts on."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from datetime import datetime, timedelta
from typing import Final

from adapters.ocpp.limiter import Limiter
from adapters.ocpp_point.events import CallRefused, EquipmentEvent, EquipmentTrouble, TroubleCode
from adapters.ocpp_versions.session import Session

REFUSED_AT_TRY: Final = 3
"""Equipment that refuses the same command so many times does not only need a moment."""

PAUSES_AFTER: Final = timedelta(minutes=2)
"""Equipment that gives nothing for so long pauses: before, it may only be about to begin."""

_START: Final = (
    "look whether a vehicle is plugged in, and whether its own settings let the central system"
    " start a charge"
)
_STOP: Final = "if it still charges, end the charge at the vehicle or at the charge point itself"
_WHAT_TO_DO: Final = {
    "RemoteStartTransaction": _START,
    "RequestStartTransaction": _START,
    "SetChargingProfile": "lullwatt wiring shows what it can, and the guide what it needs",
    "RemoteStopTransaction": _STOP,
    "RequestStopTransaction": _STOP,
}


class Troubles:
    """Reports each trouble of one charge point once, and when it is over.

    Parameters
    ----------
    session
        The connection; its state knows what has been reported before.
    notify
        Takes events of the equipment; does not raise.
    """

    def __init__(
        self, session: Session, notify: Callable[[EquipmentEvent], Awaitable[None]]
    ) -> None:
        self._session = session
        self._notify = notify
        self._paused_since: datetime | None = None

    async def note(self, refused: CallRefused | None, tries: int) -> None:
        """Take up the result of sending a command for the n-th time."""
        if refused is None:
            await self._report("equipment-refuses", None)
        elif tries >= REFUSED_AT_TRY:
            to_do = _WHAT_TO_DO.get(refused.call, _WHAT_TO_DO["SetChargingProfile"])
            await self._report("equipment-refuses", f"{refused.call}: {refused.reason}; {to_do}")

    async def note_pause(self, now: datetime, *, is_paused: bool) -> None:
        """Take up whether it says now that it gives nothing by itself (SuspendedEVSE)."""
        if not is_paused:
            self._paused_since = None
            await self._report("equipment-pauses", None)
            return
        self._paused_since = self._paused_since or now
        if now - self._paused_since >= PAUSES_AFTER:
            await self._report(
                "equipment-pauses",
                "it may be too hot, limited by another system, or set below its lowest current",
            )

    async def judge(self, limiter: Limiter) -> None:
        """Compare what equipment can with what the household file counts on."""
        can_not = self._session.equipment.sets_current and not limiter.regulators
        said = limiter.abilities.limits_current is False
        reason = (
            "it says that it has no Smart Charging" if said else "it refuses all charging profiles"
        )
        await self._report("no-current-control", reason if can_not else None)

    async def _report(self, code: TroubleCode, trouble: str | None) -> None:
        known = self._session.state.troubles
        if known.get(code) == trouble:
            return
        if trouble is None:
            del known[code]
        else:
            known[code] = trouble
        await self._notify(EquipmentTrouble(self._session.equipment.name, code, trouble))
