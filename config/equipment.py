"""What a household declares about its charge points and vehicles, and what one of them can't be."""

from __future__ import annotations

from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import Field, model_validator

from config.fields import (
    Amount,
    Amps,
    ClockHours,
    Expected,
    Flag,
    Minutes,
    Model,
    Name,
    Percent,
    Phases,
)
from config.ocpp import OcppPoint
from config.problems import Problem, refuse
from config.wiring import Wiring, wiring_problems

if TYPE_CHECKING:
    from collections.abc import Iterator

LOWEST_SIGNAL_AMPS = 6
"""The lowest current that the control pilot of IEC 61851-1 can offer."""
SOCKET_AMPS = 10
"""Usual limit of an in-cable box on a household socket, for hours (common practice, no source)."""
MODE_2_AMPS = 32
"""The highest current of charging mode 2 in IEC 61851-1."""

_EVERYDAY_LIMIT_PERCENT = {"nmc": 80.0, "lfp": 100.0}
_KM_PER_MILE = 1.609344
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
PerEnergy = Annotated[float, Field(ge=0.1, le=100), Expected("a distance per kWh, 0.1 to 100")]


class ChargePoint(Model):
    """One outlet that charges one vehicle at a time."""

    charging_mode: Annotated[
        Literal[2, 3],
        Expected("2 (socket and in-cable box) or 3 (fixed equipment), as in IEC 61851"),
    ] = Field(description="IEC 61851 mode: 2 (socket and in-cable box) or 3 (fixed equipment).")
    max_amps: Amps = Field(description="The highest current it may draw [A per phase].")
    min_amps: Amps = Field(6.0, description="The lowest current it can be set to [A per phase].")
    phases: Phases = Field(1, description="Phases it is connected to.")
    switching: Annotated[
        Literal["on_off", "current"],
        Expected(
            "on_off (a plug or relay) or current (its current can be set)", ("on_off", "current")
        ),
    ] = Field(description="on_off: a plug or relay; current: its current can be set.")
    min_run_minutes: Minutes = Field(0, description="Once on, it stays on so long [minutes].")
    min_rest_minutes: Minutes = Field(0, description="Once off, it stays off so long [minutes].")
    start_cost: Amount = Field(
        Decimal(0), description="What one more start is worth avoiding [currency]."
    )
    confirm_seconds: Annotated[
        int, Field(ge=10, le=3600), Expected("a whole number of seconds from 10 to 3600")
    ] = Field(
        120,
        description="How long after a command the power may take to follow it, before it is said "
        "again [seconds].",
    )
    plugged_in: ClockHours | None = Field(
        None, description="When a vehicle is taken to be plugged in, for hardware that can't tell."
    )
    circuit_checked_by_electrician: Flag = Field(
        default=False, description="Needed for charging mode 2 above 10 A."
    )
    wiring: Wiring | None = Field(
        None, description="For hardware with topics and words of its own."
    )
    ocpp: OcppPoint | None = Field(None, description="For equipment that speaks OCPP 1.6J.")

    @model_validator(mode="after")
    def _check(self) -> Self:
        wiring = wiring_problems(self.wiring, self.switching)
        refuse(
            [
                *self._current_problems(),
                *self._mode_2_problems(),
                *wiring,
                *self._speech_problems(),
            ]
        )
        return self

    def _speech_problems(self) -> Iterator[Problem]:
        if self.wiring is not None and self.ocpp is not None:
            yield Problem(("ocpp",), "expected either wiring or ocpp, got both")

    def _current_problems(self) -> Iterator[Problem]:
        if self.switching == "current" and self.min_amps < LOWEST_SIGNAL_AMPS:
            yield Problem(
                ("min_amps",),
                f"expected {LOWEST_SIGNAL_AMPS} A or more with switching: current "
                f"(IEC 61851 can't offer less), got {self.min_amps:g}",
            )
        if self.min_amps > self.max_amps:
            low, high = f"{self.min_amps:g}", f"{self.max_amps:g}"
            if "min_amps" in self.model_fields_set:
                yield Problem(("min_amps",), f"expected at most max_amps ({high} A), got {low}")
            else:
                message = f"expected at least min_amps ({low} A unless set), got {high}"
                yield Problem(("max_amps",), message)

    def _mode_2_problems(self) -> Iterator[Problem]:
        if self.charging_mode != 2:  # noqa: PLR2004 - IEC 61851 mode 2
            return
        if self.max_amps > MODE_2_AMPS:
            yield Problem(
                ("max_amps",),
                f"expected {MODE_2_AMPS} A or less in charging mode 2, got {self.max_amps:g}",
            )
        elif self.max_amps > SOCKET_AMPS and not self.circuit_checked_by_electrician:
            yield Problem(
                ("max_amps",),
                f"expected {SOCKET_AMPS} A or less in charging mode 2, got {self.max_amps:g}; more "
                "for hours needs circuit_checked_by_electrician: true, once an electrician has "
                "checked the socket and its circuit",
            )


