"""What is told of equipment that speaks OCPP, beside its readings and reports."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from adapters.contract.messages import Reading, VehicleReport


@dataclass(frozen=True)
class Connected:
    """Equipment has connected and said who it is."""

    charge_point: str


@dataclass(frozen=True)
class Ready:
    """Equipment can be told things, and knows of nothing that was told before: tell it again."""

    charge_point: str


@dataclass(frozen=True)
class Disconnected:
    """The connection has ended; nothing can be told, and nothing is kept to be told later."""

    charge_point: str


@dataclass(frozen=True)
class Refused:
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


Heard = Reading | VehicleReport | Connected | Ready | Disconnected | Refused
"""All that is told of equipment."""

OnHeard = Callable[[str, Heard], None]
"""Takes a charge point's name and what was heard of it. It is called on one thread, one at a time,
and may take its time: equipment has its answer only when this has returned. What it raises becomes
a CALLERROR, after which equipment says the same again if it is about a transaction."""
