"""Rules between the parts of a household file, such as references and bands.

The rules are checked over all parts that are valid in themselves, so that one bad part hides no
fault in the others.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from config.calendar.declared_names import unlisted_problems
from config.calendar.tables import any_holiday
from config.doors.announce import announce_problems
from config.doors.ocpp import ocpp_problems
from config.fields.hints import nearest
from config.fields.key_problems import KeyProblem
from config.fields.names import topic_level
from config.home.generation import ROOF
from config.home.known_load import holiday_needs
from config.household.departure import days_of
from config.household.vehicle import CONSUMPTION_KEYS
from config.tariffs.band_rules import band_problems

if TYPE_CHECKING:
    from pathlib import Path

    from config.calendar.date_sets import DateSet
    from config.doors.announce import Announce
    from config.doors.broker import Bus
    from config.doors.listener import Listener
    from config.events.event_calendar import EventCalendar
    from config.home.known_load import KnownLoad
    from config.household.departure import Departure
    from config.household.equipment import ChargePoint
    from config.household.vehicle import AnyVehicle, Vehicle
    from config.tariffs.tariff import Tariff


@dataclass(frozen=True)
class Parts:
    """The parts of a household file that are valid in themselves.

    Attributes
    ----------
    known_load : tuple of KnownLoad
        The household's; empty if it is invalid.
    seasons, special_days : tuple of DateSet or None
        What the household declares; None if it is invalid.
    tariffs, departures : mapping of int
        By their index in the file.
    charge_points, vehicles : mapping of str
        By their names.
    calendars : mapping of str to EventCalendar
        By their names.
    charge_point_names, vehicle_names, tariff_names : frozenset of str
        All names in the file, also those of invalid parts.
    tariffs_named : mapping of str to tuple of str
        The tariffs that each charge point names, also those of invalid charge points.
    charge_point_of : mapping of str to str
        The charge point that each vehicle names, also those of invalid vehicles.
    vehicle_of : mapping of int to str
        The vehicle that each departure names, also those of invalid departures.
    fuse_by_phase : mapping of str to float
        The fuse of each phase; empty if it is missing or invalid [A].
    phases : tuple of str
        The phases of the supply.
    max_unbalance_amps : float or None
        The highest difference between phases; None if it is missing or invalid [A].
    max_power_kw : float or None
        The highest power of the home; None if it is missing or invalid [kW].
    nominal_volts : float
        Voltage, line to neutral [V].
    public_holidays : bool
        Whether the household names a calendar of public holidays, valid or not.
    ocpp_listens : bool
        Whether the file has a part on listening for OCPP, valid or not.
    knows_certificates : bool
        Whether that part names who signs the certificates of equipment, validly or not.
    has_load_meter : bool
        Whether the household wires a meter of its load, validly or not.
    has_generation : bool
        Whether the file has a part on the home's own roofs, valid or not.
    announce : Announce or None
        What is announced; None if it is missing or invalid.
    doors : mapping of str to Bus, Page, Listener or None
        Those in the file, by their keys; None if one is invalid.
    """

    known_load: tuple[KnownLoad, ...]
    seasons: tuple[DateSet, ...] | None
    special_days: tuple[DateSet, ...] | None
    tariffs: Mapping[int, Tariff]
    departures: Mapping[int, Departure]
    charge_points: Mapping[str, ChargePoint]
    vehicles: Mapping[str, Vehicle]
    calendars: Mapping[str, EventCalendar]
    charge_point_names: frozenset[str]
    vehicle_names: frozenset[str]
    tariff_names: frozenset[str]
    tariffs_named: Mapping[str, tuple[str, ...]]
    charge_point_of: Mapping[str, str]
    vehicle_of: Mapping[int, str]
    fuse_by_phase: Mapping[str, float]
    phases: tuple[str, ...]
    max_unbalance_amps: float | None
    max_power_kw: float | None
    nominal_volts: float
    public_holidays: bool
    ocpp_listens: bool
    knows_certificates: bool
    has_load_meter: bool
    has_generation: bool
    announce: Announce | None
    doors: Mapping[str, Bus | Listener | None]


def problems_of(parts: Parts) -> tuple[KeyProblem, ...]:
    """Find every broken rule between parts.

    Parameters
    ----------
    parts : Parts
        The parts to check.

    Returns
    -------
    tuple of KeyProblem
        With paths from the top of the file.
    """
    return tuple(problem for rule in _RULES for problem in rule(parts))


def _unknown(kind: str, name: str, known: frozenset[str]) -> str:
    near, there_is = nearest(name, known), ", ".join(sorted(known)) or "none"
    hint = f'did you mean "{near}"?' if near else f"there is {there_is}"
    return f'expected {kind}, got "{name}"; {hint}'


def _reference_problems(parts: Parts) -> Iterator[KeyProblem]:
    for name, charge_point in parts.charge_point_of.items():
        if charge_point not in parts.charge_point_names:
            message = _unknown(
                "a charge point of this file", charge_point, parts.charge_point_names
            )
            yield KeyProblem(("vehicles", name, "charge_point"), message)
    for index, vehicle in parts.vehicle_of.items():
        if vehicle not in parts.vehicle_names:
            message = _unknown("a vehicle of this file", vehicle, parts.vehicle_names)
            yield KeyProblem(("departures", index, "vehicle"), message)


def _calendar_problems(parts: Parts) -> Iterator[KeyProblem]:
    files: dict[Path, str] = {}
    for name, calendar in parts.calendars.items():
        named = [(("vehicle",), calendar.vehicle)] if calendar.vehicle else []
        of_words = [(("vehicle_words", each), each) for each in calendar.vehicle_words]
        for path, vehicle in [*named, *of_words]:
            if vehicle not in parts.vehicle_names:
                message = _unknown("a vehicle of this file", vehicle, parts.vehicle_names)
                yield KeyProblem(("calendars", name, *path), message)
        other = files.setdefault(calendar.file, name)
        if other != name:
            message = f"expected a file of its own, got that of {other}"
            yield KeyProblem(("calendars", name, "file"), message)


def _topic_problems(parts: Parts) -> Iterator[KeyProblem]:
    seen: dict[str, str] = {}
    for name in parts.charge_points:
        other = seen.setdefault(topic_level(name), name)
        if other != name:
            yield KeyProblem(
                ("charge_points", name),
                f'expected a name that differs from "{other}" in more than case and punctuation: '
                f'both would have the topic level "{topic_level(name)}"',
            )


def _current_problems(parts: Parts) -> Iterator[KeyProblem]:
    for name, vehicle in parts.vehicles.items():
        point = parts.charge_points.get(vehicle.charge_point)
        called = f'charge point "{vehicle.charge_point}"'
        if point is not None and (message := current_problem(vehicle, point, called)):
            yield KeyProblem(("vehicles", name, "max_amps"), message)


def current_problem(vehicle: AnyVehicle, point: ChargePoint, called: str) -> str | None:
    """Check that a charge point can give as little current as a vehicle draws.

    Parameters
    ----------
    vehicle : AnyVehicle
        The vehicle.
    point : ChargePoint
        Where it charges.
    called : str
        The charge point, in words for the message.

    Returns
    -------
    str or None
        What is wrong with the vehicle's ``max_amps``, if anything.
    """
    if vehicle.max_amps is None or vehicle.max_amps >= point.min_amps:
        return None
    least = f"expected at least the {point.min_amps:g} A that {called} gives when on"
    return f"{least}, got {vehicle.max_amps:g}"


def _phase_problems(parts: Parts) -> Iterator[KeyProblem]:
    count = len(parts.phases)
    for name, point in parts.charge_points.items():
        if point.connected_to is None and point.phases > count:
            yield KeyProblem(
                ("charge_points", name, "phases"),
                f"expected at most the {count} of main_fuse_amps, got {point.phases}",
            )
        for place, phase in enumerate(point.connected_to or ()):
            if phase not in parts.phases:
                yield KeyProblem(
                    ("charge_points", name, "connected_to", place),
                    f"expected {' or '.join(parts.phases)}: main_fuse_amps lists no fuse for"
                    f" {phase}",
                )


def _one_phase_problems(parts: Parts) -> Iterator[KeyProblem]:
    """Find what forbids to switch a charge point to one phase: the others must stay in balance."""
    most = parts.max_unbalance_amps
    switching = [n for n, p in parts.charge_points.items() if p.phase_switching_seconds is not None]
    uneven = [n for n in parts.charge_points if n not in switching and _is_uneven(n, parts)]
    for name in switching if most is not None else ():
        others = [other for other in (*switching, *uneven) if other != name]
        expected = None
        if most is not None and parts.charge_points[name].min_amps > most:
            expected = f"max_unbalance_amps of min_amps or more, got {most:g} A"
        elif others:
            expected = f"no {others[0]} that loads some phases too, beside max_unbalance_amps"
        if expected is not None:
            key = ("charge_points", name, "phase_switching_seconds")
            yield KeyProblem(key, f"expected {expected}")


def _fuse_problems(parts: Parts) -> Iterator[KeyProblem]:
    for name, point in parts.charge_points.items():
        # The planner keeps a current that can be set below the fuse; a relay has only one current.
        floor = lowest_amps(point)
        key = "max_amps" if floor == point.max_amps else "min_amps"
        fuse = min(parts.fuse_by_phase.get(phase, floor) for phase in point.phase_names)
        if floor > fuse:
            yield KeyProblem(
                ("charge_points", name, key),
                f"expected at most the main fuse's {fuse:g} A with switching: {point.switching}, "
                f"got {floor:g}",
            )
        most = parts.max_unbalance_amps
        if most is not None and floor > most and _is_uneven(name, parts):
            yield KeyProblem(
                ("charge_points", name, key),
                f"expected at most max_unbalance_amps ({most:g} A) where a vehicle does not load "
                f"all phases, got {floor:g}",
            )


def _power_problems(parts: Parts) -> Iterator[KeyProblem]:
    if parts.max_power_kw is None:
        return
    for name, point in parts.charge_points.items():
        cars = [each for each in parts.vehicles.values() if each.charge_point == name]
        phases = most_phases(point, cars)
        floor = lowest_amps(point)
        kw = floor * phases * parts.nominal_volts / 1000
        if kw > parts.max_power_kw:
            on = "one phase" if phases == 1 else f"{phases} phases"
            yield KeyProblem(
                ("household", "max_power_kw"),
                f'expected at least the {kw:.2g} kW of charge point "{name}" ({floor:g} A on {on}),'
                f" got {parts.max_power_kw:g}",
            )


def _part_problems(parts: Parts) -> Iterator[KeyProblem]:
    """Find charge points that could never charge: see `planners.home.allotments.shares_by_plan`."""
    endless = [name for name, each in parts.charge_points.items() if not each.ends_by_itself]
    if not endless:
        return
    reported: set[str] = set()
    for what, most, counts in _shared(parts):
        left = most
        for name, count in counts.items():
            point = parts.charge_points[name]
            lowest = count * lowest_amps(point)
            if lowest <= left:
                left -= lowest
            elif lowest <= most and name in parts.charge_point_of.values() and name not in reported:
                reported.add(name)
                yield KeyProblem(
                    ("charge_points", name),
                    f"expected a lowest current that fits beside the others within {what}: each has"
                    f' a fixed part of it, because a start of "{endless[0]}" has no time limit, or'
                    " it reports nothing, so this one could never charge",
                )


def _shared(parts: Parts) -> Iterator[tuple[str, float, dict[str, float]]]:
    """List what charge points share: what it is, how much [A], and how often each counts."""
    cars: dict[str, list[Vehicle]] = {name: [] for name in parts.charge_points}
    for car in parts.vehicles.values():
        cars.get(car.charge_point, []).append(car)
    for phase, fuse in parts.fuse_by_phase.items():
        counts = {
            name: 1.0
            for name, point in parts.charge_points.items()
            if phase in point.phase_names[: max((each.phases for each in cars[name]), default=3)]
        }
        yield f"the main fuse of {fuse:g} A", fuse, counts
    if parts.max_power_kw is not None:
        counts = {
            name: float(most_phases(point, cars[name]))
            for name, point in parts.charge_points.items()
        }
        amps = parts.max_power_kw * 1000 / parts.nominal_volts
        yield f"max_power_kw ({parts.max_power_kw:g} kW)", amps, counts


def most_phases(point: ChargePoint, cars: Iterable[Vehicle]) -> int:
    """Return on how many phases the vehicles of a charge point charge at the most."""
    # A vehicle whose phases are not declared may have as many as the charge point.
    declared = [car.phases if "phases" in car.model_fields_set else point.phases for car in cars]
    return min(point.phases, max(declared, default=point.phases))


def _is_uneven(name: str, parts: Parts) -> bool:
    """Whether a vehicle at a charge point loads some phases of the supply and not all."""
    cars = [each for each in parts.vehicles.values() if each.charge_point == name]
    point = parts.charge_points[name]
    return any(min(car.phases, point.phases) < len(parts.phases) for car in cars)


def lowest_amps(point: ChargePoint) -> float:
    """Return the lowest current [A] of a charge point: a relay has only one current."""
    return point.max_amps if point.switching == "on_off" else point.min_amps


def _tariff_order_problems(parts: Parts) -> Iterator[KeyProblem]:
    for meter in _tariffs_of_meters(parts):
        latest: tuple[int, date] | None = None
        for number, (index, tariff) in enumerate(meter.items()):
            if tariff.valid_from is None:
                if number > 0:
                    yield KeyProblem(
                        ("tariffs", index), "expected valid_from: only the first tariff may lack it"
                    )
                continue
            if latest is not None and tariff.valid_from <= latest[1]:
                yield KeyProblem(
                    ("tariffs", index, "valid_from"),
                    f"expected a date after {latest[1]}, that of tariffs[{latest[0]}], "
                    f"got {tariff.valid_from}",
                )
            latest = (index, tariff.valid_from)


def _tariffs_of_meters(parts: Parts) -> list[dict[int, Tariff]]:
    """Sort the tariffs by meter: those of the home's, then those of each charge point's own."""
    own = dict.fromkeys(names for names in parts.tariffs_named.values() if names)
    named = {name for names in own for name in names}
    home = {index: each for index, each in parts.tariffs.items() if each.name not in named}
    return [
        home,
        *({i: each for i, each in parts.tariffs.items() if each.name in names} for names in own),
    ]


def _own_tariff_problems(parts: Parts) -> Iterator[KeyProblem]:
    """Find charge points that name tariffs which are not there, or not for a meter of their own."""
    for point, names in parts.tariffs_named.items():
        for place, name in enumerate(names):
            at = ("charge_points", point, "tariff", *((place,) if len(names) > 1 else ()))
            if name not in parts.tariff_names:
                yield KeyProblem(at, _unknown("a tariff of this file", name, parts.tariff_names))
            if name in names[:place]:
                yield KeyProblem(at, f"expected each tariff once, got {name} again")
    named = {name: point for point, names in parts.tariffs_named.items() for name in names}
    if parts.tariff_names and parts.tariff_names <= named.keys():
        point = next(iter(named.values()))
        yield KeyProblem(
            ("charge_points", point, "tariff"),
            "expected a tariff for the home's own meter, too, which no charge point names; if all"
            " energy is bought at this one, leave out tariff",
        )
    for index, tariff in parts.tariffs.items():
        if tariff.name in named:
            yield from _unfit_problems(index, tariff, named[tariff.name])


def _unfit_problems(index: int, tariff: Tariff, point: str) -> Iterator[KeyProblem]:
    """Find what only a tariff of the home's own meter may have."""
    if tariff.capacity_charge is not None:
        yield KeyProblem(
            ("tariffs", index, "capacity_charge"),
            "expected to be left out: only the highest power of the home's own meter is minded,"
            f' and charge point "{point}" has a meter of its own at this tariff',
        )
    if tariff.minimum_bill is not None and tariff.minimum_bill.home_energy:
        yield KeyProblem(
            ("tariffs", index, "minimum_bill", "home_energy"),
            f'expected to be left out: charge point "{point}" has a meter of its own at it',
        )
    for path, source in tariff.series_by_path.items():
        if source.file is None:
            yield KeyProblem(
                ("tariffs", index, *path),
                "expected file: prices on the bus are for the home's own meter, and charge point"
                f' "{point}" has a meter of its own at this tariff',
            )
    if tariff.announced is not None and tariff.announced.file is None:
        yield KeyProblem(
            ("tariffs", index, "announced"),
            "expected file: announcements on the bus are for the home's own meter, and charge"
            f' point "{point}" has a meter of its own at this tariff',
        )


