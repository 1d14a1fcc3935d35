"""What is known of equipment that speaks OCPP: its statuses, and the transaction that runs.

The statuses are those of OCPP 1.6; `station` translates those of OCPP 2.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from typing_extensions import override

from adapters.contract.messages import Pilot
from adapters.ocpp_point.counted_register import CountedRegister

WHOLE_EQUIPMENT: Final = 0
"""The connector number that means all connectors together."""

PILOT_OF_STATUS: Final[dict[str, Pilot]] = {
    "Available": "A",  # no vehicle is plugged in
    "Reserved": "A",  # kept free for somebody: no vehicle is plugged in either
    "Preparing": "B",  # a vehicle is plugged in, no transaction yet
    "SuspendedEV": "B",  # the vehicle draws nothing, though it may
    "SuspendedEVSE": "B",  # the vehicle may draw nothing: the pilot offers no current
    "Finishing": "B",  # the transaction has ended, the vehicle is still plugged in
    "Charging": "C",  # the contactor is closed
    "Faulted": "F",  # IEC 61851-1 has F for equipment that can't be used
    "Unavailable": "F",  # switched off: it gives no current, whatever is plugged in
}
"""The pilot state of IEC 61851-1 for each status of OCPP 1.6. Preparing may also mean that a card
was shown before the vehicle was plugged in; B is used for it, since a start does no harm then."""

OUT_OF_USE: Final = frozenset({"Faulted", "Unavailable"})
RUNNING: Final = frozenset({"Charging", "SuspendedEV", "SuspendedEVSE"})
"""Statuses that only occur during a transaction."""
ENDED: Final = frozenset({"Available", "Finishing"})
"""Statuses that only occur without a transaction."""


TransactionId = int | str
"""A number that the daemon gives (OCPP 1.6), or a text that the equipment gives (OCPP 2)."""


@dataclass
class EquipmentState:
    """What is known about equipment now.

    It survives a lost connection, because equipment that returns reports only what has changed.

    Attributes
    ----------
    transaction : int, str or None
        The transaction that runs, if it is known.
    statuses : dict of int to str
        The last status of the connector, and of the whole equipment.
    model : str
        Vendor, model and firmware, if it has booted since the daemon started.
    register : CountedRegister
        The register, counted from the power if it is not reported.
    troubles : dict of str to str
        What was reported as wrong, by its code.
    """

    transaction: TransactionId | None = None
    statuses: dict[int, str] = field(default_factory=dict)
    model: str = ""
    register: CountedRegister = field(default_factory=CountedRegister)
    troubles: dict[str, str] = field(default_factory=dict)

    def runs(self, connector: int) -> bool:
        """Return whether a transaction runs on a connector, its number known or not."""
        return self.transaction is not None or self.statuses.get(connector) in RUNNING

    @property
    def last_transaction(self) -> TransactionId | None:
        """The newest transaction that was ever known."""
        return self.transaction

    def update_status(self, connector: int, reported: int, status: str) -> Pilot | None:
        """Record a reported status, and return the pilot state that follows from it.

        Parameters
        ----------
        connector
            The charge point's own connector.
        reported
            The connector that the status is about; 0 is the whole equipment.
        status
            A status of OCPP 1.6.

        Returns
        -------
        Pilot or None
            The pilot state of the connector; None if it is not known.
        """
        if reported not in {connector, WHOLE_EQUIPMENT}:
            return None
        self.statuses[reported] = status
        if self.statuses.get(WHOLE_EQUIPMENT) in OUT_OF_USE:
            return "F"
        return PILOT_OF_STATUS.get(self.statuses.get(connector, ""))


StartKey = tuple[str, int, str]
"""The contents of a StartTransaction: tag, register [Wh], instant."""


@dataclass
class NumberedState(EquipmentState):
    """What is known about equipment that speaks OCPP 1.6: its transactions have numbers.

    Attributes
    ----------
    started : StartKey or None
        The last StartTransaction, and ...
    started_as : int
        ... the number it got. Equipment that lost the answer repeats the message.
    ended : int
        The highest number of a transaction that has ended.
    on_other_connectors : set of int
        Transactions on other connectors of the equipment.
    """

    transaction: int | None = None  # type: ignore[mutable-override]  # no other has this kind
    started: StartKey | None = None
    started_as: int = 0
    ended: int = 0
    on_other_connectors: set[int] = field(default_factory=set)

    @property
    @override
    def last_transaction(self) -> int | None:
        return self.transaction or max(self.started_as, self.ended) or None

    def end_transaction(self, transaction: int) -> None:
        """Record that a transaction has ended, which may be an earlier one."""
        self.on_other_connectors.discard(transaction)
        if transaction == self.started_as:
            self.started = None
        self.ended = max(self.ended, transaction)
        if transaction == self.transaction:
            self.transaction = None

    def learn_transaction(self, transaction: object) -> None:
        """Learn from meter values which transaction runs.

        Numbers grow: a lower one comes with samples that were stored while the connection was lost.
        A transaction that has ended does not run again because of a last sample.
        """
        if type(transaction) is int and transaction > max(self.transaction or 0, self.ended):
            self.transaction = transaction

    @override
    def update_status(self, connector: int, reported: int, status: str) -> Pilot | None:
        if reported == connector and status in ENDED:
            self.ended = max(self.ended, self.transaction or 0)
            self.transaction = None
        return super().update_status(connector, reported, status)
