"""Events of equipment that speaks OCPP, as the OCPP server hands them on."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from adapters.contract.messages import GridPower, HomeLoad, Reading, VehicleReport


@dataclass(frozen=True)
class EquipmentConnected:
    """Equipment has connected with its name and password."""

    charge_point: str


@dataclass(frozen=True)
class EquipmentReady:
    """Equipment accepts commands; those sent earlier are lost."""

    charge_point: str


@dataclass(frozen=True)
class EquipmentDisconnected:
    """The connection has ended; until the next one, no command is sent or stored."""

    charge_point: str


@dataclass(frozen=True)
class CallRefused:
    """Equipment refused a command. It is sent again, with growing pauses.

    Attributes
    ----------
    charge_point : str
        The charge point's name.
    call : str
        The OCPP message, such as ``"RemoteStartTransaction"``.
    reason : str
        The equipment's answer, in a few words.
    """

    charge_point: str
    call: str
    reason: str


TroubleCode = Literal["equipment-refuses", "no-current-control", "equipment-pauses"]


@dataclass(frozen=True)
class EquipmentTrouble:
    """Equipment can't do what it must, or can again.

    Attributes
    ----------
    charge_point : str
        The charge point's name.
    code : TroubleCode
        It refuses its commands, can't set its current though the file counts on that, or gives
        nothing by itself.
    trouble : str or None
        What is wrong, and what to do; None once it is over.
    """

    charge_point: str
    code: TroubleCode
    trouble: str | None


@dataclass(frozen=True)
class ChargingLimitNoticed:
    """Equipment has got a limit from elsewhere, such as from the grid operator (OCPP 2).

    Attributes
    ----------
    charge_point : str
        The charge point's name.
    source : str
        Who has set it, as the standard names it.
    notice : mapping of str to object, or None
        The payload of NotifyChargingLimit, its keys in snake case; None if the limit is cleared.
    """

    charge_point: str
    source: str
    notice: Mapping[str, Any] | None


EquipmentEvent = (
    Reading
    | HomeLoad
    | GridPower
    | VehicleReport
    | EquipmentConnected
    | EquipmentReady
    | EquipmentDisconnected
    | CallRefused
    | EquipmentTrouble
    | ChargingLimitNoticed
)

OnEquipmentEvent = Callable[[str, EquipmentEvent], None]
"""Takes a charge point's name and an event. It is called on one thread, one event at a time, and
may take its time: equipment gets its answer only once this has returned. An exception becomes a
CALLERROR, after which equipment repeats the message if it is about a transaction."""