def _powered_problems(parts: Parts) -> Iterator[KeyProblem]:
    for name, point in parts.charge_points.items():
        for place, each in enumerate(point.powered or ()):
            if any_holiday([each]) and not parts.public_holidays:
                at = ("charge_points", name, "powered", place, "days")
                yield KeyProblem(at, holiday_needs("household"))


def _tariff_name_problems(parts: Parts) -> Iterator[KeyProblem]:
    seen: dict[str, int] = {}
    for index, tariff in parts.tariffs.items():
        first = seen.setdefault(tariff.name, index)
        if first != index:
            yield KeyProblem(
                ("tariffs", index, "name"),
                f'expected a unique name, got "{tariff.name}", also the name of tariffs[{first}]',
            )


def _band_problems(parts: Parts) -> Iterator[KeyProblem]:
    for index, tariff in parts.tariffs.items():
        for problem in band_problems(tariff, public_holidays=parts.public_holidays):
            yield KeyProblem(("tariffs", index, *problem.path), problem.message)
        for place, band in enumerate(tariff.bands or () if parts.has_generation else ()):
            if band.name == ROOF:
                path = ("tariffs", index, "bands", place, "name")
                why = f'beside generation, accounts call the energy of the roofs "{ROOF}"'
                yield KeyProblem(path, f'expected another name than "{ROOF}": {why}')


