"""What is told of equipment that speaks OCPP, beside its readings and reports."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from adapters.contract.messages import Reading, VehicleReport


@dataclass(frozen=True)
class EquipmentConnected:
    """Equipment has connected and said who it is."""

    charge_point: str


@dataclass(frozen=True)
class EquipmentReady:
    """Equipment can be told things, and knows of nothing that was told before: tell it again."""

    charge_point: str


@dataclass(frozen=True)
class EquipmentDisconnected:
    """The connection has ended; nothing can be told, and nothing is kept to be told later."""

    charge_point: str


@dataclass(frozen=True)
class CallRefused:
    """Equipment did not take what it was told. It will be asked again, with growing pauses.

    Attributes
    ----------
    charge_point : str
        The charge point's name.
    what : str
        The OCPP message, such as ``"RemoteStartTransaction"``.
    why : str
        Its answer, in a few words.
    """

    charge_point: str
    what: str
    why: str


EquipmentEvent = (
    Reading
    | VehicleReport
    | EquipmentConnected
    | EquipmentReady
    | EquipmentDisconnected
    | CallRefused
)
"""All that is told of equipment."""

OnEquipmentEvent = Callable[[str, EquipmentEvent], None]
"""Takes a charge point's name and what was heard of it. It is called on one thread, one at a time,
and may take its time: equipment has its answer only when this has returned. What it raises becomes
a CALLERROR, after which equipment says the same again if it is about a transaction."""
