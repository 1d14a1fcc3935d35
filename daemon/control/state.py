"""The state of one charge point: plain data, and what follows from it alone."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from math import ceil
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

from planners.local_time.remembering import remembered
from planners.local_time.wished_departures import Wish, next_departure
from planners.plan.plan import NOTICED_KWH
from planners.power.allowed_currents import charge_model
from planners.power.charging import climb
from planners.power.excess_current import (
    CurrentWatch,
    MeasuredCurrent,
    PhaseWatch,
    measured_current,
)
from planners.power.rest import LastSwitches

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import date

    from config.household.household_file import HouseholdFile
    from daemon.control.events import CommandInForce, LoweredByLoad, Stay
    from planners.accounts.register import RegisterReading
    from planners.capacity.tonight import DayPeak
    from planners.home.left_beside import LeftByLoad
    from planners.local_time.departures import DepartureAt
    from planners.plan.plan import Plan
    from planners.plan.planning import Draft
    from planners.power.allowed_currents import AmpsSpan
    from planners.power.charging import ChargeModel
    from planners.rates.prices import Prices

HOUR = timedelta(hours=1)

LONGEST_GAP = timedelta(minutes=15)
"""How long a reading is trusted."""

STEP_HOURS = 1 / 12
"""The steps in which power that falls is counted where no meter counts it [h]."""

NEARLY_PERCENT = 0.3
"""A state of charge this close to the target is the target: meters count in steps."""

FAULTS = frozenset("EF")
"""Pilot states that do not say whether a vehicle is there: no power, or an error."""

NO_VEHICLE = "A"
"""The pilot state of an empty outlet (IEC 61851-1)."""

FLOWING_WATTS = 100
"""Power above which a vehicle charges [W]; below, it is awake at most."""

SKIPPED: Final = "a person asked to skip this"
"""The reason of a stop that a person asked for."""

AWAY: Final = "no vehicle is plugged in"
"""The reason of a stop while no vehicle is connected."""

FOLLOWS_SURPLUS: Final = "it follows what the roof leaves over"
"""The reason of a start whose current is that of the live surplus."""

TOO_LITTLE_SURPLUS: Final = "the roof leaves too little now for the least current"
"""The reason of a stop until the surplus feeds the least current again."""

SocSource = Literal["vehicle", "person", "counted", "recalled", "assumed"]
"""Where a state of charge comes from."""

SOC_SOURCES: Final[Mapping[str, str]] = {
    "vehicle": "reported by the vehicle",
    "person": "given by a person",
    "counted": "counted by the meter",
    "recalled": "what it left with last, less the usual use while away",
    "assumed": "estimated from the household file",
}
"""Each `SocSource` in words."""


@dataclass(frozen=True, slots=True)
class Allotment:
    """What a plan for the whole home allots to a charge point, and the reasons in sentences.

    Without spans, the charge point has its fixed share of the main fuse. While another allotment
    is awaited, soon to come, what charges goes on and nothing begins. `is_joint` says whether it
    comes from a plan of several vehicles.
    """

    spans: tuple[AmpsSpan, ...] = ()
    why: tuple[str, ...] = ()
    is_awaited: bool = False
    is_joint: bool = False


def _fixed_share(_state: PointState, _now: datetime) -> Allotment:
    return Allotment()


@dataclass(frozen=True, slots=True, eq=False)
class House:
    """What all charge points share: the household file, the rates, and the main fuse.

    Attributes
    ----------
    file : HouseholdFile
        The household file.
    prices : Prices
        Its rates.
    allot : callable
        Gives what a plan for the whole home allots to a charge point in a state, at an instant
        (`daemon.sharing`).
    others : mapping of str to tuple of AmpsSpan
        For each of the other charge points, the currents that its hardware may draw by the
        commands it has; a command must fit beside them.
    left_by_load : tuple of LeftByLoad
        What the home's live load leaves of each phase of the main fuse, if it is read.
    kept_amps : float
        The least that the live load leaves to the charge point that is stepped [A per phase].
    peaks : tuple of DayPeak
        The home's highest power of each day of this month, or year, for a capacity charge.
    seed : bytes
        The household's secret, which random delays are drawn from.
    followed : FollowedCurrent or None
        The current that the live surplus feeds at the charge point that is stepped; 0 A for a
        pause, None if no grid meter shows it.
    calendar_at : datetime or None
        Of when the oldest copy of a calendar is; None without calendars.
    """

    file: HouseholdFile
    prices: Prices
    allot: Callable[[PointState, datetime], Allotment] = _fixed_share
    others: Mapping[str, tuple[AmpsSpan, ...]] = field(default_factory=dict)
    left_by_load: tuple[LeftByLoad, ...] = ()
    kept_amps: float = 0.0
    peaks: tuple[DayPeak, ...] = ()
    seed: bytes = b""
    followed: FollowedCurrent | None = None
    calendar_at: datetime | None = None


class FollowedCurrent(NamedTuple):
    """A current that the surplus feeds, and whether on one phase [A on each that carries it]."""

    amps: float
    on_one: bool = False


@dataclass(frozen=True, slots=True)
class SocFact:
    """A state of charge, its instant, and the meter's register at that instant [Wh].

    Where no meter counts, `commanded_percent` is what commands have charged since, until
    `commanded_to`, if they were followed.
    """

    percent: float
    at: datetime
    source: SocSource
    register_wh: int | None
    commanded_percent: float = 0.0
    commanded_to: datetime | None = None


@dataclass(frozen=True, slots=True)
class OtherVehicle:
    """What is known of a vehicle while another one is at the charge point.

    Attributes
    ----------
    name : str
        Its name in the household file.
    soc : SocFact or None
        What a person said of it during this stay, or what was reported while it was named.
    left_with : SocFact or None
        The state of charge with which it last left.
    """

    name: str
    soc: SocFact | None = None
    left_with: SocFact | None = None


@dataclass(frozen=True, slots=True)
class Wishes:
    """A person's requests.

    Attributes
    ----------
    departures : tuple of Wish
        What is wanted for single departures; each ends when its departure has passed.
    charge_now : bool
        Whether to charge at once; until the next departure.
    skip_until : datetime or None
        Charge nothing before this.
    away_until : datetime or None
        No departure before this takes place.
    """

    departures: tuple[Wish, ...] = ()
    charge_now: bool = False
    skip_until: datetime | None = None
    away_until: datetime | None = None

    def next_counts_after(self, now: datetime) -> datetime:
        """Return after which instant the next departure counts: now, or the time away."""
        if self.away_until is None:
            return now
        return max(now, self.away_until - datetime.resolution)


@dataclass(frozen=True, slots=True)
class Response:
    """How the hardware follows the command in force; `daemon.control.confirming` keeps it.

    Attributes
    ----------
    since : datetime
        When the command was first sent, or sent again because nothing followed.
    register_wh : int or None
        The meter's register at that time [Wh].
    flowed : bool
        Whether power has flowed since the start.
    wrong_since : datetime or None
        Since when the power contradicts the command; None while it does not, or is unknown.
    repeats : int
        How often the command was sent again since then.
    """

    since: datetime
    register_wh: int | None = None
    flowed: bool = False
    wrong_since: datetime | None = None
    repeats: int = 0


@dataclass(frozen=True, slots=True)
class ActualShare:
    """The power that a vehicle draws, as a share of the power it should draw.

    Attributes
    ----------
    planned : float
        The share that plans are made with; 1 until the meter shows another.
    measured : float or None
        Another share that the meter has shown lately; plans use it once it has lasted.
    measured_since : datetime or None
        When the meter first showed it.
    """

    planned: float = 1.0
    measured: float | None = None
    measured_since: datetime | None = None


@dataclass(frozen=True, slots=True)
class Gap:
    """The time between an unplugging and the next plug-in, which may be of another vehicle.

    Attributes
    ----------
    stay : Stay
        The stay in progress as it was at the unplugging, ended by it.
    begins_wh : int or None
        The night's `accounted_wh` then.
    closed : bool
        Whether the night was closed then.
    ends : datetime or None
        When a vehicle was plugged in again; None until then.
    ends_wh : int or None
        The register at that instant.
    """

    stay: Stay
    begins_wh: int | None = None
    closed: bool = False
    ends: datetime | None = None
    ends_wh: int | None = None


@dataclass(frozen=True, slots=True)
class OpenNight:
    """The night in progress: the stays that have ended, and the fields of the one in progress.

    A night that is closed at a departure is closed again at noon if more energy flowed.
    `accounted_wh` is the register when the night was opened or last closed. `plugged_since` is None
    while the vehicle is away after a departure. `soc_after_percent` is stored when it leaves.
    `gap` is the last time without a vehicle within a stay, or between it and the one before.
    """

    night: date
    vehicle: str
    plugged_since: datetime | None
    departure: DepartureAt | None = None
    stays: tuple[Stay, ...] = ()
    soc_before_percent: float | None = None
    soc_from: SocSource = "assumed"
    soc_after_percent: float | None = None
    planned_cost: float = 0.0
    starts: int = 0
    accounted_wh: int | None = None
    closed: bool = False
    lowered: LoweredByLoad | None = None
    gap: Gap | None = None


@dataclass(frozen=True, slots=True)
class PointState:
    """Everything known about one charge point.

    Attributes
    ----------
    charge_point : str
        Its name in the household file.
    plugged_in : bool
        Whether a vehicle is believed to be there.
    pilot : str or None
        IEC 61851 state, if it is reported.
    pilot_at, soc_at : datetime or None
        Instants of the latest reports of the pilot state and of a state of charge.
    soc : SocFact or None
        The last known state of charge.
    register : RegisterReading or None
        The meter's latest register.
    watts : float or None
        Its latest power [W].
    watts_at : datetime or None
        The instant of that power.
    amps : float or None
        Its latest current [A per phase], if it reports one.
    amps_at : datetime or None
        The instant of that current.
    idle_since : datetime or None
        Since when the pilot state shows that no power flows; None if it does not, or if a meter
        value has come since.
    register_falls : int
        How often the register has fallen since it last rose.
    gone_since : datetime or None
        Since when the hardware says that it is gone; None while it is there, or does not say.
    wishes : Wishes
        A person's requests.
    vehicle : str or None
        The vehicle that a person named; None for the charge point's first.
    left_with : SocFact or None
        The state of charge with which the vehicle last left.
    others : tuple of OtherVehicle
        What is known of the other vehicles that use this charge point.
    stopped_itself : bool
        Whether the vehicle ended its charge by itself: it is full, or has its own limit.
    response : Response or None
        How the hardware follows the command in force.
    actual_share : ActualShare
        The power that the vehicle draws, as a share of the power it should draw.
    current_watch : CurrentWatch
        Whether the equipment takes more current than it was told, whichever vehicle is there.
    phase_watch : PhaseWatch
        Whether it draws on several phases although it was told one.
    plan : Plan or None
        The plan in force.
    draft : Draft or None
        What the plan was made from, until the plan is announced with its sentences.
    plan_stale : bool
        Whether something that the plan rests on has changed.
    command : CommandInForce or None
        The last command to the hardware.
    waits_for_others : bool
        Whether it may have more current once other charge points have given way.
    is_load_read : bool
        Whether the home's live load limits it: a meter has shown it of late.
    switches : LastSwitches
        When the command last changed to start, and from start to stop.
    serial : int
        The last serial used.
    night : OpenNight or None
        The night in progress.
    alerts : frozenset of str
        Codes of the alerts that hold, so that each is raised once (`daemon.control.alerts`).
    refused : frozenset of str
        Topics on which the broker refuses the daemon's messages.
    """

    charge_point: str
    plugged_in: bool = False
    pilot: str | None = None
    pilot_at: datetime | None = None
    soc_at: datetime | None = None
    soc: SocFact | None = None
    register: RegisterReading | None = None
    watts: float | None = None
    watts_at: datetime | None = None
    amps: float | None = None
    amps_at: datetime | None = None
    idle_since: datetime | None = None
    register_falls: int = 0
    gone_since: datetime | None = None
    wishes: Wishes = Wishes()
    vehicle: str | None = None
    left_with: SocFact | None = None
    others: tuple[OtherVehicle, ...] = ()
    stopped_itself: bool = False
    response: Response | None = None
    actual_share: ActualShare = ActualShare()
    current_watch: CurrentWatch = field(default_factory=CurrentWatch)
    phase_watch: PhaseWatch = field(default_factory=PhaseWatch)
    plan: Plan | None = None
    draft: Draft | None = field(default=None, compare=False)
    plan_stale: bool = True
    command: CommandInForce | None = None
    waits_for_others: bool = False
    is_load_read: bool = False
    switches: LastSwitches = field(default_factory=LastSwitches)
    serial: int = 0
    night: OpenNight | None = None
    alerts: frozenset[str] = frozenset()
    refused: frozenset[str] = frozenset()


def speaks_for_household(state: PointState, house: House) -> bool:
    """Whether this charge point, the first in the file, raises the household's own alerts."""
    return state.charge_point == next(iter(house.file.charge_points))


