"""Play many nights in a row in virtual time, and compare the register with the nights.

``python -m tests.faults.year [NIGHTS] [SEED]`` prints the figures. The service and the ledger are
the real ones; clock, meter and vehicle are simulated: `tests.daemon.sites`. It begins on 1 June
2027, so that a whole year has the leap day of 2028 and both changes of Auckland's clock in it.
"""

from __future__ import annotations

import random
import sys
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from structlog.testing import capture_logs

from adapters.ledger.ledger import open_ledger
from planners.local_time.departures import night_bounds, night_of
from tests.daemon.sites import Site, household_file
from tests.daemon.worlds import HOUR, MINUTE

if TYPE_CHECKING:
    from collections.abc import Callable

    from adapters.ledger.ledger import Ledger

BEGINS = datetime(2027, 6, 1, 0, 30, tzinfo=UTC)
"""Half past noon at Kowhai Cottage."""

READ_EVERY = 10 * MINUTE
DAY = timedelta(days=1)


def year_of_nights(nights: int, seed: int) -> dict[str, int]:
    """Play so many nights, each with a vehicle that arrives, is charged, and leaves.

    Some days the vehicle stays away. Some nights the daemon is killed and started again, at once or
    after hours or days, or the meter falls silent. Once in a while the register starts again at 0.

    Parameters
    ----------
    nights
        How many.
    seed
        For what happens when.

    Returns
    -------
    dict of str to int
        `register_wh` that flowed by the meter, `nights_wh` by the ledger, `lost_wh`, how many
        records there are, how often the daemon was started, and `left_charging`, which counts
        nights after which a start was in force without a vehicle. Three must be 0: `lost_wh`,
        `left_charging` and `owed`.
    """
    with ExitStack() as ending:
        directory = Path(ending.enter_context(TemporaryDirectory()))
        ending.enter_context(capture_logs())
        ledger = ending.enter_context(open_ledger(directory / "ledger.sqlite3"))
        # No power is cut here, so nothing needs to be safe on the disk.
        ledger._connection.execute("PRAGMA synchronous = OFF")
        year = _Year(household_file(directory), ledger, random.Random(seed))
        for _ in range(nights):
            year.night()
        return year.figures()


class _Year:
    def __init__(self, household: Path, ledger: Ledger, chance: random.Random) -> None:
        self._household = household
        self._ledger = ledger
        self._chance = chance
        self._starts = 0
        self._left_charging = 0
        self._flowed_before_wh = 0
        self.site = self._started(BEGINS, 1_000_000.0)
        self._from_wh = 1_000_000
        self.site.read()

    def night(self) -> None:
        """Let one night pass, from just after a noon to just after the next."""
        site, chance = self.site, self._chance
        _, ends = night_bounds(night_of(site.true_now, site.file.days), site.file.days)
        comes = site.true_now + chance.randrange(60, 10 * 60) * MINUTE
        if chance.random() < 0.85:
            self._pass(comes - site.true_now)
            self.site.plug_in(float(chance.randrange(10, 75)))
            if chance.random() < 0.1:
                self.site.ask(charge_now=True)
        for happening in chance.sample(self._happenings, k=2):
            self._pass(chance.randrange(10, 200) * MINUTE)
            if chance.random() < 0.3:
                happening()
        leaves = ends - chance.randrange(3 * 60, 5 * 60) * MINUTE
        self._pass(leaves - self.site.true_now)
        self.site.unplug()
        self._left_charging += self.site.bus.last("command")["do"] == "start"
        self._pass(ends + 30 * MINUTE - self.site.true_now)
        self.site.bus.messages = self.site.bus.messages[-50:]

    @property
    def _happenings(self) -> list[Callable[[], None]]:
        return [self._killed, self._away, self._silent, self._begun_again]

    def _killed(self) -> None:
        self.site = self._started(self.site.true_now, self.site.meter_wh, self.site)

    def _away(self) -> None:
        """Stop the daemon for hours, and once in a while for days."""
        days = self._chance.randrange(1, 4) if self._chance.random() < 0.2 else 0
        self.site.pass_time(days * DAY + self._chance.randrange(1, 9) * HOUR, alive=False)
        self._killed()
        # Hardware reports its state again when it is connected again.
        if self.site.is_there:
            self.site.plug_in(None)
        else:
            self.site.unplug()
        self.site.read()

    def _silent(self) -> None:
        self.site.pass_time(self._chance.randrange(1, 14) * HOUR, every=15 * HOUR)
        self.site.read()

    def _begun_again(self) -> None:
        """Reset the register to 0, right after it was read."""
        self.site.read()
        self._flowed_before_wh += round(self.site.meter_wh) - self._from_wh
        self.site.meter_wh, self._from_wh = 0.0, 0
        self.site.pass_time(MINUTE)
        self.site.read()

    def _pass(self, span: timedelta) -> None:
        # While no vehicle is there, a busy machine wakes the daemon late, with the next reading.
        self.site.late = timedelta(0) if self.site.is_there else READ_EVERY
        if span > timedelta(0):
            self.site.pass_time(span, every=READ_EVERY)

    def _started(self, at: datetime, meter_wh: float, before: Site | None = None) -> Site:
        self._starts += 1
        site = Site(self._household, self._ledger, at, meter_wh=meter_wh)
        if before is not None:
            site.is_there, site.bus = before.is_there, before.bus
            site = _on_the_same_bus(site, before)
        site.begin()
        return site

    def figures(self) -> dict[str, int]:
        site = self.site
        for _ in range(2):  # the last night is closed, and what is owed recorded
            self._pass(DAY)
        records = self._ledger.nights()
        register_wh = self._flowed_before_wh + round(site.meter_wh) - self._from_wh
        nights_wh = sum(int(record["energy_kwh"] * 1000) for record in records)
        body = self._ledger.open_night("driveway") or {}
        return {
            "records": len(records),
            "starts_of_the_daemon": self._starts,
            "register_wh": register_wh,
            "nights_wh": nights_wh,
            "lost_wh": register_wh - nights_wh,
            "estimated_wh": sum(int(record["estimated_kwh"] * 1000) for record in records),
            "owed": len(body.get("owed", ())),
            "left_charging": self._left_charging,
        }


def _on_the_same_bus(site: Site, before: Site) -> Site:
    """Let a restarted daemon publish on the bus of the one before it."""
    site.bus = before.bus
    site.service._outbox._bus = before.bus
    return site


if __name__ == "__main__":
    asked = [int(argument) for argument in sys.argv[1:]]
    for name, figure in year_of_nights(*(asked + [365, 1][len(asked) :])).items():
        sys.stdout.write(f"{name:22} {figure}\n")
