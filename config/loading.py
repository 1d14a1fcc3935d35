"""Reads a household file: YAML in, a `HouseholdFile` out, or all faults of the file at once.

Rules between parts are judged even when some parts are bad: see `config.consistency`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

from pydantic import ValidationError

from config.consistency import Parts, problems_of
from config.currencies import CURRENCIES
from config.errors import Fault, FileError
from config.household import ChargePoint, Departure, Household, HouseholdFile, Tariff, Vehicle
from config.texts import printable, read_text
from config.translation import Translator
from config.yaml_nodes import Flaw
from config.yaml_scalars import Nothing
from config.yaml_tree import Tree, read_yaml

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from config.fields import Model

_MOST_BYTES = 256 * 1024
_Part = TypeVar("_Part", bound="Model")
_Key = TypeVar("_Key", str, int)


def load_household(path: Path) -> HouseholdFile:
    """Read and check a household file.

    Parameters
    ----------
    path : Path
        The YAML file. Relative paths inside it are taken from its own folder; the files they name
        are not opened.

    Returns
    -------
    HouseholdFile
        Consistent in itself.

    Raises
    ------
    FileError
        Every fault of the file, each with line and column.
    """
    tree = read_yaml(read_text(path, "a household file", _MOST_BYTES))
    context = {"directory": path.parent}
    flaws = tree.flaws
    try:
        file = HouseholdFile.model_validate(tree.data, context=context)
        if not flaws:
            return file
    except ValidationError as error:
        flaws = list(_all_flaws(tree, error, context))
    raise FileError(
        Fault(str(path), spot.line, spot.column, printable(text)) for spot, text in flaws
    )


def _all_flaws(tree: Tree, error: ValidationError, context: dict[str, Any]) -> Iterator[Flaw]:
    yield from tree.flaws
    if isinstance(tree.data, Nothing) and tree.flaws:
        return
    if not isinstance(tree.data, dict):
        fields = HouseholdFile.model_fields.items()
        wanted = ", ".join(name for name, field in fields if field.is_required())
        spot = tree.values[()]
        yield spot, f"expected the keys {wanted}; got {spot.shown}"
        return
    translator = Translator(tree, _currency(tree.data))
    yield from translator.errors(error)
    if any(detail["loc"] for detail in error.errors(include_url=False)):
        yield from map(translator.problem, problems_of(_sound_parts(tree.data, context)))


def _currency(data: dict[str, Any]) -> str:
    household = data.get("household")
    code = household.get("currency") if isinstance(household, dict) else None
    return code if isinstance(code, str) and code in CURRENCIES else "the household's currency"


def _sound_parts(data: dict[str, Any], context: dict[str, Any]) -> Parts:
    household = data.get("household")
    given = household if isinstance(household, dict) else {}
    home = _sound(Household, {"household": household}, context).get("household")
    return Parts(
        tariffs=_sound(Tariff, _listed(data, "tariffs"), context),
        departures=_sound(Departure, _listed(data, "departures"), context),
        charge_points=_sound(ChargePoint, _named(data, "charge_points"), context),
        vehicles=_sound(Vehicle, _named(data, "vehicles"), context),
        charge_point_names=frozenset(_named(data, "charge_points")),
        vehicle_names=frozenset(_named(data, "vehicles")),
        charge_point_of=_texts(_named(data, "vehicles"), "charge_point"),
        vehicle_of=_texts(_listed(data, "departures"), "vehicle"),
        main_fuse_amps=home.main_fuse_amps if home is not None else None,
        public_holidays="public_holidays" in given,
        ocpp_listens="ocpp" in data,
    )


def _listed(data: dict[str, Any], key: str) -> dict[int, object]:
    value = data.get(key)
    return dict(enumerate(value)) if isinstance(value, list) else {}


def _named(data: dict[str, Any], key: str) -> dict[str, object]:
    value = data.get(key)
    return value if isinstance(value, dict) else {}


def _texts(raw: dict[_Key, object], key: str) -> dict[_Key, str]:
    """Collect one key of many parts, wherever it holds a text."""
    parts = {name: part for name, part in raw.items() if isinstance(part, dict)}
    return {name: part[key] for name, part in parts.items() if isinstance(part.get(key), str)}


def _sound(
    model: type[_Part], raw: dict[_Key, object], context: dict[str, Any]
) -> dict[_Key, _Part]:
    """Keep the parts that are good in themselves."""
    sound: dict[_Key, _Part] = {}
    for key, value in raw.items():
        try:
            sound[key] = model.model_validate(value, context=context)
        except ValidationError:
            continue
    return sound