def _unlisted_problems(parts: Parts) -> Iterator[KeyProblem]:
    """Find special days and seasons of the household that nothing lists."""
    powered = (each for point in parts.charge_points.values() for each in point.powered or ())
    timed = (*parts.known_load, *powered)
    listing = [each.days for each in timed], timed
    what = "an item of known_load, or of powered,"
    for problem in unlisted_problems(parts.special_days, parts.seasons, listing, what):
        yield KeyProblem(("household", *problem.path), problem.message)


def _departure_problems(parts: Parts) -> Iterator[KeyProblem]:
    seen: dict[tuple[str, object], int] = {}
    for index, departure in parts.departures.items():
        for path, day in days_of(departure.days, departure.date):
            first = seen.setdefault((departure.vehicle, day), index)
            if first != index:
                yield KeyProblem(
                    ("departures", index, *path),
                    f'expected one departure of "{departure.vehicle}" a day, got {day} again '
                    f"after departures[{first}]; ask for a second one (lullwatt ask --need --by)",
                )


def _distance_problems(parts: Parts) -> Iterator[KeyProblem]:
    for index, departure in parts.departures.items():
        vehicle = parts.vehicles.get(departure.vehicle)
        if departure.uses_km is not None and vehicle is not None and vehicle.kwh_per_km is None:
            keys = ", ".join(CONSUMPTION_KEYS)
            yield KeyProblem(
                ("departures", index, "uses_km"),
                f'expected uses_kwh, or one of {keys} on vehicle "{departure.vehicle}"',
            )


