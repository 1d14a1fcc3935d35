"""Load a household file, or report all its faults at once.

Rules between parts are checked even if some parts are invalid: see `config.household.consistency`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from pydantic import ValidationError

from config.calendar.declared_names import with_marked_points
from config.doors.announce import Announce
from config.extract.received import is_extract, received_beside
from config.fields.currencies import CURRENCIES
from config.fields.home_fields import PHASES
from config.fields.value_types import Model
from config.files.errors import Fault, FileError
from config.files.texts import printable, read_text
from config.files.translation import Translator
from config.files.yaml_nodes import Flaw
from config.files.yaml_scalars import NoValue
from config.files.yaml_tree import Tree, read_yaml
from config.household.consistency import Parts, problems_of
from config.household.household_file import (
    Bus,
    ChargePoint,
    Departure,
    EventCalendar,
    Household,
    HouseholdFile,
    OcppListener,
    Page,
    Tariff,
    Vehicle,
)
from config.tariffs.read_dates import read_dates, with_dates

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    from config.fields.key_problems import KeyProblem

_MOST_BYTES = 256 * 1024
_Part = TypeVar("_Part", bound=Model)
_Key = TypeVar("_Key", str, int)


def load_household(path: Path, *, to_read: bool = False) -> HouseholdFile:
    """Read and check a household file.

    Parameters
    ----------
    path : Path
        The YAML file. Relative paths inside it are taken from its own folder. Of the files they
        name, only lists of dates are read.
    to_read : bool
        Whether only its record is to be read: a home that came as extracts is refused for all else.

    Returns
    -------
    HouseholdFile
        Consistent in itself.

    Raises
    ------
    FileError
        Every fault of the file, or of its lists of dates, each with line and column.
    """
    if is_extract(path):
        message = "expected a household file, got an extract; `lullwatt desk receive` unpacks it"
        raise FileError([Fault(str(path), 1, 1, message)])
    if not to_read and received_beside(path) is not None:
        message = (
            "this home was received for reading: use it with nights, month, letter or"
            " appraise --homes; its own daemon is at the household"
        )
        raise FileError([Fault(str(path), 1, 1, message)])
    file = load_file(path, _HOUSEHOLD)
    read = read_dates((file.household, *file.tariffs))
    if not read:
        return file
    update = {
        "household": with_dates(file.household, read),
        "tariffs": tuple(with_dates(each, read) for each in file.tariffs),
    }
    return file.model_copy(update=update)


@dataclass(frozen=True)
class FileKind(Generic[_Part]):
    """A kind of file, such as the household file.

    Attributes
    ----------
    phrase : str
        The kind in words, such as ``"a household file"``.
    model : type of Model
        The model of the whole file.
    words : callable
        From the data to the replacements for names in braces in messages.
    problems : callable
        From the data and the context of the validation to the broken rules between the parts that
        are valid in themselves.
    """

    phrase: str
    model: type[_Part]
    words: Callable[[dict[str, Any]], dict[str, str]]
    problems: Callable[[dict[str, Any], dict[str, Any]], Iterable[KeyProblem]]


def load_file(path: Path, kind: FileKind[_Part]) -> _Part:
    """Read and check a file of any kind.

    Parameters
    ----------
    path : Path
        The YAML file.
    kind : FileKind
        The kind that it should be.

    Returns
    -------
    Model
        Consistent in itself.

    Raises
    ------
    FileError
        Every fault of the file, each with line and column.
    """
    tree = read_yaml(read_text(path, kind.phrase, _MOST_BYTES))
    context = {"directory": path.parent}
    flaws = tree.flaws
    try:
        file = kind.model.model_validate(tree.data, context=context)
        if not flaws:
            return file
    except ValidationError as error:
        flaws = list(_all_flaws(tree, error, kind, context))
    raise FileError(
        Fault(str(path), spot.line, spot.column, printable(text)) for spot, text in flaws
    )


def _all_flaws(
    tree: Tree, error: ValidationError, kind: FileKind[Any], context: dict[str, Any]
) -> Iterator[Flaw]:
    yield from tree.flaws
    if isinstance(tree.data, NoValue) and tree.flaws:
        return
    if not isinstance(tree.data, dict):
        fields = kind.model.model_fields.items()
        wanted = ", ".join(name for name, field in fields if field.is_required())
        spot = tree.values[()]
        yield spot, f"expected the keys {wanted}; got {spot.shown}"
        return
    translator = Translator(tree, kind.words(tree.data), kind.model)
    yield from translator.errors(error)
    if any(detail["loc"] for detail in error.errors(include_url=False)):
        yield from map(translator.problem, kind.problems(tree.data, context))


def currency_in(home: dict[str, object]) -> str:
    """Return the file's currency, or words for it if the file has no valid one."""
    code = home.get("currency")
    return code if isinstance(code, str) and code in CURRENCIES else "the household's currency"


