"""Open the ledger after a power cut at every sync: ``make crash-images``.

Prints a table of what was cut, how many images there were, and what was wrong; ends with 1 if
anything was, or if a planted fault was not found.
"""

from __future__ import annotations

import argparse
import gzip
import os
import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from time import monotonic

from tests.crash_images.disk import Files, images
from tests.crash_images.judging import Verdict, history, judge
from tests.crash_images.recording import Synced, run_recorded
from tests.crash_images.steps import NAME

ROOT = Path(__file__).parents[2]
PREVIOUS = ROOT / "tests" / "data" / "previous"


def play(start: Files, steps: int, *, fault: str = "", seed: int = 1, workers: int = 1) -> Verdict:
    """Write a ledger in a process that strace watches, and open it after every cut.

    Parameters
    ----------
    start : mapping of str to bytes
        The ledger's files before.
    steps : int
        How many steps to do.
    fault : str
        What to plant, see `tests.crash_images.steps`.
    seed : int
        Of the random part of the images.
    workers : int
        How many processes open images.

    Returns
    -------
    Verdict
        How many images there were, and what was wrong with any.
    """
    past = history(start, steps)
    with TemporaryDirectory() as scratch:
        folder = Path(scratch) / "ledger"
        folder.mkdir()
        for name, content in start.items():
            (folder / name).write_bytes(content)
        deeds = run_recorded(
            "tests.crash_images.steps",
            [str(folder), str(steps), fault],
            folder,
            Path(scratch) / "trace",
        )
    verdict = judge(images(deeds, start, seed), past, workers)
    verdict.syncs = sum(isinstance(deed, Synced) for deed in deeds)
    return verdict


def main() -> int:
    """Play all and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--steps", type=int, default=120)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    given = parser.parse_args()
    older = gzip.decompress((PREVIOUS / "0.1.0-schema-1" / "ledger.sqlite3.gz").read_bytes())
    cases: dict[str, tuple[Files, int, str]] = {
        "a new ledger": ({}, given.steps, ""),
        "one of schema 1, brought up to date": ({NAME: older}, given.steps // 4, ""),
        "planted: nothing is synced": ({}, 20, "loose"),
        "planted: done is said too early": ({}, 20, "early"),
    }
    is_bad = False
    _say(f"{'':38}{'syncs':>7}{'images':>8}{'wrong':>8}{'seconds':>9}")
    for name, (start, steps, fault) in cases.items():
        begun = monotonic()
        verdict = play(start, steps, fault=fault, seed=given.seed, workers=given.workers)
        count, wrong = verdict.images.total(), len(verdict.wrong)
        _say(f"{name:38}{verdict.syncs:7}{count:8}{wrong:8}{monotonic() - begun:9.0f}")
        is_bad |= bool(wrong) is not bool(fault)
        for line in verdict.wrong[: 0 if fault else 5]:
            _say(f"    {line}")
        _say(f"    {', '.join(f'{kind} {n}' for kind, n in verdict.images.items())}")
    return int(is_bad)


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
