"""What travels on the bus, one row for each topic: who says it, what it is, and examples of it.

The only place that says which message belongs to which topic in words for others; a test holds it
against `adapters.contract.topics` and `adapters.contract.messages`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

from adapters.contract.documents import NightDocument, PlanDocument
from adapters.contract.messages import (
    Alert,
    Answer,
    Command,
    DaemonState,
    HomeLoad,
    PriceFeed,
    Reading,
    Request,
    Status,
    VehicleReport,
)

Example = Mapping[str, Any]


@dataclass(frozen=True)
class Row:
    """One topic.

    Attributes
    ----------
    leaf
        Its last level.
    kind
        The type that its payload is read or written by.
    said_by
        Who publishes it.
    retained
        Whether the broker is to keep it.
    meaning
        In plain words, for those who write the other side.
    examples
        Payloads.
    may_be_empty
        Whether an empty payload takes a retained one away.
    """

    leaf: str
    kind: Any
    said_by: Literal["daemon", "hardware", "person", "price feed", "load meter"]
    retained: bool
    meaning: str
    examples: tuple[Example, ...]
    may_be_empty: bool = False

    @property
    def from_daemon(self) -> bool:
        """Whether the daemon publishes it; it listens to all else."""
        return self.said_by == "daemon"


_PLAN: Final[Example] = {
    "charge_point": "driveway", "vehicle": "hatchback", "currency": "NZD", "tariff": "Three-band",
    "made_at": "2026-06-03T06:30:00Z", "departure": "2026-06-03T19:20:00Z",
    "soc_percent": 35.0, "need_percent": 60.0, "want_percent": 80.0, "reaches_percent": 80.0,
    "energy_kwh": 26.0, "cost": 5.0232, "starts": 1, "shortfall_kwh": 0.0,
    "rests_on_estimates": False,
    "periods": [
        {
            "start": "2026-06-03T09:00:00Z", "end": "2026-06-03T12:31:57Z",
            "amps": 32.0, "kwh": 26.0, "cost": 5.0232, "band": "night",
        },
    ],
    "baselines": {
        "at_once": {"energy_kwh": 26.0, "cost": 10.1865},
        "timer": {"energy_kwh": 26.0, "cost": 5.0232},
    },
    "why": ["Charges 26.0 kWh between 21:00 and 00:31 (night) at 0.1932 NZD per kWh."],
    "cautions": ["Software and MQTT are no protective device."],
}  # fmt: skip
_NIGHT: Final[Example] = {
    "night": "2026-06-03", "charge_point": "driveway", "vehicle": "hatchback", "currency": "NZD",
    "energy_kwh": 26.0, "cost": 5.02,
    "by_band": [{"band": "night", "rate": 0.1932, "kwh": 26.0, "cost": 5.0232}],
    "soc_before_percent": 35.0, "soc_after_percent": 80.0, "soc_from": "vehicle",
    "need_percent": 60.0, "need_met": True, "starts": 1, "planned_cost": 5.02,
    "estimated_kwh": 0.0, "standing_charge": 2.19,
    "baselines": {"at_once": {"cost": 10.19}, "timer": {"cost": 5.02}, "hindsight": {"cost": 5.02}},
    "plugged_since": "2026-06-03T06:30:00Z", "departure": "2026-06-03T19:20:00Z",
    "closed_at": "2026-06-03T19:20:00Z",
}  # fmt: skip

ROWS: Final[tuple[Row, ...]] = (
    Row(
        "command", Command, "daemon", retained=True,
        meaning="What the charge point is to do. A serial that was seen before means nothing new, a"
        " lower one is late. Stop when valid_until passes without a newer command.",
        examples=(
            {
                "v": 1, "serial": 412, "do": "start", "amps": 32.0,
                "valid_until": "2026-06-03T09:30:00Z", "plan": "hatchback@2026-06-03T06:30:00Z",
                "why": "cheapest hours before 07:20",
            },
            {
                "v": 1, "serial": 413, "do": "stop", "valid_until": "2026-06-03T13:31:57Z",
                "why": "the plan has nothing more to charge",
            },
        ),
    ),
    Row(
        "plan", PlanDocument, "daemon", retained=True, may_be_empty=True,
        meaning="The plan in force, as the command line prints it; an empty payload when none is.",
        examples=(_PLAN,),
    ),
    Row(
        "status", Status, "daemon", retained=True,
        meaning="What the daemon believes of the charge point; nothing after stale_after.",
        examples=(
            {
                "v": 1, "at": "2026-06-03T09:05:00Z", "stale_after": "2026-06-03T09:10:00Z",
                "connected": True, "charging": True, "do": "start", "serial": 412,
                "why": "cheapest hours before 07:20", "soc_percent": 36.1, "soc_from": "counted",
                "plan": "hatchback@2026-06-03T06:30:00Z",
                "reading": {"v": 1, "at": "2026-06-03T09:05:00Z", "register_kwh": 1235.181,
                            "watts": 7360.0},
                "rates": {"tariff": "Three-band", "now": "known"}, "alerts": [],
            },
        ),
    ),
    Row(
        "night", NightDocument, "daemon", retained=False,
        meaning="The account of a night, once it is closed; again when it is corrected.",
        examples=(_NIGHT,),
    ),
    Row(
        "alert", Alert, "daemon", retained=False,
        meaning="Something a person should look at.",
        examples=(
            {
                "v": 1, "code": "no-power-after-start", "at": "2026-06-03T09:02:00Z",
                "message": "No power flows at driveway, which was told to start.",
            },
        ),
    ),
    Row(
        "reading", Reading, "hardware", retained=False,
        meaning="What the meter shows: when the power changes, and every minute while it flows."
        " The register counts all energy since the meter was new, and survives a loss of power.",
        examples=(
            {"v": 1, "at": "2026-06-03T09:01:00Z", "register_kwh": 1234.567, "watts": 7360},
            {"v": 1, "at": "2026-06-03T09:01:00Z", "register_kwh": 1234.567, "watts": 7360,
             "amps": 32.0},
        ),
    ),
    Row(
        "vehicle", VehicleReport, "hardware", retained=False,
        meaning="What is known of the vehicle: the state of the control pilot (IEC 61851-1: A, no"
        " vehicle; B, plugged in; C, charging), where hardware without one says A or B, and the"
        " state of charge where it is known.",
        examples=(
            {"v": 1, "at": "2026-06-03T06:30:00Z", "pilot": "B", "soc_percent": 35},
            {"v": 1, "at": "2026-06-03T19:19:00Z", "pilot": "A"},
        ),
    ),
    Row(
        "request", Request, "person", retained=False,
        meaning="What a person asks for. A retained one is not obeyed, and neither is one with"
        " want_percent below need_percent.",
        examples=(
            {"v": 1, "want_percent": 100},
            {"v": 1, "charge_now": True},
            {"v": 1, "skip_until": "2026-06-04T00:00:00Z"},
            {"v": 1, "vehicle": "van"},
            {"v": 1, "clear": True},
        ),
    ),
    Row(
        "answer", Answer, "daemon", retained=False,
        meaning="What came of a request that had an id.",
        examples=(
            {
                "v": 1, "id": "9f2c", "at": "2026-06-03T06:31:00Z", "understood": True,
                "message": "The next start is Wed 21:00.",
            },
        ),
    ),
    Row(
        "daemon", DaemonState, "daemon", retained=True,
        meaning="Whether the daemon runs. Its Will is an offline without an instant.",
        examples=(
            {"v": 1, "state": "online", "at": "2026-06-03T06:30:00Z",
             "stale_after": "2026-06-03T06:35:00Z"},
            {"v": 1, "state": "offline"},
        ),
    ),
    Row(
        "prices", PriceFeed, "price feed", retained=True,
        meaning="Prices for the instants to come, as the price series of the tariff has them.",
        examples=({"v": 1, "rates": [{"start": "2026-06-03T12:00:00Z", "rate": 0.21}]},),
    ),
    Row(
        "load", HomeLoad, "load meter", retained=False,
        meaning="The home's own load, without the charge points.",
        examples=({"v": 1, "at": "2026-06-03T09:01:00Z", "amps": [21.3]},),
    ),
)  # fmt: skip
