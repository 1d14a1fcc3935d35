"""Tell the names of declared special days and seasons apart from mistakes, where they are listed.

What lists them, such as a band, knows nothing of what declares them. So each name is marked in the
data before it is checked; any other text there is an error of the band.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

from config.calendar.day_kinds import DeclaredName
from config.fields.key_problems import KeyProblem

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from config.calendar.date_sets import DateSet

_DECLARED_IN = {"days": "special_days", "months": "seasons"}
"""The key that declares the names which a key of a band may list."""


class Lists(Protocol):
    """Anything that may list seasons under months."""

    @property
    def months(self) -> Sequence[int | str] | None:
        """Months and seasons."""


def with_marked_tariff(data: object) -> object:
    """Mark the names of special days and seasons in the data of a tariff.

    Parameters
    ----------
    data : object
        What stands in the file where a tariff should.

    Returns
    -------
    object
        The same, with `DeclaredName` for each name that a band, a percentage or a capacity charge
        may list.
    """
    names = declared_in(data)
    if not isinstance(data, dict) or not names:
        return data
    marked = _marked_rates(data, names)
    if isinstance(charge := data.get("capacity_charge"), dict):
        marked["capacity_charge"] = _marked(charge, names)
    if isinstance(sold := data.get("export_rate"), dict):
        marked["export_rate"] = _marked_rates(sold, names)
    return marked


def _marked_rates(data: dict[str, Any], names: Mapping[str, frozenset[str]]) -> dict[str, Any]:
    marked = marked_lists(data, ("bands", "percentages"), names)
    if isinstance(components := data.get("components"), list):
        marked["components"] = [
            marked_lists(each, ("bands",), names) if isinstance(each, dict) else each
            for each in components
        ]
    return marked


def with_marked_points(data: dict[str, Any]) -> dict[str, Any]:
    """Mark the names of special days and seasons in the charge points of a household file.

    Parameters
    ----------
    data : dict
        The whole file.

    Returns
    -------
    dict
        The same, with `DeclaredName` for each name of the household that ``powered`` may list.
    """
    points, names = data.get("charge_points"), declared_in(data.get("household"))
    if not isinstance(points, dict) or not names:
        return data
    marked = {
        name: marked_lists(each, ("powered",), names) if isinstance(each, dict) else each
        for name, each in points.items()
    }
    return {**data, "charge_points": marked}


def declared_in(data: object) -> dict[str, frozenset[str]]:
    """Return the names that a part of a file declares, by the key that lists them; empty if none.

    Parameters
    ----------
    data : object
        What stands in the file.

    Returns
    -------
    dict
        By ``"days"`` and ``"months"``.
    """
    if not isinstance(data, dict):
        return {}
    names = {key: _names(data.get(source)) for key, source in _DECLARED_IN.items()}
    return names if any(names.values()) else {}


def marked_lists(
    data: dict[str, Any], keys: Iterable[str], names: Mapping[str, frozenset[str]]
) -> dict[str, Any]:
    """Mark declared names in lists of entries.

    Parameters
    ----------
    data : dict
        A part of a file.
    keys : iterable of str
        The keys of the lists.
    names : mapping
        From `declared_in`.

    Returns
    -------
    dict
        A copy.
    """
    marked = dict(data)
    for key in keys:
        if isinstance(entries := data.get(key), list):
            marked[key] = [_marked(e, names) if isinstance(e, dict) else e for e in entries]
    return marked


def _names(sets: object) -> frozenset[str]:
    entries = sets if isinstance(sets, list | tuple) else ()
    found = (each.get("name") if isinstance(each, dict) else None for each in entries)
    return frozenset(name for name in found if isinstance(name, str))


def _marked(entry: dict[str, Any], names: Mapping[str, frozenset[str]]) -> dict[str, Any]:
    marked = dict(entry)
    for key, known in (*names.items(), ("not_on", names["days"])):
        if isinstance(values := entry.get(key), list):
            marked[key] = [
                DeclaredName(value) if isinstance(value, str) and value in known else value
                for value in values
            ]
    return marked


def unlisted_problems(
    special_days: Sequence[DateSet] | None,
    seasons: Sequence[DateSet] | None,
    listing: tuple[Iterable[Sequence[str] | None], Iterable[Lists]],
    what: str = "a band",
) -> Iterator[KeyProblem]:
    """Find special days and seasons that nothing lists: their name is mistyped somewhere.

    Parameters
    ----------
    special_days, seasons : sequence of DateSet or None
        What is declared.
    listing : tuple of two iterables
        The days of all that may list days, and all that may list months.
    what : str
        What is expected to list them.

    Yields
    ------
    KeyProblem
        With paths from what declares them.
    """
    days = {day for each in listing[0] for day in each or ()}
    months = {month for each in listing[1] for month in each.months or ()}
    listed = (("special_days", special_days, days, "days"), ("seasons", seasons, months, "months"))
    for key, sets, found, under in listed:
        for place, each in enumerate(sets or ()):
            if each.name not in found:
                message = f'expected {what} that lists "{each.name}" under {under}, got none'
                yield KeyProblem((key, place, "name"), message)
