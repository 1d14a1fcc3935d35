"""Read the table of fields, `fields.toml`."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

CURRENCY = "CUR"
"""Stands in units for the currency of the household."""


@dataclass(frozen=True, slots=True)
class Field:
    """One figure of a report.

    Attributes
    ----------
    name : str
        Its key in JSON, and its column in CSV.
    kind : str
        What it is, such as ``"number"``; ``"list"`` or ``"object"`` of a section.
    unit : str
        Empty if it has none.
    meaning, source : str
        In plain words: what it says, and where it is from.
    section : str
        The fields of each item, for a list or an object.
    nullable : bool
        Whether it may be null.
    required : bool
        Whether it is always there.
    words : str
        What a column of it is called, if that is not its name.
    """

    name: str
    kind: str
    unit: str
    meaning: str
    source: str
    section: str = ""
    nullable: bool = False
    required: bool = True
    words: str = ""

    def unit_in(self, currency: str) -> str:
        """Return the unit, in the currency given."""
        return self.unit.replace(CURRENCY, currency)


@cache
def fields_of(section: str) -> Mapping[str, Field]:
    """Return the fields of a section by name, in the order of the table.

    Parameters
    ----------
    section : str
        Such as ``"night"``.

    Returns
    -------
    mapping of str to Field
        Those of a section that adds to the sums of a month come after these.
    """
    own = {name: _field(name, *values) for name, values in _table()[section].items()}
    return _shared(section) | own


def _shared(section: str) -> dict[str, Field]:
    """Return the sums of a month, of which some sections say more."""
    if section not in {"month", "home_month", "trend_month"}:
        return {}
    sums = dict(fields_of("sums"))
    if section == "home_month":  # a home that can't be read has none of them
        sums = {name: replace(each, nullable=name != "household") for name, each in sums.items()}
    if section == "trend_month":
        del sums["household"]
    return sums


@cache
def _table() -> Mapping[str, Mapping[str, list[str]]]:
    text = files("daemon.fields").joinpath("fields.toml").read_text("utf-8")
    return tomllib.loads(text)


def _field(name: str, kind: str, unit: str, *texts: str) -> Field:
    what, _, section = kind.partition(" of ")
    return Field(
        name,
        what.strip("~?"),
        unit,
        meaning=texts[0],
        source=texts[1],
        section=section,
        nullable=what.endswith("?"),
        required=not what.startswith("~"),
        words="".join(texts[2:]),
    )
