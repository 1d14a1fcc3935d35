"""Choose what of a household file goes into an extract: what the account and an appraisal read.

It lists what may go. All else stays at home: addresses, broker, passwords, hardware, the departures
and every other sign of when somebody is there. Pure.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

LEDGER: Final = "ledger.sqlite3"
NO_BROKER: Final = "mqtt://127.0.0.1:1883"
"""A household file must name a broker; a received home's is never used."""
_HOUSEHOLD: Final = frozenset(
    {
        "name", "timezone", "currency", "nominal_volts", "public_holidays", "seasons",
        "special_days", "tick_minutes", "account_day",
    }
)  # fmt: skip
_TARIFF: Final = frozenset(
    {
        "name", "valid_from", "standing_charge", "in_hundredths", "tax_percent", "clock",
        "tiers_per", "usual_kwh", "seasons", "special_days", "announced", "bands", "prices",
        "components", "fees", "minimum_bill", "percentages", "capacity_charge",
    }
)  # fmt: skip
_POINT: Final = frozenset(
    {
        "charging_mode", "max_amps", "min_amps", "phases", "connected_to", "switching",
        "min_run_minutes", "min_rest_minutes", "start_cost", "tariff", "powered",
        "circuit_checked_by_electrician",
    }
)  # fmt: skip
_VEHICLE: Final = frozenset(
    {
        "charge_point", "usable_kwh", "chemistry", "everyday_limit_percent",
        "charging_efficiency_percent", "standby_watts", "max_amps", "phases", "taper",
        "kwh_per_100km", "km_per_kwh", "miles_per_kwh", "prefer",
    }
)  # fmt: skip
_DATES: Final = ("seasons", "special_days")
_FILES: Final = frozenset({"file", "fetch"})
"""Keys below a tariff that name files or servers; prices and announcements travel by themselves."""


def shared_part(data: Mapping[str, Any], dates_in: Callable[[str], list[str]]) -> dict[str, Any]:
    """Return what an extract holds of a household file.

    Parameters
    ----------
    data : mapping
        The data of a valid household file.
    dates_in : callable
        From the path of a file of dates, as it is written there, to its dates.

    Returns
    -------
    dict
        Mappings, lists, texts, numbers and booleans.
    """
    home = _only(data["household"], _HOUSEHOLD)
    return {
        "household": home | _dates(home, dates_in),
        "tariffs": [_tariff(each, dates_in) for each in data["tariffs"]],
        "charge_points": _each(data["charge_points"], _POINT),
        "vehicles": _each(data["vehicles"], _VEHICLE),
    }


def strange_keys(part: Mapping[str, Any]) -> list[str]:
    """List what an extract's part of a household file holds and must not."""
    expected = {"household", "tariffs", "charge_points", "vehicles"}
    if set(part) != expected or not _has_shape(part):
        return sorted(set(part) ^ expected) or ["household"]
    found = [*_beyond(part["household"], _HOUSEHOLD)]
    for each in part["tariffs"]:
        found += [*_beyond(each, _TARIFF), *_named(each, _FILES)]
    for key, allowed in (("charge_points", _POINT), ("vehicles", _VEHICLE)):
        for each in part[key].values():
            found += [*_beyond(each, allowed)]
    found += [*_named(part["household"], _FILES)]
    return sorted(set(found))


def _has_shape(part: Mapping[str, Any]) -> bool:
    kinds = {"household": dict, "tariffs": list, "charge_points": dict, "vehicles": dict}
    if not all(isinstance(part[key], kind) for key, kind in kinds.items()):
        return False
    points, vehicles = part["charge_points"].values(), part["vehicles"].values()
    return all(isinstance(each, dict) for each in (*part["tariffs"], *points, *vehicles))


def _only(data: Mapping[str, Any], allowed: frozenset[str]) -> dict[str, Any]:
    return {key: value for key, value in data.items() if key in allowed}


def _beyond(data: Mapping[str, Any], allowed: frozenset[str]) -> Iterable[str]:
    return (key for key in data if key not in allowed)


def _each(parts: Mapping[str, Any], allowed: frozenset[str]) -> dict[str, Any]:
    return {name: _only(part, allowed) for name, part in parts.items()}


def _tariff(data: Mapping[str, Any], dates_in: Callable[[str], list[str]]) -> dict[str, Any]:
    kept = _only(data, _TARIFF)
    return {key: _without_files(value) for key, value in (kept | _dates(kept, dates_in)).items()}


def _dates(
    data: Mapping[str, Any], dates_in: Callable[[str], list[str]]
) -> dict[str, list[dict[str, Any]]]:
    """Put the dates of a file in its place, in sets that name one."""
    return {key: [_dated(each, dates_in) for each in data[key]] for key in _DATES if data.get(key)}


def _dated(data: Mapping[str, Any], dates_in: Callable[[str], list[str]]) -> dict[str, Any]:
    if "file" not in data:
        return dict(data)
    rest = {key: value for key, value in data.items() if key != "file"}
    return rest | {"dates": [*data.get("dates", ()), *dates_in(data["file"])]}


def _without_files(value: Any) -> Any:  # noqa: ANN401 - whatever a tariff holds
    if isinstance(value, dict):
        return {k: _without_files(each) for k, each in value.items() if k not in _FILES}
    return [_without_files(each) for each in value] if isinstance(value, list) else value


def _named(value: Any, keys: frozenset[str]) -> Iterable[str]:  # noqa: ANN401 - whatever it holds
    """Find keys at any depth."""
    if isinstance(value, dict):
        for key, each in value.items():
            if key in keys:
                yield key
            yield from _named(each, keys)
    elif isinstance(value, list):
        for each in value:
            yield from _named(each, keys)


def as_file(part: Mapping[str, Any]) -> dict[str, Any]:
    """Make the data of a whole household file of an extract's part; it is to read, not to run."""
    return {**part, "departures": [], "bus": {"broker": NO_BROKER}, "ledger": {"path": LEDGER}}
