"""The campaign: ``python -m tests.every_sequence``, or ``make every-sequence``.

Prints how deep each search went, the faults that were planted with the length of the shortest
sequence that shows each, and what is wrong, which must be nothing; the exit code is 1 otherwise.
LULLWATT_SECONDS is the processor's time of each search (a minute and a half).
"""

from __future__ import annotations

import os
import sys
from concurrent.futures import ProcessPoolExecutor
from typing import Any, Final, NamedTuple

from config.fields.zones import use_pinned_zones
from tests.every_sequence.homes import HAPPENINGS as AT_HOME
from tests.every_sequence.homes import HOME_RULES, HOME_STARTS, home_at
from tests.every_sequence.moving import POINT_RULES, told
from tests.every_sequence.planted import FAULTS, counterexample
from tests.every_sequence.reaching import missed_from
from tests.every_sequence.search import Found, search, unlike_twins
from tests.every_sequence.starts import ALL, DEEP_THEMES, EVERYDAY, STARTS, THEMES, USUAL, world_at
from tests.faults.tally import say
from tests.support.remembered_plans import plans_remembered

SECONDS: Final = float(os.environ.get("LULLWATT_SECONDS", "90"))
WORKERS: Final = int(os.environ.get("LULLWATT_WORKERS", "2"))
DEEP: Final = 20


class Row(NamedTuple):
    """One line of a table, and what was wrong."""

    cells: tuple[object, ...]
    wrong: tuple[str, ...] = ()


def searched(start: str, theme: str) -> Row:
    """Search from one start as deep as the time allows."""
    names = {"all": ALL, "everyday": EVERYDAY, **THEMES}[theme]
    use_pinned_zones()
    with plans_remembered():
        world = world_at(start)
        found = search(world, names, DEEP, POINT_RULES, seconds=SECONDS, goes_on=True)
        unlike = unlike_twins(found, world, names, POINT_RULES)
        wrong = [f"{start}, {theme}: {what}" for what in found.others]
        wrong += [line for path in found.others.values() for line in told(world, path)]
    return Row((start, theme, *_measured(found)), (*wrong, *_unlike(start, unlike)))


def searched_at_home(start: str) -> Row:
    """Search from one start of two charge points under a fuse."""
    use_pinned_zones()
    with plans_remembered():
        home = home_at(start)
        names = tuple(AT_HOME)
        found = search(home, names, DEEP, HOME_RULES, seconds=SECONDS, goes_on=True)
        unlike = unlike_twins(found, home, names, HOME_RULES)
    wrong = [f"{start}: {what}: {', '.join(path)}" for what, path in found.others.items()]
    return Row((start, "two points", *_measured(found)), (*wrong, *_unlike(start, unlike)))


def reached(start: str) -> Row:
    """Go on from every world that a start leads to: a need in reach is met."""
    depth, wrong = (2 if start in USUAL else 1), list[str]()
    use_pinned_zones()
    with plans_remembered():
        world = world_at(start)
        worlds = search(world, ALL, depth, POINT_RULES, kept=depth).worlds
        for path, each in [((), world), *worlds]:
            missed = missed_from(each)
            wrong += [] if missed is None else [f"{start}, {', '.join(path)}: {missed}"]
    return Row((start, depth, len(worlds) + 1, len(wrong)), tuple(wrong))


def found_again(name: str) -> Row:
    """Search for a planted fault."""
    use_pinned_zones()
    with plans_remembered():
        found = counterexample(name, seconds=SECONDS)
    if found is None:
        return Row((name, "-", "-", "-"), (f"not found: {name}",))
    return Row((name, len(found.names), found.what, ", ".join(found.names)))


def main() -> int:
    """Print the tables, and return the exit code."""
    wrong: list[str] = []
    with ProcessPoolExecutor(WORKERS) as pool:
        searches = [pool.submit(searched, start, "everyday") for start in USUAL]
        searches += [
            pool.submit(searched, start, theme) for theme in DEEP_THEMES for start in USUAL
        ]
        searches += [pool.submit(searched, start, "all") for start in STARTS]
        searches += [pool.submit(searched_at_home, start) for start in HOME_STARTS]
        reaching = [pool.submit(reached, start) for start in STARTS]
        planted = [pool.submit(found_again, name) for name in FAULTS]
        for head, futures in (
            ("| start | what may happen | length | worlds | tried | a second |", searches),
            ("| start | happenings | worlds | need missed |", reaching),
            ("| planted | length | what is wrong | shortest |", planted),
        ):
            say(f"{head}\n|{'---|' * (head.count('|') - 1)}")
            for future in futures:
                row = future.result()
                wrong += row.wrong
                say(f"| {' | '.join(map(str, row.cells))} |")
    say("wrong:" if wrong else "wrong: nothing")
    for line in wrong:
        say(line)
    return 1 if wrong else 0


def _measured(found: Found[Any]) -> tuple[object, ...]:
    tried, seconds = found.transitions, max(found.seconds, 0.001)
    return len(found.states), sum(found.states), tried, round(tried / seconds)


def _unlike(start: str, unlike: list[tuple[tuple[str, ...], ...]]) -> tuple[str, ...]:
    return tuple(
        f"{start}: unlike though of one key: {'; '.join(map(', '.join, each))}" for each in unlike
    )


if __name__ == "__main__":
    sys.exit(main())
