"""The household file as a whole. Every part of it can be imported from here.

Every `HouseholdFile` is consistent: its references lead somewhere and its tariffs cover the
calendar. `config.household.loading` reads one from YAML.
"""

from __future__ import annotations

from datetime import time, timedelta
from typing import TYPE_CHECKING, Annotated, Final, Self
from zoneinfo import ZoneInfo

from pydantic import Field, PrivateAttr, model_validator

from config.calendar.account_days import (
    AccountChange,
    AccountDay,
    AccountDays,
    changes_from_the_start,
)
from config.calendar.date_sets import DateSet, DateSets, set_problems
from config.calendar.day_kinds import DAY_KINDS, WEEKDAYS, DayKind, Weekday
from config.calendar.declared_names import declared_in, marked_lists, with_marked_points
from config.doors.announce import DOOR_KEYS, Announce
from config.doors.broker import Bus
from config.doors.metrics import Metrics
from config.doors.ocpp import OcppListener, OcppPoint
from config.doors.page import Page
from config.events.event_calendar import EventCalendar
from config.events.found import CalendarEvents
from config.events.rules import EventRules
from config.fields.home_fields import (
    PHASES,
    Currency,
    FuseAmps,
    HolidayCalendar,
    TickMinutes,
    Volts,
    Zone,
)
from config.fields.key_problems import KeyProblem, refuse
from config.fields.names import topic_level
from config.fields.value_types import (
    ClockTime,
    CommandLine,
    Expected,
    FilePath,
    Hours,
    Model,
    Name,
    TopicLevel,
)
from config.home.carbon import Carbon
from config.home.generation import Generation
from config.home.known_load import KnownLoad, known_load_problems
from config.household.consistency import Parts, problems_of
from config.household.departure import Departure, wanted_percent
from config.household.equipment import ChargePoint
from config.household.vehicle import Vehicle
from config.tariffs.band import Band
from config.tariffs.price_file import PriceFile
from config.tariffs.tariff import Tariff
from config.wiring.grid_limit import GridLimitRules
from config.wiring.meters import GridMeter, LoadMeter

if TYPE_CHECKING:
    from collections.abc import Iterator

    from config.home.grid_limit import LimitInForce

__all__ = [
    "DAY_KINDS",
    "WEEKDAYS",
    "Band",
    "Bus",
    "ChargePoint",
    "DayKind",
    "Departure",
    "EventCalendar",
    "Hours",
    "Household",
    "HouseholdFile",
    "KnownLoad",
    "LedgerFile",
    "Metrics",
    "OcppListener",
    "OcppPoint",
    "Page",
    "PriceFile",
    "Tariff",
    "Vehicle",
    "Weekday",
]

WATTS_PER_KW: Final = 1000

NOON: Final = time(12)
"""A morning line comes before it."""


