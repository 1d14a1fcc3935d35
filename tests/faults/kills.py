"""Kill the daemon (SIGKILL) at random instants of rehearsed nights."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from random import Random
from typing import Final

from tests.faults.daemon_process import PLACES, Aim
from tests.faults.evenings import Scene
from tests.faults.handle import Died
from tests.faults.night import Commands, Night

LONGEST_SECONDS: Final = 0.03
LONGEST_START_SECONDS: Final = 0.2
FARTHEST: Final = {"statement": 25, "plan": 2, "publish": 4, "acknowledge": 6}


@dataclass(slots=True)
class Kills:
    """Strikes at these instants, each time in another way."""

    chance: Random
    instants: list[datetime]

    def prepare(self, night: Night) -> None:
        """Nothing yet."""

    def strike(self, night: Night) -> None:
        """Kill the daemon while it works, while it starts, or between."""
        how = self.chance.choice(["while it works", "while it starts", *PLACES])
        timer = None
        if how == "while it works":
            timer = night.stage.daemon.kill_after(self.chance.uniform(0, LONGEST_SECONDS))
        try:
            if how != "while it starts":
                self._attack(night, how)
                how = "between two events"  # it has survived the attack
            night.stage.daemon.kill()
            night.settle()
            night.stage.daemon.wake_up()
        except Died:
            pass
        if timer is not None:
            timer.join()
        night.stage.tally.tried[f"kills of the daemon: {how}"] += 1
        if how == "while it starts":
            night.end_life()
            night.start()
            seconds = self.chance.uniform(0, LONGEST_START_SECONDS)
            night.stage.daemon.kill_after(seconds).join()
        night.restart()

    def _attack(self, night: Night, how: str) -> None:
        """Let the daemon work until it reaches the place where it dies."""
        daemon, chance = night.stage.daemon, self.chance
        for place in PLACES:
            if how == place:
                daemon.aim(Aim(place, chance.randint(1, FARTHEST[place])))
        if how == "plan":
            # The request changes next to nothing, but it is planned again.
            night.ask({"need_percent": night.stage.scene.need_percent - night.asked * 1e-6})
        night.burst(chance.randint(1, 5))
        daemon.wake_up()
        night.settle()


def instants_to_strike(
    chance: Random, scene: Scene, leaves: datetime, reference: Commands,
    count: int,
) -> list[datetime]:  # fmt: skip
    """Choose instants: any, near a switch, or in the middle of a charge.

    Parameters
    ----------
    chance : Random
        Seeded.
    scene : Scene
        The evening.
    leaves : datetime
        When the vehicle is unplugged.
    reference : Commands
        The commands of the same night without faults.
    count : int
        How many.

    Returns
    -------
    list of datetime
        Sorted.
    """
    starts = [at for at, (do, _, _) in reference if do == "start"]
    switches = [at for at, _ in reference[1:]]
    span = leaves - scene.begins
    chosen = []
    for _ in range(count):
        where = chance.choice(["anywhere", "switch", "charge"])
        if where == "switch" and switches:
            at = chance.choice(switches) + timedelta(seconds=chance.uniform(-20, 20))
        elif where == "charge" and starts:
            at = chance.choice(starts) + timedelta(minutes=chance.uniform(0, 180))
        else:
            at = scene.begins + chance.random() * span
        chosen.append(min(max(at, scene.begins), leaves - timedelta(seconds=30)))
    return sorted(chosen)
