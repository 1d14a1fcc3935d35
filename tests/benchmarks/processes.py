"""Run `lullwatt run` as a process, and read its memory [MB of 10^6 bytes] and CPU time."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

LULLWATT = Path(sys.executable).with_name("lullwatt")
ENDS_WITHIN = 20.0
"""How long a daemon may take to stop [s]."""

KIB_IN_MB = 1024 / 1e6
NANOSECONDS = 1e-9


@dataclass(frozen=True)
class Memory:
    """Resident memory: all of it, and with shared pages divided among the processes."""

    rss_mb: float
    pss_mb: float


@contextmanager
def daemon(household: Path) -> Iterator[int]:
    """Run the daemon of a household, logging into a file beside it; yields its process id."""
    log = household.with_suffix(".log")
    with log.open("ab") as file, subprocess.Popen([LULLWATT, "run", household], stderr=file) as ran:
        try:
            yield ran.pid
            assert ran.poll() is None
            ran.send_signal(signal.SIGTERM)
            ran.wait(ENDS_WITHIN)
        except Exception as error:
            error.add_note(log.read_text("utf-8"))
            raise
        finally:
            ran.kill()


def memory(pid: int) -> Memory:
    """Return the memory of a process."""
    text = Path(f"/proc/{pid}/smaps_rollup").read_text("ascii")
    kib = {name: int(size) for name, size in re.findall(r"^(\w+):\s*(\d+) kB$", text, re.MULTILINE)}
    return Memory(kib["Rss"] * KIB_IN_MB, kib["Pss"] * KIB_IN_MB)


def busy_seconds(pid: int) -> float:
    """Return the CPU time of all threads of a process [s]."""
    threads = Path(f"/proc/{pid}/task").glob("*/schedstat")
    return sum(int(thread.read_text("ascii").split()[0]) for thread in threads) * NANOSECONDS


def threads(pid: int) -> int:
    """Return the number of threads of a process."""
    return sum(1 for _ in Path(f"/proc/{pid}/task").iterdir())
