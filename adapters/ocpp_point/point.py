"""A charge point that speaks OCPP, as the household file declares it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from config.household.household_file import HouseholdFile
from planners.home.allotments import shares_by_plan


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
        Number of its connector, from 1; in OCPP 2 that of its EVSE.
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
    version : str or None
        The only version of OCPP that is spoken with it; None for the best that both speak.
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
    version: str | None = None
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
            version=point.ocpp.version,
        )
        for name, point in file.charge_points.items()
        if point.ocpp is not None
    )
