"""Run something and kill it at its n-th change of a file, or after some seconds.

``dies_at.c`` counts the changes. It must be loaded when Python starts: `again_with_it` starts this
program again with it.
"""

from __future__ import annotations

import mmap
import os
import signal
import struct
import subprocess
import sys
import tempfile
import traceback
from contextlib import suppress
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

NAMES_COUNTER: Final = "LULLWATT_DIES_AT"
ONLY_COUNT: Final = -1
_NUMBERS: Final = struct.Struct("qq")
_SOURCE: Final = Path(__file__).with_name("dies_at.c")


_LOADED: Final = {
    name: os.environ.pop(name) for name in ("LD_PRELOAD", NAMES_COUNTER) if name in os.environ
}
"""What makes a program count its changes; programs do so only if they are given it."""


def counted() -> dict[str, str]:
    """Return the environment of a program that is to count its changes, and to die."""
    return os.environ | _LOADED


def again_with_it(module: str) -> int | None:
    """Start a module again with the library loaded; return its exit code, or None if it is."""
    if NAMES_COUNTER in _LOADED:
        return None
    with tempfile.TemporaryDirectory(prefix="lullwatt-dying-") as scratch:
        library, counter = Path(scratch, "dies_at.so"), Path(scratch, "counter")
        subprocess.run(
            ["cc", "-shared", "-fPIC", "-O2", "-o", library, _SOURCE, "-ldl"], check=True
        )
        counter.write_bytes(bytes(_NUMBERS.size))
        preloaded = {"LD_PRELOAD": str(library), NAMES_COUNTER: str(counter)}
        command = [sys.executable, "-m", module]
        return subprocess.run(command, env=os.environ | preloaded, check=False).returncode


def _counter() -> mmap.mmap:
    with Path(_LOADED[NAMES_COUNTER]).open("r+b") as file:
        return mmap.mmap(file.fileno(), _NUMBERS.size)


def run_until(change: int, run: Callable[[], None], seconds: float | None = None) -> int:
    """Run something in a process group of its own, and kill it.

    Parameters
    ----------
    change : int
        Kill it at this change of a file; `ONLY_COUNT` to let it end.
    run : callable
        What to run; it may start programs.
    seconds : float, optional
        Kill it after so long.

    Returns
    -------
    int
        How many changes there were.
    """
    with _counter() as counter:
        counter[:] = _NUMBERS.pack(0, 0)
        process = os.fork()
        if process == 0:
            os.setsid()
            counter[:] = _NUMBERS.pack(0, change)
            try:
                run()
            except BaseException:  # noqa: BLE001 - nothing of the parent's may go on here
                traceback.print_exc()
                os._exit(1)
            os._exit(0)
        if seconds is not None:
            Event().wait(seconds)
            os.kill(process, signal.SIGKILL)
            with suppress(ProcessLookupError):
                os.killpg(process, signal.SIGKILL)  # the programs that it started
        _, status = os.waitpid(process, 0)
        if os.WIFEXITED(status) and os.WEXITSTATUS(status):
            sys.exit("what was to be killed failed by itself")
        changes, _ = _NUMBERS.unpack(counter[:])
        counter[:] = _NUMBERS.pack(0, 0)
        return int(changes)


def changes_to_die_at(changes: int, kills: int) -> Iterator[int]:
    """Choose changes, all of them if there are no more than kills, else evenly."""
    number = min(changes, kills)
    return (1 + i * changes // number for i in range(number))
