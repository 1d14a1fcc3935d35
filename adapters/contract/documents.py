"""The documents for a plan and a closed night, on the bus and in reports.

No code reads or writes with these types. They define what others may rely on, and the contract of
the bus is made from them.
"""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired, TypeAlias

from pydantic import Field
from typing_extensions import TypedDict

from adapters.contract.messages import Instant

Percent: TypeAlias = Annotated[float, Field(ge=0, le=100)]
Kwh: TypeAlias = Annotated[float, Field(ge=0, description="[kWh], at the meter.")]
Money: TypeAlias = Annotated[float, Field(description="[currency], tax included.")]
Count: TypeAlias = Annotated[int, Field(ge=0)]
LocalDate: TypeAlias = Annotated[str, Field(pattern=r"^\d{4}-\d{2}-\d{2}$")]


class PlannedPeriod(TypedDict):
    """A period of charging at one current and one rate; half-open.

    `roof_kwh` is the part of `kwh` that the home's own roofs are counted on for, and `roof_cost`
    the part of `cost` for it: what export would pay. Both are absent without any. `phases` is there
    if one phase of several is to carry the current.
    """

    start: Instant
    end: Instant
    amps: Annotated[float, Field(gt=0, description="[A per phase]")]
    phases: NotRequired[Literal[1]]
    kwh: Kwh
    cost: Money
    band: str
    estimated: NotRequired[Literal[True]]
    roof_kwh: NotRequired[Kwh]
    roof_cost: NotRequired[Money]


class PlannedOutcome(TypedDict):
    """Energy and cost of charging by a simple rule."""

    energy_kwh: Kwh
    cost: Money


class PlanBaselines(TypedDict):
    """Simple rules to compare a plan with."""

    at_once: PlannedOutcome
    timer: PlannedOutcome


class PlannedSources(TypedDict):
    """What the home's own roofs are counted on for, at what export would pay, and the rest."""

    roof: PlannedOutcome
    grid: PlannedOutcome


class PlannedCarbon(TypedDict):
    """The carbon of the plan's energy, where carbon has a price.

    `kind` is what the intensities are. `counted` is what the plan counted for it when it compared
    hours; it is no part of any cost.
    """

    kind: Literal["average", "marginal"]
    kg: Annotated[float, Field(ge=0, description="[kg CO2e]")]
    counted: Annotated[float, Field(ge=0, description="[currency]")]


class PlannedLater(TypedDict):
    """A later night that was planned together with this one."""

    returns: Instant
    departure: Instant
    soc_percent: Percent
    need_percent: Percent
    want_percent: Percent
    reaches_percent: Percent
    energy_kwh: Kwh
    cost: Money
    periods: list[PlannedPeriod]
    event: NotRequired[str]


class PlanDocument(TypedDict):
    """The plan in force for one vehicle up to its departure.

    `made_at` is the instant at which the plan and its reasons (`why`) were made. Once a part of it
    is done, `as_of` is there: energies, costs, periods, comparisons and the state of charge are
    those of what is left from that instant on. `event` is the title of the calendar's event that
    the departure is, if it is one. `gap` is there where several nights are planned together and
    the plan isn't known to be the best: none could be better by more, with starts and what is
    wanted counted.

    `shortfall_kwh` is the energy missing for the need. Only a plan with a shortfall has
    `earliest_ready` and `amps_that_would_do`; they are null if there is no such instant or current.
    """

    charge_point: str
    vehicle: str
    currency: str
    tariff: str
    made_at: Instant
    departure: Instant
    soc_percent: Percent
    need_percent: Percent
    want_percent: Percent
    reaches_percent: Percent
    energy_kwh: Kwh
    cost: Money
    starts: Count
    shortfall_kwh: Kwh
    rests_on_estimates: bool
    periods: list[PlannedPeriod]
    baselines: PlanBaselines
    why: list[str]
    cautions: list[str]
    event: NotRequired[str]
    as_of: NotRequired[Instant]
    by_source: NotRequired[PlannedSources]
    carbon: NotRequired[PlannedCarbon]
    later: NotRequired[list[PlannedLater]]
    gap: NotRequired[Annotated[float, Field(ge=0, description="[currency]")]]
    earliest_ready: NotRequired[Instant | None]
    amps_that_would_do: NotRequired[float | None]


class NightLine(TypedDict):
    """One band's part of a night."""

    band: str
    rate: Annotated[float, Field(description="[currency per kWh], tax included.")]
    kwh: Kwh
    cost: Money