class Vehicle(Model):
    """One electric vehicle; its state of charge is in percent of the usable battery energy."""

    charge_point: Name = Field(description="The charge point it uses.")
    usable_kwh: Annotated[
        float, Field(ge=0.1, le=1000), Expected("an energy from 0.1 to 1000 kWh")
    ] = Field(description="Usable battery energy [kWh].")
    chemistry: Annotated[Literal["nmc", "lfp"], Expected("nmc or lfp", ("nmc", "lfp"))] | None = (
        Field(None, description="Sets the everyday limit where none is given: nmc 80, lfp 100.")
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
    km_per_kwh: PerEnergy | None = Field(
        None,
        description="Consumption of battery energy [km per kWh]. A figure measured at the socket "
        "has the charging loss in it: divide it by the charging efficiency first.",
    )
    miles_per_kwh: PerEnergy | None = Field(
        None,
        description="Consumption of battery energy [miles per kWh]. A figure measured at the "
        "socket has the charging loss in it: divide it by the charging efficiency first.",
    )
    daily_distance_km: (
        Annotated[float, Field(ge=0, le=2000), Expected("a distance from 0 to 2000 km")] | None
    ) = Field(None, description="Fallback estimate of a day's distance [km].")
    arrives_with_percent: Percent | None = Field(
        None, description="State of charge taken when nothing better is known [percent]."
    )
    prefer: Annotated[Literal["early", "late"], Expected("early or late", ("early", "late"))] = (
        Field("early", description="Which of the plans that cost the same.")
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse([*self._consumption_problems(), *self._taper_problems()])
        return self

    def _consumption_problems(self) -> Iterator[Problem]:
        given = [key for key in CONSUMPTION_KEYS if getattr(self, key) is not None]
        for key in given[1:]:
            yield Problem((key,), f"expected one figure of consumption, got {given[0]} as well")
        if self.daily_distance_km is not None and not given:
            yield Problem(
                ("daily_distance_km",), f"expected one of {', '.join(CONSUMPTION_KEYS)} beside it"
            )

    def _taper_problems(self) -> Iterator[Problem]:
        for index, (before, after) in enumerate(pairwise(self.taper or ()), start=1):
            if after[0] <= before[0]:
                yield Problem(
                    ("taper", index, 0),
                    f"expected a state of charge above the point before it ({before[0]:g} %), "
                    f"got {after[0]:g}",
                )

    @property
    def limit_percent(self) -> float:
        """State of charge not exceeded without need: given, or by the chemistry, or 100."""
        if self.everyday_limit_percent is not None:
            return self.everyday_limit_percent
        return _EVERYDAY_LIMIT_PERCENT.get(self.chemistry or "", 100.0)

    @property
    def kwh_per_km(self) -> float | None:
        """Battery energy used in kWh per km, from whichever figure is given; None without one."""
        if self.kwh_per_100km is not None:
            return self.kwh_per_100km / 100
        if self.km_per_kwh is not None:
            return 1 / self.km_per_kwh
        if self.miles_per_kwh is not None:
            return 1 / (self.miles_per_kwh * _KM_PER_MILE)
        return None
