"""Say what a disk may hold after a power cut, by what was written and synced before it."""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import count
from typing import Final

from tests.crash_images.recording import Cut, Deed, Made, Removed, Said, Synced, Wrote

SECTOR: Final = 512
MOST_PREFIXES: Final = 64
SUBSETS: Final = 64
TORN: Final = 16

Files = Mapping[str, bytes]
Write = Wrote | Cut
NameChange = tuple[str, int | None]
"""A name, and the file that it leads to from then on; None if it was removed."""


@dataclass(frozen=True)
class Image:
    """What a power cut may leave.

    Attributes
    ----------
    files : mapping of str to bytes
        By name.
    steps : int
        How many steps the process had said to be done.
    kind : str
        How it was made: ``"nothing"``, ``"all"``, ``"prefix"``, ``"one missing"``, ``"subset"``,
        ``"torn"``.
    """

    files: Files
    steps: int
    kind: str


@dataclass
class Disk:
    """What is on the disk for certain, and what waits to be.

    Attributes
    ----------
    names : dict
        The names that a sync of the folder has kept, each with the number of its file.
    contents : dict
        The synced content of each file.
    pending : list
        Writes that no sync has kept, in order, each with the number of its file.
    renamed : list
        Changes of names that no sync has kept, in order.
    """

    names: dict[str, int] = field(default_factory=dict)
    contents: dict[int, bytearray] = field(default_factory=dict)
    pending: list[tuple[int, Write]] = field(default_factory=list)
    renamed: list[NameChange] = field(default_factory=list)

    def number_of(self, name: str) -> int:
        """Return the file that a name leads to now, for a process that still runs."""
        return _renamed(self.names, self.renamed)[name]

    def sync(self, name: str) -> None:
        """Keep a file's content; without a name, keep all names."""
        if not name:
            self.names, self.renamed = _renamed(self.names, self.renamed), []
            return
        number = self.number_of(name)
        for each, write in self.pending:
            if each == number:
                _apply(self.contents[number], write)
        self.pending = [each for each in self.pending if each[0] != number]

    def files(self, names: Sequence[NameChange], writes: Sequence[tuple[int, Write]]) -> Files:
        """Return the files if of what waits only this came to the disk."""
        contents = dict(self.contents)
        for number, write in writes:
            if contents[number] is self.contents[number]:
                contents[number] = bytearray(contents[number])
            _apply(contents[number], write)
        return {
            name: bytes(contents[number]) for name, number in _renamed(self.names, names).items()
        }


def images(deeds: Sequence[Deed], start: Files, seed: int) -> Iterator[Image]:
    """List what a power cut before each sync, and after the last deed, may leave.

    Parameters
    ----------
    deeds : sequence
        What the process did.
    start : mapping of str to bytes
        The files before; all of it is on the disk.
    seed : int
        Of the subsets and the torn writes.

    Yields
    ------
    Image
        Also such as were there before.
    """
    disk, steps, numbers = Disk(), 0, count()
    for name, content in start.items():
        disk.names[name] = number = next(numbers)
        disk.contents[number] = bytearray(content)
    chance = random.Random(seed)
    for deed in deeds:
        match deed:
            case Said():
                steps = deed.steps
            case Made():
                number = next(numbers)
                disk.contents[number] = bytearray()
                disk.renamed.append((deed.name, number))
            case Removed():
                disk.renamed.append((deed.name, None))
            case Wrote() | Cut():
                disk.pending.append((disk.number_of(deed.name), deed))
            case Synced():
                yield from _after_a_cut(disk, steps, chance)
                disk.sync(deed.name)
    yield from _after_a_cut(disk, steps, chance)


def _after_a_cut(disk: Disk, steps: int, chance: random.Random) -> Iterator[Image]:
    writes, names = disk.pending, disk.renamed
    for kept in range(len(names) + 1):
        # Names come to the disk in order (a journal of the file system), contents as they like.
        known = names[:kept]
        for kind, chosen in _choices(writes, chance):
            yield Image(disk.files(known, chosen), steps, kind)


def _choices(
    writes: list[tuple[int, Write]], chance: random.Random
) -> Iterator[tuple[str, list[tuple[int, Write]]]]:
    yield "nothing", []
    if not writes:
        return
    yield "all", writes
    places = range(1, len(writes))
    if len(writes) > MOST_PREFIXES:
        places = sorted(chance.sample(places, MOST_PREFIXES))  # type: ignore[assignment]
    for place in places:
        yield "prefix", writes[:place]
    for place in places:
        yield "one missing", writes[:place] + writes[place + 1 :]
    yield "one missing", writes[1:]
    for _ in range(SUBSETS if len(writes) > 1 else 0):
        yield "subset", [each for each in writes if chance.random() < 0.5]
    sectors = [(number, part) for number, write in writes for part in _sectors(write)]
    for _ in range(TORN if len(sectors) > 1 else 0):
        share = chance.random()
        yield "torn", [each for each in sectors if chance.random() < share]


def _sectors(write: Write) -> Iterator[Write]:
    """Split a write where the sectors of the disk end."""
    if isinstance(write, Cut):
        yield write
        return
    place, end = write.offset, write.offset + len(write.content)
    while place < end:
        next_place = min(end, (place // SECTOR + 1) * SECTOR)
        part = write.content[place - write.offset : next_place - write.offset]
        yield Wrote(write.name, place, part)
        place = next_place


def _apply(content: bytearray, write: Write) -> None:
    if isinstance(write, Cut):
        if write.length < len(content):
            del content[write.length :]
        content.extend(bytes(write.length - len(content)))
        return
    content.extend(bytes(max(write.offset - len(content), 0)))
    content[write.offset : write.offset + len(write.content)] = write.content


def _renamed(names: Mapping[str, int], changes: Sequence[NameChange]) -> dict[str, int]:
    known = dict(names)
    for name, number in changes:
        known.pop(name, None)
        if number is not None:
            known[name] = number
    return known
