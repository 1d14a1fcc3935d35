"""Cut a calendar into its components, line by line, before anything interprets them.

What is cut away is never parsed: of a calendar of thousands of events only a few matter here, and
the others are private.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

_OF_COMPONENT: Final = 2  # the depth below the calendar itself
MOST_LINES: Final = 20_000
"""Of one component."""
MOST_PROPERTIES: Final = 100
"""Of the calendar itself."""
MOST_TEXT: Final = 2_000
"""How much of a title is read, and of categories."""

_PARAMETERS = re.compile(r'(?:;[^:;"]*(?:"[^"]*"[^:;"]*)*)*')
_ESCAPES = re.compile(r"\\([\\;,nN])")
KEPT: Final = frozenset(
    [
        "UID", "DTSTAMP", "DTSTART", "DTEND", "DURATION", "RRULE", "RDATE", "EXDATE",
        "RECURRENCE-ID", "SUMMARY", "CATEGORIES", "STATUS", "SEQUENCE",
    ]
)  # fmt: skip
"""The properties of an event that say when a vehicle leaves, and why; no others are kept."""


class CalendarFault(Exception):  # noqa: N818 - it says what it is
    """The whole calendar can't be read; the text says why, and what was expected."""


@dataclass(frozen=True)
class Component:
    """A component that stands directly in the calendar, such as an event or a time zone.

    Attributes
    ----------
    kind : str
        Such as ``"VEVENT"``.
    line : int
        The line on which it begins.
    lines : tuple of str
        Its unfolded lines, with its first and its last.
    """

    kind: str
    line: int
    lines: tuple[str, ...]

    @cached_property
    def _values(self) -> dict[str, list[str]]:
        found: dict[str, list[str]] = {}
        for line in own_lines(self.lines):
            name, _parameters, value = split(line)
            found.setdefault(name, []).append(value)
        return found

    def text(self, name: str) -> str:
        """Return the beginning of a property as text; empty if there is none."""
        return unescaped(self._values.get(name, [""])[0][:MOST_TEXT])

    @property
    def categories(self) -> tuple[str, ...]:
        """Its categories."""
        raw = self._values.get("CATEGORIES", ())
        parts = (part for value in raw for part in re.split(r"(?<!\\),", value[:MOST_TEXT]))
        return tuple(unescaped(part).strip() for part in parts)

    @property
    def kept_lines(self) -> tuple[str, ...]:
        """Its lines without properties that do not matter here, such as who comes and where."""
        return tuple(line for line in own_lines(self.lines) if split(line)[0] in KEPT)

    @property
    def untitled_lines(self) -> tuple[str, ...]:
        """The same without its title and its categories."""
        private = {"SUMMARY", "CATEGORIES"}
        return tuple(line for line in self.kept_lines if split(line)[0] not in private)

    @cached_property
    def zones(self) -> frozenset[str]:
        """The time zones that its lines name."""
        found = (re.findall(r';TZID="?([^":;,]+)', line) for line in self.lines)
        return frozenset(zone for zones in found for zone in zones)


def components_of(raw: bytes) -> tuple[tuple[str, ...], tuple[Component, ...]]:
    """Cut a calendar into its own properties and its components.

    Parameters
    ----------
    raw : bytes
        The file, or an answer.

    Returns
    -------
    properties : tuple of str
        Lines of the calendar itself.
    components : tuple of Component
        In the order of the file.

    Raises
    ------
    CalendarFault
        If it is no calendar, or is cut off.
    """
    cutter = _Cutter()
    is_first = True
    for number, line in _unfolded(raw):
        if is_first and line.strip().upper() != "BEGIN:VCALENDAR":
            break
        cutter.take(number, line)
        is_first = False
    if is_first:
        raise CalendarFault("expected a calendar (BEGIN:VCALENDAR on the first line)")
    if cutter.depth:
        raise CalendarFault("it is cut off: expected END:VCALENDAR on the last line")
    return tuple(cutter.properties), tuple(cutter.found)


class _Cutter:
    """Takes the lines of calendars, and collects what stands directly in them."""

    def __init__(self) -> None:
        self.properties: list[str] = []
        self.found: list[Component] = []
        self.depth = 0
        self._inside: list[str] = []
        self._begun = 0

    def take(self, number: int, line: str) -> None:
        word, ends = line[:6].upper(), line[:4].upper() == "END:"
        if word == "BEGIN:":
            self.depth += 1
            if self.depth == _OF_COMPONENT:
                self._inside, self._begun = [], number
        if self.depth >= _OF_COMPONENT:
            if len(self._inside) < MOST_LINES:
                self._inside.append(line)
        elif word != "BEGIN:" and not ends and len(self.properties) < MOST_PROPERTIES:
            self.properties.append(line)
        if ends:
            self._end(number, line)

    def _end(self, number: int, line: str) -> None:
        if self.depth == 0:
            raise CalendarFault(f"line {number}: expected BEGIN before this END")
        if self.depth == _OF_COMPONENT:
            kind = line.partition(":")[2].strip().upper()
            self.found.append(Component(kind, self._begun, tuple(self._inside)))
        self.depth -= 1


def own_lines(lines: Iterable[str]) -> Iterator[str]:
    """Give the lines of a component without those of others in it, such as alarms."""
    depth = 0
    for line in lines:
        word = line[:6].upper()
        if word == "BEGIN:":
            depth += 1
        elif word.startswith("END:"):
            depth -= 1
        elif depth == 1:
            yield line


def split(line: str) -> tuple[str, str, str]:
    """Split a line into its name, its parameters and its value."""
    name = re.match(r"[A-Za-z0-9-]+", line)
    if name is None:
        return "", "", ""
    parameters = _PARAMETERS.match(line, name.end())
    end = name.end() if parameters is None else parameters.end()
    return name[0].upper(), line[name.end() : end], line[end + 1 :]


def unescaped(value: str) -> str:
    r"""Return a value of type TEXT without its escapes (RFC 5545 section 3.3.11)."""
    return _ESCAPES.sub(lambda found: "\n" if found[1] in "nN" else found[1], value)


def folded_lines(lines: Iterable[str]) -> bytes:
    """Write content lines: folded at 75 octets, each ended by CRLF (RFC 5545 section 3.1)."""
    return b"".join(_folded(line) for line in lines)


_MOST_OCTETS = 75
_IS_CONTINUED, _CONTINUED = 0xC0, 0x80  # the first two bits of an octet within a character


def _folded(line: str) -> bytes:
    out, octets = [], line.encode()
    begins, room = 0, _MOST_OCTETS
    while len(octets) - begins > room:
        ends = begins + room
        while octets[ends] & _IS_CONTINUED == _CONTINUED:
            ends -= 1
        out.append(octets[begins:ends])
        begins, room = ends, _MOST_OCTETS - 1
    out.append(octets[begins:])
    return b"\r\n ".join(out) + b"\r\n"


def _unfolded(raw: bytes) -> Iterator[tuple[int, str]]:
    """Give the content lines, each with its number; a folded one may be cut within a character."""
    held: list[bytes] = []
    begun = 1
    lines = raw.removeprefix(b"\xef\xbb\xbf").replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    for number, line in enumerate([*lines.split(b"\n"), b""], 1):
        if line[:1] in {b" ", b"\t"}:
            held.append(line[1:])
            continue
        if whole := b"".join(held).rstrip():
            yield begun, _text(whole, begun)
        held, begun = [line], number


def _text(line: bytes, number: int) -> str:
    try:
        return line.decode()
    except UnicodeDecodeError:
        raise CalendarFault(f"line {number}: expected UTF-8") from None
