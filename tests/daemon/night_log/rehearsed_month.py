"""A whole October under a real service, with a clock change and some faults.

Invented: Kowhai Cottage moved to the zone Europe/Berlin, since the clock goes back there within an
October (on the 25th); its tariff is followed by another one on the 16th.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from structlog.testing import capture_logs

from adapters.ledger.ledger import open_ledger
from tests.daemon.sites import Site, household_file
from tests.daemon.worlds import HOUR, MINUTE

if TYPE_CHECKING:
    from pathlib import Path

ZONE = ZoneInfo("Europe/Berlin")
FIRST, LAST = date(2026, 10, 1), date(2026, 10, 31)
RESET, GAP, LATE = date(2026, 10, 8), date(2026, 10, 13), date(2026, 10, 6)
"""The nights in which the register starts again, the meter is silent, the vehicle comes late."""

NEW_TARIFF = """
  - name: Two-band
    valid_from: 2026-10-16
    standing_charge: 2.10
    tax_percent: 19
    bands:
      - {name: night, rate: 0.1571, hours: ["22:00-05:30"]}
      - {name: day, rate: 0.3137}

charge_points:"""
CHANGES = (
    ("timezone: Pacific/Auckland", "timezone: Europe/Berlin"),
    ("currency: NZD", "currency: EUR"),
    ("public_holidays: NZ", "public_holidays: DE"),
    ("\ncharge_points:", NEW_TARIFF),
)


@dataclass
class Rehearsed:
    """The household file, and the energy that really flowed through the meter."""

    household: Path
    ledger: Path
    flowed_wh: float


def local(day: date, hour: int, minute: int = 0) -> datetime:
    return datetime(day.year, day.month, day.day, hour, minute, tzinfo=ZONE).astimezone(UTC)


def rehearse(directory: Path) -> Rehearsed:
    """Play the month, from its first morning to the noon after its last night."""
    household = household_file(directory, *CHANGES)
    path = directory / "ledger.sqlite3"
    flowed = 0.0
    with capture_logs(), open_ledger(path) as ledger:
        site = Site(household, ledger, local(FIRST, 10))
        site.begin()
        site.read()
        day = FIRST
        while day <= LAST:
            flowed += _night(site, day)
            day += timedelta(days=1)
        flowed += site.meter_wh - 1_000_000.0
    return Rehearsed(household, path, flowed)


def _night(site: Site, day: date) -> float:
    """Play one night; return the energy that the register lost."""
    forgotten = 0.0
    comes = local(day + timedelta(days=1), 6) if day == LATE else local(day, 18, 15)
    _until(site, comes, 15)
    site.plug_in(20.0 if day == LATE else 25.0 + day.day % 7 * 4)
    next_day = day + timedelta(days=1)
    leaves = local(next_day, 7, 20) if next_day.weekday() < 5 else local(next_day, 10)
    charging = local(next_day, 0, 7) if day.weekday() < 6 else local(next_day, 1, 2)
    if day in {RESET, GAP}:
        _until(site, local(day, 22, 35), 10)
    if day == RESET:
        site.read()
        forgotten, site.meter_wh = site.meter_wh, 0.0
    if day == GAP:
        _until(site, charging, 95)
    _until(site, leaves, 10)
    site.unplug()
    _until(site, local(next_day, 12, 25), 15)
    return forgotten


def _until(site: Site, instant: datetime, minutes: int) -> None:
    """Let time pass, and read the meter every so many minutes.

    While no vehicle is there, a busy machine wakes the daemon late, with the next reading.
    """
    site.late = timedelta(0) if site.is_there else minutes * MINUTE
    while site.true_now < instant:
        ahead = instant - site.true_now
        site.pass_time(ahead if minutes > 60 else min(ahead, HOUR), every=minutes * MINUTE)
        # The site searches all published messages for the command in force.
        commands = [it for it in site.bus.messages if it[0].endswith("/command")]
        site.bus.messages[:] = commands[-1:]
