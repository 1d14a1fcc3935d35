"""The campaign: ``python -m tests.every_sequence``, or ``make every-sequence``.

Prints how deep each search went, the faults that were planted with the length of the shortest
sequence that shows each, and what is wrong, which must be nothing; the exit code is 1 otherwise.
LULLWATT_SECONDS is the processor's time of all together: ten minutes on two cores, unless set.
"""

from __future__ import annotations

import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from typing import Any, Final, NamedTuple

from config.fields.zones import use_pinned_zones
from tests.every_sequence.homes import HAPPENINGS as AT_HOME
from tests.every_sequence.homes import HOME_RULES, HOME_STARTS, home_at
from tests.every_sequence.moving import KIND_RULES, POINT_RULES, told
from tests.every_sequence.planted import FAULTS, counterexample
from tests.every_sequence.reaching import missed_from
from tests.every_sequence.search import Found, search, unlike_twins
from tests.every_sequence.starts import ALL, DEEP_THEMES, EVERYDAY, STARTS, THEMES, USUAL, world_at
from tests.faults.tally import say
from tests.support.remembered_plans import plans_remembered

SECONDS: Final = float(os.environ.get("LULLWATT_SECONDS", "1200"))
WORKERS: Final = int(os.environ.get("LULLWATT_WORKERS", "2"))
DEEPEST: Final = 12
TWINS: Final = 300

SHARES: Final = {
    "usual": 0.12, "everyday": 0.015, "theme": 0.01, "all": 0.015, "home": 0.02,
    "usual kinds": 0.1, "kinds": 0.025,
}  # fmt: skip
"""What one search of each kind may take of all the time; the rest is for planted faults and what
is reached."""

PLANTED_SECONDS: Final = 60.0


class Row(NamedTuple):
    """One line of a table, and what was wrong."""

    cells: tuple[object, ...]
    wrong: tuple[str, ...] = ()


def searched(start: str, theme: str, share: str) -> Row:
    """Search from one start as deep as the time allows."""
    names = {"all": ALL, "everyday": EVERYDAY, **THEMES}[theme]
    use_pinned_zones()
    with plans_remembered():
        world = world_at(start)
        found = search(
            world, names, DEEPEST, POINT_RULES,
            seconds=SECONDS * SHARES[share], goes_on=True, most_twins=TWINS,
        )  # fmt: skip
        unlike = unlike_twins(found, world, names, POINT_RULES)
        wrong = [f"{start}, {theme}: {what}" for what in found.others]
        wrong += [line for path in found.others.values() for line in told(world, path)]
    cells = (start, theme, *_measured(found), f"{len(unlike)} of {len(found.twins)}")
    return Row(cells, (*wrong, *_unlike(start, unlike)))


def searched_by_kind(start: str, share: str) -> Row:
    """Search deeper with one world of each kind."""
    use_pinned_zones()
    with plans_remembered():
        world = world_at(start)
        seconds = SECONDS * SHARES[share]
        found = search(world, EVERYDAY, DEEPEST, KIND_RULES, seconds=seconds, goes_on=True)
        wrong = [f"{start}, by kind: {what}" for what in found.others]
        wrong += [line for path in found.others.values() for line in told(world, path)]
    return Row((start, "everyday, by kind", *_measured(found), "-"), tuple(wrong))


def searched_at_home(start: str) -> Row:
    """Search from one start of two charge points under a fuse."""
    use_pinned_zones()
    with plans_remembered():
        home = home_at(start)
        names = tuple(AT_HOME)
        found = search(
            home, names, DEEPEST, HOME_RULES,
            seconds=SECONDS * SHARES["home"], goes_on=True, most_twins=TWINS,
        )  # fmt: skip
        unlike = unlike_twins(found, home, names, HOME_RULES)
    wrong = [f"{start}: {what}: {', '.join(path)}" for what, path in found.others.items()]
    cells = (start, "two points", *_measured(found), f"{len(unlike)} of {len(found.twins)}")
    return Row(cells, (*wrong, *_unlike(start, unlike)))


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
        found = counterexample(name, seconds=PLANTED_SECONDS)
    if found is None:
        return Row((name, "-", "-", "-"), (f"not found: {name}",))
    return Row((name, len(found.names), found.what, ", ".join(found.names)))


def main() -> int:
    """Print the tables, and return the exit code."""
    wrong: list[str] = []
    begun = time.monotonic()
    with ProcessPoolExecutor(WORKERS) as pool:
        searches = [pool.submit(searched, start, "everyday", "usual") for start in USUAL]
        others = [start for start in STARTS if start not in USUAL]
        searches += [pool.submit(searched, start, "everyday", "everyday") for start in others]
        searches += [pool.submit(searched_by_kind, start, "usual kinds") for start in USUAL]
        searches += [pool.submit(searched_by_kind, start, "kinds") for start in others]
        searches += [
            pool.submit(searched, start, theme, "theme") for theme in DEEP_THEMES for start in USUAL
        ]
        searches += [pool.submit(searched, start, "all", "all") for start in STARTS]
        searches += [pool.submit(searched_at_home, start) for start in HOME_STARTS]
        reaching = [pool.submit(reached, start) for start in STARTS]
        planted = [pool.submit(found_again, name) for name in FAULTS]
        for head, futures in (
            (
                "| start | what may happen | length | worlds | tried | seconds | twins unlike |",
                searches,
            ),
            ("| start | happenings | worlds | need missed |", reaching),
            ("| planted | length | what is wrong | shortest |", planted),
        ):
            say(f"{head}\n|{'---|' * (head.count('|') - 1)}")
            for future in futures:
                row = future.result()
                wrong += row.wrong
                say(f"| {' | '.join(map(str, row.cells))} |")
    say(f"it took {time.monotonic() - begun:.0f} s")
    say("wrong:" if wrong else "wrong: nothing")
    for line in wrong:
        say(line)
    return 1 if wrong else 0


def _measured(found: Found[Any]) -> tuple[object, ...]:
    """Give the longest sequences tried wholly, the worlds by then, steps tried, seconds."""
    return len(found.states), sum(found.states), found.transitions, round(found.seconds)


def _unlike(start: str, unlike: list[tuple[tuple[str, ...], ...]]) -> tuple[str, ...]:
    return tuple(
        f"{start}: unlike though of one key: {'; '.join(map(', '.join, each))}" for each in unlike
    )


if __name__ == "__main__":
    sys.exit(main())
