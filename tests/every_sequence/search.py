"""Search all sequences of happenings, the short ones first, and find the shortest that is wrong."""

from __future__ import annotations

import random
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Generic, NamedTuple, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

WorldT = TypeVar("WorldT")

MOST_TWINS = 60


class Wrong(NamedTuple):
    """What is wrong, and the shortest sequence of happenings that leads there."""

    what: str
    names: tuple[str, ...]


class Rules(NamedTuple, Generic[WorldT]):
    """What is searched.

    Attributes
    ----------
    move : callable
        Lets something happen: gives the world after it, or None if it can't happen, and what is
        wrong then.
    key_of : callable
        Gives the same bytes for worlds that will behave alike.
    wrong_in : callable
        Says what is wrong with a world by itself, however it was reached; asked once for all that
        behave alike.
    """

    move: Callable[[WorldT, str], tuple[WorldT | None, str | None]]
    key_of: Callable[[WorldT], bytes]
    wrong_in: Callable[[WorldT], str | None]

    def replayed(self, start: WorldT, names: Sequence[str]) -> WorldT | None:
        """Let things happen in turn; None if one of them can't."""
        world: WorldT | None = start
        for name in names:
            world = self.move(world, name)[0] if world is not None else None
        return world


@dataclass
class Found(Generic[WorldT]):
    """What a search has seen.

    Attributes
    ----------
    states : list of int
        How many worlds are first reached by so many happenings.
    transitions : int
        How many happenings were tried.
    seconds : float
        The processor's time.
    wrong : Wrong or None
        The shortest sequence that breaks something.
    others : dict of str to tuple
        Everything that is wrong, each by its shortest sequence, if the search went on.
    twins : list of tuple
        Some pairs of sequences that lead to one key.
    worlds : list
        Some of the worlds that were reached.
    """

    states: list[int] = field(default_factory=list)
    transitions: int = 0
    seconds: float = 0.0
    wrong: Wrong | None = None
    others: dict[str, tuple[str, ...]] = field(default_factory=dict)
    twins: list[tuple[tuple[str, ...], tuple[str, ...]]] = field(default_factory=list)
    worlds: list[tuple[tuple[str, ...], WorldT]] = field(default_factory=list)


Reached = dict[bytes, tuple[bytes, str] | None]
"""By the key of a world: the key before it, and what happened."""


def search(
    start: WorldT,
    names: Sequence[str],
    depth: int,
    rules: Rules[WorldT],
    *,
    seconds: float = float("inf"),
    goes_on: bool = False,
    kept: int = 0,
    most_twins: int = MOST_TWINS,
) -> Found[WorldT]:
    """Try every sequence of so many happenings from a start.

    Parameters
    ----------
    start : WorldT
        Where it begins.
    names : sequence of str
        What may happen.
    depth : int
        The longest sequence.
    rules : Rules
        How things happen, and what must hold.
    seconds : float
        Give up the length that is being tried after so much of the processor's time.
    goes_on : bool
        Whether to list everything that is wrong, instead of ending at the first.
    kept : int
        Keep the worlds that are reached by so many happenings or fewer.
    most_twins : int
        Keep so many pairs of sequences that lead to one key.

    Returns
    -------
    Found
        `states` has only the lengths that were tried wholly.
    """
    found: Found[WorldT] = Found()
    begun, first = time.process_time(), rules.key_of(start)
    tree: _Tree[WorldT] = _Tree(found, {first: None}, most_twins)
    frontier = [(first, start)]
    for length in range(1, depth + 1):
        tree.following, tree.count = [], 0
        tree.is_last = length == depth and length > kept
        for key, world in frontier:
            found.seconds = time.process_time() - begun
            if found.seconds > seconds:
                return found
            for name in names:
                found.transitions += 1
                wrong = tree.move(key, world, name, rules)
                if wrong is None:
                    continue
                path = (*_path(tree.reached, key), name)
                if not goes_on:
                    found.wrong = Wrong(wrong, path)
                    return found
                found.others.setdefault(wrong, path)
        frontier = tree.following
        found.states.append(tree.count)
        if length <= kept:
            found.worlds += [(_path(tree.reached, key), world) for key, world in frontier]
    found.seconds = time.process_time() - begun
    return found


@dataclass
class _Tree(Generic[WorldT]):
    """How each world was first reached."""

    found: Found[WorldT]
    reached: Reached
    most_twins: int
    is_last: bool = False
    count: int = 0
    following: list[tuple[bytes, WorldT]] = field(default_factory=list)
    merged: int = 0
    chance: random.Random = field(default_factory=lambda: random.Random(1))

    def move(self, key: bytes, world: WorldT, name: str, rules: Rules[WorldT]) -> str | None:
        """Let something happen in a world, and say what is wrong then."""
        after, wrong = rules.move(world, name)
        return wrong if wrong or after is None else self.take(key, name, after, rules)

    def take(self, key: bytes, name: str, after: WorldT, rules: Rules[WorldT]) -> str | None:
        """Take up a new world and say what is wrong in it; else note that two ways lead to one."""
        its_key = rules.key_of(after)
        if its_key not in self.reached:
            wrong = rules.wrong_in(after)
            if wrong is not None:
                return wrong
            self.reached[its_key] = (key, name)
            self.count += 1
            if not self.is_last:
                self.following.append((its_key, after))
            return None
        self.merged += 1
        is_first = self.merged <= self.most_twins
        place = self.merged - 1 if is_first else self.chance.randrange(self.merged)
        if place < self.most_twins:
            pair = (_path(self.reached, its_key), (*_path(self.reached, key), name))
            self.found.twins[place : place + 1] = [pair]
        return None


def unlike_twins(
    found: Found[WorldT],
    start: WorldT,
    names: Sequence[str],
    rules: Rules[WorldT],
    *,
    continuations: int = 4,
    length: int = 4,
) -> list[tuple[tuple[str, ...], ...]]:
    """Find worlds of one key that do not behave alike, by trying some continuations of each.

    Parameters
    ----------
    found : Found
        A search.
    start, names, rules
        As in the search.
    continuations, length : int
        By how many continuations each pair is tried, of how many happenings.

    Returns
    -------
    list of tuple
        The two sequences that lead to them, and the continuation in which their keys differ.
    """
    chance = random.Random(2)
    unlike: list[tuple[tuple[str, ...], ...]] = []
    for one, two in found.twins:
        before = (rules.replayed(start, one), rules.replayed(start, two))
        for _ in range(continuations):
            tried = tuple(chance.choices(names, k=length))
            if any(len(keys) > 1 for keys in _keys_after(before, tried, rules)):
                unlike.append((one, two, tried))
    return unlike


def _keys_after(
    worlds: Sequence[WorldT | None], names: Sequence[str], rules: Rules[WorldT]
) -> Iterator[set[bytes | None]]:
    """Yield the keys of some worlds after each of some happenings, until it can't happen."""
    for name in names:
        worlds = [rules.move(each, name)[0] if each is not None else None for each in worlds]
        keys = {None if each is None else rules.key_of(each) for each in worlds}
        yield keys
        if None in keys:
            return


def _path(reached: Reached, key: bytes) -> tuple[str, ...]:
    names: list[str] = []
    step = reached[key]
    while step is not None:
        key, name = step
        names.append(name)
        step = reached[key]
    return tuple(reversed(names))
