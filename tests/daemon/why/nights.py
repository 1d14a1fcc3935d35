"""Nights of many kinds, played to a real service, for `lullwatt why` to explain.

Kowhai Cottage on the evening of Wednesday, 3 June 2026: the night band begins at 21:00, the
departure is at 07:20 on Thursday. The hardware here can ignore commands, get stuck, or fall silent.
"""

from __future__ import annotations

from contextlib import contextmanager
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Literal

from structlog.testing import capture_logs
from typing_extensions import override

from adapters.contract.messages import HomeLoad, VehicleReport
from adapters.ledger.ledger import open_ledger
from daemon.messaging.incoming import Halt
from daemon.service.house_loading import load_house
from daemon.why.command import whys_of
from planners.local_time.departures import night_bounds
from tests.daemon.sites import Site, household_file
from tests.daemon.worlds import EVENING, HOUR, LEAVES, MINUTE, NOON, arrived

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from adapters.contract.messages import Message
    from adapters.ledger.ledger import Ledger
    from daemon.why.show_why import Why

NIGHT = date(2026, 6, 3)
LATER = NOON + 30 * MINUTE
"""Thursday, 12:30: the night is over, and the meter has been read since."""


MOMENT = timedelta(seconds=10)


class Place(Site):
    """A site whose vehicle, relay and meter may fail."""

    draws = True
    takes_watts: float | None = None
    stuck = False
    mute = False

    @property
    @override
    def watts(self) -> float:
        if self.stuck:
            return 7360.0
        watts = super().watts if self.draws else 0.0
        return self.takes_watts if watts and self.takes_watts is not None else watts

    @override
    def read(self) -> None:
        if not self.mute:
            super().read()

    @override
    def post(self, leaf: str, message: Message) -> None:
        if leaf != "reading":
            self._advance(MOMENT)  # nothing comes in the same instant as something else
        super().post(leaf, message)

    def post_load(self, amps: float) -> None:
        """Let the home's meter send what the rest of the home draws."""
        load = HomeLoad(at=self.clock.now(), amps=(amps,))
        self.service.handle(arrived(self.topics.load, load))

    def until(self, instant: datetime, every: timedelta = 10 * MINUTE) -> None:
        """Let time pass with the daemon alive; keep only the last command."""
        rest = (NOON - self.true_now) % every
        if rest:
            self.pass_time(min(rest, instant - self.true_now))  # then on the grid again
        while self.true_now < instant:
            self.pass_time(min(instant - self.true_now, HOUR), every=every)
            commands = [it for it in self.bus.messages if it[0].endswith("/command")]
            self.bus.messages[:] = commands[-1:]

    def leave(self) -> None:
        """Be unplugged just in time, and let the night end."""
        self.until(LEAVES - MINUTE)
        self.unplug()
        self.late = 5 * MINUTE  # a busy machine
        self.until(LATER, every=30 * MINUTE)

    def pilot(self, state: Literal["B", "C", "E", "F"]) -> None:
        self.post("vehicle", VehicleReport(at=self.clock.now(), pilot=state))

    def end(self) -> None:
        """End the daemon as SIGTERM does."""
        self.service.post(Halt())
        self.service.run()


class Home:
    """A household's files, and the daemons that have run there."""

    def __init__(self, directory: Path, *changes: tuple[str, str]) -> None:
        self.household = household_file(directory, *changes)
        self.path = directory / "ledger.sqlite3"

    @contextmanager
    def ledger(self) -> Iterator[Ledger]:
        with capture_logs(), open_ledger(self.path) as ledger:
            yield ledger

    @contextmanager
    def place(self, at: datetime = EVENING - HOUR, *, meter_wh: float = 1e6) -> Iterator[Place]:
        """Start a daemon; it is killed at the end, unless it was ended before."""
        with self.ledger() as ledger:
            place = Place(self.household, ledger, at, meter_wh=meter_wh)
            place.begin()
            place.read()
            yield place

    def why(self, now: datetime = LATER, night: date = NIGHT) -> Why:
        """Explain the night, while the daemon runs or after it."""
        house = load_house(self.household)
        with open_ledger(self.path, read_only=True) as ledger:
            (why,) = whys_of(self.household, house, ledger, (night, None), now)
        assert night_bounds(night, house.file.days)[0] == why.history.night.begins
        return why

    def says(self, now: datetime = LATER) -> str:
        return self.why(now).explanation.text
