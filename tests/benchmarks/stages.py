"""Time the stages of a daemon's start: ``python -m tests.benchmarks.stages HOUSE BEGUN``.

`BEGUN` is the monotonic clock's when it was started. The parts are those of
`daemon.service.running`; it ends when the command in force has been handed to the broker, and
prints the seconds as JSON.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from time import monotonic

STAGES = ("interpreter and imports", "household file", "ledger", "first plan", "connect, assert")


def start(path: Path, begun: float) -> dict[str, float]:
    """Start as `lullwatt run` does, and time each stage [s]."""
    import daemon.command_line.cli  # noqa: F401, PLC0415 - what is timed
    from daemon.presentation.options import load_structlog  # noqa: PLC0415

    load_structlog()
    from adapters.clocks.clock import SystemClock  # noqa: PLC0415
    from adapters.ledger.ledger import open_ledger  # noqa: PLC0415
    from daemon.control.events import Assert  # noqa: PLC0415
    from daemon.presentation.logs import set_up_logs  # noqa: PLC0415
    from daemon.service.household_watch import HouseholdWatch  # noqa: PLC0415
    from daemon.service.running import Daemon  # noqa: PLC0415
    from daemon.service.service import HandledEvent  # noqa: PLC0415

    set_up_logs()
    marks = [begun, monotonic()]
    watch = HouseholdWatch(path)
    marks.append(monotonic())
    ledger = open_ledger(watch.house.file.ledger.path)
    marks.append(monotonic())

    def note(handled: HandledEvent) -> None:
        if len(marks) == STAGES.index("first plan") + 1:
            marks.append(monotonic())
        if any(isinstance(action, Assert) for _, action in handled.actions):
            marks.append(monotonic())
            running.halt()

    running = Daemon(watch, ledger, SystemClock(), watch.house.file.bus, observer=note)
    running.run()
    ledger.close()
    ends = marks[1 : len(STAGES) + 1]
    return {s: end - at for s, at, end in zip(STAGES, marks, ends, strict=False)}


if __name__ == "__main__":
    found = start(Path(sys.argv[1]), float(sys.argv[2]))
    sys.stdout.write(json.dumps(found))
