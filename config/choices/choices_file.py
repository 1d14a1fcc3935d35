"""The choices file as a whole: home, vehicle, a year of driving, and choices.

Every `ChoicesFile` is consistent. Each of its choices can be turned into a household, so that
the same code plans for a household and for a choice.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import time
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import Field, model_validator

from config.choices.driving import DrivingPattern
from config.choices.money_over_years import (
    MOST_YEARS,
    Grant,
    Interest,
    Maintenance,
    PriceGrowth,
)
from config.choices.other_vehicles import (
    ChoiceOfPoints,
    SeveralParts,
    other_vehicle_problems,
)
from config.choices.own_roof import AppraisedGeneration
from config.choices.rules import ChoiceParts, SunParts, choice_problems
from config.choices.temperature import MonthlyTemperature
from config.choices.trip_rules import Week, trip_problems
from config.doors.broker import Bus
from config.fields.home_fields import Currency, HolidayCalendar, TickMinutes, Volts, Zone
from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import (
    Amount,
    ClockHours,
    ClockTime,
    Expected,
    Flag,
    Model,
    Name,
    Percent,
    Rate,
    Text,
)
from config.household.departure import (
    MAX_RATE,
    WANT_PERCENT,
    percent_problems,
    wanted_percent,
)
from config.household.equipment import ChargePoint
from config.household.household_file import Household, HouseholdFile, LedgerFile
from config.household.vehicle import PREFER, AnyVehicle, Preference, Vehicle
from config.tariffs.tariff import Tariff

POINT = "charge point"
"""Name of the only charge point in the household of a choice."""
VEHICLE = "vehicle"
"""Name of the only vehicle in the household of a choice."""


Year = Annotated[int, Field(ge=2000, le=2099), Expected("a calendar year from 2000 to 2099")]


class AppraisedHome(Model):
    """The home, and the year to appraise."""

    name: Name = Field(description="Name of the home, as reports show it.")
    year: Year = Field(description="Calendar year to plan, night by night.")
    timezone: Zone = Field(description="IANA name of the time zone.")
    currency: Currency = Field(description="ISO 4217 code of the currency.")
    nominal_volts: Volts = Field(230.0, description="Voltage, line to neutral [V].")
    public_holidays: HolidayCalendar | None = Field(
        None, description="ISO 3166-1 or 3166-2 code of the calendar of holidays."
    )
    tick_minutes: TickMinutes = Field(
        5, description="The planner's time step [minutes]; a divisor of 60."
    )
    keep_years: Annotated[
        float, Field(ge=1, le=MOST_YEARS), Expected("a number of years from 1 to 50")
    ] = Field(description="How long a choice is kept, for its total cost with the outlay [years].")
    interest_percent: Interest = Field(
        0.0,
        description="What money costs or earns in a year: amounts of later years count less by it"
        " [percent a year].",
    )
    price_growth: PriceGrowth = Field(
        PriceGrowth(), description="How much prices grow from each year to the next."
    )
    elsewhere_rate: Amount | None = Field(
        None,
        description="Price of a kWh in the battery that is charged elsewhere, because a choice does"
        " not deliver it, tax included [currency per kWh].",
    )
    elsewhere_share_percent: Percent = Field(
        0.0,
        description="Share of every trip's energy that is charged elsewhere whatever the choice,"
        " such as at work [percent].",
    )
    elsewhere_when_short: Flag = Field(
        default=False,
        description="Whether what is missing from the need at a departure is charged elsewhere at"
        " once; the night is then not short.",
    )
    temperature: MonthlyTemperature | None = Field(
        None,
        description="Mean temperatures of the months: consumption then changes with them, by a"
        " published fit.",
    )
    prices_known_at: ClockTime = Field(
        time(14), description="Local time at which the prices of the next local day become known."
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        keys = ("elsewhere_share_percent", "elsewhere_when_short")
        given = [key for key in keys if getattr(self, key)]
        if self.elsewhere_rate is None:
            message = "expected elsewhere_rate beside it: what a kWh costs there"
            refuse([KeyProblem((key,), message) for key in given])
        return self


class AppraisedVehicle(AnyVehicle):
    """The vehicle, the same for every choice."""

    misplaced_keys: ClassVar[Mapping[str, str]] = {
        "charge_point": "each choice has its own charge_point",
        "daily_distance_km": "its distance belongs under driving",
        "arrives_with_percent": "its trips decide that, under driving",
    }

    prefer: Preference = Field("early", description=PREFER)
    battery_price_per_kwh: Amount | None = Field(
        None,
        description="What a kWh of battery capacity is worth: its loss by ageing, by a published"
        " model of NMC cells, is then a cost of each choice [currency per kWh].",
    )

    @model_validator(mode="after")
    def _check_battery(self) -> Self:
        if self.battery_price_per_kwh is not None and self.chemistry != "nmc":
            message = "expected chemistry: nmc beside it; for others there is no model"
            refuse([KeyProblem(("battery_price_per_kwh",), message)])
        return self


class OtherVehicle(AppraisedVehicle):
    """Another vehicle of the home, with its own driving, the same for every choice."""

    driving: DrivingPattern = Field(description="How far it is driven, and when it is away.")


class HomeUse(Model):
    """Energy that the rest of the home uses, spread evenly over some hours."""

    kwh_per_day: Annotated[
        float, Field(ge=0, le=1000), Expected("an energy from 0 to 1000 kWh a day")
    ] = Field(description="Energy of a day [kWh].")
    hours: ClockHours | None = Field(
        None, description="Hours of the local clock in which it is used; without: all day."
    )


class Choice(Model):
    """A tariff, a charge point and a way to plan, with the outlay for them."""

    name: Text = Field(description="Name of the choice, as reports show it.")
    tariff: Tariff = Field(description="The tariff, as in a household file; it holds all year.")
    charge_point: ChargePoint = Field(description="The charge point, as in a household file.")
    charging_tariff: Tariff | None = Field(
        None,
        description="The tariff of a meter that only the charge points have; tariff is then that"
        " of the rest of the home. Without: tariff is for both.",
    )
    other_charge_points: dict[Name, ChargePoint] = Field(
        default={},
        description="The charge point of each of other_vehicles; one without is charged elsewhere.",
    )
    amps_for_charging: (
        Annotated[float, Field(gt=0, le=1000), Expected("a current above 0, at most 1000 A")] | None
    ) = Field(
        None,
        description="What the main fuse leaves for all charge points together [A per phase]; "
        "without: enough for all.",
    )
    kw_for_charging: (
        Annotated[float, Field(gt=0, le=1000), Expected("a power above 0, at most 1000 kW")] | None
    ) = Field(
        None,
        description="What the home's highest power leaves for all charge points together, all "
        "phases together [kW]; without: enough for all.",
    )
    planner: Annotated[
        Literal["exact", "at_once", "timer"],
        Expected("exact, at_once or timer", ("exact", "at_once", "timer")),
    ] = Field(
        "exact",
        description="exact: in the cheapest hours; at_once: as soon as it is plugged in; timer: "
        "when the cheapest band starts.",
    )
    has_roof: bool = Field(
        default=True, description="Whether the home has the roofs of generation in this choice."
    )
    leaves: ClockTime | None = Field(
        None,
        description="Local time of leaving in this choice, in place of that under driving: the"
        " first vehicle is then home at other hours.",
    )
    returns: ClockTime | None = Field(
        None, description="Local time of returning in this choice, in place of that under driving."
    )
    need_percent: Percent = Field(
        description="State of charge needed at each departure, at any price [percent]."
    )
    want_percent: Percent | None = Field(None, description=WANT_PERCENT)
    max_rate: Rate | None = Field(None, description=MAX_RATE)
    outlay: Amount = Field(
        Decimal(0), description="Paid once to have this choice, tax included [currency]."
    )
    outlay_note: Text | None = Field(None, description="What the outlay is for.")
    grants: Annotated[tuple[Grant, ...], Field(strict=False, max_length=20)] = Field(
        (), description="What is received for this choice, such as a grant or a supplier's credit."
    )
    maintenance: Annotated[tuple[Maintenance, ...], Field(strict=False, max_length=20)] = Field(
        (), description="What this choice costs again and again, besides electricity."
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse(tuple(percent_problems(self.need_percent, self.want_percent)))
        return self

    @property
    def bought_at(self) -> Tariff:
        """The tariff at which charging is paid."""
        return self.tariff if self.charging_tariff is None else self.charging_tariff


class ChoicesFile(Model):
    """Everything that an appraisal needs, in one file."""

    appraisal: AppraisedHome = Field(description="The home and the year.")
    vehicle: AppraisedVehicle = Field(description="The vehicle.")
    driving: DrivingPattern = Field(description="How far it is driven, and when it is away.")
    other_vehicles: Annotated[dict[Name, OtherVehicle], Field(max_length=4)] = Field(
        default={}, description="More vehicles of the home, by name, each with its own driving."
    )
    home_use: Annotated[tuple[HomeUse, ...], Field(strict=False, max_length=100)] = Field(
        (), description="What the rest of the home uses; items that overlap add up."
    )
    generation: AppraisedGeneration | None = Field(
        None, description="The home's own solar roofs, if choices with a roof are compared."
    )
    choices: Annotated[tuple[Choice, ...], Field(strict=False, min_length=1)] = Field(
        description="The choices; all others are compared with the first."
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        choices = enumerate(self.choices)
        tariffs, points, names = {}, {}, {}
        charging_tariffs = {}
        for index, choice in choices:
            tariffs[index], points[index] = choice.tariff, choice.charge_point
            names[index] = choice.name
            if choice.charging_tariff is not None:
                charging_tariffs[index] = choice.charging_tariff
        parts = ChoiceParts(
            year=self.appraisal.year,
            public_holidays=self.appraisal.public_holidays is not None,
            vehicle=self.vehicle,
            driving_keys=frozenset(self.driving.model_fields_set),
            leaves=self.driving.leaves,
            returns=self.driving.returns,
            trips=dict(enumerate(self.driving.trips)),
            names=names,
            tariffs=tariffs,
            charging_tariffs=charging_tariffs,
            charge_points=points,
            tariff_keys={index: tariff.model_fields_set for index, tariff in tariffs.items()},
            charge_point_keys={index: point.model_fields_set for index, point in points.items()},
            sun=SunParts(
                has_generation=self.generation is not None,
                has_roof={index: each.has_roof for index, each in enumerate(self.choices)},
                choosing={
                    index
                    for index, each in enumerate(self.choices)
                    if "has_roof" in each.model_fields_set
                },
                has_others=bool(self.other_vehicles),
                draws=self.driving.draws,
            ),
        )
        problems = (*choice_problems(parts), *other_vehicle_problems(self._several))
        own = (
            *self._time_problems(),
            *self._grant_problems(),
            *self._ledger_problems(),
            *self._battery_problems(),
        )
        refuse((*problems, *own))
        return self

    def _time_problems(self) -> Iterator[KeyProblem]:
        """Find choices whose own times do not fit the trips."""
        for index, choice in enumerate(self.choices):
            given = [key for key in ("leaves", "returns") if getattr(choice, key) is not None]
            if not given:
                continue
            at, driving = ("choices", index, given[0]), self.driving_in(choice)
            if driving.ledger is not None:
                yield KeyProblem(at, "expected distances under driving, not a ledger, beside it")
            trips = dict(enumerate(driving.trips))
            week = Week(trips, driving.leaves, driving.returns, self.appraisal.year)
            yield from (KeyProblem(at, problem.message) for problem in trip_problems(week))

    def _ledger_problems(self) -> Iterator[KeyProblem]:
        """Find what the record of a ledger holds already, or can't hold."""
        if self.driving.ledger is None:
            return
        if self.appraisal.elsewhere_share_percent:
            message = "expected 0 beside a ledger, which holds only what is charged at home"
            yield KeyProblem(("appraisal", "elsewhere_share_percent"), message)
        if self.appraisal.temperature is not None:
            message = "expected to be left out beside a ledger, whose record has the seasons"
            yield KeyProblem(("appraisal", "temperature"), message)

    def _battery_problems(self) -> Iterator[KeyProblem]:
        """Find prices of batteries beside several vehicles."""
        if not self.other_vehicles:
            return
        cars: dict[tuple[str, ...], AppraisedVehicle] = {("vehicle",): self.vehicle}
        cars |= {("other_vehicles", name): each for name, each in self.other_vehicles.items()}
        for path, car in cars.items():
            if car.battery_price_per_kwh is not None:
                message = "expected to be left out beside other_vehicles: appraise each on its own"
                yield KeyProblem((*path, "battery_price_per_kwh"), message)

    def _grant_problems(self) -> Iterator[KeyProblem]:
        """Find grants that come after the years for which a choice is kept."""
        for index, choice in enumerate(self.choices):
            for place, grant in enumerate(choice.grants):
                if grant.after_years > self.appraisal.keep_years:
                    most = f"{self.appraisal.keep_years:g} years, as keep_years"
                    message = f"expected at most {most}, got {grant.after_years}"
                    yield KeyProblem(("choices", index, "grants", place, "after_years"), message)

    def driving_in(self, choice: Choice) -> DrivingPattern:
        """Return the first vehicle's driving, at the times of a choice if it has its own."""
        times = {"leaves": choice.leaves, "returns": choice.returns}
        own = {key: each for key, each in times.items() if each is not None}
        return self.driving.model_copy(update=own)

    @property
    def _several(self) -> SeveralParts:
        return SeveralParts(
            year=self.appraisal.year,
            has_elsewhere_rate=self.appraisal.elsewhere_rate is not None,
            has_ledger=self.driving.ledger is not None,
            volts=self.appraisal.nominal_volts,
            first=self.vehicle,
            vehicles={name: (each, each.driving) for name, each in self.other_vehicles.items()},
            choices=[
                ChoiceOfPoints(
                    each.name,
                    each.charge_point,
                    each.other_charge_points,
                    each.amps_for_charging,
                    each.kw_for_charging,
                )
                for each in self.choices
            ],
        )

    def of_vehicle(self, name: str | None) -> ChoicesFile:
        """Return the file as it is for one vehicle alone.

        Parameters
        ----------
        name : str or None
            One of `other_vehicles`; None for `vehicle`.

        Returns
        -------
        ChoicesFile
            With that vehicle, its driving, and only the choices in which it has a charge point.
        """
        if name is None:
            return self.model_copy(update={"other_vehicles": {}})
        other = self.other_vehicles[name]
        choices = tuple(
            each.model_copy(update={"charge_point": each.other_charge_points[name]})
            for each in self.choices
            if name in each.other_charge_points
        )
        return self.model_copy(
            update={
                "vehicle": other,
                "driving": other.driving,
                "other_vehicles": {},
                "choices": choices,
            }
        )

    @property
    def zone(self) -> ZoneInfo:
        """The home's time zone."""
        return ZoneInfo(self.appraisal.timezone)

    def household_of(self, choice: Choice) -> HouseholdFile:
        """Turn a choice into a household with one vehicle and no departures.

        Parameters
        ----------
        choice : Choice
            One of this file's.

        Returns
        -------
        HouseholdFile
            Its charge point is called `POINT` and its vehicle `VEHICLE`. It has a broker and a
            ledger only because a household needs them: nothing opens them.
        """
        home, vehicle = self.appraisal, self.vehicle
        keys = vehicle.model_fields_set - {"driving", "battery_price_per_kwh"}
        given: dict[str, Any] = {key: getattr(vehicle, key) for key in keys}
        own, point = choice.charging_tariff, choice.charge_point
        if own is not None:
            point = point.model_copy(update={"tariff": (own.name,)})
        return HouseholdFile(
            household=Household(
                name=home.name,
                timezone=home.timezone,
                currency=home.currency,
                nominal_volts=home.nominal_volts,
                public_holidays=home.public_holidays,
                tick_minutes=home.tick_minutes,
            ),
            tariffs=(choice.tariff,) if own is None else (choice.tariff, own),
            charge_points={POINT: point},
            vehicles={VEHICLE: Vehicle(charge_point=POINT, **given)},
            departures=(),
            generation=self.generation if choice.has_roof else None,
            bus=Bus(broker="embedded"),
            ledger=LedgerFile(path=Path("appraisal.sqlite3")),
        )

    def want_percent(self, choice: Choice) -> float:
        """Return the state of charge that a choice wants at departures.

        Parameters
        ----------
        choice : Choice
            One of this file's.

        Returns
        -------
        float
            As given; else the need, or with a highest rate the vehicle's everyday limit if that is
            more [percent].
        """
        limit = self.vehicle.limit_percent
        return wanted_percent(choice.need_percent, choice.want_percent, choice.max_rate, limit)
