"""Make homes by the hundred, with seeded tariffs and records, and choices for them."""

from __future__ import annotations

import json
import random
import sqlite3
from contextlib import closing
from datetime import datetime
from pathlib import Path
from shutil import copyfile

from tests.daemon.desk.test_appraising import CHEAP_NIGHT, CHOICES, NIGHTS, ONE_RATE
from tests.daemon.desk.test_months import NAME
from tests.daemon.month.recorded import hour, recorded

SEED = 23
EVENING = """
  - name: Evening
    tariff:
      name: Evening peak
      standing_charge: 1.60
      tax_percent: 15
      bands:
        - {name: peak, rate: 0.392, hours: ["17:00-21:00"]}
        - {name: day, rate: 0.236}
    charge_point: {charging_mode: 3, max_amps: 16, switching: current}
    need_percent: 60
"""
"""With the home as it is now, the fourth choice."""


def choices_file(folder: Path) -> Path:
    """Write the choices."""
    text = CHOICES.format(driving="distance_per_year: 9000 km")
    text = text.replace("usable_kwh: 20", "usable_kwh: 20, kwh_per_100km: 16")
    file = folder / "choices.yaml"
    file.write_text(text + EVENING.lstrip("\n"), "utf-8")
    return file


def homes(folder: Path, count: int) -> list[Path]:
    """Make homes, each with four weeks of its own; those that are there stay.

    Parameters
    ----------
    folder : Path
        Gets a folder for each home.
    count : int
        How many.

    Returns
    -------
    list of Path
        Household files.
    """
    draw = random.Random(SEED)
    nights: dict[datetime, int] = {}
    for day in range(2, NIGHTS + 2):
        nights |= hour(day, 1, 7200)
    first = folder / "first"
    if not first.exists():
        first.mkdir(parents=True)
        changes = [("tick_minutes: 5 ", "tick_minutes: 30 ")]
        recorded(first, "kowhai", nights, NIGHTS, ONE_RATE, changes=changes)
    base = (first / "house.yaml").read_text("utf-8")
    files = []
    for number in range(count):
        tariff, factor = draw.choice([ONE_RATE, CHEAP_NIGHT]), draw.uniform(0.4, 1.6)
        place = folder / f"home-{number:05d}"
        files.append(place / "house.yaml")
        if files[-1].exists():
            continue
        place.mkdir()
        copyfile(first / "ledger.sqlite3", place / "ledger.sqlite3")
        _scale(place / "ledger.sqlite3", factor)
        text = base.replace(NAME, f"name: Home {number}").replace(ONE_RATE, tariff)
        files[-1].write_text(text, "utf-8")
    return files


def _scale(ledger: Path, factor: float) -> None:
    """Multiply the energy of every night."""
    with closing(sqlite3.connect(ledger)) as opened, opened:
        for row, body in opened.execute("SELECT rowid, body FROM nights").fetchall():
            night = json.loads(body)
            night["energy_kwh"] = round(night["energy_kwh"] * factor, 3)
            opened.execute("UPDATE nights SET body = ? WHERE rowid = ?", (json.dumps(night), row))
