"""What is known of one charge point that speaks OCPP: as declared, and as it was heard to be."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from adapters.contract.messages import Pilot
from config.household.household_file import HouseholdFile

WHOLE_EQUIPMENT: Final = 0
"""The number that stands for all connectors together."""

PILOT_OF_STATUS: Final[dict[str, Pilot]] = {
    "Available": "A",  # nothing is plugged in
    "Reserved": "A",  # kept free for somebody: nothing is plugged in either
    "Preparing": "B",  # a vehicle is there, no transaction yet
    "SuspendedEV": "B",  # the vehicle takes nothing, though it may
    "SuspendedEVSE": "B",  # the vehicle may not: the pilot offers no current
    "Finishing": "B",  # the transaction has ended, the cable is still in
    "Charging": "C",  # the contactor is closed
    "Faulted": "F",  # IEC 61851-1 has F for equipment that can't be used
    "Unavailable": "F",  # switched off for use: no current comes of it, whatever is plugged in
}
"""The pilot state of IEC 61851-1 that each status of OCPP 1.6 comes to. Preparing may also mean
that a card was shown before a plug was put in; B is taken, since a start does no harm then."""

OUT_OF_USE: Final = frozenset({"Faulted", "Unavailable"})
RUNNING: Final = frozenset({"Charging", "SuspendedEV", "SuspendedEVSE"})
"""Statuses that there are only within a transaction."""
ENDED: Final = frozenset({"Available", "Finishing"})
"""Statuses that leave no doubt that there is no transaction."""


@dataclass(frozen=True)
class Equipment:
    """A charge point that speaks OCPP, as the household file has it.

    Attributes
    ----------
    name : str
        The charge point's name in the household file.
    identity : str
        Its name in OCPP.
    password_file : Path
        Read at each connection.
    connector : int
        Number of its connector, from 1.
    phases : int
        Phases it is connected to.
    volts : float
        Line to neutral [V].
    max_amps : float
        The highest current it may draw [A per phase].
    """

    name: str
    identity: str
    password_file: Path
    connector: int
    phases: int
    volts: float
    max_amps: float


def equipment_of(file: HouseholdFile) -> tuple[Equipment, ...]:
    """List the charge points of a household that speak OCPP.

    Parameters
    ----------
    file
        The household file.

    Returns
    -------
    tuple of Equipment
        In the order of the file.
    """
    return tuple(
        Equipment(
            name=name,
            identity=point.ocpp.identity,
            password_file=point.ocpp.password_file,
            connector=point.ocpp.connector,
            phases=point.phases,
            volts=file.household.nominal_volts,
            max_amps=point.max_amps,
        )
        for name, point in file.charge_points.items()
        if point.ocpp is not None
    )


StartKey = tuple[str, int, str]
"""What a StartTransaction says: tag, register [Wh], instant."""


@dataclass
class EquipmentState:
    """What is known of a charge point.

    It outlives a connection: on return, equipment says only what has changed.

    Attributes
    ----------
    transaction : int or None
        The transaction that runs, if its number is known.
    statuses : dict of int to str
        The last status of the connector, and of the whole equipment.
    started : StartKey or None
        What the last StartTransaction said, and ...
    started_as : int
        ... the number it was given: one whose answer was lost is said again.
    ended : int
        The highest number of a transaction that has ended.
    elsewhere : set of int
        Transactions on other connectors of the equipment.
    """

    transaction: int | None = None
    statuses: dict[int, str] = field(default_factory=dict)
    started: StartKey | None = None
    started_as: int = 0
    ended: int = 0
    elsewhere: set[int] = field(default_factory=set)

    def runs(self, connector: int) -> bool:
        """Tell whether a transaction runs on a connector, its number known or not."""
        return self.transaction is not None or self.statuses.get(connector) in RUNNING

    def take_end(self, transaction: int) -> None:
        """Take the end of a transaction in, which need not be the one that runs now."""
        self.elsewhere.discard(transaction)
        if transaction == self.started_as:
            self.started = None
        self.ended = max(self.ended, transaction)
        if transaction == self.transaction:
            self.transaction = None

    def take_sample(self, transaction: object) -> None:
        """Take in the number that samples were said to be of.

        Numbers grow: a lower one is of samples that were kept while the connection was away, and
        one that has ended does not run again for a last sample of it.
        """
        if type(transaction) is int and transaction > max(self.transaction or 0, self.ended):
            self.transaction = transaction

    def take_status(self, connector: int, reported: int, status: str) -> Pilot | None:
        """Take a status notification in.

        Parameters
        ----------
        connector
            The charge point's own.
        reported
            The connector that it is about; 0 is the whole equipment.
        status
            A status of OCPP 1.6.

        Returns
        -------
        Pilot or None
            The pilot state of the connector; None where nothing is known of it.
        """
        if reported not in {connector, WHOLE_EQUIPMENT}:
            return None
        self.statuses[reported] = status
        if reported == connector and status in ENDED:
            self.ended = max(self.ended, self.transaction or 0)
            self.transaction = None
        if self.statuses.get(WHOLE_EQUIPMENT) in OUT_OF_USE:
            return "F"
        return PILOT_OF_STATUS.get(self.statuses.get(connector, ""))
