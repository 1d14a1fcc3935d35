"""The models of an extract, version 1.

Numbers are exact decimals, instants RFC 3339 in UTC. A value that is not shared is left out. What
is called a night, and in which unit a quantity is, is as in the ledger.
"""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Annotated, Any, Final, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from config.fields.value_types import Model, json_kind

FORMAT: Final = "lullwatt-extract"
VERSION: Final = 1
MOST_NIGHTS: Final = 31 * 50
"""The nights of a month at 50 charge points."""
MOST_HALF_HOURS: Final = 33 * 50 * 50
MOST_PRICES: Final = 33 * 24 * 60
_INSTANT_PATTERN: Final = (
    r"^20[0-9]{2}-[0-9]{2}-[0-9]{2}T([01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9](\.[0-9]{1,6})?Z$"
)
_DATE_PATTERN: Final = r"^20[0-9]{2}-[0-9]{2}-[0-9]{2}$"
_HOURS_PATTERN: Final = r"^([01][0-9]|2[0-3]):[0-5][0-9]-(([01][0-9]|2[0-3]):[0-5][0-9]|24:00)$"


def _exact(value: object) -> object:
    return Decimal(value) if isinstance(value, int) and not isinstance(value, bool) else value


def _dated(text: str) -> str:
    date.fromisoformat(text[:10])
    return text


def _printable(text: str) -> str:
    if not text.isprintable():
        raise ValueError(text)
    return text


Instant = Annotated[str, Field(max_length=27, pattern=_INSTANT_PATTERN), AfterValidator(_dated)]
Day = Annotated[str, Field(pattern=_DATE_PATTERN), AfterValidator(_dated)]
CalendarMonth = Annotated[str, Field(pattern=r"^20[0-9]{2}-(0[1-9]|1[0-2])$")]
Label = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_printable)]
"""A name, as the household file has it."""
Count = Annotated[int, Field(ge=0, le=1_000_000)]
# Bounds on digits as well: a number such as 1e-999999999 would take all memory to write out.
Energy = Annotated[
    Decimal,
    BeforeValidator(_exact),
    Field(ge=0, le=1_000_000, decimal_places=40),
    json_kind("number", minimum=0, maximum=1_000_000),
]
Money = Annotated[
    Decimal,
    BeforeValidator(_exact),
    Field(ge=-1_000_000, le=1_000_000, decimal_places=40),
    json_kind("number", minimum=-1_000_000, maximum=1_000_000),
]
SharePercent = Annotated[
    Decimal,
    BeforeValidator(_exact),
    Field(ge=0, le=1000, decimal_places=40),  # what is counted may be a little above 100
    json_kind("number", minimum=0, maximum=1000),
]
Recipient = Annotated[str, Field(max_length=200, pattern=r"^age1[0-9a-z]+$")]


class Consent(Model):
    """What the household consented to when it made the extract."""

    purpose: Annotated[Label, Field(description="What the adviser may use it for.")]
    readers: Annotated[
        tuple[Recipient, ...],
        Field(
            strict=False,
            max_length=20,
            description="The public keys of those who may read it; empty: whoever has the file.",
        ),
    ]
    until: Day = Field(description="Last day on which it may be read, by the household's clock.")


class Shares(Model):
    """What the household chose to share beyond nights, energy and cost."""

    half_hours: bool = Field(description="Metered energy by half-hours.")
    soc: bool = Field(description="State of charge.")
    plug_in_times: bool = Field(description="When a vehicle was plugged in, and its departures.")


class BandLine(Model):
    """Energy and cost in one band at one rate."""

    band: Label
    rate: Money = Field(description="Rate, tax included [currency per kWh].")
    kwh: Energy
    cost: Money = Field(description="Not rounded [currency].")


class Baseline(Model):
    """What a night would have cost by another rule."""

    cost: Money
    energy_kwh: Energy
    outside_kwh: Energy = Field(
        Decimal(0), description="Part for which the rule's own hours were too few [kWh]."
    )


class CarbonOfNight(Model):
    """What the energy of a night caused."""

    kind: Literal["average", "marginal"]
    kg: Money | None = None
    at_once_kg: Money | None = None
    estimated_kwh: Energy = Decimal(0)


class LoweredByLoad(Model):
    """For how long the rest of the home left too little current; never what it drew."""

    minutes: Count
    least_amps: Energy = Field(description="The lowest current meanwhile; 0 for a stop [A].")


