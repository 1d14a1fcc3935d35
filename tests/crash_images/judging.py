"""Open what a power cut left, and say what is wrong with it."""

from __future__ import annotations

import hashlib
import random
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from dataclasses import dataclass, field
from functools import partial
from itertools import islice
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Final

from adapters.ledger.file import open_file
from config.files.errors import LedgerError
from tests.crash_images.disk import Files, Image
from tests.crash_images.steps import NAME, Evenings, watched_commits

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Iterator

_MEMORY: Final = Path("/dev/shm")  # noqa: S108 - a folder in memory
_AT_A_TIME: Final = 200
_SHM_BYTES: Final = 32 * 1024

Digest = str


@dataclass(frozen=True)
class History:
    """What the ledger held after each of its transactions, from one run without a cut.

    Attributes
    ----------
    states : tuple of str
        A digest of the whole content: at the start, and after each transaction.
    after : tuple of int
        Which of them held after each step; the first for the opening alone.
    """

    states: tuple[Digest, ...]
    after: tuple[int, ...]

    def allowed(self, steps: int) -> frozenset[Digest]:
        """Return what may be found once so many steps were said to be done, and no more began."""
        last = self.after[min(steps + 1, len(self.after) - 1)]
        return frozenset(self.states[self.after[steps] : last + 1])


@dataclass
class Verdict:
    """What became of all images.

    Attributes
    ----------
    images : Counter
        How many there were of each kind; those that are alike count once.
    wrong : list of str
        What was wrong, and with which image.
    syncs : int
        How often the process synced.
    """

    images: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    syncs: int = 0


def history(start: Files, steps: int) -> History:
    """Do the steps without a cut, and note what the ledger holds after each transaction."""
    states: list[Digest] = []
    after = []
    with TemporaryDirectory(dir=_MEMORY) as folder:
        _lay(Path(folder), start)
        evenings = Evenings(Path(folder))

        def note() -> None:
            with closing(open_file(Path(folder) / NAME, read_only=True)) as connection:
                states.append(_digest(connection))

        note()
        after.append(0)
        with watched_commits(note):
            for number in range(1, steps + 1):
                evenings.step(number)
                after.append(len(states) - 1)
        evenings.close()
    return History(tuple(states), tuple(after))


def judge(images: Iterable[Image], past: History, workers: int) -> Verdict:
    """Open every image that differs from those before, and compare it with the history.

    Parameters
    ----------
    images : iterable of Image
        What power cuts left.
    past : History
        What the ledger held when.
    workers : int
        How many processes open them.

    Returns
    -------
    Verdict
        What was found.
    """
    verdict = Verdict()
    different = _different(images, verdict)
    if workers == 1:
        verdict.wrong += _judge_all(different, past)
        return verdict
    context = get_context("forkserver")
    with ProcessPoolExecutor(workers, mp_context=context) as pool:
        waiting = []
        while batch := list(islice(different, _AT_A_TIME)):
            waiting.append(pool.submit(_judge_all, batch, past))
            if len(waiting) > 2 * workers:
                verdict.wrong += waiting.pop(0).result()
        for each in waiting:
            verdict.wrong += each.result()
    return verdict


def _different(images: Iterable[Image], verdict: Verdict) -> Iterator[Image]:
    seen = set()
    for image in images:
        digest = hashlib.blake2b(str(image.steps).encode(), digest_size=16)
        for name, content in sorted(image.files.items()):
            digest.update(f"{name} {len(content)} ".encode())
            digest.update(content)
        if digest.digest() not in seen:
            seen.add(digest.digest())
            verdict.images[image.kind] += 1
            yield image


def _judge_all(images: Iterable[Image], past: History) -> list[str]:
    faults = map(partial(fault_of, past=past), images)
    return [fault for fault in faults if fault is not None]


def fault_of(image: Image, past: History) -> str | None:
    """Open one image as the daemon does.

    Parameters
    ----------
    image : Image
        What a power cut left.
    past : History
        What the ledger held when.

    Returns
    -------
    str or None
        What is wrong: it is refused, damaged, lacks what was said to be done, or has what never
        was.
    """
    called = f"{image.kind} after step {image.steps}"
    with TemporaryDirectory(dir=_MEMORY) as folder:
        path = Path(folder) / NAME
        _lay(Path(folder), image.files)
        # Whatever is left of the file that SQLite shares between processes must not matter.
        chance = random.Random(sum(map(len, image.files.values())))
        if f"{NAME}-wal" in image.files and chance.random() < 0.5:
            Path(f"{path}-shm").write_bytes(chance.randbytes(_SHM_BYTES))
        try:
            with closing(open_file(path)) as connection:
                [(integrity,)] = connection.execute("PRAGMA integrity_check").fetchall()
                digest = _digest(connection)
        except LedgerError as error:
            return f"{called}: refused: {str(error).replace(folder, '')}"
    if integrity != "ok":
        return f"{called}: damaged: {integrity}"
    if digest in past.allowed(image.steps):
        return None
    if digest in past.states:
        return f"{called}: it holds what transaction {past.states.index(digest)} left, not these"
    return f"{called}: it holds what no transaction left"


def _lay(folder: Path, files: Files) -> None:
    for name, content in files.items():
        (folder / name).write_bytes(content)


def _digest(connection: sqlite3.Connection) -> Digest:
    digest = hashlib.blake2b(digest_size=16)
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    digest.update(f"{version}\n".encode())
    tables = connection.execute("SELECT name, sql FROM sqlite_master ORDER BY name").fetchall()
    for name, sql in tables:
        digest.update(f"{name} {sql}\n".encode())
        if (sql or "").startswith("CREATE TABLE"):
            # Each new ledger draws another seed.
            what = "count(*)" if name == "seeds" else "*"
            for row in connection.execute(f'SELECT {what} FROM "{name}" ORDER BY 1'):  # noqa: S608 - names of its own tables
                digest.update(repr(row).encode())
    return digest.hexdigest()
