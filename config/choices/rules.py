"""Rules between the parts of a choices file, checked over all valid parts."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from datetime import time
from typing import TYPE_CHECKING

from config.choices.trip_rules import Week, trip_problems
from config.fields.key_problems import KeyProblem
from config.home.generation import ROOF
from config.household.consistency import current_problem
from config.household.vehicle import CONSUMPTION_KEYS
from config.tariffs.band_rules import band_problems

if TYPE_CHECKING:
    from config.choices.driving import Trip
    from config.household.equipment import ChargePoint
    from config.household.vehicle import AnyVehicle
    from config.tariffs.tariff import Tariff

TARIFF_KEYS = {
    "valid_from": "the tariff of a choice holds all year",
}
"""Keys of a household file's tariff that a choice's may not have, and why."""
DAEMON_KEYS = (
    "wiring", "ocpp", "confirm_seconds", "random_delay_seconds", "delays_itself_seconds",
)  # fmt: skip
"""Keys of a household file's charge point that only a running daemon needs."""

MOST_SUN_DRAWS = 30
"""The most years that are drawn where nights are planned one by one beside the sun."""


@dataclass(frozen=True)
class SunParts:
    """What concerns the home's own roofs.

    Attributes
    ----------
    has_generation : bool
        Whether the file names any.
    has_roof : mapping of int to bool
        Whether they count, by the index of the choice.
    choosing : set of int
        The choices that say so themselves.
    has_others : bool
        Whether there are other vehicles.
    draws : int
        How many years are drawn.
    """

    has_generation: bool
    has_roof: Mapping[int, bool]
    choosing: AbstractSet[int]
    has_others: bool
    draws: int


@dataclass(frozen=True)
class ChoiceParts:
    """The parts of a choices file that are valid in themselves.

    Attributes
    ----------
    year : int or None
        The appraised year; None if it is missing or invalid.
    public_holidays : bool
        Whether the file names a calendar of public holidays, valid or not.
    vehicle : AnyVehicle or None
        The vehicle; None if it is missing or invalid.
    driving_keys : set of str
        The keys given under ``driving``, whatever their values.
    leaves, returns : time or None
        Local times for trips that give none; None if they are missing or invalid.
    trips : mapping of int to Trip
        By their index in the file.
    names : mapping of int to str
        Names of choices by their index, also those of invalid choices.
    tariffs, charging_tariffs, charge_points : mapping of int
        Those of choices, by the index of the choice.
    tariff_keys, charge_point_keys : mapping of int to set of str
        The keys given there, whatever their values.
    sun : SunParts
        What concerns the home's own roofs.
    """

    year: int | None
    public_holidays: bool
    vehicle: AnyVehicle | None
    driving_keys: AbstractSet[str]
    leaves: time | None
    returns: time | None
    trips: Mapping[int, Trip]
    names: Mapping[int, str]
    tariffs: Mapping[int, Tariff]
    charging_tariffs: Mapping[int, Tariff]
    charge_points: Mapping[int, ChargePoint]
    tariff_keys: Mapping[int, AbstractSet[str]]
    charge_point_keys: Mapping[int, AbstractSet[str]]
    sun: SunParts


def choice_problems(parts: ChoiceParts) -> tuple[KeyProblem, ...]:
    """Find every broken rule between parts.

    Parameters
    ----------
    parts : ChoiceParts
        The parts to check.

    Returns
    -------
    tuple of KeyProblem
        With paths from the top of the file.
    """
    return tuple(problem for rule in _RULES for problem in rule(parts))


def _name_problems(parts: ChoiceParts) -> Iterator[KeyProblem]:
    seen: dict[str, int] = {}
    for index, name in parts.names.items():
        first = seen.setdefault(name, index)
        if first != index:
            yield KeyProblem(
                ("choices", index, "name"),
                f'expected a unique name, got "{name}", also the name of choices[{first}]',
            )


def _key_problems(parts: ChoiceParts) -> Iterator[KeyProblem]:
    for index, keys in parts.tariff_keys.items():
        for key, why in TARIFF_KEYS.items():
            if key in keys:
                message = f"expected to be left out: {why}"
                yield KeyProblem(("choices", index, "tariff", key), message)
    for index, keys in parts.charge_point_keys.items():
        at = ("choices", index, "charge_point")
        yield from (KeyProblem((*at, key), message) for key, message in misplaced_keys(keys))


def misplaced_keys(keys: AbstractSet[str]) -> Iterator[tuple[str, str]]:
    """List the keys of a charge point that a choice may not have, and what is expected instead."""
    for key in DAEMON_KEYS:
        if key in keys:
            yield key, "expected to be left out: it is for a running daemon only"
    if "tariff" in keys:
        yield (
            "tariff",
            "expected charging_tariff of the choice instead: it is for all charge points",
        )


