"""Put one home in the place of the home of a choices file. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from config.choices.choices_file import AppraisedVehicle, Choice, ChoicesFile
from config.choices.driving import DrivingPattern, DrivingRecord
from config.choices.rules import DAEMON_KEYS
from config.files.errors import UsageError
from config.household.equipment import ChargePoint

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from config.household.household_file import HouseholdFile
    from config.tariffs.tariff import Tariff

AS_NOW = "as it is now"
"""The first choice of every home: its own tariff and charge point."""


class HomeNow(NamedTuple):
    """How a home charges now: the vehicle that counts, and the tariffs of its meters."""

    file: HouseholdFile
    vehicle: str
    tariff: Tariff
    charging_tariff: Tariff | None

    @property
    def bought_at(self) -> Tariff:
        """The tariff at which charging is paid."""
        return self.tariff if self.charging_tariff is None else self.charging_tariff


def home_now(file: HouseholdFile, vehicle: str, today: date) -> HomeNow:
    """Find the tariffs that a home's vehicle is charged at today.

    Parameters
    ----------
    file : HouseholdFile
        The home.
    vehicle : str
        One of its vehicles.
    today : date
        The home's local date.

    Returns
    -------
    HomeNow
        With the tariff of a meter of the charge point's own, if it has one.

    Raises
    ------
    UsageError
        If no tariff holds today.
    """
    point = file.charge_points[file.vehicles[vehicle].charge_point]
    of_points = {name for each in file.charge_points.values() for name in _names(each.tariff)}
    own_names = set(_names(point.tariff))
    home = _in_force([each for each in file.tariffs if each.name not in of_points], today)
    own = _in_force([each for each in file.tariffs if each.name in own_names], today)
    if home is None or (own_names and own is None):
        raise UsageError(f"no tariff is in force on {today.isoformat()}")
    return HomeNow(file, vehicle, home, own)


def _names(names: str | Sequence[str] | None) -> tuple[str, ...]:
    return (names,) if isinstance(names, str) else tuple(names or ())


def _in_force(tariffs: Sequence[Tariff], today: date) -> Tariff | None:
    begun = [each for each in tariffs if each.valid_from is None or each.valid_from <= today]
    return begun[-1] if begun else None


def refuse_for_homes(file: ChoicesFile) -> None:
    """Refuse a choices file that is made for one home alone.

    Parameters
    ----------
    file : ChoicesFile
        The choices file.

    Raises
    ------
    UsageError
        If it has roofs or several vehicles, or does not say when vehicles are away.
    """
    if file.generation is not None:
        raise UsageError("--homes: expected no generation in the choices file: roofs differ")
    if file.other_vehicles:
        raise UsageError("--homes: expected no other_vehicles in the choices file")
    if file.driving.leaves is None or file.driving.returns is None:
        raise UsageError("--homes: expected leaves and returns under driving in the choices file")


def file_of_home(file: ChoicesFile, now: HomeNow, *, tariffs_only: bool) -> ChoicesFile:
    """Make the choices file of one home.

    Parameters
    ----------
    file : ChoicesFile
        The choices, the year, and when vehicles are away.
    now : HomeNow
        The home; its vehicle takes the place of the file's, its ledger that of the distance.
    tariffs_only : bool
        Whether each choice is only its tariff, at the home's own charge point, in the cheapest
        hours, without an outlay.

    Returns
    -------
    ChoicesFile
        Its first choice is the home as it is now, called `AS_NOW`; needs are those of the file's
        first choice.

    Raises
    ------
    UsageError
        If the home pays in another currency.
    ValidationError
        If the choices do not fit the home, such as its vehicle.
    """  # noqa: DOC502 - pydantic raises the second
    home, appraisal = now.file.household, file.appraisal
    if home.currency != appraisal.currency:
        raise UsageError(
            f"the choices are in {appraisal.currency}, this home pays in {home.currency}"
        )
    point = _point(now)
    choices = _of_tariffs(file.choices, point) if tariffs_only else file.choices
    made = ChoicesFile(
        appraisal=appraisal.model_copy(
            update={
                "name": home.name,
                "timezone": home.timezone,
                "nominal_volts": home.nominal_volts,
                "public_holidays": home.public_holidays,
                "tick_minutes": home.tick_minutes,
                "elsewhere_share_percent": 0.0,  # its ledger holds only what is charged at home
                "temperature": None,  # and has the seasons
            }
        ),
        vehicle=_vehicle(now),
        driving=DrivingPattern(
            ledger=DrivingRecord(path=now.file.ledger.path, vehicle=now.vehicle),
            leaves=file.driving.leaves,
            returns=file.driving.returns,
            margin_minutes=file.driving.margin_minutes,
        ),
        home_use=file.home_use,
        choices=choices,
    )
    return made.model_copy(update={"choices": (_as_now(file.choices[0], now, point), *choices)})


def _of_tariffs(choices: Sequence[Choice], point: ChargePoint) -> tuple[Choice, ...]:
    """Keep each tariff once, at the home's own charge point."""
    found: dict[tuple[str, str | None], Choice] = {}
    for choice in choices:
        own = choice.charging_tariff
        key = choice.tariff.name, None if own is None else own.name
        name = " and ".join(part for part in key if part is not None)
        changes = {"name": name, "charge_point": point, "planner": "exact"}
        kept = choice.model_copy(update=changes | _NO_OUTLAY)
        found.setdefault(key, kept)
    return tuple(found.values())


_NO_OUTLAY: dict[str, Any] = {
    key: Choice.model_fields[key].get_default()
    for key in ("outlay", "outlay_note", "grants", "maintenance")
}


def _point(now: HomeNow) -> ChargePoint:
    """Return the home's charge point without what only a daemon needs."""
    point = now.file.charge_points[now.file.vehicles[now.vehicle].charge_point]
    keys = point.model_fields_set - {*DAEMON_KEYS, "tariff"}
    return ChargePoint(**{key: getattr(point, key) for key in keys})


def _vehicle(now: HomeNow) -> AppraisedVehicle:
    car = now.file.vehicles[now.vehicle]
    keys = car.model_fields_set & set(AppraisedVehicle.model_fields)
    return AppraisedVehicle(**{key: getattr(car, key) for key in keys})


def _as_now(first: Choice, now: HomeNow, point: ChargePoint) -> Choice:
    """Make the choice that changes nothing; a household's tariff may have keys that others lack."""
    own = now.charging_tariff
    return first.model_copy(
        update={
            "name": AS_NOW,
            "tariff": now.tariff.model_copy(update={"valid_from": None}),
            "charging_tariff": own and own.model_copy(update={"valid_from": None}),
            "charge_point": point,
            "planner": "exact",
            "leaves": None,
            "returns": None,
        }
        | _NO_OUTLAY
    )


def same_prices(one: Tariff, other: Tariff) -> bool:
    """Whether two tariffs differ at most in their names and first days."""
    alike = {"name": "", "valid_from": None}
    return one.model_copy(update=alike) == other.model_copy(update=alike)
