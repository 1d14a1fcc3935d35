"""Draw what goes wrong in each night."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import TYPE_CHECKING, Final

from adapters.contract.messages import Request
from tests.virtual_years.homes import BOX_SAYS, TELLS_BOX

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime

    from tests.virtual_years.broker import Broker
    from tests.virtual_years.life import Life
    from tests.virtual_years.process import DaemonProcess
    from tests.virtual_years.world import World

_DAY_SECONDS: Final = 24 * 3600.0
_CALM: Final = 0.2
"""The share of nights in which nothing goes wrong."""
_KILLED_AFTER_WISH: Final = 0.5
_MOST_STEPS: Final = 150
_SET_RIGHT_WITHIN: Final = timedelta(minutes=3)
"""The daemon sees from the meter that hardware does something else, and commands it again."""
_DEAF_AT_MOST: Final = 150.0
"""Hardware that obeys nothing for longer is given up by the daemon, and an alert says so."""


class Faults:
    """Lets things go wrong, night by night.

    Parameters
    ----------
    world : World
        Time and chance.
    broker, process, lives
        What goes wrong.

    Attributes
    ----------
    count : int
        How many faults there were.
    until : datetime
        When the last one was over.
    """

    def __init__(
        self, world: World, broker: Broker, process: DaemonProcess, lives: Sequence[Life]
    ) -> None:
        self._world, self._broker = world, broker
        self._process, self._lives = process, lives
        self.count = 0
        self.until = world.now

    def draw(self, noon: datetime) -> None:
        """Draw the faults of the day after a noon."""
        chance = self._world.chance
        if chance.random() < _CALM:
            return
        kinds: tuple[tuple[float, int, Callable[[], None]], ...] = (
            (0.8, 4, self._crash),
            (0.4, 2, self._kill),
            (0.3, 2, self._cut_power),
            (0.5, 3, self._break_broker),
            (0.3, 1, self._fill_disk),
            (0.15, 1, self._set_clock_wrong),
            (0.2, 1, self._slow_down),
            (0.4, 5, self._say_again),
            (0.3, 2, self._cut_hardware_off),
            (0.2, 2, self._turn_hardware_deaf),
            (0.2, 1, self._delay_timers),
            (0.4, 2, self._ask),
        )
        for share, most, call in kinds:
            if chance.random() < share:
                for _ in range(chance.randint(1, most)):
                    # Most of it in the hours in which a vehicle is there.
                    seconds = chance.triangular(0, _DAY_SECONDS, 0.55 * _DAY_SECONDS)
                    self._world.at(noon + timedelta(seconds=seconds), self._counted(call))

    def _counted(self, call: Callable[[], None]) -> Callable[[], None]:
        def go_wrong() -> None:
            self.count += 1
            self.until = max(self.until, self._world.now)
            self._world.note(call.__name__.strip("_").replace("_", " "))
            call()

        return go_wrong

    def _crash(self) -> None:
        self._world.crash_in(self._world.chance.randrange(_MOST_STEPS))

    def _kill(self) -> None:
        self._process.crash()

    def _cut_power(self) -> None:
        """Break the daemon's machine off in the midst of one of the next writes."""
        self._world.crash_in(self._world.chance.randrange(_MOST_STEPS), cuts_power=True)

    def _break_broker(self) -> None:
        if not self._broker.is_up:
            return
        self._broker.die(forgets=self._world.chance.random() < 0.3)
        self._world.after(self._some_seconds(), self._broker.come_back)

    def _fill_disk(self) -> None:
        def clear() -> None:
            self._process.disk.is_full = False

        self._process.disk.is_full = True
        self._world.after(self._some_seconds(), clear)

    def _set_clock_wrong(self) -> None:
        chance = self._world.chance
        self._process.step_clock(chance.choice((-1, 1)) * self._some_seconds())
        self._world.after(self._some_seconds(), lambda: self._process.step_clock(0))

    def _slow_down(self) -> None:
        def hurry() -> None:
            self._broker.slowest = usual

        usual, self._broker.slowest = self._broker.slowest, self._world.chance.uniform(5, 40)
        self._world.after(self._some_seconds(), hurry)

    def _say_again(self) -> None:
        if not self._broker.recent:
            return
        topic, payload = self._world.chance.choice(self._broker.recent)
        self._broker.say_again(topic, payload)
        if topic == TELLS_BOX:
            for life in self._lives:
                life.upset_until = self._world.now + _SET_RIGHT_WITHIN
        if topic == BOX_SAYS:
            for life in self._lives:
                life.mishear(json.loads(payload)["total"] / 1000)
        if topic.endswith("/request"):
            for life in self._lives:
                life.note_wish()

    def _cut_hardware_off(self) -> None:
        self._some_life().cut_off(self._some_seconds())

    def _turn_hardware_deaf(self) -> None:
        self._some_life().turn_deaf(min(self._some_seconds(), _DEAF_AT_MOST))

    def _delay_timers(self) -> None:
        def be_in_time() -> None:
            self._process.timers_late_by = 0.0

        self._process.timers_late_by = self._world.chance.uniform(0, 60)
        self._world.after(self._some_seconds(), be_in_time)

    def _some_life(self) -> Life:
        return self._world.chance.choice(self._lives)

    def _ask(self) -> None:
        later = self._world.now + timedelta(hours=self._world.chance.uniform(0.5, 8))
        wishes = (
            Request(charge_now=True),
            Request(skip_until=later),
            Request(want_percent=95, by=later),
            Request(soc_percent=self._world.chance.randint(10, 90)),
            Request(clear=True),
        )
        chance = self._world.chance
        self._some_life().ask(chance.choice(wishes))
        if chance.random() < _KILLED_AFTER_WISH:
            self._world.after(chance.uniform(1, 1800), self._process.crash)

    def _some_seconds(self) -> float:
        """Draw how long something lasts: seconds, minutes, or up to two hours."""
        seconds = float(10 ** self._world.chance.uniform(0, 3.86))
        self.until = max(self.until, self._world.now + timedelta(seconds=seconds))
        return seconds
