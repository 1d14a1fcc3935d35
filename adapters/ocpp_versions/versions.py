"""The versions of OCPP that are served: who answers in each, and what is known in it."""

from __future__ import annotations

from typing import Final

from adapters.ocpp_point.counted_register import CountedRegister
from adapters.ocpp_point.state import EquipmentState, NumberedState
from adapters.ocpp_point.station import StationState
from adapters.ocpp_versions.session import Session
from adapters.ocpp_versions.session_2 import Session21, Session201
from adapters.ocpp_versions.session_16 import Session16

SESSIONS: Final[dict[str, type[Session]]] = {
    "1.6": Session16,
    "2.0.1": Session201,
    "2.1": Session21,
}


def state_in(
    version: str, before: EquipmentState | None, register_wh: float | None
) -> EquipmentState:
    """Return what is known of equipment in a version: the same as before, or afresh.

    Parameters
    ----------
    version
        The version that was agreed on.
    before
        What was known at the last connection; None if there was none.
    register_wh
        The last register that is known, for a first connection [Wh].

    Returns
    -------
    EquipmentState
        What the version's session needs. Troubles and the register stay in another version.
    """
    kind = NumberedState if version == "1.6" else StationState
    if isinstance(before, kind):
        return before
    if before is None:
        return kind(register=CountedRegister(register_wh))
    return kind(register=before.register, troubles=before.troubles)