def vehicle_of(state: PointState, file: HouseholdFile) -> str | None:
    """Return the vehicle at a charge point: the one a person named, or the first in the file."""
    users = vehicles_of(file, state.charge_point)
    return state.vehicle if state.vehicle in users else next(iter(users), None)


@remembered
def vehicles_of(file: HouseholdFile, charge_point: str) -> tuple[str, ...]:
    """Return the vehicles that use a charge point, in the order of the file."""
    return tuple(name for name, car in file.vehicles.items() if car.charge_point == charge_point)


def watts_of(state: PointState) -> float | None:
    """Return the power [W] as the meter showed it last, or 0 if it has ended since."""
    return 0.0 if state.watts is not None and state.idle_since is not None else state.watts


def last_current(
    state: PointState, file: HouseholdFile
) -> tuple[MeasuredCurrent | None, datetime | None]:
    """Return the current that the meter showed last, and when; None where it shows none."""
    at = max((each for each in (state.amps_at, state.watts_at) if each is not None), default=None)
    amps = state.amps if state.amps_at == at else None
    watts = state.watts if state.watts_at == at else None
    return measured_current(file, state.charge_point, amps, watts, on_one=is_on_one(state)), at


def is_on_one(state: PointState) -> bool:
    """Whether its last start was for one phase of several, and it does not draw on more."""
    return state.switches.phases == 1 and not state.phase_watch.keeps_all


