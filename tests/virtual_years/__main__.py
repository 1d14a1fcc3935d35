"""Play years of nights with faults: ``make simulate``.

Prints how many nights and faults there were, how fast they passed, and everything that was wrong,
with the seed that brings it back; then whether each planted fault was found. Ends with 1 if a night
was wrong or a planted fault was not found.
"""

from __future__ import annotations

import argparse
import os
import sys
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from time import monotonic

from tests.virtual_years.campaign import (
    nights_of,
    nights_until_found,
    play_quietly,
    quiet,
)
from tests.virtual_years.planted import PLANTED
from tests.virtual_years.verdict import Played, play


def main() -> int:
    """Play all and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=600, help="Begin no new seed after these.")
    parser.add_argument("--first", type=int, default=1, help="The first seed.")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--only", type=int, help="Play this seed alone, and print its history.")
    given = parser.parse_args()
    if given.only is not None:
        return _show(given.only)
    wrong = _play_many(given.seconds, given.first, given.workers)
    missed = _find_planted(given.first, given.workers)
    return int(bool(wrong or missed))


def _show(seed: int) -> int:
    quiet()
    played = play(seed, nights_of(seed))
    for line in (*played.history, *played.wrong):
        _say(line)
    return int(bool(played.wrong))


def _play_many(seconds: float, first: int, workers: int) -> int:
    begun, total, wrong = monotonic(), Played(0, [], 0, 0), 0
    seed = first
    with ProcessPoolExecutor(workers, mp_context=get_context("forkserver")) as pool:
        waiting = {pool.submit(play_quietly, seed + each) for each in range(workers)}
        seed += workers
        while waiting:
            done = next(as_completed(waiting))
            waiting.remove(done)
            played = done.result()
            total.nights += played.nights
            total.judged += played.judged
            total.faults += played.faults
            total.starts += played.starts
            for line in played.wrong:
                wrong += 1
                _say(f"seed {played.seed}: {line}")
            if monotonic() < begun + seconds:
                waiting.add(pool.submit(play_quietly, seed))
                seed += 1
    took = monotonic() - begun
    nights = len(total.nights)
    _say(
        f"{seed - first} seeds, {nights} nights ({nights / 365:.1f} years), {total.faults} faults,"
        f" {total.starts} starts; {total.judged} nights judged;"
        f" {nights / took:.1f} nights a second; wrong {wrong}"
    )
    return wrong


def _find_planted(first: int, workers: int) -> int:
    """Say after how many nights each planted fault is found."""
    missed = 0
    with ProcessPoolExecutor(workers, mp_context=get_context("forkserver")) as pool:
        found = {name: pool.submit(nights_until_found, name, first) for name in PLANTED}
        for name, each in found.items():
            nights, what = each.result()
            missed += nights is None
            _say(f"planted: {name:58} {nights or 'not found':>9} {what}")
    return missed


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
