"""What a household declares about its vehicles, such as their batteries."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import Field, model_validator
from typing_extensions import override

from config.fields.distance import KM_PER_MILE
from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Amps, Expected, Model, Name, Percent, Phases

if TYPE_CHECKING:
    from collections.abc import Iterator

EVERYDAY_LIMIT_PERCENT = {"nmc": 80.0, "lfp": 100.0}
CONSUMPTION_KEYS = ("kwh_per_100km", "km_per_kwh", "miles_per_kwh")

Efficiency = Annotated[
    float, Field(ge=50, le=100), Expected("a percentage from 50 to 100 (90 means 90 %)")
]
EverydayLimit = Annotated[
    float, Field(ge=10, le=100), Expected("a percentage from 10 to 100 (80 means 80 %)")
]
PowerPercent = Annotated[
    float, Field(ge=1, le=100), Expected("a percentage of full power from 1 to 100")
]
TaperPoint = Annotated[
    tuple[Percent, PowerPercent],
    Field(strict=False),
    Expected("a point of state of charge (0 to 100) and power (1 to 100) such as [80, 100]"),
]
DistancePerKwh = Annotated[float, Field(ge=0.1, le=100), Expected("a distance per kWh, 0.1 to 100")]
Preference = Annotated[Literal["early", "late"], Expected("early or late", ("early", "late"))]
LAST_PRIORITY = 100
Priority = Annotated[
    int, Field(ge=1, le=LAST_PRIORITY), Expected(f"a whole number from 1 to {LAST_PRIORITY}")
]
PREFER = "Which of the plans that cost the same: charge early or late."


class AnyVehicle(Model):
    """An electric vehicle, without where it charges and how far it is driven.

    Its state of charge is in percent of the usable battery energy.
    """

    usable_kwh: Annotated[
        float, Field(ge=0.1, le=1000), Expected("an energy from 0.1 to 1000 kWh")
    ] = Field(description="Usable battery energy [kWh].")
    chemistry: Annotated[Literal["nmc", "lfp"], Expected("nmc or lfp", ("nmc", "lfp"))] | None = (
        Field(None, description="Sets the everyday limit if none is given: nmc 80, lfp 100.")
    )
    everyday_limit_percent: EverydayLimit | None = Field(
        None, description="State of charge not exceeded without need [percent]."
    )
    charging_efficiency_percent: Efficiency = Field(
        90.0, description="Battery energy gained per metered energy [percent]."
    )
    standby_watts: Annotated[float, Field(ge=0, le=5000), Expected("a power from 0 to 5000 W")] = (
        Field(0.0, description="Drawn on top while charging, and lost [W].")
    )
    max_amps: Amps | None = Field(
        None, description="The highest current it draws [A per phase]; without: no limit."
    )
    phases: Phases = Field(1, description="Phases it charges on.")
    taper: Annotated[tuple[TaperPoint, ...], Field(strict=False, min_length=2)] | None = Field(
        None,
        description="Points of state of charge [percent] and power [percent of full power], "
        "linear between them.",
    )
    kwh_per_100km: (
        Annotated[
            float, Field(ge=0.5, le=300), Expected("an energy from 0.5 to 300 kWh per 100 km")
        ]
        | None
    ) = Field(
        None,
        description="Consumption of battery energy [kWh per 100 km]. A figure measured at the "
        "socket has the charging loss in it: multiply it by the charging efficiency first.",
    )
    km_per_kwh: DistancePerKwh | None = Field(
        None,
        description="Consumption of battery energy [km per kWh]. A figure measured at the socket "
        "has the charging loss in it: divide it by the charging efficiency first.",
    )
    miles_per_kwh: DistancePerKwh | None = Field(
        None,
        description="Consumption of battery energy [miles per kWh]. A figure measured at the "
        "socket has the charging loss in it: divide it by the charging efficiency first.",
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse([*self._consumption_problems(), *self._taper_problems()])
        return self

    @property
    def consumption_keys(self) -> list[str]:
        """The keys of consumption that are given: one at most."""
        return [key for key in CONSUMPTION_KEYS if getattr(self, key) is not None]

    def _consumption_problems(self) -> Iterator[KeyProblem]:
        given = self.consumption_keys
        for key in given[1:]:
            yield KeyProblem((key,), f"expected one figure of consumption, got {given[0]} as well")

    def _taper_problems(self) -> Iterator[KeyProblem]:
        for index, (before, after) in enumerate(pairwise(self.taper or ()), start=1):
            if after[0] <= before[0]:
                yield KeyProblem(
                    ("taper", index, 0),
                    f"expected a state of charge above the point before it ({before[0]:g} %), "
                    f"got {after[0]:g}",
                )

    @property
    def limit_percent(self) -> float:
        """State of charge not exceeded without need: given, or by the chemistry, or 100."""
        if self.everyday_limit_percent is not None:
            return self.everyday_limit_percent
        return EVERYDAY_LIMIT_PERCENT.get(self.chemistry or "", 100.0)

    @property
    def kwh_per_km(self) -> float | None:
        """Battery energy used [kWh per km]; None if no consumption is given."""
        if self.kwh_per_100km is not None:
            return self.kwh_per_100km / 100
        if self.km_per_kwh is not None:
            return 1 / self.km_per_kwh
        if self.miles_per_kwh is not None:
            return 1 / (self.miles_per_kwh * KM_PER_MILE)
        return None


class _AtChargePoint(Model):
    """The key that comes first in a vehicle."""

    charge_point: Name = Field(description="The charge point it uses.")


class Vehicle(AnyVehicle, _AtChargePoint):
    """One electric vehicle; state of charge is in percent of the usable energy."""

    daily_distance_km: (
        Annotated[float, Field(ge=0, le=2000), Expected("a distance from 0 to 2000 km")] | None
    ) = Field(None, description="A day's distance, if nothing better is known [km].")
    arrives_with_percent: Percent | None = Field(
        None, description="State of charge on arrival, if nothing better is known [percent]."
    )
    prefer: Preference = Field("early", description=PREFER)
    priority: Priority | None = Field(
        None,
        description="Whose need comes first if not all can be met: 1 before 2, and so on; a "
        "vehicle without it comes last.",
    )

    @property
    def daily_kwh(self) -> float | None:
        """Battery energy that a usual day's driving uses [kWh]; None if it is not given."""
        if self.daily_distance_km is None or self.kwh_per_km is None:
            return None
        return self.daily_distance_km * self.kwh_per_km

    @override
    def _consumption_problems(self) -> Iterator[KeyProblem]:
        yield from super()._consumption_problems()
        if self.daily_distance_km is not None and not self.consumption_keys:
            yield KeyProblem(
                ("daily_distance_km",), f"expected one of {', '.join(CONSUMPTION_KEYS)} beside it"
            )