def register_wh_at(state: PointState, instant: datetime) -> int | None:
    """Extrapolate the register [Wh] from its last reading with the last power."""
    if state.register is None:
        return None
    if state.idle_since is not None:
        instant = min(instant, state.idle_since)
    since = max(timedelta(0), min(instant - state.register.at, LONGEST_GAP))
    return state.register.register_wh + round((state.watts or 0.0) * (since / timedelta(hours=1)))


def counted_soc_percent(state: PointState, file: HouseholdFile, now: datetime) -> float | None:
    """Return the state of charge: the last known one, plus what the meter counted since.

    Parameters
    ----------
    state : PointState
        The charge point.
    file : HouseholdFile
        The household.
    now : datetime
        UTC.

    Returns
    -------
    float or None
        Percent, at most 100; None if it was never known.
    """
    vehicle = vehicle_of(state, file)
    if state.soc is None or vehicle is None:
        return None
    if state.soc.register_wh is None or state.register is None:
        return state.soc.percent
    model = charge_model(file, vehicle)
    # A register that was extrapolated too far must not lower the known state of charge.
    metered_kwh = max(0, (register_wh_at(state, now) or 0) - state.soc.register_wh) / 1000
    gained_kwh = metered_kwh * model.full_power_efficiency
    return min(100.0, state.soc.percent + model.soc_percent(gained_kwh))


