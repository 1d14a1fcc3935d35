"""The messages of the bus as frozen models, read from bytes and written to bytes.

Knows no topic and opens no connection. Unknown keys from hardware are ignored. In a person's
request they are refused, because a misspelt request must not be ignored.
"""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from typing import Annotated, Literal, Self, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    Strict,
    ValidationError,
    model_validator,
)
from pydantic_core import ErrorDetails, from_json

from adapters.clocks.instants import in_utc, parse_instant
from config.fields.value_types import WATT_HOURS_PER_KWH
from config.files.errors import LullwattError
from config.files.forecast_series import MOST_GRAMS
from config.home.grid_limit import MOST_LIMIT_AMPS, MOST_LIMIT_KW

LARGEST_PAYLOAD_BYTES = 64 * 1024


class MalformedMessage(LullwattError):  # noqa: N818 - the name says what it is
    """A payload that is not the message it should be; the text is a short reason."""


def _read_instant(value: object) -> object:
    return parse_instant(value) if isinstance(value, str) else value


def _read_money(value: object) -> object:
    # Through the shortest text that gives the same float, so that 0.21 is exactly 0.21.
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return Decimal(str(value)) if is_number else value


Instant = Annotated[datetime, BeforeValidator(_read_instant), AfterValidator(in_utc)]
Percent = Annotated[float, Field(ge=0, le=100)]
Amps = Annotated[float, Field(gt=-10_000, lt=10_000)]
MOST_LOAD_AMPS = 2_000
"""No home draws more [A]."""
MOST_GRID_WATTS = 500_000
"""No home draws more, or gives more to the grid [W]."""
LoadAmps = Annotated[float, Field(ge=-MOST_LOAD_AMPS, le=MOST_LOAD_AMPS)]
GridWatts = Annotated[float, Field(ge=-MOST_GRID_WATTS, le=MOST_GRID_WATTS)]
Watts = Annotated[float, Field(gt=-1_000_000, lt=1_000_000)]
RegisterKwh = Annotated[float, Field(ge=0, lt=1_000_000_000)]
Rate = Annotated[
    Decimal,
    Field(gt=-1_000_000, lt=1_000_000),
    BeforeValidator(_read_money),
    PlainSerializer(float, return_type=float, when_used="json"),
]
ShortText = Annotated[str, Field(max_length=1000)]
Id = Annotated[str, Field(min_length=1, max_length=64)]
PHASES_OF_A_LOAD = (1, 3)
"""How many values a load may have."""
Pilot = Literal["A", "B", "C", "D", "E", "F"]


class Message(BaseModel):
    """The base of all messages: the contract's version."""

    model_config = ConfigDict(
        frozen=True, strict=True, extra="ignore", allow_inf_nan=False, defer_build=True
    )

    v: Literal[1] = 1


class Command(Message):
    """What a charge point must do, and until when.

    A repeated serial means nothing new. `phases` comes with a start at a charge point that declares
    `phase_switching_seconds`: on so many of its phases it must charge. It changes only after a
    stop.
    """

    serial: Annotated[int, Field(ge=1)]
    do: Literal["start", "stop"]
    amps: Annotated[float, Field(gt=0, lt=10_000)] | None = None
    phases: Annotated[int, Field(ge=1, le=3)] | None = None
    valid_until: Instant
    plan: ShortText | None = None
    why: ShortText

    @model_validator(mode="after")
    def _amps_go_with_start(self) -> Self:
        if (self.do == "start") != (self.amps is not None):
            raise ValueError("a start has amps, a stop has none")
        if self.do == "stop" and self.phases is not None:
            raise ValueError("only a start has phases")
        return self


