"""A ledger that refuses: what comes is acted on, and held unacknowledged until it can be kept.

Were the daemon to end meanwhile, the broker would send it again: it is not lost.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import structlog

from config.files.errors import LedgerDamaged, LedgerError
from daemon.control.events import LedgerHealth

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from datetime import datetime

    from adapters.bus.events import MessageArrived
    from adapters.ledger.ledger import Ledger

MOST_HELD = 1000
"""Messages held at the most: a broker stops sending when so many are unacknowledged, or sooner.
What comes beyond is left to the broker, which sends it again on the next connection."""

_log = structlog.get_logger(__name__)


class UnstoredMessage(NamedTuple):
    """A message that is not acknowledged yet, and whether the daemon has acted on it."""

    message: MessageArrived
    acted_on: bool


class LedgerTrouble:
    """Knows whether the ledger takes what it is given, and holds what it can't.

    Parameters
    ----------
    ledger : Ledger
        The durable record.
    """

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._why: str | None = None
        self._said: str | None = None
        self._held: list[UnstoredMessage] = []
        self._passed_over = False

    @property
    def holds(self) -> bool:
        """Whether the ledger refuses at present."""
        return self._why is not None

    def hold(self, message: MessageArrived, *, acted_on: bool) -> None:
        """Keep a message in mind, unacknowledged."""
        if len(self._held) < MOST_HELD:
            self._held.append(UnstoredMessage(message, acted_on))

    def let_go(self) -> list[UnstoredMessage]:
        """Hand over what was held, in the order it came."""
        held, self._held = self._held, []
        return held

    def was_passed_over(self) -> bool:
        """Tell, once, whether something was not kept since this was asked last."""
        passed_over, self._passed_over = self._passed_over, False
        return passed_over

    # --- what an inbox keeps ------------------------------------------------------------------

    def add_reading(
        self,
        charge_point: str,
        at: datetime,
        register_wh: int | None = None,
        watts: float | None = None,
        amps: float | None = None,
    ) -> bool:
        """Keep a reading as `Ledger.add_reading` does; what can't be kept is news."""
        return self._keep(
            lambda: self._ledger.add_reading(charge_point, at, register_wh, watts, amps)
        )

    def add_vehicle_report(
        self,
        charge_point: str,
        at: datetime,
        pilot: str | None = None,
        soc_percent: float | None = None,
    ) -> bool:
        """Keep a report as `Ledger.add_vehicle_report` does; what can't be kept is news."""
        return self._keep(
            lambda: self._ledger.add_vehicle_report(charge_point, at, pilot, soc_percent)
        )

    def add_request(self, charge_point: str, at: datetime, body: Mapping[str, object]) -> None:
        """Keep a request as `Ledger.add_request` does."""

        def add() -> bool:
            self._ledger.add_request(charge_point, at, body)
            return True

        self._keep(add)

    def _keep(self, add: Callable[[], bool]) -> bool:
        if self._why is None:
            try:
                return add()
            except LedgerError as error:
                self.note((error,))
        # While it refuses nothing more is tried: a locked file takes two seconds each time.
        self._passed_over = True
        return True

    # --- whether it refuses -------------------------------------------------------------------

    def note(self, errors: Iterable[LedgerError]) -> None:
        """Take note of what the ledger has refused.

        Parameters
        ----------
        errors : iterable of LedgerError
            As they were raised.

        Raises
        ------
        LedgerDamaged
            Again: there is no going on with a ledger that makes no sense.
        """  # noqa: DOC502 - it is one of the errors
        for error in errors:
            if isinstance(error, LedgerDamaged):
                raise error
            if self._why is None:
                _log.error("the ledger refuses", why=str(error))
            self._why = str(error)

    def try_again(self) -> bool:
        """Write something; True if the ledger refused before and does not any more."""
        if self._why is None:
            return False
        try:
            self._ledger.try_to_write()
        except LedgerError as error:
            self.note((error,))
            return False
        _log.info("the ledger can be written again", held=len(self._held))
        self._why = None
        return True

    def news(self) -> LedgerHealth | None:
        """Tell, once, that it refuses, or that it does not any more."""
        if (self._why is None) == (self._said is None):
            return None
        self._said = self._why
        return LedgerHealth("ledger-refuses", self._why)
