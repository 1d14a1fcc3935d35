"""Faults planted into the daemon on purpose, to check that the campaign finds them.

They exist only here, and replace the real code in a child process that asks for one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final
from unittest.mock import patch

from adapters.bus.events import MessageArrived
from adapters.ledger.ledger import Ledger
from daemon.service import recovery
from daemon.service.service import Service

if TYPE_CHECKING:
    from daemon.control.state import House, PointState


def acknowledge_on_arrival() -> None:
    """Acknowledge a message when it arrives, before it is stored."""
    post = Service.post

    def early(self: Service, event: Any) -> None:  # noqa: ANN401 - passed on as it is
        if isinstance(event, MessageArrived):
            event.ack()
            event = replace(event, ack=lambda: None)
        post(self, event)

    patch.object(Service, "post", early).start()


def forget_the_serial() -> None:
    """Count serials from 1 again after every start."""
    recover = recovery.recover

    def forgetful(ledger: Ledger, point: str, now: datetime, house: House) -> PointState:
        return replace(recover(ledger, point, now, house), serial=0, command=None)

    patch("daemon.service.service.recover", forgetful).start()


def close_a_night_twice() -> None:
    """Record every night under the previous date as well."""
    close = Ledger.close_night

    def twice(self: Ledger, night: date, *rest: Any) -> bool:  # noqa: ANN401 - passed on as it is
        close(self, night - timedelta(days=1), *rest)
        return close(self, night, *rest)

    patch.object(Ledger, "close_night", twice).start()


PLANTS: Final[dict[str, Callable[[], None]]] = {
    "acknowledge on arrival": acknowledge_on_arrival,
    "forget the serial": forget_the_serial,
    "close a night twice": close_a_night_twice,
}