class Reading(Message):
    """What a meter shows at an instant: its register [kWh], power [W], current [A]."""

    at: Instant
    register_kwh: RegisterKwh | None = None
    watts: Watts | None = None
    amps: Amps | None = None

    @model_validator(mode="after")
    def _has_a_value(self) -> Self:
        if self.register_kwh is None and self.watts is None and self.amps is None:
            raise ValueError("a reading has at least one of register_kwh, watts, amps")
        return self

    @property
    def register_wh(self) -> int | None:
        """The register in whole watt-hours, as the ledger holds it."""
        if self.register_kwh is None:
            return None
        return round(self.register_kwh * WATT_HOURS_PER_KWH)


class VehicleReport(Message):
    """A charge point's report on its vehicle: IEC 61851 pilot state, state of charge."""

    at: Instant
    pilot: Pilot | None = None
    soc_percent: Percent | None = None

    @model_validator(mode="after")
    def _has_a_value(self) -> Self:
        if self.pilot is None and self.soc_percent is None:
            raise ValueError("a vehicle report has at least one of pilot, soc_percent")
        return self


class Request(Message):
    """What a person asks for, `by` an instant or the next departure.

    `clear` cancels all requests, `remove` a single one: the wish with this id, which the status
    lists, or `charge_now`, `skip_until` or `away_until`, if the status has that. A request for a
    state of charge within an hour of a departure in the household file replaces that
    departure's target once; any other one adds a departure, and several may be in force. `vehicle`
    names the vehicle that is plugged in, until it is unplugged; without it, the file's first one is
    assumed. `stop` charges nothing until the next departure has passed, `skip_until` nothing before
    an instant, and no departure before `away_until` counts. `equipment_checked` says that equipment
    that took more current than it was told was looked at, and may be started again. The sender may
    choose an `id`: such a request is answered with the same `id`. With `preview`, it is only
    answered: nothing is changed, stored or commanded.
    """

    model_config = ConfigDict(extra="forbid")

    id: Id | None = None
    want_percent: Percent | None = None
    need_percent: Percent | None = None
    soc_percent: Percent | None = None
    charge_now: bool | None = None
    skip_until: Instant | None = None
    stop: bool | None = None
    away_until: Instant | None = None
    clear: bool | None = None
    remove: Id | None = None
    equipment_checked: bool | None = None
    by: Instant | None = None
    vehicle: ShortText | None = None
    preview: bool | None = None

    @model_validator(mode="after")
    def _asks_for_something(self) -> Self:
        if not self.model_dump(exclude={"v", "id", "by", "preview"}, exclude_none=True):
            raise ValueError("a request asks for something")
        if self.preview and self.id is None:
            raise ValueError("a preview has an id, or nobody gets its answer")
        return self

    @model_validator(mode="after")
    def _is_consistent(self) -> Self:
        if self.charge_now and self.skip_until is not None:
            raise ValueError("charge_now and skip_until contradict each other")
        if self.stop and (self.charge_now or self.skip_until is not None):
            raise ValueError("stop contradicts charge_now and skip_until")
        want, need = self.want_percent, self.need_percent
        if want is not None and need is not None and want < need:
            raise ValueError("want_percent is below need_percent")
        return self


class DepartureEffect(BaseModel):
    """What is asked of a departure after a request, and what is planned for it.

    `effect` is `changed` by a wish, `added` by one, or `kept` as the file has it. Without
    `max_rate`, all that is wanted is bought at any price. `reaches_percent` is absent where nothing
    is planned yet. `missing_kwh` is the energy at the meter that is missing for the need: at the
    least, where nothing is planned yet.
    `energy_kwh` and `cost` are what is charged from now until this departure, in all nights before
    it. `starts_at` and `ends_at` are when it is charged for this departure itself; they are absent
    if it is not. If the vehicle stays, a charge that falls short goes on until `goes_on_until` at
    the latest, with `goes_on_kwh` for `goes_on_cost` at the most, beside `energy_kwh` and `cost`.
    """

    model_config = ConfigDict(
        frozen=True, strict=True, extra="ignore", allow_inf_nan=False, defer_build=True
    )

    departure: Instant
    effect: Literal["kept", "changed", "added"]
    need_percent: Percent
    want_percent: Percent
    max_rate: Rate | None = None
    reaches_percent: Percent | None = None
    missing_kwh: Annotated[float, Field(ge=0)] | None = None
    wish: Id | None = None
    energy_kwh: Annotated[float, Field(ge=0)] | None = None
    cost: float | None = None
    starts_at: Instant | None = None
    ends_at: Instant | None = None
    goes_on_until: Instant | None = None
    goes_on_kwh: Annotated[float, Field(ge=0)] | None = None
    goes_on_cost: float | None = None


