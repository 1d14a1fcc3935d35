"""The daemon as `lullwatt run`, with a fault on purpose: ``python -m tests.faults.stuck FILE``.

The loop sticks when the ledger is to take one certain reading: it waits for what never comes, as
with a lock that two hold. All other threads go on, those that keep the connection to the broker
among them. With ``helper`` a thread of its own gives the signs of life besides: a watchdog that is
told by such a one is deceived, which a test of the watchdog must find out.
"""

from __future__ import annotations

import sys
from threading import Event, Thread
from typing import Any, Final
from unittest.mock import patch

from adapters.host.service_notice import ServiceNotice
from adapters.ledger.ledger import Ledger
from daemon.command_line.cli import main
from daemon.observers.service_manager import ServiceManager

STUCK_KWH: Final = 2718.281
"""What the meter shows when the loop sticks."""


def stick() -> None:
    """Let the loop stick in the ledger."""
    add = Ledger.add_reading

    def sticky(self: Ledger, point: str, at: Any, register_wh: Any = None, *rest: Any) -> bool:  # noqa: ANN401 - passed on as they are
        if register_wh == round(STUCK_KWH * 1000):
            Event().wait()
        return add(self, point, at, register_wh, *rest)

    patch.object(Ledger, "add_reading", sticky).start()


def show_life_from_a_helper() -> None:
    """Give signs of life on a thread that knows nothing of the loop."""
    make = ServiceManager.__init__

    def begin(self: ServiceManager, notice: ServiceNotice, *rest: Any) -> None:  # noqa: ANN401 - as above
        make(self, notice, *rest)
        every, never = (notice.watchdog_seconds or 0) / 2, Event()

        def show() -> None:
            while not never.wait(every):
                notice.send(WATCHDOG=1)

        Thread(target=show, daemon=True).start()

    patch.object(ServiceManager, "__init__", begin).start()


if __name__ == "__main__":
    house, *plants = sys.argv[1:]
    stick()
    if plants == ["helper"]:
        show_life_from_a_helper()
    sys.argv = ["lullwatt", "run", house]
    main()