def _tariff_problems(parts: ChoiceParts) -> Iterator[KeyProblem]:
    of_both = (("tariff", parts.tariffs), ("charging_tariff", parts.charging_tariffs))
    for key, index, tariff in ((key, *each) for key, found in of_both for each in found.items()):
        at = ("choices", index, key)
        for problem in band_problems(
            tariff, public_holidays=parts.public_holidays, section="appraisal"
        ):
            yield KeyProblem((*at, *problem.path), problem.message)
        for path, prices in tariff.series_by_path.items():
            if prices.file is None:
                message = "expected file: an appraisal gets no prices from the bus"
                yield KeyProblem((*at, *path), message)
            if prices.fetch is not None:
                message = "expected to be left out: an appraisal fetches no prices"
                yield KeyProblem((*at, *path, "fetch"), message)


def _sun_problems(parts: ChoiceParts) -> Iterator[KeyProblem]:
    """Find what does not go together with roofs, or without them."""
    sun = parts.sun
    if not sun.has_generation:
        yield from _without_roof_problems(parts)
        return
    if sun.has_others:
        message = "expected one vehicle beside generation: an appraisal does not share the sun"
        message += "; appraise each vehicle in a file of its own"
        yield KeyProblem(("other_vehicles",), message)
    if sun.draws > MOST_SUN_DRAWS:
        most = f"expected at most {MOST_SUN_DRAWS} beside generation, got {sun.draws}"
        message = f"{most}: its nights are planned one by one, which takes seconds for each year"
        yield KeyProblem(("driving", "draws"), f"{message} drawn")
    for index, tariff in parts.tariffs.items():
        if sun.has_roof.get(index, True):
            yield from _roof_problems(index, tariff)


def _without_roof_problems(parts: ChoiceParts) -> Iterator[KeyProblem]:
    for index in sorted(parts.sun.choosing):
        yield KeyProblem(("choices", index, "has_roof"), "expected only beside generation")
    for index, tariff in parts.tariffs.items():
        if tariff.export_rate is not None:
            at = ("choices", index, "tariff", "export_rate")
            yield KeyProblem(at, "expected only beside generation: no roof exports anything")


def _roof_problems(index: int, tariff: Tariff) -> Iterator[KeyProblem]:
    at = ("choices", index, "tariff")
    if tariff.capacity_charge is not None:
        message = "expected to be left out, or has_roof: false in this choice: an appraisal does"
        message += " not reckon what a roof takes off the highest power"
        yield KeyProblem((*at, "capacity_charge"), message)
    for place, band in enumerate(tariff.bands or ()):
        if band.name == ROOF:
            message = f'expected another name: beside generation, "{ROOF}" is its energy'
            yield KeyProblem((*at, "bands", place, "name"), message)
    sold = tariff.export_rate.series if tariff.export_rate else None
    if sold is not None and sold.file is not None:
        message = "expected prices without a file of their own: those of the tariff itself"
        yield KeyProblem((*at, "export_rate"), message)


def _own_meter_problems(parts: ChoiceParts) -> Iterator[KeyProblem]:
    for index, own in parts.charging_tariffs.items():
        at = ("choices", index, "charging_tariff")
        if own.valid_from is not None:
            message = "expected to be left out: the tariff of a choice holds all year"
            yield KeyProblem((*at, "valid_from"), message)
        if own.export_rate is not None:
            message = "expected to be left out: the roofs are on the home's own meter"
            yield KeyProblem((*at, "export_rate"), message)
        if own.capacity_charge is not None:
            message = (
                "expected to be left out: only the highest power of the home's own meter is minded"
            )
            yield KeyProblem((*at, "capacity_charge"), message)
        home = parts.tariffs.get(index)
        if home is None:
            continue
        if home.name == own.name:
            message = f'expected another name than "{home.name}", that of tariff'
            yield KeyProblem((*at, "name"), message)
        for key in (*home.series_by_path, *((("announced",),) if home.announced else ())):
            message = "expected rates that are known all year: beside charging_tariff, tariff is"
            message += " only for the rest of the home"
            yield KeyProblem(("choices", index, "tariff", *key), message)


def _current_problems(parts: ChoiceParts) -> Iterator[KeyProblem]:
    for index, point in parts.charge_points.items():
        called = "the charge point of "
        called += f'"{parts.names[index]}"' if index in parts.names else f"choices[{index}]"
        if parts.vehicle and (message := current_problem(parts.vehicle, point, called)):
            yield KeyProblem(("vehicle", "max_amps"), message)


def _consumption_problems(parts: ChoiceParts) -> Iterator[KeyProblem]:
    if parts.vehicle is None or parts.vehicle.kwh_per_km is not None:
        return
    for key in ("distance_per_year", "trips"):
        if key in parts.driving_keys:
            message = f"expected one of {', '.join(CONSUMPTION_KEYS)} on the vehicle"
            yield KeyProblem(("driving", key), message)


def _trip_problems(parts: ChoiceParts) -> Iterator[KeyProblem]:
    week = Week(parts.trips, parts.leaves, parts.returns, parts.year)
    for problem in trip_problems(week):
        yield KeyProblem(("driving", *problem.path), problem.message)


_RULES: tuple[Callable[[ChoiceParts], Iterator[KeyProblem]], ...] = (
    _name_problems,
    _key_problems,
    _tariff_problems,
    _sun_problems,
    _own_meter_problems,
    _current_problems,
    _consumption_problems,
    _trip_problems,
)
