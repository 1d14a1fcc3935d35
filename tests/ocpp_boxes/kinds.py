"""The kinds of box, and how each behaves in a night."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final


@dataclass(frozen=True)
class Kind:
    """A box.

    Attributes
    ----------
    name : str
        Its name in the table.
    units, most_periods, levels : str, int, int
        What its schedules may have.
    purposes : tuple of str
        The charging profiles that it has; without any it has no Smart Charging.
    says : bool
        Whether it answers GetConfiguration.
    start_takes_profile : bool
        Whether a RemoteStartTransaction may carry one.
    refusal : str
        How it refuses a profile: a status, or the code of a CALLERROR.
    switching : str
        What the household file declares.
    charges_by_itself : bool
        Whether it begins a transaction as soon as a vehicle is plugged in.
    path : str
        What stands before its identity in the address.
    has_password : bool
        Whether it sends one.
    answers_after : float
        Seconds.
    own_amps : float
        What it gives if nothing limits it.
    phases, vehicle_phases : int
        Of the box and of the vehicle.
    meter : str
        "Wh", "kWh", or "power" for one without a register.
    reboots, pauses, is_odd : bool
        Whether it reboots in the charge, pauses by itself, or reports oddly.
    most_profiles : int
        How many it stores.
    version : str
        Of OCPP.
    begins : str
        OCPP 2: when its transactions begin (TxStartPoint).
    pause_ends : bool
        OCPP 2: whether a pause ends its transaction (TxStopPoint).
    asks_at_once : int
        OCPP 2: how many variables it may be asked for in one message.
    """

    name: str
    units: str = "AW"
    most_periods: int = 24
    levels: int = 8
    purposes: tuple[str, ...] = ("TxProfile", "TxDefaultProfile", "ChargePointMaxProfile")
    says: bool = True
    start_takes_profile: bool = True
    refusal: str = "Rejected"
    switching: str = "current"
    charges_by_itself: bool = False
    path: str = ""
    has_password: bool = True
    answers_after: float = 0.0
    own_amps: float = 32.0
    phases: int = 1
    vehicle_phases: int = 1
    meter: str = "Wh"
    reboots: bool = False
    pauses: bool = False
    is_odd: bool = False
    most_profiles: int = 10
    version: str = "1.6"
    begins: str = "PowerPathClosed"
    pause_ends: bool = False
    asks_at_once: int = 50


_FULL: Final = Kind("amperes")
_CORE: Final = replace(
    _FULL, purposes=(), start_takes_profile=False, refusal="NotSupported", switching="on_off",
    own_amps=16.0,
)  # fmt: skip

KINDS: Final = (
    replace(_FULL, units="A"),
    replace(_FULL, name="watts", units="W"),
    replace(_FULL, name="watts, unsaid, 3 phases", units="W", says=False, phases=3),
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
    replace(_FULL, name="start without profile", start_takes_profile=False),
    replace(_FULL, name="no password, path", has_password=False, path="/ocpp/1.6"),
    replace(_FULL, name="slow answers", answers_after=0.05),
    replace(_FULL, name="reboots in the charge", reboots=True),
    replace(_FULL, name="plug and charge", charges_by_itself=True),
    replace(_CORE, name="plug and charge, no smart charging", charges_by_itself=True),
    replace(_FULL, name="pauses by itself", pauses=True),
    replace(_FULL, name="odd numbers and order", is_odd=True),
    replace(_FULL, name="register in kWh", meter="kWh"),
    replace(_FULL, name="no register", meter="power"),
)  # fmt: skip

BEHAVIOURS: Final = (
    "normal night",
    "never starts",
    "sticks on",
    "reconnects in the charge",
    "daemon away at plug-in",
    "refuses stops",
    "loses messages",
    "unplugged in the charge",
    "daemon killed in the charge",
    "daemon away at the end",
    "home load in the charge",
)