def soc_to_plan_percent(state: PointState, file: HouseholdFile, now: datetime) -> float | None:
    """Return the state of charge to plan with: where no meter counts, commands are taken to work.

    Nothing shows what they have charged, so it is planned with, and not reported.

    Parameters
    ----------
    state : PointState
        The charge point.
    file : HouseholdFile
        The household.
    now : datetime
        UTC.

    Returns
    -------
    float or None
        Percent, at most 100; None if it was never known.
    """
    percent, soc, vehicle = (
        counted_soc_percent(state, file, now),
        state.soc,
        vehicle_of(state, file),
    )
    if percent is None or soc is None or vehicle is None:
        return percent
    commanded = soc.commanded_percent
    if state.register is None:
        commanded += _commanded_percent(state, soc, charge_model(file, vehicle), now)
    return min(100.0, percent + commanded)


def _commanded_percent(state: PointState, soc: SocFact, model: ChargeModel, now: datetime) -> float:
    """Return what the start in force has charged since that was noted, if it is followed."""
    command, since = state.command, (soc.at, soc.commanded_to, state.switches.on_at)
    if command is None or command.amps is None or state.pilot in FAULTS:
        return 0.0
    if state.watts is not None and state.watts <= FLOWING_WATTS:
        return 0.0  # a meter without a register shows that none flows
    begins = max(each for each in since if each is not None)
    ends = min(each for each in (now, command.valid_until, state.idle_since) if each is not None)
    hours = max(0.0, (ends - begins) / HOUR)
    # Power that falls near a full battery is taken in steps of some minutes.
    steps = max(1, ceil(hours / STEP_HOURS)) if model.taper else 1
    amps = command.amps / (model.phases if is_on_one(state) else 1)
    stored = model.stored_kwh(min(100.0, soc.percent + soc.commanded_percent))
    bought = climb(model, stored, model.usable_kwh, [hours / steps] * steps, [amps] * steps)
    return model.soc_percent(float(bought.gained_kwh.sum()))


