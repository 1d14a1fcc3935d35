"""Let something happen at one charge point and check it; tell a sequence line by line."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from tests.every_sequence.abstraction import key_of, kind_of
from tests.every_sequence.invariants import wrong_at_rest, wrong_with, wrong_with_restart
from tests.every_sequence.points import World, happen
from tests.every_sequence.reaching import missed_from
from tests.every_sequence.search import Rules

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence


def move(world: World, name: str) -> tuple[World | None, str | None]:
    """Let one thing happen; return the world after it, or None if it can't, and what is wrong."""
    steps = happen(world, name)
    if steps is None:
        return None, None
    after = world
    for step in steps:
        after, wrong = step.after, wrong_with(step)
        if wrong is not None:
            return after, wrong
    return after, wrong_with_restart(world, after) if name == "restart" else None


def wrong_to_the_end(world: World) -> str | None:
    """Return what is wrong at rest, or on to the departure: a need that is missed is wrong."""
    return wrong_at_rest(world) or missed_from(world)


POINT_RULES: Final[Rules[World]] = Rules(move, key_of, wrong_at_rest)
KIND_RULES: Final[Rules[World]] = Rules(move, kind_of, wrong_at_rest)
"""Of worlds of one kind only the first goes on: this goes deeper, and does not try everything."""

REACHING_RULES: Final[Rules[World]] = Rules(move, key_of, wrong_to_the_end)


def told(start: World, names: Sequence[str]) -> Iterator[str]:
    """Tell a sequence line by line: the time, what happens, and the command in force then."""
    yield _line("start", start)
    world = start
    for name in names:
        after, wrong = move(world, name)
        if after is None:
            return
        world, wrong = after, wrong or wrong_at_rest(after)
        yield _line(name, world) + (f"  WRONG: {wrong}" if wrong else "")


def _line(name: str, world: World) -> str:
    command = world.state.command
    said = "nothing"
    if command is not None:
        amps = "" if command.amps is None else f" {command.amps:g} A"
        said = f"{command.do}{amps} until {command.valid_until:%d %H:%M:%S}: {command.why}"
    return f"{world.now:%d %H:%M:%S}  {name:12} #{world.state.serial} {said}"
