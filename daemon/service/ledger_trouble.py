"""Act on messages while the ledger refuses them, and hold them until they can be stored.

They stay unacknowledged: if the daemon ends meanwhile, the broker sends them again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import structlog

from config.files.errors import LedgerDamaged, LedgerError
from daemon.control.events import HouseholdHealth

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from datetime import datetime

    from adapters.bus.events import MessageArrived
    from adapters.ledger.ledger import Ledger

MOST_HELD = 1000
"""The most messages held: with that many unacknowledged, a broker has stopped sending.
It sends any others again on the next connection."""

_log = structlog.get_logger(__name__)


class UnstoredMessage(NamedTuple):
    """A message that is not acknowledged yet, and whether the daemon has acted on it."""

    message: MessageArrived
    acted_on: bool


class LedgerTrouble:
    """Knows whether the ledger accepts rows, and holds the messages that it refuses.

    Parameters
    ----------
    ledger : Ledger
        The durable record.
    """

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._why: str | None = None
        self._reported: str | None = None
        self._held: list[UnstoredMessage] = []
        self._has_skipped = False

    @property
    def holds(self) -> bool:
        """Whether the ledger refuses rows now."""
        return self._why is not None

    def hold(self, message: MessageArrived, *, acted_on: bool) -> None:
        """Hold a message, unacknowledged."""
        if len(self._held) < MOST_HELD:
            self._held.append(UnstoredMessage(message, acted_on))

    def release(self) -> list[UnstoredMessage]:
        """Hand over the held messages in the order in which they came."""
        held, self._held = self._held, []
        return held

    def take_skipped(self) -> bool:
        """Return, once, whether a row was not stored since the last call."""
        has_skipped, self._has_skipped = self._has_skipped, False
        return has_skipped

    # --- the store of an inbox ----------------------------------------------------------------

    def add_reading(
        self,
        charge_point: str,
        at: datetime,
        register_wh: int | None = None,
        watts: float | None = None,
        amps: float | None = None,
    ) -> bool:
        """Store a reading as `Ledger.add_reading` does; one that can't be stored counts as new."""
        return self._store(
            lambda: self._ledger.add_reading(charge_point, at, register_wh, watts, amps)
        )

    def add_vehicle_report(
        self,
        charge_point: str,
        at: datetime,
        pilot: str | None = None,
        soc_percent: float | None = None,
    ) -> bool:
        """Store a report as `Ledger.add_vehicle_report` does; it counts as new likewise."""
        return self._store(
            lambda: self._ledger.add_vehicle_report(charge_point, at, pilot, soc_percent)
        )

    def add_request(self, charge_point: str, at: datetime, body: Mapping[str, object]) -> None:
        """Store a request as `Ledger.add_request` does."""

        def add() -> bool:
            self._ledger.add_request(charge_point, at, body)
            return True

        self._store(add)

    def _store(self, add: Callable[[], bool]) -> bool:
        if self._why is None:
            try:
                return add()
            except LedgerError as error:
                self.note((error,))
        # Nothing more is tried while it refuses: a locked file takes two seconds each time.
        self._has_skipped = True
        return True

    # --- whether it refuses -------------------------------------------------------------------

    def note(self, errors: Iterable[LedgerError]) -> None:
        """Note the errors that the ledger raised.

        Parameters
        ----------
        errors : iterable of LedgerError
            The errors.

        Raises
        ------
        LedgerDamaged
            If one of them is that: the daemon can't go on with a damaged ledger.
        """  # noqa: DOC502 - it is one of the errors
        for error in errors:
            if isinstance(error, LedgerDamaged):
                raise error
            if self._why is None:
                _log.error("the ledger refuses", why=str(error))
            self._why = str(error)

    def try_again(self) -> bool:
        """Try to write; True if the ledger refused before and accepts rows again."""
        if self._why is None:
            return False
        try:
            self._ledger.try_to_write()
        except LedgerError as error:
            self.note((error,))
            if not self._is_freed():
                return False
        _log.info("the ledger can be written again", held=len(self._held))
        self._why = None
        return True

    def _is_freed(self) -> bool:
        """Shut out readers that keep the ledger from being written; whether that helped."""
        try:
            if not self._ledger.shut_readers_out():
                return False
            self._ledger.try_to_write()
        except LedgerError as error:
            self.note((error,))
            return False
        return True

    def news(self) -> HouseholdHealth | None:
        """Report, once, that the ledger refuses rows, or that it accepts them again."""
        if (self._why is None) == (self._reported is None):
            return None
        self._reported = self._why
        return HouseholdHealth("ledger-refuses", self._why)