def with_commanded(state: PointState, file: HouseholdFile, now: datetime) -> PointState:
    """Note what the start in force has charged, before something changes how that is counted.

    Parameters
    ----------
    state : PointState
        The charge point.
    file : HouseholdFile
        The household.
    now : datetime
        UTC.

    Returns
    -------
    PointState
        The same if a meter counts, or if nothing was charged.
    """
    soc, vehicle = state.soc, vehicle_of(state, file)
    if state.register is not None or soc is None or vehicle is None:
        return state
    more = _commanded_percent(state, soc, charge_model(file, vehicle), now)
    if not more:
        return state
    noted = replace(soc, commanded_percent=soc.commanded_percent + more, commanded_to=now)
    return replace(state, soc=noted)


def is_charging(state: PointState) -> bool:
    """Whether the command in force is a start."""
    return state.command is not None and state.command.do == "start"


def delays_until(state: PointState, now: datetime) -> datetime | None:
    """Return until when a start waits for a random delay; None if none does."""
    command = state.command
    if command is None or command.do == "start" or command.delayed_until is None:
        return None
    return command.delayed_until if command.delayed_until > now else None


def rests_until(state: PointState, file: HouseholdFile, now: datetime) -> datetime | None:
    """Return until when the charge point must stay off; None if it may start.

    Parameters
    ----------
    state : PointState
        The charge point.
    file : HouseholdFile
        The household.
    now : datetime
        UTC.

    Returns
    -------
    datetime or None
        After `now`.
    """
    if is_charging(state):
        return None
    until = state.switches.rests_until(file.charge_points[state.charge_point])
    return None if until is None or until <= now else until


def assumed_soc_percent(file: HouseholdFile, vehicle: str) -> float:
    """Return the state of charge to assume if nothing better is known.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    vehicle : str
        Its name in the file.

    Returns
    -------
    float
        `arrives_with_percent`; else the least that a weekly departure wants, or the everyday limit
        if that is less, less a usual day's driving; else 0, so that the vehicle is not left short
        (it stops by itself when it is full).
    """
    car = file.vehicles[vehicle]
    if car.arrives_with_percent is not None:
        return car.arrives_with_percent
    if car.daily_kwh is not None:
        wanted = file.lowest_want_percent(vehicle)
        leaves_with = car.limit_percent if wanted is None else min(wanted, car.limit_percent)
        return max(0.0, leaves_with - 100 * car.daily_kwh / car.usable_kwh)
    return 0.0


def departure_of(state: PointState, file: HouseholdFile, now: datetime) -> DepartureAt | None:
    """Return the departure to plan for: the next one, as the file and a person's wishes have it."""
    vehicle = vehicle_of(state, file)
    if vehicle is None:
        return None
    wishes = state.wishes
    return next_departure(file, vehicle, wishes.next_counts_after(now), wishes.departures)


def charges_now(state: PointState, file: HouseholdFile, now: datetime) -> bool:
    """Whether a person asked to charge now, and the vehicle has not all that is wanted."""
    vehicle = vehicle_of(state, file)
    if not state.wishes.charge_now or vehicle is None:
        return False
    departure = departure_of(state, file, now)
    limit = file.vehicles[vehicle].limit_percent
    soc = soc_to_plan_percent(state, file, now)
    return soc is None or soc < (departure.want_percent if departure else limit)


def follows_surplus(state: PointState, now: datetime, file: HouseholdFile) -> bool:
    """Whether the current may follow the live surplus: the plan counts on the roof now.

    Parameters
    ----------
    state : PointState
        What is known.
    now : datetime
        UTC.
    file : HouseholdFile
        The household.

    Returns
    -------
    bool
        False for a plug or relay, and where a person's wish is obeyed instead of the plan.
    """
    wishes, period = state.wishes, state.plan.period_at(now) if state.plan else None
    is_skipped = wishes.skip_until is not None and now < wishes.skip_until
    if period is None or is_skipped or charges_now(state, file, now):
        return False
    can_be_set = file.charge_points[state.charge_point].switching == "current"
    return can_be_set and period.roof_kwh > NOTICED_KWH