class Stay(Model):
    """The stay of a vehicle in a night."""

    vehicle: Label
    need_percent: SharePercent
    want_percent: SharePercent
    need_met: bool
    departed: bool = Field(description="Whether a departure had come by the end of the night.")
    starts: Count
    planned_cost: Money
    energy_kwh: Energy | None = None
    cost: Money | None = None
    soc_before_percent: SharePercent | None = None
    soc_after_percent: SharePercent | None = None
    soc_from: Label | None = None
    missing_kwh: Energy | None = Field(
        None, description="Energy that the need lacked, only with the state of charge [kWh]."
    )
    plugged_since: Instant | None = None
    departure: Instant | None = None
    left_at: Instant | None = None


class Night(Model):
    """One closed night at one charge point."""

    night: Day = Field(description="Local date on which it began.")
    charge_point: Label
    vehicle: Label
    energy_kwh: Energy = Field(description="Energy through the meter [kWh].")
    estimated_kwh: Energy = Field(description="Part that was not measured [kWh].")
    estimated_rate_kwh: Energy = Field(Decimal(0), description="Part at estimated rates [kWh].")
    cost: Money = Field(description="Rounded at the currency's minor unit [currency].")
    by_band: Annotated[tuple[BandLine, ...], Field(strict=False, max_length=10_000)]
    standing_charge: Money = Field(description="Of the night's date [currency].")
    need_percent: SharePercent
    need_met: bool
    starts: Count
    planned_cost: Money
    baselines: dict[Literal["at_once", "timer", "hindsight"], Baseline]
    stays: Annotated[tuple[Stay, ...], Field(strict=False, min_length=1, max_length=100)]
    unknown_hours: Energy | None = Field(
        None, description="How long nothing shows what flowed [h]."
    )
    roof_kwh: Energy | None = None
    all_grid_cost: Money | None = None
    carbon: CarbonOfNight | None = None
    lowered_by_load: LoweredByLoad | None = None
    closed_at: Instant | None = None


class AlertCount(Model):
    """How often an alert was raised in the month; never when, or in which words."""

    code: Annotated[str, Field(pattern=r"^[a-z0-9-]{1,60}$")]
    count: Count


class Price(Model):
    """A price of a series, as it came, before the tariff's own additions."""

    tariff: Label
    start: Instant
    rate: Money


class AnnouncedDay(Model):
    """A kind of day that the supplier announced."""

    tariff: Label
    day: Day
    kind: Label
    hours: Annotated[
        tuple[Annotated[str, Field(pattern=_HOURS_PATTERN)], ...],
        Field(strict=False, max_length=48),
    ] = ()


class HalfHourEnergy(Model):
    """Energy of a half-hour of the settlement grid at one charge point; unknown ones are left out.

    `estimated_kwh` is the part that was not measured.
    """

    charge_point: Label
    start: Instant
    kwh: Energy
    estimated_kwh: Energy


class AccountDayChange(Model):
    """Since when nights end at noon or at midnight."""

    first: Day
    ends: Literal["noon", "midnight"]


class Extract(Model):
    """A month of a household's record, for its adviser."""

    format: Literal["lullwatt-extract"] = Field(description="Names the format.")
    version: Literal[1] = Field(description="Version of the format.")
    made_at: Instant = Field(description="When the household made it.")
    made_by: Label = Field(description="Version of Lullwatt that wrote it.")
    month: CalendarMonth = Field(description="The month of the nights.")
    consent: Consent
    shares: Shares
    household: dict[str, Any] = Field(
        description="Keys of the household file that the account and an appraisal read: household,"
        " tariffs, charge_points, vehicles; see `lullwatt schema household`."
    )
    account_changes: Annotated[tuple[AccountDayChange, ...], Field(strict=False, max_length=1000)]
    nights: Annotated[tuple[Night, ...], Field(strict=False, min_length=1, max_length=MOST_NIGHTS)]
    alerts: Annotated[tuple[AlertCount, ...], Field(strict=False, max_length=1000)] = ()
    prices: Annotated[tuple[Price, ...], Field(strict=False, max_length=MOST_PRICES)] = ()
    announcements: Annotated[tuple[AnnouncedDay, ...], Field(strict=False, max_length=1000)] = ()
    half_hours: Annotated[
        tuple[HalfHourEnergy, ...], Field(strict=False, max_length=MOST_HALF_HOURS)
    ] = ()


def values_of(extract: Extract) -> dict[str, Any]:
    """Return an extract's values for JSON, without what is not shared."""
    return extract.model_dump(exclude_none=True)