class Answer(Message):
    """The answer to a request: whether it is obeyed.

    `message` says what happens now, or why the request is refused; `refusal` is then its code.
    `preview` marks the answer to a
    preview: what would happen. If the vehicle's charge is planned, `energy_kwh` and `cost` are what
    it takes from now on, and `ends_at` is when the last of it is charged; it is absent if nothing
    is to be charged. A vehicle that has not left at its departure, and charges on towards its need,
    does so until `goes_on_until` at the latest. `departures` are the next one and those that a wish
    changes or adds.
    """

    id: Id
    at: Instant
    understood: bool
    message: ShortText
    refusal: ShortText | None = None
    preview: bool | None = None
    vehicle: ShortText | None = None
    energy_kwh: Annotated[float, Field(ge=0)] | None = None
    cost: float | None = None
    currency: ShortText | None = None
    ends_at: Instant | None = None
    goes_on_until: Instant | None = None
    departures: Annotated[tuple[DepartureEffect, ...], Strict(strict=False)] | None = None


class PriceStart(BaseModel):
    """A price in the tariff's unit, before tax, and the instant at which it starts."""

    model_config = ConfigDict(
        frozen=True, strict=True, extra="ignore", allow_inf_nan=False, defer_build=True
    )

    start: Instant
    rate: Rate


class PriceFeed(Message):
    """Prices for the coming instants."""

    rates: Annotated[tuple[PriceStart, ...], Strict(strict=False), Field(min_length=1)]


def _real_date(text: str) -> str:
    date.fromisoformat(text)
    return text


_HoursText = Annotated[
    str, Field(pattern=r"^([01]?\d|2[0-3]):[0-5]\d *- *(([01]?\d|2[0-3]):[0-5]\d|24:00)$")
]


class AnnouncedDay(BaseModel):
    """The kind of a day, which begins on a local date, as the household file names it.

    `hours` are for a kind of picked hours: those of the day that are of it.
    """

    model_config = ConfigDict(
        frozen=True, strict=True, extra="ignore", allow_inf_nan=False, defer_build=True
    )

    date: Annotated[str, Field(pattern=r"^20\d\d-\d\d-\d\d$"), AfterValidator(_real_date)]
    kind: ShortText
    hours: Annotated[tuple[_HoursText, ...], Strict(strict=False), Field(max_length=24)] | None = (
        None
    )


class Announcements(Message):
    """Kinds of days that the supplier has announced; a later one for a date replaces an earlier."""

    days: Annotated[
        tuple[AnnouncedDay, ...], Strict(strict=False), Field(min_length=1, max_length=400)
    ]


class PowerStart(BaseModel):
    """The power that is expected from an instant on, in kW or in W."""

    model_config = ConfigDict(
        frozen=True, strict=True, extra="ignore", allow_inf_nan=False, defer_build=True
    )

    start: Instant
    kw: Annotated[float, Field(ge=0, le=1_000)] | None = None
    watts: Annotated[float, Field(ge=0, le=1_000_000)] | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        if (self.kw is None) == (self.watts is None):
            raise ValueError("expected either kw or watts")
        return self

    @property
    def in_kw(self) -> float:
        """The power [kW]."""
        return (self.watts or 0.0) / 1000 if self.kw is None else self.kw


