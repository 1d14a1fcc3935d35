"""List the licences of all packages installed with Lullwatt, and check that they are allowed.

``python -m tests.release.licences`` (or ``make licences``) writes LICENCES.md again. A package's
licence comes from its installed metadata; if that is prose, a table here translates it.
"""

from __future__ import annotations

import re
import sys
from importlib.metadata import distribution
from pathlib import Path
from typing import TYPE_CHECKING

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.release.building import ROOT, project

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from importlib.metadata import Distribution

PAGE = ROOT / "LICENCES.md"

ALLOWED = frozenset(
    "0BSD Apache-2.0 BSD BSD-2-Clause BSD-3-Clause CC0-1.0 ISC MIT MIT-0 MIT-CMU PSF-2.0"  # noqa: SIM905
    " PSF-based Zlib".split()
)
"""May be installed and distributed with Lullwatt: they only require their notice."""
ALLOWED_APART = {"zeroconf": "LGPL-2.1-or-later"}
"""May be installed beside Lullwatt as it comes, as an extra for a process of its own.

The LGPL asks that its source can be had and that whoever gets it may replace it: a package in an
environment is both. Nobody may copy from it, or put it into a program that is given away as one.
"""
ALLOWED_FOR_TESTS = ALLOWED | {"MPL-2.0", "GPL-3.0"}
"""May be used as programs beside Lullwatt, but never become part of it."""

_BY_CLASSIFIER = {
    "MIT License": "MIT",
    "BSD License": "BSD",
    "Apache Software License": "Apache-2.0",
    "ISC License (ISCL)": "ISC",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
    "Python Software Foundation License": "PSF-based",
}
_BY_WORDS = {
    "Apache 2.0": "Apache-2.0",
    "BSD 2-Clause License": "BSD-2-Clause",
    "BSD 3-Clause License": "BSD-3-Clause",
}
_BY_FIRST_LINE = {"The MIT License (MIT)": "MIT"}
_PAGE = """# Licences

Lullwatt is under the MIT licence ([LICENSE](LICENSE)). This is what is installed with it, as
`constraints.txt` pins it, by what each package says of itself. Made by `make licences`.

## With Lullwatt and its extras

{running}

zeroconf, of the extra `discovery`, is under the LGPL: it is installed as it comes, runs in a
process of its own (`lullwatt announce`), and may be replaced there by whoever has Lullwatt. Its
source is where pip gets it.

## With the extra fleet

{fleets}

## For the tests only

{tests}
"""
_NAME = re.compile(r"[A-Za-z0-9.-]+", re.ASCII)
_ALTERNATIVE = re.compile(r" OR ")


def licence_of(package: Distribution) -> str:
    """Return the licence of an installed package.

    Parameters
    ----------
    package : Distribution
        The package.

    Returns
    -------
    str
        An SPDX expression where it gives one; else one licence, or several joined by OR, by its
        classifiers or its own words.
    """
    metadata = package.metadata
    [expression, *_] = metadata.get_all("License-Expression") or [""]
    if expression:
        return str(expression)
    words = "\n".join(metadata.get_all("License") or []).splitlines()
    if len(words) == 1 and (words[0] in _BY_WORDS or _NAME.fullmatch(words[0])):
        return _BY_WORDS.get(words[0], words[0])
    named = [each.rpartition(" :: ")[2] for each in metadata.get_all("Classifier") or []
             if each.startswith("License :: ")]  # fmt: skip
    words_of_classifiers = sorted(_BY_CLASSIFIER.get(each, each) for each in named)
    return " OR ".join(words_of_classifiers) or _by_licence_file(package)


def _by_licence_file(package: Distribution) -> str:
    """Return the licence by the first line of the file that a package brings, if it is known."""
    files = [each for each in package.files or () if each.name in {"LICENSE", "LICENSE.txt"}]
    first = [file.read_text("utf-8").splitlines()[0].strip() for file in files]
    return _BY_FIRST_LINE.get(first[0], "unknown") if first else "unknown"


def is_allowed(expression: str, allowed: frozenset[str]) -> bool:
    """Return whether a licence is allowed: one of its alternatives, with all its AND parts.

    Parameters
    ----------
    expression : str
        Licences joined by OR and AND; AND binds closer, and there are no brackets.
    allowed : frozenset of str
        Those that will do.

    Returns
    -------
    bool
        False for anything that is not understood.
    """
    ways = [way.split(" AND ") for way in _ALTERNATIVE.split(expression)]
    return any(all(name in allowed for name in way) for way in ways)


def needed(requirements: Iterable[str]) -> set[str]:
    """Return all packages that some requirements need in this environment.

    Parameters
    ----------
    requirements : iterable of str
        As in pyproject.toml.

    Returns
    -------
    set of str
        Their names, in the form of the registry.
    """
    found: set[str] = set()
    open_: list[tuple[str, str]] = [*_named(requirements, "")]
    done: set[tuple[str, str]] = set()
    while open_:
        name, extra = open_.pop()
        if (name, extra) in done:
            continue
        done.add((name, extra))
        found.add(name)
        open_ += _named(distribution(name).requires or (), extra)
    return found


def _named(requirements: Iterable[str], extra: str) -> Iterator[tuple[str, str]]:
    for text in requirements:
        it = Requirement(text)
        if it.marker is None or it.marker.evaluate({"extra": extra}):
            for wanted in ("", *sorted(it.extras)):
                yield canonicalize_name(it.name), wanted


def for_running() -> set[str]:
    """Return the packages that may be installed with Lullwatt, with all extras but fleet."""
    table = project()
    extras = table["optional-dependencies"]
    return needed([*table["dependencies"], *(it for key in extras if key not in {"fleet", "test"}
                                             for it in extras[key])])  # fmt: skip


def for_fleets() -> set[str]:
    """Return the packages that only the extra fleet needs: large, and not for a home server."""
    return needed(project()["optional-dependencies"]["fleet"]) - for_running()


def for_tests() -> set[str]:
    """Return the packages that only the tests need."""
    return needed(project()["optional-dependencies"]["test"]) - for_running() - for_fleets()


def page() -> str:
    """Return the text of LICENCES.md.

    Returns
    -------
    str
        Markdown.
    """
    parts = {"running": for_running(), "fleets": for_fleets(), "tests": for_tests()}
    return _PAGE.format(**{name: "\n".join(_table(names)) for name, names in parts.items()})


def _table(names: Iterable[str]) -> Iterator[str]:
    yield "| package | version | licence |"
    yield "|---|---|---|"
    for name in sorted(names):
        package = distribution(name)
        yield f"| {name} | {package.version} | {licence_of(package)} |"


def main(target: Path = PAGE) -> None:
    """Write LICENCES.md."""
    target.write_text(page(), "utf-8")
    sys.stdout.write(f"{target.name}: written\n")


if __name__ == "__main__":
    main()
