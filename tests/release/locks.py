"""Read the constraints*.txt: what is installed, with the hash of every file."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from tests.release.building import ROOT

if TYPE_CHECKING:
    from collections.abc import Iterable

ALL, RUN, FLEET, BUILD, RELEASE = (
    f"constraints{end}.txt" for end in ("", "-run", "-fleet", "-build", "-release")
)
_ENTRY = re.compile(
    r"^(?P<name>[a-z0-9-]+)==(?P<version>\S+)(?: ; (?P<marker>.+?))?"
    r"(?P<hashes>(?: \\\n    --hash=sha256:[0-9a-f]{64})+)\n",
    re.MULTILINE,
)


@dataclass(frozen=True)
class Entry:
    """One package.

    Attributes
    ----------
    version : str
        The only one that may be installed.
    marker : str or None
        Where it is needed; None for everywhere.
    text : str
        Its lines.
    """

    version: str
    marker: str | None
    text: str


def locked(name: str = ALL) -> dict[str, Entry]:
    """Return the packages of a file, by name.

    Parameters
    ----------
    name : str
        One of the five files.

    Returns
    -------
    dict of str to Entry
        In its order.

    Raises
    ------
    ValueError
        If anything in it is no comment, and no package with one version and its hashes, or a
        package is there twice.
    """
    text = (ROOT / name).read_text("utf-8")
    rest = re.sub(r"^#.*\n", "", _ENTRY.sub("", text), flags=re.MULTILINE)
    if rest:
        raise ValueError(f"{name}: {rest.splitlines()[0]}")
    entries = {
        it["name"]: Entry(it["version"], it["marker"], it[0]) for it in _ENTRY.finditer(text)
    }
    if len(entries) != len(_ENTRY.findall(text)):
        raise ValueError(f"{name}: one package in two versions")
    return entries


def part_of(name: str, wanted: Iterable[str]) -> str:
    """Return the lines of some packages, for an environment that needs no more."""
    entries = locked(name)
    return "".join(entries[each].text for each in sorted(wanted))