class Forecast(Message):
    """What the home's own roofs are expected to give.

    Each power holds until the next one begins. Of several forecasts the one that was issued last
    counts, instant by instant.
    """

    issued: Instant
    power: Annotated[
        tuple[PowerStart, ...], Strict(strict=False), Field(min_length=1, max_length=2_000)
    ]


class IntensityStart(BaseModel):
    """The carbon intensity of the grid from an instant on [g CO2e per kWh]."""

    model_config = ConfigDict(
        frozen=True, strict=True, extra="ignore", allow_inf_nan=False, defer_build=True
    )

    start: Instant
    # A number out of range is judged later: it is an alert, as nobody reads a log.
    grams_per_kwh: Annotated[float, Field(json_schema_extra={"minimum": 0, "maximum": MOST_GRAMS})]


class CarbonIntensity(Message):
    """The carbon that a kWh from the grid causes, as forecast or as measured.

    It is average or marginal, as the household file says. Each value holds until the next one
    begins. Of several messages the one that was issued last counts, instant by instant.
    """

    issued: Instant
    values: Annotated[
        tuple[IntensityStart, ...], Strict(strict=False), Field(min_length=1, max_length=2_000)
    ]


class Generated(Message):
    """The power that the home's own roofs give at an instant [W]; below 0 is what they draw."""

    at: Instant
    watts: Watts


class HomeLoad(Message):
    """The current that the home draws from the grid at an instant [A].

    `amps` are those of the phases L1, L2 and L3, or one value that holds for each phase: the
    highest. A current to the grid may be negative; its size counts, because the meter may be the
    wrong way round. `includes_charge_points` says whether the charge points' own current is part
    of it; without this key it is not.
    """

    at: Instant
    amps: Annotated[tuple[LoadAmps, ...], Strict(strict=False), Field(min_length=1, max_length=3)]
    includes_charge_points: bool = False

    @model_validator(mode="after")
    def _has_one_or_three(self) -> Self:
        if len(self.amps) not in PHASES_OF_A_LOAD:
            raise ValueError("amps has one value, or three: L1, L2 and L3")
        return self


class GridPower(Message):
    """The power between the home and the grid at an instant [W].

    What the home takes is positive, what it gives is negative. `watts` are those of the phases L1,
    L2 and L3, or one value: their sum. All that the home uses is part of it, the charge points too.
    """

    at: Instant
    watts: Annotated[tuple[GridWatts, ...], Strict(strict=False), Field(min_length=1, max_length=3)]

    @property
    def total_watts(self) -> float:
        """The sum of the phases: meters that count energy net them (common practice, no source)."""
        return sum(self.watts)

    @model_validator(mode="after")
    def _has_one_or_three(self) -> Self:
        if len(self.watts) not in PHASES_OF_A_LOAD:
            raise ValueError("watts has one value, or three: L1, L2 and L3")
        return self


class GridLimit(Message):
    """A limit that the grid operator sets from `at` on, or the end of one.

    Either `kw`, `amps` [A per phase], or `lifted`. It replaces the one before it. Without `until`
    it holds until another message lifts it. A message with an earlier `at` than the last is
    ignored.
    """

    at: Instant
    kw: Annotated[float, Field(ge=0, le=MOST_LIMIT_KW)] | None = None
    amps: Annotated[float, Field(ge=0, le=MOST_LIMIT_AMPS)] | None = None
    until: Instant | None = None
    lifted: bool | None = None

    @model_validator(mode="after")
    def _says_one_thing(self) -> Self:
        if sum((self.kw is not None, self.amps is not None, bool(self.lifted))) != 1:
            raise ValueError("expected one of kw, amps, lifted")
        if self.lifted and self.until is not None:
            raise ValueError("until: expected a limit beside it")
        return self


class LimitOfGrid(BaseModel):
    """What the grid operator allows now: `kw` or `amps` [A per phase].

    It bounds what the household file says, or `charge_point` alone. Without
    `until` it holds until it is lifted.
    """

    model_config = ConfigDict(
        frozen=True, strict=True, extra="ignore", allow_inf_nan=False, defer_build=True
    )

    kw: float | None = None
    amps: float | None = None
    until: Instant | None = None
    charge_point: ShortText | None = None


