"""The daemon as `lullwatt run`, with a fault on purpose: ``python -m tests.faults.stuck FILE``.

The loop hangs when the ledger is to store one certain reading, as in a deadlock. All other threads
go on, among them those that keep the connection to the broker. With ``helper`` a separate thread
also gives the signs of life: such a thread deceives the watchdog, and a test of the watchdog must
notice that.
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
"""The reading at which the loop hangs."""


def stick() -> None:
    """Make the loop hang in the ledger."""
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