class Household(Model):
    """One home: one supply, one tariff at a time."""

    name: Name = Field(description="Name of the home, as topics and reports show it.")
    topic: TopicLevel | None = Field(
        None,
        description="Topic level of the home; without: the name in lower case, every run of "
        "characters other than a-z and 0-9 replaced by one hyphen.",
    )
    timezone: Zone = Field(description="IANA name of the time zone.")
    currency: Currency = Field(description="ISO 4217 code of the currency.")
    nominal_volts: Volts = Field(230.0, description="Voltage, line to neutral [V].")
    main_fuse_amps: FuseAmps | None = Field(
        None,
        description="Main fuse [A]: one number for each phase alike, or a list of one for each "
        "phase of the supply; without: no limit.",
    )
    reserve_amps: Annotated[float, Field(ge=0, le=100), Expected("a current from 0 to 100 A")] = (
        Field(
            0.0,
            description="What is kept free of the main fuse while the home's load is read live "
            "[A per phase].",
        )
    )
    max_unbalance_amps: (
        Annotated[float, Field(ge=1, le=1000), Expected("a current from 1 to 1000 A")] | None
    ) = Field(
        None,
        description="The highest difference between two phases that the charge points may cause "
        "[A], where the network sets one; without: no limit.",
    )
    max_power_kw: (
        Annotated[float, Field(ge=1, le=1000), Expected("a power from 1 to 1000 kW")] | None
    ) = Field(
        None,
        description="The most that the whole home may draw, all phases together, at nominal_volts "
        "[kW; for a supply in kVA: kVA], where the supply is limited so; without: no limit beside "
        "the main fuse.",
    )
    grid_meter: GridMeter | None = Field(
        None,
        description="A meter with its own topics that shows what flows between the home and the"
        " grid; without: the topic <root>/<household>/grid.",
    )
    load_meter: LoadMeter | None = Field(
        None, description="Where the home's load comes from, if a meter has its own topics for it."
    )
    grid_limit: GridLimitRules = Field(
        GridLimitRules(),
        description="What limits of the grid operator bound, and a contact that sets one; without:"
        " those on the topic <root>/<household>/grid-limit, for the sum of the charge points.",
    )
    known_load: Annotated[tuple[KnownLoad, ...], Field(strict=False, max_length=100)] = Field(
        (),
        description="What the rest of the home draws from the main fuse in certain hours; items "
        "that overlap add up.",
    )
    public_holidays: HolidayCalendar | None = Field(
        None, description="ISO 3166-1 or 3166-2 code of the calendar of holidays."
    )
    seasons: DateSets | None = Field(
        None,
        description="Parts of the year that known_load and powered list under months; a date in"
        " one of them is in no month.",
    )
    special_days: DateSets | None = Field(
        None,
        description="Days that known_load and powered list under days; such a day is neither a"
        " weekday nor a public holiday.",
    )
    tick_minutes: TickMinutes = Field(
        5, description="The planner's time step [minutes]; a divisor of 60."
    )
    on_alert: CommandLine | None = Field(
        None, description="Your command that runs at each alert, with the alert on standard input."
    )
    account_day: Annotated[AccountDay, Expected("noon or midnight", ("noon", "midnight"))] = Field(
        "noon",
        description="When a night of the account ends and the next begins: at noon, or at midnight"
        " for a home that charges by day.",
    )
    morning_line: ClockTime | None = Field(
        None,
        description="Local time at which on_alert also runs each day, with a line that says whether"
        " all is well, and what was charged; before noon, unless account_day is midnight.",
    )

    @property
    def phases(self) -> tuple[str, ...]:
        """The phases of the supply, as far as the file tells: all three unless it lists fewer."""
        return PHASES if self.main_fuse_amps is None else PHASES[: len(self.main_fuse_amps)]

    @property
    def fuse_by_phase(self) -> dict[str, float]:
        """The main fuse of each phase of the supply [A]; empty if none is declared."""
        return dict(zip(PHASES, self.main_fuse_amps or (), strict=False))

    @property
    def fuse_text(self) -> str:
        """The main fuse as people read it; empty if none is declared."""
        amps = [f"{each:g}" for each in self.main_fuse_amps or ()]
        if len(set(amps)) <= 1:
            return f"{amps[0]} A" if amps else ""
        return f"{', '.join(amps[:-1])} and {amps[-1]} A"

    @property
    def max_total_amps(self) -> float | None:
        """The sum of the phases' currents that makes `max_power_kw`; None if none is declared."""
        if self.max_power_kw is None:
            return None
        return self.max_power_kw * WATTS_PER_KW / self.nominal_volts

    @property
    def supply_text(self) -> str:
        """The main fuse as people read it, and the highest power of the home if one is declared."""
        if self.max_power_kw is None:
            return self.fuse_text
        return f"{self.fuse_text}, at most {self.max_power_kw:g} kW"

    @property
    def topic_level(self) -> str:
        """The home's level in all topics."""
        return self.topic or topic_level(self.name)

    @model_validator(mode="before")
    @classmethod
    def _mark_names(cls, data: object) -> object:
        names = declared_in(data)
        if not isinstance(data, dict) or not names:
            return data
        return marked_lists(data, ("known_load",), names)

    def with_dates(
        self, seasons: tuple[DateSet, ...] | None, special_days: tuple[DateSet, ...] | None
    ) -> Self:
        """Return the household with what its files of dates hold."""
        return self.model_copy(update={"seasons": seasons, "special_days": special_days})

    @model_validator(mode="before")
    @classmethod
    def _check_phases_are_listed(cls, data: object) -> object:
        # One current for all phases says nothing about how many there are.
        given = data if isinstance(data, dict) else {}
        has_list = isinstance(given.get("main_fuse_amps"), list | tuple)
        if given.get("max_power_kw") is not None and not has_list:
            listed = "as a list of one fuse for each phase, such as [63] or [25, 25, 25]"
            problem = f"expected main_fuse_amps beside it, {listed}: all phases count together"
            refuse([KeyProblem(("max_power_kw",), problem)])
        return data

    @model_validator(mode="after")
    def _check(self) -> Self:
        holidays = self.public_holidays is not None
        problems = known_load_problems(
            self.known_load, self.fuse_by_phase, public_holidays=holidays
        )
        refuse(
            (
                *problems,
                *set_problems(self.special_days, "special_days"),
                *set_problems(self.seasons, "seasons"),
                *self._fuse_problems(),
                *self._power_problems(),
                *self._unbalance_problems(),
                *self._morning_line_problems(),
            )
        )
        return self

    def _fuse_problems(self) -> Iterator[KeyProblem]:
        if self.reserve_amps and self.reserve_amps >= min(self.main_fuse_amps or (0,)):
            yield KeyProblem(("reserve_amps",), "expected a main_fuse_amps that is above it")
        if self.load_meter is not None and self.main_fuse_amps is None:
            yield KeyProblem(("load_meter",), "expected main_fuse_amps beside it")

    def _power_problems(self) -> Iterator[KeyProblem]:
        for index, item in enumerate(self.known_load):
            phases = [each for each in item.connected_to or self.phases if each in self.phases]
            kw = item.amps * len(phases) * self.nominal_volts / WATTS_PER_KW
            if self.max_power_kw is not None and kw > self.max_power_kw:
                phase = "one phase" if len(phases) == 1 else f"{len(phases)} phases"
                yield KeyProblem(
                    ("known_load", index, "amps"),
                    f"expected at most max_power_kw ({self.max_power_kw:g} kW), got"
                    f" {item.amps:g} A on {phase} ({kw:.1f} kW)",
                )

    def _unbalance_problems(self) -> Iterator[KeyProblem]:
        if self.max_unbalance_amps is not None and len(self.phases) == 1:
            yield KeyProblem(
                ("max_unbalance_amps",), "expected a supply of several phases in main_fuse_amps"
            )

    def _morning_line_problems(self) -> Iterator[KeyProblem]:
        if self.morning_line is None:
            return
        if self.on_alert is None:
            yield KeyProblem(("morning_line",), "expected on_alert beside it: it gets the line")
        if self.morning_line >= NOON and self.account_day == "noon":
            yield KeyProblem(
                ("morning_line",), "expected a time before 12:00: at noon the next night begins"
            )


