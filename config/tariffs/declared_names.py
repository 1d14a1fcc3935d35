"""Tell the names that a tariff declares apart from mistakes, where its bands list them.

A band knows nothing of its tariff. So a tariff marks each name of a special day or a season in the
data of its bands before they are checked; any other text there is an error of the band.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from config.calendar.day_kinds import DeclaredName
from config.fields.key_problems import KeyProblem

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from config.calendar.date_sets import DateSet
    from config.calendar.tables import Timed
    from config.tariffs.components import Percentage

_DECLARED_IN = {"days": "special_days", "months": "seasons"}
"""The key that declares the names which a key of a band may list."""


def with_marked_names(data: object) -> object:
    """Mark the names of special days and seasons in the data of a tariff.

    Parameters
    ----------
    data : object
        What stands in the file where a tariff should.

    Returns
    -------
    object
        The same, with `DeclaredName` for each name that a band, or a percentage, may list.
    """
    if not isinstance(data, dict):
        return data
    names = {key: _names(data.get(source)) for key, source in _DECLARED_IN.items()}
    if not any(names.values()):
        return data
    marked = _marked_parts(data, names)
    if isinstance(sold := data.get("export_rate"), dict):
        marked["export_rate"] = _marked_parts(sold, names)
    return marked


def _marked_parts(data: dict[str, Any], names: Mapping[str, frozenset[str]]) -> dict[str, Any]:
    marked = dict(data)
    for key in ("bands", "percentages"):
        marked[key] = _marked_entries(data.get(key), names)
    components = data.get("components")
    if isinstance(components, list):
        marked["components"] = [
            {**each, "bands": _marked_entries(each["bands"], names)}
            if isinstance(each, dict) and "bands" in each
            else each
            for each in components
        ]
    return {key: value for key, value in marked.items() if key in data}


def _names(sets: object) -> frozenset[str]:
    entries = sets if isinstance(sets, list | tuple) else ()
    found = (each.get("name") if isinstance(each, dict) else None for each in entries)
    return frozenset(name for name in found if isinstance(name, str))


def _marked_entries(entries: object, names: Mapping[str, frozenset[str]]) -> object:
    if not isinstance(entries, list):
        return entries
    return [_marked(each, names) if isinstance(each, dict) else each for each in entries]


def _marked(entry: dict[str, Any], names: Mapping[str, frozenset[str]]) -> dict[str, Any]:
    marked = dict(entry)
    for key, known in names.items():
        if isinstance(values := entry.get(key), list):
            marked[key] = [
                DeclaredName(value) if isinstance(value, str) and value in known else value
                for value in values
            ]
    return marked


def unlisted_problems(
    special_days: Sequence[DateSet] | None,
    seasons: Sequence[DateSet] | None,
    bands: Iterable[Timed],
    percentages: Iterable[Percentage],
) -> Iterator[KeyProblem]:
    """Find special days and seasons that nothing lists: their name is mistyped somewhere.

    Parameters
    ----------
    special_days, seasons : sequence of DateSet or None
        What the tariff declares.
    bands : iterable of Timed
        All of its bands.
    percentages : iterable of Percentage
        Its percentages.

    Yields
    ------
    KeyProblem
        With paths from the tariff.
    """
    bands, percentages = tuple(bands), tuple(percentages)
    listed = {day for band in bands for day in band.days or ()}
    for place, each in enumerate(special_days or ()):
        if each.name not in listed:
            message = f'expected a band that lists "{each.name}" under days, got none'
            yield KeyProblem(("special_days", place, "name"), message)
    months = {month for band in bands for month in band.months or ()}
    months |= {month for percentage in percentages for month in percentage.months or ()}
    for place, each in enumerate(seasons or ()):
        if each.name not in months:
            message = f'expected a band that lists "{each.name}" under months, got none'
            yield KeyProblem(("seasons", place, "name"), message)