def _words(data: dict[str, Any]) -> dict[str, str]:
    return {"currency": currency_in(keys_below(data, "household"))}


def _problems(data: dict[str, Any], context: dict[str, Any]) -> tuple[KeyProblem, ...]:
    home = _valid(Household, data, "household", context)
    data = with_marked_points(data)
    points, vehicles = keys_below(data, "charge_points"), keys_below(data, "vehicles")
    parts = Parts(
        known_load=home.known_load if home is not None else (),
        seasons=home.seasons if home is not None else None,
        special_days=home.special_days if home is not None else None,
        tariffs=valid_parts(Tariff, entries_of(data, "tariffs"), context),
        departures=valid_parts(Departure, entries_of(data, "departures"), context),
        charge_points=valid_parts(ChargePoint, points, context),
        vehicles=valid_parts(Vehicle, vehicles, context),
        calendars=valid_parts(EventCalendar, keys_below(data, "calendars"), context),
        charge_point_names=frozenset(points),
        vehicle_names=frozenset(vehicles),
        tariff_names=frozenset(texts_of(entries_of(data, "tariffs"), "name").values()),
        tariffs_named={name: _names_in(part) for name, part in points.items()},
        charge_point_of=texts_of(vehicles, "charge_point"),
        vehicle_of=texts_of(entries_of(data, "departures"), "vehicle"),
        fuse_by_phase=home.fuse_by_phase if home is not None else {},
        phases=home.phases if home is not None else PHASES,
        max_unbalance_amps=home.max_unbalance_amps if home is not None else None,
        max_power_kw=home.max_power_kw if home is not None else None,
        nominal_volts=home.nominal_volts if home is not None else 0.0,
        public_holidays="public_holidays" in keys_below(data, "household"),
        ocpp_listens="ocpp" in data,
        knows_certificates="client_ca_file" in keys_below(data, "ocpp"),
        has_load_meter="load_meter" in keys_below(data, "household"),
        has_generation="generation" in data,
        announce=_valid(Announce, data, "announce", context),
        doors={
            key: _valid(model, data, key, context)
            for key, model in _DOORS.items()
            if data.get(key) is not None
        },
    )
    return problems_of(parts)


_DOORS: dict[str, type[Bus | Page | OcppListener]] = {
    "bus": Bus,
    "page": Page,
    "ocpp": OcppListener,
}


def _valid(
    model: type[_Part], data: dict[str, Any], key: str, context: dict[str, Any]
) -> _Part | None:
    """Return a part at the top of the file; None if it is missing or invalid."""
    return valid_parts(model, {key: data.get(key)}, context).get(key)


_HOUSEHOLD = FileKind("a household file", HouseholdFile, _words, _problems)


def _names_in(part: object) -> tuple[str, ...]:
    """Return the tariffs that a charge point names, valid or not."""
    named = part.get("tariff") if isinstance(part, dict) else None
    names = named if isinstance(named, list) else [named]
    return tuple(name for name in names if isinstance(name, str))


def entries_of(data: dict[str, Any], key: str) -> dict[int, object]:
    """Return the entries of a list by index; none if the key holds no list."""
    value = data.get(key)
    return dict(enumerate(value)) if isinstance(value, list) else {}


def keys_below(data: dict[str, Any], key: str) -> dict[str, object]:
    """Return the keys below a key, with their values; none if it holds none."""
    value = data.get(key)
    return value if isinstance(value, dict) else {}


def texts_of(raw: dict[_Key, object], key: str) -> dict[_Key, str]:
    """Collect the value of one key from many parts, if it is a text."""
    parts = {name: part for name, part in raw.items() if isinstance(part, dict)}
    return {name: part[key] for name, part in parts.items() if isinstance(part.get(key), str)}


def valid_parts(
    model: type[_Part], raw: dict[_Key, object], context: dict[str, Any]
) -> dict[_Key, _Part]:
    """Return the parts that are valid in themselves."""
    valid: dict[_Key, _Part] = {}
    for key, value in raw.items():
        try:
            valid[key] = model.model_validate(value, context=context)
        except ValidationError:
            continue
    return valid
