"""Play nights of one seed, and say what is wrong with them."""

from __future__ import annotations

import hashlib
import json
from contextlib import closing
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from adapters.ledger.file import open_file
from tests.virtual_years.broker import Broker
from tests.virtual_years.faults import Faults
from tests.virtual_years.life import AMPS, EFFICIENCY, HOUSEHOLD, USABLE_KWH, VOLTS, Life, Night
from tests.virtual_years.process import DaemonProcess
from tests.virtual_years.world import BEGINS, World

_MEMORY: Final = Path("/dev/shm")  # noqa: S108 - a folder in memory
WANTED_PERCENT: Final = 80.0
LATE_SECONDS: Final = 15 * 60
"""What one break may cost of the cheap hours: a restart, a new report, a rest."""
DEAR_KWH: Final = 0.3
DEAR_EACH_KWH: Final = 0.7
"""What may flow in dear hours because of one break: a command in force that nobody could end."""
CLOSE_KWH: Final = 0.01


@dataclass
class Played:
    """What became of the nights of one seed."""

    seed: int
    nights: list[Night]
    faults: int
    starts: int
    wrong: list[str] = field(default_factory=list)
    history: list[str] = field(default_factory=list)
    judged: int = 0

    @property
    def digest(self) -> str:
        """A digest of the whole history."""
        return hashlib.blake2b("\n".join(self.history).encode(), digest_size=8).hexdigest()


def play(seed: int, nights: int, *, calm: bool = False) -> Played:
    """Play nights with faults, and two without, at the end.

    Parameters
    ----------
    seed : int
        Decides everything.
    nights : int
        How many to play with faults.
    calm : bool
        Whether nothing is to go wrong at all.

    Returns
    -------
    Played
        What really happened, and what was wrong.
    """
    with TemporaryDirectory(dir=_MEMORY) as folder:
        path = Path(folder) / "house.yaml"
        path.write_text(HOUSEHOLD, "utf-8")
        world = World(seed)
        broker = Broker(world)
        process = DaemonProcess(world, broker, path)
        life = Life(world, broker, process)
        faults = Faults(world, broker, process, life)
        begun_kwh = life.point.register_kwh
        process.start()
        life.begin()
        for day in range(nights):
            noon = BEGINS + timedelta(days=day)
            if not calm:
                faults.draw(noon)
            world.run_until(noon + timedelta(days=1))
        world.run_until(BEGINS + timedelta(days=nights + 2, minutes=30))
        played = Played(seed, life.nights, faults.count, process.starts, list(process.faults))
        played.history = world.history
        _judge_nights(played)
        if process.is_up:
            process.crash()
        _judge_ledger(played, Path(folder) / "ledger.sqlite3", life.point.register_kwh - begun_kwh)
    return played


def _judge_nights(played: Played) -> None:
    """Hold each night against what the daemon could do in the time in which all was well."""
    for night in played.nights:
        if night.has_wish or night.has_wrong_clock or night.soc_after == 0:
            continue
        wanted_kwh = max(0, WANTED_PERCENT - night.soc_before) / 100 * USABLE_KWH / EFFICIENCY
        seconds = wanted_kwh / (AMPS * VOLTS / 1000) * 3600
        dear = night.dear_kwh - DEAR_KWH - DEAR_EACH_KWH * night.breaks
        if seconds + LATE_SECONDS * (1 + night.breaks) > night.well_seconds:
            continue
        played.judged += 1
        if night.soc_after < min(WANTED_PERCENT, max(WANTED_PERCENT, night.soc_before)) - 1:
            played.wrong.append(_about(night, "too little was charged"))
        if dear > 0:
            played.wrong.append(_about(night, "it was charged in dear hours"))
        if night.soc_after > max(WANTED_PERCENT, night.soc_before) + 1:
            played.wrong.append(_about(night, "too much was charged"))


def _about(night: Night, what: str) -> str:
    socs = f"{night.soc_before:.1f} -> {night.soc_after:.1f} %"
    return (
        f"night of {night.comes_at:%m-%d}: {what}: {socs},"
        f" {night.cheap_kwh:.2f} kWh cheap, {night.dear_kwh:.2f} dear, {night.breaks} breaks,"
        f" {night.well_seconds / 3600:.1f} h well"
    )


def _judge_ledger(played: Played, path: Path, metered_kwh: float) -> None:
    """Hold the account against the meter, and each night against a single record."""
    with closing(open_file(path)) as connection:
        [(integrity,)] = connection.execute("PRAGMA integrity_check").fetchall()
        rows = connection.execute("SELECT night, body FROM nights ORDER BY night").fetchall()
    if integrity != "ok":
        played.wrong.append(f"the ledger is damaged: {integrity}")
    bodies = [json.loads(body) for _, body in rows]
    recorded = sum(float(body["energy_kwh"]) for body in bodies)
    if abs(recorded - metered_kwh) > CLOSE_KWH:
        played.wrong.append(f"recorded {recorded:.3f} kWh, metered {metered_kwh:.3f}")