def _ocpp_problems(parts: Parts) -> Iterator[KeyProblem]:
    points = {name: point.ocpp for name, point in parts.charge_points.items()}
    yield from ocpp_problems(
        points, listens=parts.ocpp_listens, knows_certificates=parts.knows_certificates
    )
    shares = len(points) > 1 and bool(parts.fuse_by_phase or parts.max_power_kw)
    for name, point in parts.charge_points.items():
        if point.ocpp is None or point.ocpp.alone_amps == 0:
            continue
        path, alone = ("charge_points", name, "ocpp", "alone_amps"), point.ocpp.alone_amps
        if shares:
            yield KeyProblem(path, "expected 0, since other charge points share the supply")
        elif not lowest_amps(point) <= alone <= point.max_amps:
            yield KeyProblem(
                path,
                f"expected 0, or from the lowest to the highest current of the charge point"
                f" ({lowest_amps(point):g} to {point.max_amps:g} A), got {alone:g}",
            )


def _home_meter_problems(parts: Parts) -> Iterator[KeyProblem]:
    meters = [
        name for name, each in parts.charge_points.items() if each.ocpp and each.ocpp.home_meter
    ]
    for number, name in enumerate(meters):
        path = ("charge_points", name, "ocpp", "home_meter")
        if not parts.fuse_by_phase:
            yield KeyProblem(path, "expected main_fuse_amps under household, which it guards")
        if number or parts.has_load_meter:
            other = f"charge point {meters[0]}" if number else "load_meter under household"
            yield KeyProblem(path, f"expected one meter of the home: there is {other} already")


def _announce_problems(parts: Parts) -> Iterator[KeyProblem]:
    yield from announce_problems(parts.announce, parts.doors)


_RULES: tuple[Callable[[Parts], Iterator[KeyProblem]], ...] = (
    _reference_problems,
    _calendar_problems,
    _topic_problems,
    _current_problems,
    _phase_problems,
    _one_phase_problems,
    _fuse_problems,
    _power_problems,
    _part_problems,
    _tariff_order_problems,
    _tariff_name_problems,
    _own_tariff_problems,
    _powered_problems,
    _unlisted_problems,
    _band_problems,
    _departure_problems,
    _distance_problems,
    _ocpp_problems,
    _home_meter_problems,
    _announce_problems,
)