class KnownRates(BaseModel):
    """What is known about the rates of the tariff in force.

    `now` says whether the present rate is known, estimated from earlier prices, or neither.
    `known_until` is the end of the known rates, which may have passed. It is absent if there is no
    such end (bands) and if no rate was ever known.
    """

    model_config = ConfigDict(
        frozen=True, strict=True, extra="ignore", allow_inf_nan=False, defer_build=True
    )

    tariff: ShortText
    known_until: Instant | None = None
    now: Literal["known", "estimated", "none"]


class AskedFor(BaseModel):
    """A person's wish: a state of charge of a vehicle, needed or wanted by an instant."""

    model_config = ConfigDict(
        frozen=True, strict=True, extra="ignore", allow_inf_nan=False, defer_build=True
    )

    id: Id
    vehicle: ShortText
    by: Instant
    need_percent: Percent | None = None
    want_percent: Percent | None = None


class LoadOfHome(BaseModel):
    """The latest reading of the home's load, and what it leaves for the charge points [A].

    `leaves_amps` has a value for each phase of the reading, and `leaves_kw` is what it leaves of
    the home's `max_power_kw`, if the household file has one. Both are absent if the reading is too
    old, or if no main fuse is declared. `gap_seconds` is the last time between two readings that
    was too long; it is absent once they have come often enough for 3 minutes. With `fixed_parts`
    each charge point keeps to its fixed part of the main fuse, because the load is not read often
    enough.
    """

    model_config = ConfigDict(
        frozen=True, strict=True, extra="ignore", allow_inf_nan=False, defer_build=True
    )

    at: Instant
    amps: Annotated[tuple[LoadAmps, ...], Strict(strict=False)]
    leaves_amps: Annotated[tuple[LoadAmps, ...], Strict(strict=False)] | None = None
    leaves_kw: float | None = None
    gap_seconds: int | None = None
    fixed_parts: bool = False


class MainFuse(BaseModel):
    """The main fuse of the home, and what plans expect the rest of the home to draw now [A].

    `amps` and `expects_amps` have a value for each phase. `max_power_kw` is what the whole home may
    draw, if the household file limits that. `reserve_amps` is kept free of the fuse below a reading
    of the load. `expects_from` says where the expected load comes from: `known_load` of the
    household file, or learned from its meter; both keys are absent if none is known.
    """

    model_config = ConfigDict(
        frozen=True, strict=True, extra="ignore", allow_inf_nan=False, defer_build=True
    )

    amps: Annotated[tuple[float, ...], Strict(strict=False)]
    max_power_kw: float | None = None
    reserve_amps: float = 0.0
    expects_amps: Annotated[tuple[float, ...], Strict(strict=False)] | None = None
    expects_from: Literal["known_load", "learned"] | None = None


SocOrigin = Literal["vehicle", "person", "counted", "recalled", "assumed"]