class LedgerFile(Model):
    """The durable record."""

    path: FilePath = Field(description="The SQLite file; made when it is missing.")
    keep_readings_days: (
        Annotated[int, Field(ge=62, le=36500), Expected("a whole number of days from 62 to 36500")]
        | None
    ) = Field(
        None,
        description="How long raw readings, vehicle reports and plans are kept [days]; without: "
        "for ever, as nights are.",
    )


class HouseholdFile(Model):
    """All that a household declares, in one file."""

    _account_changes: tuple[AccountChange, ...] | None = PrivateAttr(None)
    _grid_limits: tuple[LimitInForce, ...] = PrivateAttr(())
    _events: CalendarEvents = PrivateAttr(CalendarEvents())

    household: Household = Field(description="The home.")
    tariffs: Annotated[tuple[Tariff, ...], Field(strict=False, min_length=1)] = Field(
        description="In order of valid_from; the one in force is the last whose day has come."
    )
    charge_points: Annotated[dict[Name, ChargePoint], Field(min_length=1)] = Field(
        description="Charge points by name."
    )
    vehicles: Annotated[dict[Name, Vehicle], Field(min_length=1)] = Field(
        description="Vehicles by name."
    )
    departures: Annotated[tuple[Departure, ...], Field(strict=False)] = Field(
        description="When vehicles leave, and how full they must be."
    )
    calendars: Annotated[dict[Name, EventCalendar], Field(min_length=1, max_length=20)] | None = (
        Field(
            None,
            description="Calendars by name, of which events say when vehicles leave; they stand"
            " beside the departures above.",
        )
    )
    generation: Generation | None = Field(
        None, description="The home's own solar roofs, and forecasts of what they give."
    )
    carbon: Carbon | None = Field(
        None, description="The carbon of the grid's power, and what plans count for it."
    )
    bus: Bus = Field(description="The MQTT broker.")
    ledger: LedgerFile = Field(description="Where the record is kept.")
    ocpp: OcppListener | None = Field(
        None, description="Where equipment that speaks OCPP 1.6J, 2.0.1 or 2.1 connects."
    )
    metrics: Metrics | None = Field(
        None, description="Where figures for graphs go, in the text format of OpenMetrics."
    )

    page: Page | None = Field(
        None, description="Where `lullwatt page` serves the page of the household."
    )
    announce: Announce | None = Field(
        None,
        description="What `lullwatt announce` tells the home's network about its doors, so that"
        " phones and equipment find them.",
    )

    @model_validator(mode="before")
    @classmethod
    def _mark_names(cls, data: object) -> object:
        return with_marked_points(data) if isinstance(data, dict) else data

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse(problems_of(self._parts()))
        return self

    def _parts(self) -> Parts:
        return Parts(
            known_load=self.household.known_load,
            seasons=self.household.seasons,
            special_days=self.household.special_days,
            tariffs=dict(enumerate(self.tariffs)),
            departures=dict(enumerate(self.departures)),
            charge_points=self.charge_points,
            vehicles=self.vehicles,
            calendars=self.calendars or {},
            charge_point_names=frozenset(self.charge_points),
            vehicle_names=frozenset(self.vehicles),
            tariff_names=frozenset(each.name for each in self.tariffs),
            tariffs_named={
                name: each.tariff for name, each in self.charge_points.items() if each.tariff
            },
            charge_point_of={name: each.charge_point for name, each in self.vehicles.items()},
            vehicle_of={index: each.vehicle for index, each in enumerate(self.departures)},
            fuse_by_phase=self.household.fuse_by_phase,
            phases=self.household.phases,
            max_unbalance_amps=self.household.max_unbalance_amps,
            max_power_kw=self.household.max_power_kw,
            nominal_volts=self.household.nominal_volts,
            public_holidays=self.household.public_holidays is not None,
            ocpp_listens=self.ocpp is not None,
            knows_certificates=self.ocpp is not None and self.ocpp.client_ca_file is not None,
            has_load_meter=self.household.load_meter is not None,
            has_generation=self.generation is not None,
            announce=self.announce,
            doors={
                key: door for key in DOOR_KEYS.values() if (door := getattr(self, key)) is not None
            },
        )

    @property
    def zone(self) -> ZoneInfo:
        """The household's time zone."""
        return ZoneInfo(self.household.timezone)

    @property
    def days(self) -> AccountDays:
        """The days of the home's account: by `account_day`, unless the record has others."""
        if self._account_changes is not None:
            return AccountDays(self.zone, self._account_changes)
        return AccountDays(self.zone, changes_from_the_start(self.household.account_day))

    def with_account_changes(self, changes: tuple[AccountChange, ...]) -> Self:
        """Return the same household with the days of the account that its record tells of."""
        copy = self.model_copy()
        copy._account_changes = changes  # noqa: SLF001 - of its own class
        return copy

    @property
    def grid_limits(self) -> tuple[LimitInForce, ...]:
        """The limits of the grid operator that hold now; empty in a file that was only read."""
        return self._grid_limits

    def with_grid_limits(self, limits: tuple[LimitInForce, ...]) -> Self:
        """Return the same household under the limits of the grid operator that hold now."""
        copy = self.model_copy()
        copy._grid_limits = limits  # noqa: SLF001 - of its own class
        return copy

    @property
    def events(self) -> CalendarEvents:
        """What its calendars say of its vehicles; nothing in a file that was only read."""
        return self._events

    def with_events(self, events: CalendarEvents) -> Self:
        """Return the same household with what its calendars say of its vehicles."""
        copy = self.model_copy()
        copy._events = events  # noqa: SLF001 - of its own class
        return copy

    def event_rules(self, name: str) -> EventRules:
        """Return which events of a calendar count, and for which vehicle.

        Parameters
        ----------
        name : str
            The calendar's name in the file.

        Returns
        -------
        EventRules
            A calendar without any words is of its vehicle alone, whatever its events say.
        """
        calendar = (self.calendars or {})[name]
        only = next(iter(self.vehicles)) if len(self.vehicles) == 1 else None
        has_words = bool(calendar.words or calendar.vehicle_words)
        own = calendar.vehicle_words
        return EventRules(
            calendar=name,
            words=calendar.words,
            vehicle=calendar.vehicle or only,
            names={each: (each, *own.get(each, ())) for each in self.vehicles} if has_words else {},
            own_words=dict(own),
            default_percent=calendar.need_percent,
            reserve_percent=calendar.reserve_percent,
        )

    @property
    def home_meter_at(self) -> str | None:
        """The charge point whose OCPP equipment has a meter of the home; None without one."""
        points = self.charge_points.items()
        return next((name for name, each in points if each.ocpp and each.ocpp.home_meter), None)

    @property
    def home_tariffs(self) -> tuple[Tariff, ...]:
        """The tariffs of the home's own meter: those that no charge point names."""
        named = {name for point in self.charge_points.values() for name in point.tariff or ()}
        return tuple(each for each in self.tariffs if each.name not in named)

    def tariffs_at(self, charge_point: str) -> tuple[Tariff, ...]:
        """Return the tariffs that a charge point's energy is bought at.

        Parameters
        ----------
        charge_point : str
            Its name in the file.

        Returns
        -------
        tuple of Tariff
            Its own, or those of the home's meter, in order of `valid_from`.
        """
        own = self.charge_points[charge_point].tariff
        if own is None:
            return self.home_tariffs
        return tuple(each for each in self.tariffs if each.name in own)

    @property
    def points_on_home_meter(self) -> tuple[str, ...]:
        """The charge points without a tariff of their own."""
        return tuple(name for name, each in self.charge_points.items() if each.tariff is None)

    def want_percent(self, departure: Departure) -> float:
        """Return the state of charge that is wanted at a departure.

        Parameters
        ----------
        departure : Departure
            One of this file's.

        Returns
        -------
        float
            As given; else the need, or with a highest rate the vehicle's everyday limit if that is
            more [percent].
        """
        limit = self.vehicles[departure.vehicle].limit_percent
        return wanted_percent(
            departure.need_percent, departure.want_percent, departure.max_rate, limit
        )

    def margin(self, vehicle: str, minutes: int) -> timedelta:
        """Return how long before a departure a vehicle is to be charged.

        Parameters
        ----------
        vehicle : str
            Its name in the file.
        minutes : int
            The margin that is declared.

        Returns
        -------
        timedelta
            With the longest random delay of its charge point, in whole minutes.
        """
        delay = self.charge_points[self.vehicles[vehicle].charge_point].longest_delay
        return timedelta(minutes=minutes - -delay // timedelta(minutes=1))

    def lowest_want_percent(self, vehicle: str) -> float | None:
        """Return the lowest state of charge that a weekly departure of a vehicle wants.

        Parameters
        ----------
        vehicle : str
            Its name in the file.

        Returns
        -------
        float or None
            None if it has no weekly departure [percent].
        """
        rows = (row for row in self.departures if row.vehicle == vehicle and row.days is not None)
        return min((self.want_percent(row) for row in rows), default=None)

    def uses_kwh(self, departure: Departure) -> float | None:
        """Return the battery energy that the trip of a departure uses.

        Parameters
        ----------
        departure : Departure
            One of this file's.

        Returns
        -------
        float or None
            As given, or from its distance, or from the vehicle's daily distance; None if all
            three are missing [kWh].
        """
        if departure.uses_kwh is not None:
            return departure.uses_kwh
        vehicle = self.vehicles[departure.vehicle]
        if departure.uses_km is None or vehicle.kwh_per_km is None:
            return vehicle.daily_kwh
        return departure.uses_km * vehicle.kwh_per_km
