"""The kinds of station, and how each behaves in a night."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from tests.ocpp_boxes.kinds import BEHAVIOURS as OF_BOXES
from tests.ocpp_boxes.kinds import Kind
from tests.ocpp_boxes.nights import ELSEWHERE

_FULL: Final = Kind("2.0.1", version="2.0.1", units="AW")
_CORE: Final = replace(
    _FULL, purposes=(), start_takes_profile=False, refusal="NotSupported", switching="on_off",
    own_amps=16.0,
)  # fmt: skip

KINDS: Final = (
    _FULL,
    replace(_FULL, name="2.1", version="2.1"),
    replace(_FULL, name="transaction at plug-in", begins="EVConnected"),
    replace(_FULL, name="watts, 3 phases", units="W", phases=3),
    replace(_FULL, name="plug and charge", charges_by_itself=True, begins="EVConnected"),
    replace(_CORE, name="no smart charging"),
    replace(
        _FULL, name="default profile only", purposes=("TxDefaultProfile",),
        start_takes_profile=False,
    ),
    replace(
        _FULL, name="profiles refused", purposes=(), start_takes_profile=False, own_amps=16.0,
        says=False,
    ),
    replace(_FULL, name="1 period", most_periods=1),
    replace(_FULL, name="1 profile", most_profiles=1, levels=0),
    replace(_FULL, name="3 variables at once", asks_at_once=3),
    replace(_FULL, name="pause ends", pause_ends=True),
    replace(_FULL, name="odd numbers, no evse", is_odd=True, meter="kWh"),
    replace(_FULL, name="no register", meter="power"),
    replace(_FULL, name="reboots in the charge", reboots=True, begins="EVConnected"),
    replace(_FULL, name="pauses by itself", pauses=True),
)  # fmt: skip

BEHAVIOURS: Final = (*OF_BOXES, ELSEWHERE)
