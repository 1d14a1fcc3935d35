"""A charge point that speaks OCPP: its declaration and its present state."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from adapters.contract.messages import Pilot
from adapters.ocpp_point.counted_register import CountedRegister
from config.household.household_file import HouseholdFile
from planners.home.allotments import shares_by_plan

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


@dataclass(frozen=True)
class Equipment:
    """A charge point that speaks OCPP, as the household file declares it.

    Attributes
    ----------
    name : str
        The charge point's name in the household file.
    identity : str
        Its identity in OCPP.
    password_file : Path or None
        The file of its password, read at each connection; None if it has none.
    connector : int
        Number of its connector, from 1.
    phases : int
        Phases it is connected to.
    volts : float
        Line to neutral [V].
    max_amps : float
        The highest current it may give [A per phase].
    home_phases : int
        The phases of the home's supply, if it has a meter there; else 0.
    reports_grid : bool
        Whether that meter shows what the home's own roofs leave over: there are roofs, and no other
        meter at the grid is declared.
    vehicle_phases : int
        The fewest phases on which a vehicle charges here; 0 for as many as the equipment has.
    sets_current : bool
        Whether the file counts on a current that can be set.
    alone_amps : float
        What a charge may take that begins while the daemon is away [A per phase].
    may_not_end : bool
        Whether a start may be sent whose end the equipment does not know: nobody else then counts
        on what it leaves.
    networks : tuple of str
        From where it may connect without a password.
    certificate_name : str
        The common name of its certificate; empty if it has none.
    register_wh : float or None
        The last register that is known, to count on from if it reports power alone.
    """

    name: str
    identity: str
    password_file: Path | None
    connector: int
    phases: int
    volts: float
    max_amps: float
    home_phases: int = 0
    reports_grid: bool = False
    vehicle_phases: int = 0
    sets_current: bool = True
    alone_amps: float = 0.0
    may_not_end: bool = True
    networks: tuple[str, ...] = ()
    certificate_name: str = ""
    register_wh: float | None = None

    @property
    def fewest_phases(self) -> int:
        """The fewest phases that a charge may take."""
        return min(self.phases, self.vehicle_phases or self.phases)


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
            home_phases=len(file.household.phases) if point.ocpp.home_meter else 0,
            reports_grid=(
                point.ocpp.home_meter
                and file.generation is not None
                and file.household.grid_meter is None
            ),
            vehicle_phases=min(
                (car.phases for car in file.vehicles.values() if car.charge_point == name),
                default=0,
            ),
            sets_current=point.switching == "current",
            alone_amps=point.ocpp.alone_amps,
            may_not_end=not shares_by_plan(file),
            networks=point.ocpp.without_password_from,
            certificate_name=point.ocpp.certificate_name or "",
        )
        for name, point in file.charge_points.items()
        if point.ocpp is not None
    )


StartKey = tuple[str, int, str]
"""The contents of a StartTransaction: tag, register [Wh], instant."""


@dataclass
class EquipmentState:
    """What is known about equipment now.

    It survives a lost connection, because equipment that returns reports only what has changed.

    Attributes
    ----------
    transaction : int or None
        The number of the transaction that runs, if it is known.
    statuses : dict of int to str
        The last status of the connector, and of the whole equipment.
    started : StartKey or None
        The last StartTransaction, and ...
    started_as : int
        ... the number it got. Equipment that lost the answer repeats the message.
    ended : int
        The highest number of a transaction that has ended.
    on_other_connectors : set of int
        Transactions on other connectors of the equipment.
    model : str
        Vendor, model and firmware, if it has booted since the daemon started.
    register : CountedRegister
        The register, counted from the power if it is not reported.
    troubles : dict of str to str
        What was reported as wrong, by its code.
    """

    transaction: int | None = None
    statuses: dict[int, str] = field(default_factory=dict)
    started: StartKey | None = None
    started_as: int = 0
    ended: int = 0
    on_other_connectors: set[int] = field(default_factory=set)
    model: str = ""
    register: CountedRegister = field(default_factory=CountedRegister)
    troubles: dict[str, str] = field(default_factory=dict)

    def runs(self, connector: int) -> bool:
        """Return whether a transaction runs on a connector, its number known or not."""
        return self.transaction is not None or self.statuses.get(connector) in RUNNING

    @property
    def last_transaction(self) -> int | None:
        """The number of the newest transaction that was ever known."""
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
        if reported == connector and status in ENDED:
            self.ended = max(self.ended, self.transaction or 0)
            self.transaction = None
        if self.statuses.get(WHOLE_EQUIPMENT) in OUT_OF_USE:
            return "F"
        return PILOT_OF_STATUS.get(self.statuses.get(connector, ""))
