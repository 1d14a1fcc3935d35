"""Rules for the other vehicles of a choices file, and for the charge points that they share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from config.choices.rules import DAEMON_KEYS
from config.choices.trip_rules import Week, trip_problems
from config.fields.key_problems import KeyProblem
from config.household.consistency import current_problem
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
    """The charge points of one choice, and the current for them.

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
    """

    name: str
    first: ChargePoint
    others: Mapping[str, ChargePoint]
    amps: float | None


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
    vehicles : mapping of str to (AnyVehicle, DrivingPattern)
        The other vehicles, each with its driving.
    choices : sequence of ChoiceOfPoints
        In the order of the file.
    """

    year: int
    has_elsewhere_rate: bool
    has_ledger: bool
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
        yield from _amps_problems(parts, choice, index)


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
        for key in DAEMON_KEYS:
            if key in point.model_fields_set:
                message = "expected to be left out: it is for a running daemon only"
                yield KeyProblem((*at, name, key), message)


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


def _amps_problems(parts: SeveralParts, choice: ChoiceOfPoints, index: int) -> Iterator[KeyProblem]:
    most, at = choice.amps, ("choices", index, "amps_for_charging")
    if most is None:
        return
    if not parts.vehicles:
        message = "expected only beside other_vehicles: limit max_amps of the charge_point instead"
        yield KeyProblem(at, message)
    for name, point in {"": choice.first, **choice.others}.items():
        lowest = point.max_amps if point.switching == "on_off" else point.min_amps
        if lowest > most:
            whose = f"the charge point of {name}" if name else "its charge_point"
            message = f"expected at least the lowest current of {whose}, {lowest:g} A"
            yield KeyProblem(at, message)
