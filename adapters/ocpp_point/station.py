"""What is known of equipment that speaks OCPP 2: its connectors, and its transaction.

A charging station names its transactions itself, and says what they do in TransactionEvent. That
may come late, twice, or long after another one: it is stored while the connection is lost.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final, Literal

from typing_extensions import override

from adapters.ocpp_point.state import OUT_OF_USE, RUNNING, EquipmentState

EventKind = Literal["Started", "Updated", "Ended"]

MOST_REMEMBERED: Final = 100
"""So many transactions are remembered that have ended, or run on another EVSE."""
MOST_CONNECTORS: Final = 16
"""An EVSE has a socket and a cable or two; further connectors are not kept."""

_STATUS_OF: Final = {
    "Charging": "Charging",
    "SuspendedEV": "SuspendedEV",
    "SuspendedEVSE": "SuspendedEVSE",
    "EVConnected": "Preparing",
    "Idle": "Available",
}
"""The status of OCPP 1.6 for each charging state of OCPP 2."""


@dataclass(frozen=True)
class TransactionEvent:
    """A message about a transaction.

    Attributes
    ----------
    kind : {"Started", "Updated", "Ended"}
        What it says of the transaction.
    transaction : str
        Its name, given by the equipment.
    at : datetime
        When it happened, in UTC.
    number : int
        Grows within a transaction; the same one comes again if its answer was lost.
    is_offline : bool
        Whether it happened while there was no connection.
    charging_state : str or None
        What happens now; None if that has not changed.
    is_authorized : bool
        Whether it says who may charge, or that the daemon has started it.
    has_left : bool
        Whether the vehicle was unplugged.
    """

    kind: EventKind
    transaction: str
    at: datetime
    number: int
    is_offline: bool = False
    charging_state: str | None = None
    is_authorized: bool = False
    has_left: bool = False


@dataclass
class StationState(EquipmentState):
    """What is known about equipment that speaks OCPP 2.

    Attributes
    ----------
    connectors : dict of int to str
        The last status of each connector of the EVSE.
    charging_state : str or None
        What the transaction does.
    is_authorized : bool
        Whether somebody may charge in it: one may begin when the vehicle is plugged in, and wait.
    number : int
        The highest number of its messages.
    newest : datetime or None
        When the last message about it happened.
    over : deque of str
        Transactions that have ended.
    elsewhere : deque of str
        Transactions on other EVSEs.
    """

    transaction: str | None = None  # type: ignore[mutable-override]  # no other has this kind
    connectors: dict[int, str] = field(default_factory=dict)
    charging_state: str | None = None
    is_authorized: bool = False
    number: int = -1
    newest: datetime | None = None
    over: deque[str] = field(default_factory=lambda: deque(maxlen=MOST_REMEMBERED))
    elsewhere: deque[str] = field(default_factory=lambda: deque(maxlen=MOST_REMEMBERED))

    @override
    def runs(self, connector: int) -> bool:
        """Return whether a transaction runs in which somebody may charge."""
        status = self.statuses.get(connector)
        if self.transaction is None:
            return status in RUNNING
        return self.is_authorized and status != "Available"

    @property
    @override
    def last_transaction(self) -> str | None:
        return self.transaction or (self.over[-1] if self.over else None)

    def note_boot(self) -> None:
        """Take up that the equipment has booted: it counts anew, and may have forgotten."""
        self.number, self.charging_state = -1, None

    def belongs(self, transaction: str, evse: int | None, own: int) -> bool:
        """Return whether a transaction runs on the charge point's own EVSE.

        Parameters
        ----------
        transaction
            Its name.
        evse
            The EVSE that the message names; None if it names none, as later ones do.
        own
            The charge point's EVSE.

        Returns
        -------
        bool
            Whether it does.
        """
        if evse is None:
            return transaction not in self.elsewhere
        if evse == own:
            return True
        if transaction not in self.elsewhere:
            self.elsewhere.append(transaction)
        if transaction == self.transaction:
            self._change_to(None)  # it began without an EVSE, as where a card is shown first
        return False

    def take(self, event: TransactionEvent) -> str | None:
        """Take up a message about a transaction.

        Returns
        -------
        str or None
            The status of OCPP 1.6 that it shows; None if it shows nothing new.
        """
        if self.is_late(event):
            if event.kind == "Ended":
                self._note_over(event.transaction)
            return None
        if event.transaction != self.transaction:
            self._change_to(event.transaction)
        self.number, self.newest = event.number, event.at
        self.charging_state = event.charging_state or self.charging_state
        self.is_authorized |= event.is_authorized or self.charging_state in RUNNING
        if event.kind == "Ended":
            self._change_to(None)
            return "Available" if event.has_left else "Finishing"
        return None if event.charging_state is None else self._status()

    def take_connector(self, number: int, status: str) -> str:
        """Take up the status of a connector.

        Returns
        -------
        str
            The status of OCPP 1.6 that follows for the EVSE.
        """
        if number in self.connectors or len(self.connectors) < MOST_CONNECTORS:
            self.connectors[number] = status
        found = set(self.connectors.values())
        if "Occupied" in found:
            return self._status() or "Preparing"
        if "Available" in found:
            self.charging_state = None  # no vehicle: whatever its transaction did is over
        for each in ("Available", "Reserved", *OUT_OF_USE):
            if each in found:
                return each
        return status

    def is_late(self, event: TransactionEvent) -> bool:
        """Return whether a message changes nothing, as a later one has been taken up before."""
        if event.transaction in self.over:
            return True
        is_earlier = self.newest is not None and event.at < self.newest
        if event.transaction == self.transaction:
            # Equipment that does not count gives the same number, but a later instant.
            is_known = event.number <= self.number and (is_earlier or event.at == self.newest)
            return is_known and event.kind != "Ended"
        ends_another = event.kind == "Ended" and self.transaction is not None
        return ends_another or (event.is_offline and is_earlier)

    def _note_over(self, transaction: str) -> None:
        if transaction not in self.over:
            self.over.append(transaction)

    def _change_to(self, transaction: str | None) -> None:
        if self.transaction is not None:
            self._note_over(self.transaction)
        self.transaction, self.number = transaction, -1
        self.charging_state, self.is_authorized = None, False

    def _status(self) -> str | None:
        """Return the status that the charging state shows, if it is known."""
        if self.transaction is None or self.charging_state is None:
            return None
        if self.charging_state == "Idle" and "Occupied" in self.connectors.values():
            return "Preparing"
        return _STATUS_OF.get(self.charging_state)
