"""The homes that are played: one charge point, two behind one fuse, a foreign plug."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time
from typing import Final
from zoneinfo import ZoneInfo

ZONE: Final = ZoneInfo("Europe/London")
COMES: Final = time(18, 30)
LEAVES: Final = time(7, 40)
CHEAP: Final = (time(0, 30), time(5, 30))
VOLTS: Final = 230.0
EFFICIENCY: Final = 0.9
NEED_PERCENT: Final = 60.0
WANTED_PERCENT: Final = 80.0
KWH_PER_KM: Final = 0.165
"""What the vehicle really uses, as its household file says."""

_HEAD: Final = """\
household: {{name: Kowhai Cottage, timezone: Europe/London, currency: GBP{more}}}
tariffs:
  - name: Day and night
    bands:
      - {{name: night, rate: 0.10, hours: ["00:30-05:30"]}}
      - {{name: day, rate: 0.30}}
bus: {{broker: embedded}}
ledger: {{path: ledger.sqlite3}}
"""
_POINT: Final = """\
  {point}:
    charging_mode: 3
    max_amps: {amps:g}
    switching: current
    min_run_minutes: 5
    min_rest_minutes: 5
"""
TELLS_BOX: Final = "box/set"
BOX_SAYS: Final = "box/says"
_WIRING: Final = """\
    wiring:
      tell:
        start: {topic: box/set, text: '{"on": true, "amps": {amps}, "seconds": {seconds}}'}
        stop: {topic: box/set, text: '{"on": false}'}
        repeat_minutes: 5
      hear:
        pilot: {topic: box/says, pointer: /state, words: {free: A, plugged: B, charging: C}}
        power: {topic: box/says, pointer: /watts}
        energy: {topic: box/says, pointer: /total, unit: Wh}
        soc: {topic: box/says, pointer: /battery}
"""
_VEHICLE: Final = """\
  {vehicle}:
    charge_point: {point}
    usable_kwh: {usable_kwh:g}
    chemistry: nmc
    kwh_per_100km: 16.5
    daily_distance_km: 60
"""
_DEPARTURE: Final = """\
  - vehicle: {vehicle}
    days: [mon, tue, wed, thu, fri, sat, sun]
    at: "07:45"
    need_percent: 60
    want_percent: 80
    max_rate: 0.15
    margin_minutes: 0
"""


@dataclass(frozen=True)
class Place:
    """A charge point with the vehicle that comes to it.

    Attributes
    ----------
    point, vehicle : str
        Their names in the household file.
    amps : float
        The highest current of the charge point.
    usable_kwh : float
        What the vehicle's battery holds.
    """

    point: str
    vehicle: str
    amps: float
    usable_kwh: float

    def seconds_to(self, percent: float, before: float) -> float:
        """Return how long it charges at the highest current, from one state of charge on [s]."""
        stored_kwh = max(0.0, percent - before) / 100 * self.usable_kwh
        return stored_kwh / EFFICIENCY / (self.amps * VOLTS / 1000) * 3600

    def kwh_beyond_cheap_hours(self, percent: float, before: float) -> float:
        """Return how much of a charge at the highest current the cheap hours are too short for."""
        begins, ends = (each.hour * 3600 + each.minute * 60 for each in CHEAP)
        seconds = self.seconds_to(percent, before) - (ends - begins)
        return max(0.0, seconds) / 3600 * self.amps * VOLTS / 1000


@dataclass(frozen=True)
class Home:
    """A home to be played.

    Attributes
    ----------
    places : tuple of Place
        Its charge points.
    fuse_amps : int, optional
        Its main fuse.
    is_wired : bool
        Whether its charge point speaks in topics of its own.
    """

    places: tuple[Place, ...]
    fuse_amps: int | None = None
    is_wired: bool = False

    @property
    def text(self) -> str:
        """The household file."""
        # Joint plans take long: a wider step makes them quicker.
        fuse = f", main_fuse_amps: {self.fuse_amps}, tick_minutes: 15"
        more = "" if self.fuse_amps is None else fuse
        places = [vars(each) for each in self.places]
        wiring = _WIRING if self.is_wired else ""
        return "".join(
            [
                _HEAD.format(more=more),
                "charge_points:\n",
                *(_POINT.format(**each) + wiring for each in places),
                "vehicles:\n",
                *(_VEHICLE.format(**each) for each in places),
                "departures:\n",
                *(_DEPARTURE.format(**each) for each in places),
            ]
        )


_HATCHBACK: Final = Place("driveway", "hatchback", 32.0, 52.0)
ALONE: Final = Home((_HATCHBACK,))
WIRED: Final = Home((_HATCHBACK,), is_wired=True)
TWO: Final = Home((_HATCHBACK, Place("carport", "van", 16.0, 40.0)), fuse_amps=40)


def home_of(seed: int) -> Home:
    """Return the home that a seed plays: of twenty, one has two vehicles, four a foreign box."""
    return {3: TWO, 4: WIRED, 8: WIRED, 14: WIRED, 18: WIRED}.get(seed % 20, ALONE)
