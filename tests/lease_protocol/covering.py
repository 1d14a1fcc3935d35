"""Choose few sequences of a model's steps that do each kind of step at least once."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Iterable, Iterator

WorldT = TypeVar("WorldT")

FROM_THE_START, FURTHER = 5, 3
"""How many steps ahead a kind of step is looked for that was not done yet."""


def covering(
    start: WorldT,
    steps: Callable[[WorldT], Iterable[tuple[str, WorldT]]],
    kind_of: Callable[[WorldT, str], Hashable],
    longest: int,
) -> Iterator[tuple[str, ...]]:
    """Yield sequences of steps until no step of another kind is near.

    Parameters
    ----------
    start : WorldT
        Where each begins.
    steps : callable
        Gives everything that may happen next in a world, by name.
    kind_of : callable
        Gives what counts as one kind of step, by the world before it and its name.
    longest : int
        The longest sequence.

    Yields
    ------
    tuple of str
        The names of the steps.
    """
    done: set[Hashable] = set()
    while True:
        names: list[str] = []
        world = start
        while len(names) < longest:
            ahead = min(FURTHER if names else FROM_THE_START, longest - len(names))
            way = _nearest(world, steps, lambda *step: kind_of(*step) not in done, ahead)
            if way is None:
                break
            for name in way:
                done.add(kind_of(world, name))
                names.append(name)
                world = dict(steps(world))[name]
        if not names:
            return
        yield tuple(names)


def _nearest(
    world: WorldT,
    steps: Callable[[WorldT], Iterable[tuple[str, WorldT]]],
    is_wanted: Callable[[WorldT, str], bool],
    ahead: int,
) -> tuple[str, ...] | None:
    """Return the shortest way to a wanted step, and the step; None if it is too far."""
    frontier: dict[WorldT, tuple[str, ...]] = {world: ()}
    seen = set(frontier)
    for _ in range(ahead):
        following: dict[WorldT, tuple[str, ...]] = {}
        for each, way in frontier.items():
            for name, after in steps(each):
                if is_wanted(each, name):
                    return (*way, name)
                if after not in seen:
                    seen.add(after)
                    following[after] = (*way, name)
        frontier = following
    return None
