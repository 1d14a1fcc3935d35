"""Load a choices file, or report all its faults at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from config.choices.choices_file import AppraisedVehicle, ChoicesFile, Year
from config.choices.driving import Trip
from config.choices.rules import ChoiceParts, SunParts, choice_problems
from config.fields.value_types import ClockTime
from config.files.errors import Fault, FileError
from config.household.equipment import ChargePoint
from config.household.loading import (
    FileKind,
    currency_in,
    entries_of,
    keys_below,
    load_file,
    load_household,
    texts_of,
    valid_parts,
)
from config.tariffs.read_dates import read_dates, with_dates
from config.tariffs.tariff import Tariff

if TYPE_CHECKING:
    from datetime import time
    from pathlib import Path

    from config.fields.key_problems import KeyProblem

_Value = TypeVar("_Value")


def load_choices(path: Path) -> ChoicesFile:
    """Read and check a choices file.

    Parameters
    ----------
    path : Path
        The YAML file. Relative paths inside it are taken from its own folder. Of the files they
        name, only lists of dates are read.

    Returns
    -------
    ChoicesFile
        Consistent in itself.

    Raises
    ------
    FileError
        Every fault of the file, or of its lists of dates, each with line and column.
    """  # noqa: DOC502 - load_file raises it
    file = _with_roofs(load_file(path, _CHOICES), path)
    keys = ("tariff", "charging_tariff")
    named = [(n, key) for n, each in enumerate(file.choices) for key in keys if getattr(each, key)]
    read = read_dates(getattr(file.choices[n], key) for n, key in named)
    if not read:
        return file
    updates: list[dict[str, Tariff]] = [{} for _ in file.choices]
    for number, key in named:
        updates[number][key] = with_dates(getattr(file.choices[number], key), read)
    pairs = zip(file.choices, updates, strict=True)
    choices = tuple(choice.model_copy(update=update) for choice, update in pairs)
    return file.model_copy(update={"choices": choices})


def _with_roofs(file: ChoicesFile, path: Path) -> ChoicesFile:
    """Take the roofs from the household file, if the choices file names one."""
    generation = file.generation
    if generation is None or generation.household is None:
        return file
    found = load_household(generation.household).generation
    if found is None or not found.roofs:
        message = f"expected generation with roofs, which {path} takes from here, got none"
        raise FileError([Fault(str(generation.household), 1, 1, message)])
    return file.model_copy(update={"generation": generation.like(found)})


def _words(data: dict[str, Any]) -> dict[str, str]:
    home = keys_below(data, "appraisal")
    year = _value(_YEAR, home.get("year"))
    return {"currency": currency_in(home), "year": str(year or "the appraised year")}


def _problems(data: dict[str, Any], context: dict[str, Any]) -> tuple[KeyProblem, ...]:
    home, driving = keys_below(data, "appraisal"), keys_below(data, "driving")
    choices = entries_of(data, "choices")
    found = {n: each for n, each in choices.items() if isinstance(each, dict)}
    tariffs, points = _below(choices, "tariff"), _below(choices, "charge_point")
    parts = ChoiceParts(
        year=_value(_YEAR, home.get("year")),
        public_holidays="public_holidays" in home,
        vehicle=valid_parts(AppraisedVehicle, {0: data.get("vehicle")}, context).get(0),
        driving_keys=frozenset(driving),
        leaves=_value(_TIME, driving.get("leaves")),
        returns=_value(_TIME, driving.get("returns")),
        trips=valid_parts(Trip, entries_of(driving, "trips"), context),
        names=texts_of(choices, "name"),
        tariffs=valid_parts(Tariff, tariffs, context),
        charging_tariffs=valid_parts(Tariff, _below(choices, "charging_tariff"), context),
        charge_points=valid_parts(ChargePoint, points, context),
        tariff_keys=_keys(tariffs),
        charge_point_keys=_keys(points),
        sun=SunParts(
            has_generation="generation" in data,
            has_roof={n: each.get("has_roof") is not False for n, each in found.items()},
            choosing={n for n, each in found.items() if "has_roof" in each},
            has_others=bool(data.get("other_vehicles")),
            draws=_count(driving.get("draws")),
        ),
    )
    return choice_problems(parts)


def _value(adapter: TypeAdapter[_Value], raw: object) -> _Value | None:
    try:
        return adapter.validate_python(raw, strict=True)
    except ValidationError:
        return None


def _count(raw: object) -> int:
    """Read a number that may be anything; 0 if it is none."""
    return raw if isinstance(raw, int) else 0


def _below(raw: dict[int, object], key: str) -> dict[int, object]:
    return {index: part.get(key) for index, part in raw.items() if isinstance(part, dict)}


def _keys(raw: dict[int, object]) -> dict[int, frozenset[str]]:
    return {index: frozenset(part) for index, part in raw.items() if isinstance(part, dict)}


_CHOICES = FileKind("a choices file", ChoicesFile, _words, _problems)
_YEAR: TypeAdapter[int] = TypeAdapter(Year)
_TIME: TypeAdapter[time] = TypeAdapter(ClockTime)
