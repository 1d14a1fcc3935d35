"""Measure the memory of many nights in one call, in a separate run, in MB of 10^6 bytes.

`allocated_mb` is the most that Python and numpy held at once, the nights themselves included;
`resident_mb` is the most of the whole process that was in memory, as Linux counts it.
"""

from __future__ import annotations

import json
import re
import sys
import tracemalloc
from pathlib import Path

from planners.many_nights.many_nights import solve_nights
from tests.benchmarks.problems import FIVE_MINUTES, year


def weigh(count: int, ticks: int) -> dict[str, float]:
    """Solve `count` nights of `ticks` ticks."""
    tracemalloc.start()
    solve_nights(year(count, ticks, FIVE_MINUTES))
    _, most_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    status = Path("/proc/self/status").read_text("ascii")
    [most_kib] = re.findall(r"^VmHWM:\s*(\d+) kB$", status, re.MULTILINE)
    return {"allocated_mb": most_bytes / 1e6, "resident_mb": int(most_kib) * 1024 / 1e6}


if __name__ == "__main__":
    sys.stdout.write(json.dumps(weigh(int(sys.argv[1]), int(sys.argv[2]))))
