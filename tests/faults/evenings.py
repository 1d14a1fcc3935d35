"""The evenings that are rehearsed with faults, all at Kowhai Cottage, and their limits."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

AUCKLAND: Final = ZoneInfo("Pacific/Auckland")
POINT: Final = "driveway"
VEHICLE: Final = "hatchback"


@dataclass(frozen=True, slots=True)
class PersonRequest:
    """A person's request, so long after the plug-in."""

    after: timedelta
    request: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Scene:
    """One evening.

    Attributes
    ----------
    name : str
        For people.
    at : str
        The plug-in, local time.
    soc_percent : float
        State of charge then.
    lines : tuple of (str, str)
        Text that is replaced in the demo household.
    asks : tuple of PersonRequest
        A person's requests.
    peak_amps : float
        The most that may flow from 17:00 to 21:00, under the main fuse [A].
    amps : float
        The most that may flow at all [A].
    need_percent : float
        The least state of charge at the departure, by the file.
    """

    name: str
    at: str
    soc_percent: float
    lines: tuple[tuple[str, str], ...] = ()
    asks: tuple[PersonRequest, ...] = ()
    peak_amps: float = 32.0
    amps: float = 32.0
    need_percent: float = 60.0

    @property
    def begins(self) -> datetime:
        """The plug-in, in UTC."""
        return datetime.fromisoformat(self.at).astimezone(UTC)

    def allowed_amps(self, instant: datetime) -> float:
        """Return the highest current that the file allows."""
        local = instant.astimezone(AUCKLAND)
        return self.peak_amps if 17 <= local.hour < 21 else self.amps

    def write(self, directory: Path, broker: str) -> Path:
        """Write the household file, with its broker and its replaced text."""
        text = files("config").joinpath("examples", "kowhai.yaml").read_text("utf-8")
        for old, new in (("mqtt://127.0.0.1:1883", broker), *self.lines):
            assert old in text, old
            text = text.replace(old, new)
        path = directory / "house.yaml"
        path.write_text(text, "utf-8")
        return path


_WANTS_ALL = ("need_percent: 60, want_percent: 80, max", "need_percent: 90, want_percent: 100, max")
_LOADED = (
    "  public_holidays: NZ",
    '  known_load: [{amps: 40, hours: ["17:00-21:00"]}]\n  public_holidays: NZ',
)
_RELAY = (
    ("switching: current", "switching: on_off"),
    ("    max_amps: 32\n    min_amps", "    max_amps: 16\n    min_amps"),
)
_NOW = PersonRequest(timedelta(minutes=37), {"charge_now": True})
_CLEAR = PersonRequest(timedelta(minutes=71), {"clear": True})

SCENES: Final = (
    Scene("a Wednesday", "2026-06-03T18:30:00+12:00", 35),
    Scene("a Friday", "2026-06-05T17:10:00+12:00", 20, need_percent=50),
    Scene("summer time ends", "2026-04-04T18:30:00+13:00", 30, need_percent=50),
    Scene("summer time begins", "2026-09-26T18:30:00+12:00", 25, need_percent=50),
    Scene(
        "charge now beside a cooker", "2026-06-04T18:03:00+12:00", 40,
        (_LOADED,), (_NOW, _CLEAR), peak_amps=23.0,
    ),
    Scene("a battery filled", "2026-06-09T18:20:00+12:00", 55, (_WANTS_ALL,), need_percent=90),
    Scene("a relay", "2026-06-10T18:40:00+12:00", 30, _RELAY, amps=16.0, peak_amps=16.0),
)  # fmt: skip
