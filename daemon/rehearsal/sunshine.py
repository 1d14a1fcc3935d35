"""The simulated roofs of a rehearsed home, and where the vehicles' energy came from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from adapters.simulated.roof import SimulatedRoof
from config.files.errors import UsageError
from planners.local_time.conversion import minute_of
from planners.power.home_load import home_kw

if TYPE_CHECKING:
    from datetime import datetime

    from adapters.contract.topics import Topics
    from adapters.simulated.roof import Sky
    from config.doors.broker import Bus
    from config.household.household_file import HouseholdFile

SECONDS_PER_HOUR = 3600


@dataclass(slots=True)
class SunnyNight:
    """What simulated roofs gave, and where the vehicles' energy came from.

    Attributes
    ----------
    sky : str
        What was above them.
    roof_kwh : float
        All that they gave [kWh].
    charged_kwh, charged_from_roof_kwh : float
        What the vehicles took, and the part of it that was left over by the home itself [kWh].
    """

    sky: str
    roof_kwh: float = 0.0
    charged_kwh: float = 0.0
    charged_from_roof_kwh: float = 0.0

    def to_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        return {
            "sky": self.sky,
            "roof_kwh": round(self.roof_kwh, 3),
            "charged_kwh": round(self.charged_kwh, 3),
            "charged_from_roof_kwh": round(self.charged_from_roof_kwh, 3),
        }


class RehearsedSun:
    """Simulated roofs beside the simulated charge points.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    bus : Bus
        A running broker.
    topics : Topics
        The household's topics.
    sky : {"clear", "broken", "dull"}
        What is above the roofs.
    at : datetime
        When the rehearsal begins.

    Attributes
    ----------
    roof : SimulatedRoof
        Reports what the roofs give, and forecasts it.
    night : SunnyNight
        What has happened so far.

    Raises
    ------
    UsageError
        If the household has no roof.
    """

    def __init__(
        self, file: HouseholdFile, bus: Bus, topics: Topics, sky: Sky, at: datetime
    ) -> None:
        if file.generation is None or not file.generation.roofs:
            raise UsageError("--sun: expected a household with roofs under generation")
        self._file = file
        self._at = at
        self._charging_kw = 0.0
        minute = minute_of(at)
        self.roof = SimulatedRoof(bus, topics, file.generation, sky, at)
        self.roof.used_watts = 1000 * float(home_kw(file, minute, minute + 1)[0])
        self.night = SunnyNight(sky)

    def note(self, charging_kw: float, now: datetime) -> None:
        """Take up what the vehicles draw from now on; the time before counts as it was.

        Parameters
        ----------
        charging_kw : float
            What all vehicles draw together [kW].
        now : datetime
            UTC.
        """
        hours = (now - self._at).total_seconds() / SECONDS_PER_HOUR
        roof_kw, minute = self.roof.watts / 1000, minute_of(self._at)
        used_kw = float(home_kw(self._file, minute, minute + 1)[0])
        left_kw = max(0.0, roof_kw - used_kw)
        night = self.night
        night.roof_kwh += roof_kw * hours
        night.charged_kwh += self._charging_kw * hours
        night.charged_from_roof_kwh += min(left_kw, self._charging_kw) * hours
        self._at, self._charging_kw = now, charging_kw
        self.roof.used_watts = 1000 * (used_kw + charging_kw)
