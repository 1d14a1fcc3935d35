"""Make simulated hardware that is reached as a household's charge points are wired."""

from __future__ import annotations

from typing import TYPE_CHECKING

from adapters.simulated.backwards import Reports
from adapters.simulated.hardware import SimulatedHardware
from adapters.simulated.wired import SimulatedWiredHardware
from config.files.errors import UsageError

if TYPE_CHECKING:
    from adapters.contract.topics import Topics
    from adapters.simulated.charge_point import SimulatedChargePoint
    from adapters.simulated.faults import Fault
    from config.doors.broker import Bus
    from config.household.household_file import HouseholdFile
    from daemon.rehearsal.rehearsal import MakeHardware


def hardware_as_wired(file: HouseholdFile, fault: Fault | None = None) -> MakeHardware:
    """Return what makes the hardware of each charge point as the file wires it.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    fault : Fault, optional
        What is wrong with the hardware.

    Returns
    -------
    callable
        It takes the physics of a charge point, the broker, the household's topics, and the charge
        point's name. One without `wiring` speaks the daemon's own messages. UsageError if no
        hardware could report as a wiring says.
    """

    def make(point: SimulatedChargePoint, bus: Bus, topics: Topics, name: str) -> SimulatedHardware:
        declared = file.charge_points[name]
        if declared.wiring is None:
            return SimulatedHardware(point, bus, topics, name, fault=fault)
        return SimulatedWiredHardware(
            point, bus, topics, name, wiring=declared.wiring, max_amps=declared.max_amps,
            watts_per_amp=file.household.nominal_volts * declared.phases, phases=declared.phases,
            fault=fault,
        )  # fmt: skip

    return make


def why_not_played(file: HouseholdFile) -> str | None:
    """Return why the wiring of a household can't be played; None if it can."""
    for name, point in file.charge_points.items():
        hear = point.wiring.hear if point.wiring is not None else None
        try:
            if hear is not None:
                Reports(hear)
        except UsageError as error:
            return f"{name}: {error}"
    return None
