"""Rules for the other vehicles of a choices file, and for the charge points that they share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from config.choices.rules import misplaced_keys
from config.choices.trip_rules import Week, trip_problems
from config.fields.key_problems import KeyProblem
from config.household.consistency import current_problem, lowest_amps
from config.household.vehicle import CONSUMPTION_KEYS

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from config.choices.driving import DrivingPattern
    from config.household.equipment import ChargePoint
    from config.household.vehicle import AnyVehicle

ONLY_FIRST = ("ledger", "draws", "spread_percent", "seed")
"""Keys of driving that only the first vehicle's may have: draws vary the trips of all."""


@dataclass(frozen=True)
class ChoiceOfPoints:
    """The charge points of one choice, and the current or power for them.

    Attributes
    ----------
    name : str
        Of the choice.
    first : ChargePoint
        That of the first vehicle.
    others : mapping of str to ChargePoint
        Those of other vehicles, by the vehicle.
    amps : float or None
        What all may draw together [A per phase].
    kw : float or None
        The same as a power, all phases together [kW].
    """

    name: str
    first: ChargePoint
    others: Mapping[str, ChargePoint]
    amps: float | None
    kw: float | None


@dataclass(frozen=True)
class SeveralParts:
    """The parts of a choices file that concern several vehicles, all valid.

    Attributes
    ----------
    year : int
        The appraised year.
    has_elsewhere_rate : bool
        Whether energy that is charged elsewhere has a price.
    has_ledger : bool
        Whether the first vehicle's driving comes from a ledger.
    volts : float
        Voltage, line to neutral [V].
    first : AnyVehicle
        The first vehicle.
    vehicles : mapping of str to (AnyVehicle, DrivingPattern)
        The other vehicles, each with its driving.
    choices : sequence of ChoiceOfPoints
        In the order of the file.
    """

    year: int
    has_elsewhere_rate: bool
    has_ledger: bool
    volts: float
    first: AnyVehicle
    vehicles: Mapping[str, tuple[AnyVehicle, DrivingPattern]]
    choices: Sequence[ChoiceOfPoints]


def other_vehicle_problems(parts: SeveralParts) -> Iterator[KeyProblem]:
    """Find what is wrong with the other vehicles.

    Parameters
    ----------
    parts : SeveralParts
        The parts to check.

    Yields
    ------
    KeyProblem
        With paths from the top of the file.
    """
    for name, (vehicle, driving) in parts.vehicles.items():
        yield from _vehicle_problems(name, vehicle, driving, parts.year)
    if parts.vehicles and parts.has_ledger:
        yield KeyProblem(("driving", "ledger"), "expected distances where there are other_vehicles")
    for index, choice in enumerate(parts.choices):
        yield from _point_problems(parts, choice, index)
        yield from _missing_problems(parts, choice, index)
        yield from _limit_problems(parts, choice, index)


def _vehicle_problems(
    name: str, vehicle: AnyVehicle, driving: DrivingPattern, year: int
) -> Iterator[KeyProblem]:
    at = ("other_vehicles", name, "driving")
    for key in ONLY_FIRST:
        if key in driving.model_fields_set:
            message = "expected to be left out: it belongs under driving of the first vehicle"
            yield KeyProblem((*at, key), message)
    for key in ("distance_per_year", "trips"):
        if key in driving.model_fields_set and vehicle.kwh_per_km is None:
            message = f"expected one of {', '.join(CONSUMPTION_KEYS)} on the vehicle"
            yield KeyProblem((*at, key), message)
    trips = dict(enumerate(driving.trips))
    for problem in trip_problems(Week(trips, driving.leaves, driving.returns, year)):
        yield KeyProblem((*at, *problem.path), problem.message)


def _point_problems(
    parts: SeveralParts, choice: ChoiceOfPoints, index: int
) -> Iterator[KeyProblem]:
    at = ("choices", index, "other_charge_points")
    for name, point in choice.others.items():
        if name not in parts.vehicles:
            known = ", ".join(parts.vehicles) or "none"
            yield KeyProblem((*at, name), f"expected one of other_vehicles: {known}")
        elif message := current_problem(
            parts.vehicles[name][0], point, f'the charge point of "{choice.name}"'
        ):
            yield KeyProblem(("other_vehicles", name, "max_amps"), message)
        for key, wrong in misplaced_keys(point.model_fields_set):
            yield KeyProblem((*at, name, key), wrong)


def _missing_problems(
    parts: SeveralParts, choice: ChoiceOfPoints, index: int
) -> Iterator[KeyProblem]:
    missing = [name for name in parts.vehicles if name not in choice.others]
    if missing and not parts.has_elsewhere_rate:
        message = (
            f"expected a charge point of {missing[0]}, or elsewhere_rate under appraisal: without a"
            " charge point it is charged elsewhere"
        )
        yield KeyProblem(("choices", index), message)


def _limit_problems(
    parts: SeveralParts, choice: ChoiceOfPoints, index: int
) -> Iterator[KeyProblem]:
    limits = {"amps_for_charging": choice.amps, "kw_for_charging": choice.kw}
    given = {key: most for key, most in limits.items() if most is not None}
    for key in given if not parts.vehicles else ():
        message = "expected only beside other_vehicles: limit max_amps of the charge_point instead"
        yield KeyProblem(("choices", index, key), message)
    if len(given) > 1:
        message = "expected amps_for_charging or kw_for_charging, got both"
        yield KeyProblem(("choices", index, "kw_for_charging"), message)
    cars = {"": parts.first, **{name: car for name, (car, _driving) in parts.vehicles.items()}}
    for name, point in {"": choice.first, **choice.others}.items():
        amps, whose = (
            lowest_amps(point),
            f"the charge point of {name}" if name else "its charge_point",
        )
        lowest = {"amps_for_charging": (amps, f"lowest current of {whose}, {amps:g} A")}
        if name in cars:
            kw = amps * min(point.phases, cars[name].phases) * parts.volts / 1000
            lowest["kw_for_charging"] = (kw, f"lowest power of {whose}, {kw:.2f} kW")
        for key, (least, words) in lowest.items():
            if least > given.get(key, least):
                yield KeyProblem(("choices", index, key), f"expected at least the {words}")
