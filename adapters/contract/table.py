"""The table of topics: for each its sender, payload type, meaning and examples.

The contract that others read is made from it. A test compares it with `adapters.contract.topics`
and `adapters.contract.messages`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

from adapters.contract.documents import NightDocument, PlanDocument
from adapters.contract.messages import (
    Alert,
    Announcements,
    Answer,
    CarbonIntensity,
    Command,
    DaemonState,
    Forecast,
    Generated,
    GridLimit,
    GridPower,
    HomeLoad,
    PriceFeed,
    Reading,
    Request,
    Status,
    VehicleReport,
)

Example = Mapping[str, Any]


@dataclass(frozen=True)
class BusTopic:
    """One topic of the bus.

    Attributes
    ----------
    name
        Its last level.
    payload_type
        The type that reads or writes its payload.
    sender
        Who publishes it.
    retained
        Whether the broker retains it.
    meaning
        In plain words, for those who write the other side.
    examples
        Payloads.
    may_be_empty
        Whether an empty payload deletes the retained one.
    """

    name: str
    payload_type: Any
    sender: Literal[
        "daemon", "hardware", "person", "price feed", "load meter", "grid meter", "forecast feed",
        "carbon feed", "generation meter", "grid operator",
    ]  # fmt: skip
    retained: bool
    meaning: str
    examples: tuple[Example, ...]
    may_be_empty: bool = False

    @property
    def from_daemon(self) -> bool:
        """Whether the daemon publishes it; it subscribes to all others."""
        return self.sender == "daemon"


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
    "estimated_kwh": 0.0, "estimated_rate_kwh": 0.0, "standing_charge": 2.19,
    "baselines": {
        "at_once": {"cost": 10.19, "energy_kwh": 26.0, "outside_kwh": 0.0},
        "timer": {"cost": 5.02, "energy_kwh": 26.0, "outside_kwh": 0.0},
        "hindsight": {"cost": 5.02, "energy_kwh": 26.0, "outside_kwh": 0.0},
    },
    "plugged_since": "2026-06-03T06:30:00Z", "departure": "2026-06-03T19:20:00Z",
    "stays": [
        {
            "vehicle": "hatchback", "plugged_since": "2026-06-03T06:30:00Z",
            "departure": "2026-06-03T19:20:00Z", "need_percent": 60.0, "want_percent": 80.0,
            "soc_before_percent": 35.0, "soc_after_percent": 80.0, "soc_from": "vehicle",
            "left_at": None, "need_met": True, "missing_kwh": 0.0, "planned_cost": 5.0232,
            "starts": 1,
        },
    ],
    "closed_at": "2026-06-03T19:20:00Z",
}  # fmt: skip

BUS_TOPICS: Final[tuple[BusTopic, ...]] = (
    BusTopic(
        "command", Command, "daemon", retained=True,
        meaning="What the charge point must do. Pass over a serial that is not higher than the last"
        " one. Stop when valid_until passes without a newer command.",
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
    BusTopic(
        "plan", PlanDocument, "daemon", retained=True, may_be_empty=True,
        meaning="The plan in force, as the command line prints it; empty if there is none.",
        examples=(_PLAN,),
    ),
    BusTopic(
        "status", Status, "daemon", retained=True,
        meaning="What the daemon knows about the charge point. It expires at stale_after.",
        examples=(
            {
                "v": 1, "at": "2026-06-03T09:05:00Z", "stale_after": "2026-06-03T09:10:00Z",
                "connected": True, "charging": True, "do": "start", "serial": 412,
                "why": "cheapest hours before 07:20", "soc_percent": 36.1, "soc_from": "counted",
                "plan": "hatchback@2026-06-03T06:30:00Z",
                "reading": {"v": 1, "at": "2026-06-03T09:05:00Z", "register_kwh": 1235.181,
                            "watts": 7360.0},
                "rates": {"tariff": "Three-band", "now": "known"},
                "wishes": [{"id": "1", "vehicle": "hatchback", "by": "2026-06-05T20:00:00Z",
                            "need_percent": 100.0}],
                "alerts": [],
            },
        ),
    ),
    BusTopic(
        "night", NightDocument, "daemon", retained=False,
        meaning="The account of a closed night, sent again after a correction.",
        examples=(_NIGHT,),
    ),
    BusTopic(
        "alert", Alert, "daemon", retained=False,
        meaning="Something a person should look at.",
        examples=(
            {
                "v": 1, "code": "no-power-after-start", "at": "2026-06-03T09:02:00Z",
                "message": "No power flows at driveway, which was commanded to start.",
            },
        ),
    ),
    BusTopic(
        "reading", Reading, "hardware", retained=False,
        meaning="What the meter shows: when the power changes, and every minute while power flows."
        " The register counts all energy since the meter was new, and survives a power cut.",
        examples=(
            {"v": 1, "at": "2026-06-03T09:01:00Z", "register_kwh": 1234.567, "watts": 7360},
            {"v": 1, "at": "2026-06-03T09:01:00Z", "register_kwh": 1234.567, "watts": 7360,
             "amps": 32.0},
        ),
    ),
    BusTopic(
        "vehicle", VehicleReport, "hardware", retained=False,
        meaning="What the hardware knows about the vehicle: the state of the control pilot"
        " (IEC 61851-1: A, no vehicle; B, plugged in; C, charging; hardware without a pilot sends"
        " A or B), and the state of charge if it is known.",
        examples=(
            {"v": 1, "at": "2026-06-03T06:30:00Z", "pilot": "B", "soc_percent": 35},
            {"v": 1, "at": "2026-06-03T19:19:00Z", "pilot": "A"},
        ),
    ),
    BusTopic(
        "request", Request, "person", retained=False,
        meaning="What a person asks for. A retained request is refused, and so is one with"
        " want_percent below need_percent.",
        examples=(
            {"v": 1, "want_percent": 100},
            {"v": 1, "need_percent": 100, "by": "2026-06-05T20:00:00Z"},
            {"v": 1, "remove": "1"},
            {"v": 1, "charge_now": True},
            {"v": 1, "skip_until": "2026-06-04T00:00:00Z"},
            {"v": 1, "stop": True},
            {"v": 1, "away_until": "2026-06-14T06:00:00Z"},
            {"v": 1, "vehicle": "van"},
            {"v": 1, "id": "a91e", "charge_now": True, "preview": True},
            {"v": 1, "equipment_checked": True},
            {"v": 1, "clear": True},
        ),
    ),
    BusTopic(
        "answer", Answer, "daemon", retained=False,
        meaning="The answer to a request that had an id.",
        examples=(
            {
                "v": 1, "id": "9f2c", "at": "2026-06-03T06:31:00Z", "understood": True,
                "message": "The next start is Wed 21:00.",
            },
            {
                "v": 1, "id": "a91e", "at": "2026-06-03T06:31:00Z", "understood": True,
                "message": "Preview: nothing has changed. Charges now at 32 A: …", "preview": True,
                "vehicle": "hatchback", "energy_kwh": 26.0, "cost": 10.1873, "currency": "NZD",
                "ends_at": "2026-06-03T10:01:57Z",
                "departures": [
                    {"departure": "2026-06-03T19:20:00Z", "effect": "kept", "need_percent": 60.0,
                     "want_percent": 80.0, "max_rate": 0.2, "reaches_percent": 80.0,
                     "energy_kwh": 26.0, "cost": 10.1873, "starts_at": "2026-06-03T06:31:00Z",
                     "ends_at": "2026-06-03T10:01:57Z"},
                ],
            },
        ),
    ),
    BusTopic(
        "daemon", DaemonState, "daemon", retained=True,
        meaning="Whether the daemon runs. Its Will is an offline without an instant. Hardware"
        " reports its reading and vehicle whenever this says online for the first time since it"
        " connected, since it said anything else, or with another instance.",
        examples=(
            {"v": 1, "state": "online", "at": "2026-06-03T06:30:00Z",
             "stale_after": "2026-06-03T06:35:00Z"},
            {"v": 1, "state": "offline"},
        ),
    ),
    BusTopic(
        "prices", PriceFeed, "price feed", retained=True,
        meaning="Prices for the coming instants, as in the price series of the tariff.",
        examples=({"v": 1, "rates": [{"start": "2026-06-03T12:00:00Z", "rate": 0.21}]},),
    ),
    BusTopic(
        "announcements", Announcements, "price feed", retained=True,
        meaning="Kinds of days that the supplier has announced, for a tariff with announced days."
        " Hours are for a kind of picked hours.",
        examples=(
            {"v": 1, "days": [{"date": "2026-06-04", "kind": "costly"}]},
            {"v": 1, "days": [{"date": "2026-06-04", "kind": "picked",
                               "hours": ["01:00-04:00", "13:00-14:00"]}]},
        ),
    ),
    BusTopic(
        "forecast", Forecast, "forecast feed", retained=True,
        meaning="What the home's own roofs are expected to give, in kW or W, for a household with"
        " generation. Of several forecasts the newest counts.",
        examples=(
            {"v": 1, "issued": "2026-06-03T05:00:00Z",
             "power": [{"start": "2026-06-03T23:00:00Z", "kw": 1.4},
                       {"start": "2026-06-04T00:00:00Z", "kw": 2.1}]},
            {"v": 1, "issued": "2026-06-03T05:00:00Z",
             "power": [{"start": "2026-06-03T23:00:00Z", "watts": 1400}]},
        ),
    ),
    BusTopic(
        "carbon", CarbonIntensity, "carbon feed", retained=True,
        meaning="The carbon intensity of the grid, past and to come, for a household with carbon."
        " Of several messages the newest counts, instant by instant.",
        examples=(
            {"v": 1, "issued": "2026-06-03T05:00:00Z",
             "values": [{"start": "2026-06-03T06:00:00Z", "grams_per_kwh": 96.0},
                        {"start": "2026-06-03T06:30:00Z", "grams_per_kwh": 121.5}]},
        ),
    ),
    BusTopic(
        "generation", Generated, "generation meter", retained=False,
        meaning="What the home's own roofs give, at least every minute by day. What is more than 30"
        " seconds old is refused.",
        examples=({"v": 1, "at": "2026-06-03T23:01:00Z", "watts": 1380},),
    ),
    BusTopic(
        "load", HomeLoad, "load meter", retained=False,
        meaning="The current that the home draws, every few seconds: on its one phase, or the"
        " highest, or on L1, L2 and L3. Without includes_charge_points it is that of the rest of"
        " the home. What is more than 30 seconds old is refused.",
        examples=(
            {"v": 1, "at": "2026-06-03T09:01:00Z", "amps": [21.3]},
            {"v": 1, "at": "2026-06-03T09:01:00Z", "amps": [21.3, 4.0, 6.5],
             "includes_charge_points": True},
        ),
    ),
    BusTopic(
        "grid", GridPower, "grid meter", retained=False,
        meaning="The power between the home and the grid, every few seconds: what the home takes is"
        " positive, what it gives is negative, with the charge points. One value is the sum of the"
        " phases; three are those of L1, L2 and L3. What is more than 30 seconds old is refused.",
        examples=(
            {"v": 1, "at": "2026-06-03T01:01:00Z", "watts": [-2310.0]},
            {"v": 1, "at": "2026-06-03T01:01:00Z", "watts": [-2800.0, 310.0, 180.0]},
        ),
    ),
    BusTopic(
        "grid-limit", GridLimit, "grid operator", retained=True, may_be_empty=True,
        meaning="What the grid operator allows the charge points together, or the whole home if the"
        " household file says so; an empty payload lifts it as well. It is obeyed at once, and no"
        " request overrides it.",
        examples=(
            {"v": 1, "at": "2026-06-03T06:40:00Z", "kw": 4.2, "until": "2026-06-03T08:00:00Z"},
            {"v": 1, "at": "2026-06-03T06:40:00Z", "amps": 16},
            {"v": 1, "at": "2026-06-03T07:10:00Z", "lifted": True},
        ),
    ),
)  # fmt: skip