class NightCost(TypedDict):
    """What the night's metered energy would have cost by a simple rule.

    Versions up to 0.1.0 wrote only the cost, and it could be that of less energy.
    """

    cost: Money
    energy_kwh: NotRequired[Kwh]
    outside_kwh: NotRequired[
        Annotated[
            float,
            Field(
                ge=0,
                description="Part of the energy for which this rule's own hours are too few, priced"
                " at the next cheapest hours [kWh].",
            ),
        ]
    ]


class NightBaselines(TypedDict):
    """Simple rules to compare a night with.

    Empty if the vehicle is no longer in the household file.
    """

    at_once: NotRequired[NightCost]
    timer: NotRequired[NightCost]
    hindsight: NotRequired[NightCost]


class NightLowered(TypedDict):
    """For how long the home's live load left less current than was wanted."""

    minutes: Count
    least_amps: Annotated[
        float,
        Field(
            ge=0, description="The lowest current commanded meanwhile [A per phase]; 0 is a stop."
        ),
    ]
    load_amps: Annotated[
        float, Field(ge=0, description="The most that the rest of the home drew meanwhile [A].")
    ]


class NightStay(TypedDict):
    """A vehicle's time at the charge point in one night, up to its departure.

    Need and want are 0 until the departure has come. `left_at` is when it left, if it charged on
    after its departure, or left before it and another vehicle took its place; then it has no
    departure. `missing_kwh` is the energy at the meter that the need lacked then. Its own energy
    and cost are there if several vehicles charged in the night. Unknown values are null.
    """

    vehicle: str
    plugged_since: Instant
    departure: Instant | None
    need_percent: Percent
    want_percent: Percent
    soc_before_percent: Percent | None
    soc_after_percent: Percent | None
    soc_from: str
    left_at: Instant | None
    need_met: bool
    missing_kwh: Kwh | None
    planned_cost: Money
    starts: Count
    energy_kwh: NotRequired[Kwh]
    cost: NotRequired[Money]


class NightCarbonDocument(TypedDict):
    """The carbon of a night's energy: that of the grid's part, metered, at the intensity then.

    Where the intensity is average, energy of the home's own generation causes none; where it is
    marginal, it counts as the grid's. `kg` and `at_once_kg` are null if they are not known.
    """

    kind: Literal["average", "marginal"]
    kg: Annotated[float | None, Field(description="[kg CO2e]")]
    at_once_kg: Annotated[
        float | None, Field(description="What charging at once would have caused [kg CO2e].")
    ]
    estimated_kwh: Annotated[
        float,
        Field(
            ge=0,
            description="Energy whose intensity is an estimate [kWh]. The night is published again"
            " once it is known, up to 60 days later.",
        ),
    ]


class NightDocument(TypedDict):
    """One closed night: noon to noon local time (or as `account_day` says), by its first date.

    `cost` is rounded to the currency's minor unit; the costs in `by_band` are not. Unknown values
    are null. A night in which a vehicle departed more than once has several `stays`; `departure`,
    `need_percent`, `soc_before_percent` and `soc_after_percent` are those of the first, and
    `need_met` is true only if each departure had enough.
    """

    night: LocalDate
    charge_point: str
    vehicle: str
    currency: str
    energy_kwh: Kwh
    cost: Money
    by_band: list[NightLine]
    soc_before_percent: Percent | None
    soc_after_percent: Percent | None
    soc_from: str | None
    need_percent: Percent
    need_met: bool
    starts: Count
    planned_cost: Money
    estimated_kwh: Kwh
    standing_charge: Money
    baselines: NightBaselines
    estimated_rate_kwh: NotRequired[
        Annotated[
            float,
            Field(
                ge=0,
                description="Energy priced at estimated rates [kWh]. The night is published again"
                " once all its rates are known, up to 60 days later.",
            ),
        ]
    ]
    plugged_since: Instant
    departure: Instant | None
    stays: NotRequired[list[NightStay]]
    closed_at: Instant
    unknown_hours: NotRequired[
        Annotated[
            float,
            Field(
                ge=0,
                description="For how long the command was to charge while nothing shows whether"
                " energy flowed: the meter was silent, and no register says it afterwards [h].",
            ),
        ]
    ]
    roof_kwh: NotRequired[
        Annotated[
            float,
            Field(
                ge=0,
                description="Part of the energy that came from the home's own generation, priced at"
                " what export would have paid: the lines of the band roof [kWh]. Only where a grid"
                " meter was read.",
            ),
        ]
    ]
    all_grid_cost: NotRequired[
        Annotated[
            float, Field(description="What all of it would have cost from the grid [currency].")
        ]
    ]
    lowered_by_load: NotRequired[NightLowered]
    carbon: NotRequired[NightCarbonDocument]
