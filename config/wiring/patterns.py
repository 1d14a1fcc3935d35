"""Patterns of texts: plain text, with names in braces where values stand.

`P={power} W; E={energy} kWh; {}` describes a whole text: a name stands for a value, and `{}` for
anything. A place takes what comes before the next plain text, up to where that first occurs, so
that no text takes longer to read than its length allows. The same pattern can be filled in again.
Any run of blanks counts as one.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Annotated, Final

from pydantic import Field

from config.fields.value_types import Expected

LONGEST_TEXT: Final = 4000
"""Longer texts are not read by a pattern [characters]."""

_PLACE: Final = re.compile(r"\{([A-Za-z_][A-Za-z0-9_]*)?\}", re.ASCII)
_BLANKS: Final = re.compile(r"\s+")

Pattern = Annotated[
    str,
    Field(min_length=1, max_length=300),
    Expected('a text of 1 to 300 characters such as "P={power} W; {}"'),
]


@dataclass(frozen=True, slots=True)
class Places:
    """A pattern, taken apart.

    Attributes
    ----------
    literals : tuple of str
        The plain texts: before, between and after the places.
    names : tuple of str
        The names of the places; empty for `{}`.
    """

    literals: tuple[str, ...]
    names: tuple[str, ...]

    @property
    def touches(self) -> bool:
        """Whether two places touch, so that nobody can tell where one ends."""
        return any(not literal for literal in self.literals[1:-1])

    def read(self, text: str) -> list[tuple[str, str]] | None:
        """Return the names with what stands at each; None if the text is another one."""
        if len(text) > LONGEST_TEXT:
            return None
        text = _with_single_blanks(text)
        head, *middle = self.literals
        if not self.names:
            return [] if text == head else None
        *middle, tail = middle
        end = len(text) - len(tail)
        if not text.startswith(head) or not text.endswith(tail):
            return None
        found, at = [], len(head)
        for name, literal in zip(self.names, middle, strict=False):
            next_at = text.find(literal, at, end)
            if next_at < 0:
                return None
            found.append((name, text[at:next_at].strip()))
            at = next_at + len(literal)
        if at > end:
            return None
        found.append((self.names[-1], text[at:end].strip()))
        return [(name, value) for name, value in found if name]

    def fill(self, values: Mapping[str, str]) -> str:
        """Write the text with a value at each name, and nothing at `{}`."""
        filled = [literal + values.get(name, "") for literal, name in self._pairs()]
        return "".join(filled) + self.literals[-1]

    def _pairs(self) -> zip[tuple[str, str]]:
        return zip(self.literals[:-1], self.names, strict=True)


@lru_cache(maxsize=256)
def places_of(pattern: str) -> Places:
    """Take a pattern apart.

    Parameters
    ----------
    pattern : str
        Such as ``"P={power} W; {}"``.

    Returns
    -------
    Places
        Its plain texts and its places. Braces around anything else are plain text.
    """
    parts = _PLACE.split(_with_single_blanks(pattern))
    return Places(tuple(parts[::2]), tuple(name or "" for name in parts[1::2]))


def _with_single_blanks(text: str) -> str:
    return _BLANKS.sub(" ", text).strip()
