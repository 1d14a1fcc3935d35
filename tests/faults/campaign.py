"""The fault campaign: ``python -m tests.faults.campaign``, or ``make faults``.

Prints what was tried, and what was lost, counted twice, left charging, over the current, wrong
after a restart, or late. All of these must be 0; the exit code is 1 if one is not.

LULLWATT_SEED gives the seed of an earlier run, LULLWATT_FAULTS=small a campaign of a minute.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from random import Random, SystemRandom
from tempfile import TemporaryDirectory
from time import monotonic
from typing import Final

from config.fields.zones import use_pinned_zones
from tests.faults.cuts import KEEPALIVE_SECONDS, Cuts
from tests.faults.evenings import SCENES, Scene
from tests.faults.handle import Died, Stuck
from tests.faults.hardware import misbehave
from tests.faults.kills import Kills, instants_to_strike
from tests.faults.litter import Litter
from tests.faults.messages import bad_messages
from tests.faults.night import Commands, Mischief, Night, Quiet
from tests.faults.stage import staged
from tests.faults.tally import Tally, say, silent
from tests.faults.verdict import judge
from tests.faults.year import year_of_nights
from tests.support.brokers import Mosquitto

IN_MEMORY: Final = Path("/dev/shm")  # noqa: S108 - a new folder is made in it
LITTER_EACH: Final = 100


@dataclass(frozen=True, slots=True)
class Size:
    """How much to try: in all, and in a night."""

    kills: int
    kills_a_night: int
    cuts: int
    cuts_a_night: int
    messages: int
    litters: int
    hardware_rounds: int
    nights: int


FULL: Final = Size(
    kills=500, kills_a_night=20, cuts=200, cuts_a_night=10, messages=100_000, litters=60,
    hardware_rounds=5, nights=365,
)  # fmt: skip
SMALL: Final = Size(
    kills=30, kills_a_night=15, cuts=10, cuts_a_night=5, messages=3_000, litters=4,
    hardware_rounds=1, nights=5,
)  # fmt: skip

References = dict[str, tuple[Commands, datetime]]
"""For each scene: its commands without faults, and when the vehicle leaves."""

Make = Callable[[Random, list[datetime]], Mischief]


@dataclass(slots=True)
class Campaign:
    """Plays the parts of the campaign, and counts.

    Attributes
    ----------
    directory : Path
        For brokers, ledgers and household files; cleared by its owner.
    seed : int
        Decides what is tried, though not the exact moment of a kill within an event.
    """

    directory: Path
    seed: int
    tally: Tally = field(default_factory=Tally)
    plant: str | None = None
    references: References = field(default_factory=dict)
    played: int = 0

    def kills(self, count: int, a_night: int, scenes: Sequence[Scene] = SCENES) -> None:
        """Kill the daemon so often, and half as often again while it starts."""
        for index, part in enumerate(_parts(count, a_night)):
            self._play(scenes[index % len(scenes)], part, Kills, "kills", all_kept=True)

    def cuts(self, count: int, a_night: int, scenes: Sequence[Scene] = SCENES) -> None:
        """Take the broker away so often."""
        for index, part in enumerate(_parts(count, a_night)):
            self._play(scenes[index % len(scenes)], part, Cuts, "cuts", all_kept=False)

    def litters(self, count: int, a_night: int = 10, each: int = LITTER_EACH) -> None:
        """Send bad messages through the broker so often."""

        def make(chance: Random, instants: list[datetime]) -> Mischief:
            return Litter(chance, instants, each)

        for index, part in enumerate(_parts(count, a_night)):
            self._play(SCENES[index % len(SCENES)], part, make, "litter", all_kept=True)

    def messages(self, count: int) -> None:
        """Send so many bad messages to a service beside its twin."""
        chance = Random(f"{self.seed} messages")
        bad_messages(self._room(), self.tally, chance, count, f"seed {self.seed}")

    def hardware(self, rounds: int) -> None:
        """Play each kind of bad hardware so often."""
        for index in range(rounds):
            chance = Random(f"{self.seed} hardware {index}")
            misbehave(self._room(), self.tally, chance, f"seed {self.seed}, round {index}")

    def year(self, nights: int) -> None:
        """Play so many nights in a row."""
        for what, count in year_of_nights(nights, self.seed).items():
            self._of_year(what, count)

    def _of_year(self, what: str, count: int) -> None:
        if what not in YEAR_WRONGS:
            self.tally.tried[f"nights in a row: {what}"] += count
        elif count:
            kind = "counted twice" if count < 0 else YEAR_WRONGS[what]
            self.tally.wrong(kind, f"{what} = {count} in nights in a row, seed {self.seed}")

    def _play(self, scene: Scene, count: int, make: Make, name: str, *, all_kept: bool) -> None:
        reference, leaves = self._reference(scene)
        self.played += 1
        seed = f"seed {self.seed}, {name} {self.played}"
        chance = Random(f"{self.seed} {name} {self.played}")
        mischief = make(chance, instants_to_strike(chance, scene, leaves, reference, count))
        self._run(scene, mischief, reference, seed, all_kept=all_kept)

    def _reference(self, scene: Scene) -> tuple[Commands, datetime]:
        if scene.name not in self.references:
            night, leaves = self._run(scene, Quiet(), [], f"seed {self.seed}", all_kept=True)
            self.references[scene.name] = (night.commands, leaves)
        return self.references[scene.name]

    def _run(
        self, scene: Scene, mischief: Mischief, reference: Commands, seed: str, *, all_kept: bool,
    ) -> tuple[Night, datetime]:  # fmt: skip
        self.tally.tried["rehearsed nights"] += 1
        plant = self.plant if reference else None
        keepalive = KEEPALIVE_SECONDS if isinstance(mischief, Cuts) else 10
        room = self._room()
        with _broker(room / "broker") as broker, staged(
            scene, room / "house", broker, self.tally, seed,
            keepalive_seconds=keepalive, plant=plant,
        ) as stage:  # fmt: skip
            night = Night(stage, mischief, list(reference))
            try:
                night.run()
                judge(night, all_kept=all_kept)
            except (Died, Stuck) as error:
                self.tally.wrong("stopped", f"{error!r}, {night.place()}")
            return night, stage.leaves

    def _room(self) -> Path:
        room = self.directory / f"{len(list(self.directory.iterdir()))}"
        room.mkdir()
        return room


YEAR_WRONGS: Final = {"lost_wh": "lost", "owed": "lost", "left_charging": "left charging"}
"""The figures of many nights that must be 0."""


@contextmanager
def _broker(directory: Path) -> Iterator[Mosquitto]:
    broker = Mosquitto(directory)
    broker.start()
    try:
        yield broker
    finally:
        broker.kill()


def _parts(count: int, most: int) -> list[int]:
    """Split a count into parts of `most`, and the rest."""
    return [min(most, count - begun) for begun in range(0, count, most)]


def parts_of(campaign: Campaign, size: Size) -> list[tuple[str, Callable[[], None]]]:
    """List the parts of a campaign, with the function that plays each."""
    return [
        ("kills of the daemon", lambda: campaign.kills(size.kills, size.kills_a_night)),
        ("broker faults", lambda: campaign.cuts(size.cuts, size.cuts_a_night)),
        ("bad messages beside a twin", lambda: campaign.messages(size.messages)),
        ("bad messages through a broker", lambda: campaign.litters(size.litters)),
        ("hardware that misbehaves", lambda: campaign.hardware(size.hardware_rounds)),
        ("nights in a row", lambda: campaign.year(size.nights)),
    ]


@contextmanager
def memory_folder() -> Iterator[Path]:
    """Make a folder in memory, if there is one: synchronising takes no time there.

    Yields
    ------
    Path
        Removed afterwards.
    """
    where = IN_MEMORY if IN_MEMORY.is_dir() else None
    with TemporaryDirectory(prefix="lullwatt-faults-", dir=where) as directory:
        yield Path(directory)


def main() -> int:
    """Run the campaign that the environment asks for; 1 if anything was wrong."""
    use_pinned_zones()
    seed = int(os.environ.get("LULLWATT_SEED") or SystemRandom().randrange(1_000_000))
    size = {"full": FULL, "small": SMALL}[os.environ.get("LULLWATT_FAULTS") or "full"]
    say(f"LULLWATT_SEED={seed}")
    with memory_folder() as directory, silent():
        campaign = Campaign(directory, seed)
        for name, play in parts_of(campaign, size):
            begun = monotonic()
            play()
            say(f"{name}: {monotonic() - begun:.0f} s, {len(campaign.tally.wrongs)} wrong so far")
    for line in campaign.tally.lines():
        say(line)
    return 1 if campaign.tally.wrongs else 0


if __name__ == "__main__":
    sys.exit(main())