class Status(Message):
    """What the daemon knows about one charge point.

    `connected` says whether a vehicle is plugged in, `alerts` which alerts are in force (their
    codes). `vehicle` is the one that is planned for: the one a person named, else the file's first.
    `soc_from` says where the state of charge comes from: reported by the vehicle, given by a
    person, counted from the meter, recalled (the last known level less the usual use), or assumed
    by the household file. `soc_at` is the instant of that report, word or assumption; if it is
    counted, the instant since when, and `soc_counted_from` says where the level at that instant
    came from. `wishes` are what a person has asked for single departures, in order of time; with
    `charge_now` it is charged at once, at any price, nothing is charged before `skip_until`, and no
    departure before `away_until` counts. A vehicle that has not left at its departure, and charges
    on towards its need, does so until `goes_on_until` at the latest. `calendar_at` is of when the
    copy of the household's calendars is, the oldest of several. `rates` is absent before the
    first tariff is in force, `home_load` until a meter has read it, `main_fuse` if none is
    declared, and `grid_limits` while the grid operator sets none. The message expires at
    `stale_after`.
    """

    at: Instant
    stale_after: Instant
    connected: bool
    charging: bool
    do: Literal["start", "stop"] | None = None
    serial: int | None = None
    why: ShortText | None = None
    vehicle: ShortText | None = None
    soc_percent: Percent | None = None
    soc_from: SocOrigin | None = None
    soc_at: Instant | None = None
    soc_counted_from: SocOrigin | None = None
    plan: ShortText | None = None
    reading: Reading | None = None
    rates: KnownRates | None = None
    main_fuse: MainFuse | None = None
    home_load: LoadOfHome | None = None
    grid_limits: Annotated[tuple[LimitOfGrid, ...], Strict(strict=False)] | None = None
    wishes: Annotated[tuple[AskedFor, ...], Strict(strict=False)] = ()
    charge_now: Literal[True] | None = None
    skip_until: Instant | None = None
    away_until: Instant | None = None
    goes_on_until: Instant | None = None
    calendar_at: Instant | None = None
    alerts: Annotated[tuple[ShortText, ...], Strict(strict=False)] = ()


class Alert(Message):
    """Something a person should look at.

    `code` is for programs, `message` for people.
    """

    code: Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=60)]
    at: Instant
    message: ShortText
    serial: int | None = None


class DaemonState(Message):
    """Whether the daemon runs. The Will is an `offline` without an instant.

    If the broker and the daemon stop together, a retained `online` remains: it expires at
    `stale_after`. `instance` identifies the process, and `since` is its start: if two daemons
    run for one household, the later one stays.
    """

    state: Literal["online", "offline", "waiting"]
    at: Instant | None = None
    stale_after: Instant | None = None
    instance: Id | None = None
    since: Instant | None = None


class _RequestId(BaseModel):
    """The part of a request that an answer needs."""

    model_config = ConfigDict(frozen=True, strict=True, extra="ignore")

    id: Id


AnyMessage = TypeVar("AnyMessage", bound=Message)


def decode(model: type[AnyMessage], payload: bytes) -> AnyMessage:
    """Read a payload.

    Parameters
    ----------
    model
        The type of message to expect.
    payload
        The bytes from the bus.

    Returns
    -------
    AnyMessage
        The message, its instants in UTC.

    Raises
    ------
    MalformedMessage
        If the payload is too large, not UTF-8, not JSON (NaN and infinities included), nested
        too deeply, or not this message.
    """
    if len(payload) > LARGEST_PAYLOAD_BYTES:
        raise MalformedMessage(f"larger than {LARGEST_PAYLOAD_BYTES // 1024} KiB")
    try:
        return model.model_validate(from_json(payload, allow_inf_nan=False))
    except ValidationError as error:
        raise MalformedMessage(_short_reason(error.errors(include_url=False)[0])) from error
    except (ValueError, OverflowError) as error:
        raise MalformedMessage(f"not JSON: {error}") from error


def request_id_of(payload: bytes) -> str | None:
    """Return the id of a request that may be malformed; None if the id can't be read."""
    if len(payload) > LARGEST_PAYLOAD_BYTES:
        return None
    try:
        return _RequestId.model_validate(from_json(payload, allow_inf_nan=False)).id
    except (ValueError, OverflowError):  # a ValidationError is a ValueError
        return None


def encode(message: Message) -> bytes:
    """Write a message as compact JSON in UTF-8, without unknown values.

    Instants end in Z.

    Parameters
    ----------
    message
        Any message.

    Returns
    -------
    bytes
        The payload.
    """
    return message.model_dump_json(exclude_none=True).encode()


def _short_reason(error: ErrorDetails) -> str:
    place = ".".join(str(part)[:40] for part in error["loc"][:4])
    text = error["msg"].removeprefix("Value error, ")[:160]
    return f"{place}: {text}" if place else text
