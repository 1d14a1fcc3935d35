"""The rest of a rehearsed home: its meter, and what flowed through the main fuse."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from adapters.simulated.load_meter import SimulatedLoadMeter
from planners.plan.plan import instant_text

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from adapters.contract.topics import Topics
    from adapters.simulated.charge_point import SimulatedChargePoint
    from config.doors.broker import Bus
    from config.household.household_file import HouseholdFile

PHASES = ("L1", "L2", "L3")


@dataclass(frozen=True, slots=True)
class GuardedChange:
    """Another current for a charge point because of what the home draws.

    Attributes
    ----------
    at : datetime
        UTC.
    charge_point : str
        Its name in the household file.
    before_amps, amps : float
        Current of the command before and after; 0 is a stop [A per phase].
    home_amps : float
        What the rest of the home draws on its highest phase [A].
    """

    at: datetime
    charge_point: str
    before_amps: float
    amps: float
    home_amps: float


@dataclass(slots=True)
class HomeNight:
    """What a simulated home drew in a night, and what that changed.

    Attributes
    ----------
    highest_amps : float
        The most that the rest of the home drew on a phase [A].
    highest_with_charging_amps : float
        The most that flowed through a phase of the main fuse while a vehicle charged on it [A].
    changes : list of GuardedChange
        In the order of time.
    """

    highest_amps: float = 0.0
    highest_with_charging_amps: float = 0.0
    changes: list[GuardedChange] = field(default_factory=list)

    @property
    def times_lowered(self) -> int:
        """How often the current of a charge point was lowered, or its charge stopped."""
        return sum(each.amps < each.before_amps for each in self.changes)

    def to_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        return {
            "highest_amps": round(self.highest_amps, 3),
            "highest_with_charging_amps": round(self.highest_with_charging_amps, 3),
            "changes": [
                {
                    "at": instant_text(each.at),
                    "charge_point": each.charge_point,
                    "before_amps": each.before_amps,
                    "amps": each.amps,
                    "home_amps": each.home_amps,
                }
                for each in self.changes
            ],
        }


class RehearsedHome:
    """A simulated home beside the simulated charge points.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    bus : Bus
        A running broker.
    topics : Topics
        The household's topics.
    at : datetime
        When the rehearsal begins.

    Attributes
    ----------
    meter : SimulatedLoadMeter
        Reports what the home draws, without the charge points.
    night : HomeNight
        What has happened so far.
    """

    def __init__(self, file: HouseholdFile, bus: Bus, topics: Topics, at: datetime) -> None:
        self._file = file
        self._topic = topics.load
        used = {phase for point in file.charge_points.values() for phase in point.phase_names}
        phases = 1 if used <= {PHASES[0]} else len(PHASES)
        self.meter = SimulatedLoadMeter(bus, topics, file.zone, phases, at)
        self.night = HomeNight()

    def is_load(self, topic: str) -> bool:
        """Whether a message on a topic is a reading of the home's load."""
        return topic == self._topic

    def note(self, points: Mapping[str, SimulatedChargePoint]) -> None:
        """Take up what flows now.

        Parameters
        ----------
        points : mapping of str to SimulatedChargePoint
            All that take part, by name.
        """
        night = self.night
        night.highest_amps = max(night.highest_amps, *self.meter.amps)
        for place, home_amps in enumerate(self.meter.amps):
            charging = sum(
                point.amps()
                for name, point in points.items()
                if PHASES[place] in self._file.charge_points[name].phase_names[: point.phases_used]
            )
            if charging > 0:
                night.highest_with_charging_amps = max(
                    night.highest_with_charging_amps, home_amps + charging
                )

    def note_change(
        self, charge_point: str, before_amps: float, amps: float, now: datetime
    ) -> None:
        """Record another current after a reading of the home's load."""
        home_amps = max(self.meter.amps)
        self.night.changes.append(GuardedChange(now, charge_point, before_amps, amps, home_amps))
