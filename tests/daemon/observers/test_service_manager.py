"""When a service manager is told what, with a clock and a manager in the test's hands."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from typing_extensions import override

from adapters.host.service_notice import ServiceNotice
from daemon.control.state import PointState
from daemon.messaging.incoming import Reload, WakeUp
from daemon.observers.service_manager import (
    SILENCE_SECONDS,
    ServiceManager,
    patience_usec,
    status_line,
)
from daemon.observers.turn import Turn
from tests.daemon.worlds import EVENING, HOUR, NIGHT_BEGINS, POINT, World, kowhai

WAITING = Turn(EVENING, kowhai(), connected=False, records=True, states={})
TURN = replace(WAITING, states={POINT: PointState(POINT)})


class Told(ServiceNotice):
    """Keeps what is said, or can't be told anything."""

    def __init__(self, watchdog_seconds: float | None = None) -> None:
        super().__init__("/nowhere", watchdog_seconds)
        self.words: list[dict[str, str | int]] = []
        self.hears = True

    @override
    def say(self, **values: str | int) -> bool:
        if self.hears:
            self.words.append(values)
        return self.hears

    def count(self, name: str) -> int:
        return sum(name in said for said in self.words)


class Played:
    """A manager, and the seconds that pass."""

    def __init__(self, watchdog_seconds: float | None = None) -> None:
        self.now = 1000.0
        self.told = Told(watchdog_seconds)
        self.manager = ServiceManager(self.told, Path("/nowhere/ledger"), lambda: self.now)

    def rests(self, seconds: float) -> None:
        """Let the loop wait for an event that does not come, as long as it may each time."""
        until = self.now + seconds
        while self.now < until:
            patience = self.manager.patience_seconds()
            assert patience is not None
            assert patience > 0, "the loop would spin"
            self.now += patience
            self.manager.nothing_came()


@pytest.fixture
def ready() -> Played:
    played = Played(watchdog_seconds=30)
    played.manager.after(TURN)
    return played


def test_it_is_ready_after_its_first_turn_and_once(ready: Played) -> None:
    """Without a broker too: one that is down is outlived."""
    assert ready.told.words[0] == {"READY": 1}
    ready.manager.after(replace(TURN, connected=True))
    assert ready.told.count("READY") == 1


def test_it_is_not_ready_while_the_clock_is_waited_for() -> None:
    """It asks for more time each turn, for more than until the next one."""
    played = Played()
    for _ in range(3):
        played.manager.after(WAITING)
    assert played.told.words == 3 * [
        {"STATUS": "Waiting for the clock to be set.", "EXTEND_TIMEOUT_USEC": 60_000_000}
    ]
    played.manager.after(TURN)
    assert {"READY": 1} in played.told.words


def test_readiness_that_could_not_be_told_is_told_later() -> None:
    """A manager whose queue is full must not wait for ever."""
    played = Played()
    played.told.hears = False
    played.manager.after(TURN)
    played.told.hears = True
    played.manager.after(TURN)
    assert played.told.words[0] == {"READY": 1}


def test_life_is_shown_at_half_the_time_allowed(ready: Played) -> None:
    """At rest, each 15 s of 30; that many events come meanwhile makes it no more."""
    assert ready.told.count("WATCHDOG") == 1
    ready.rests(45)
    assert ready.told.count("WATCHDOG") == 4
    for _ in range(1000):
        ready.now += 0.015
        ready.manager.after(TURN)
    assert ready.told.count("WATCHDOG") == 5


def test_a_loop_that_nothing_comes_to_shows_no_life(ready: Played) -> None:
    """The timer wakes the loop each 15 s: without it nothing would ever be commanded again."""
    ready.rests(10 * SILENCE_SECONDS)
    shown = ready.told.count("WATCHDOG")
    assert shown <= 1 + SILENCE_SECONDS / 15
    ready.now += 15
    ready.manager.after(TURN)
    assert ready.told.count("WATCHDOG") == shown + 1


def test_a_sign_of_life_that_could_not_be_given_is_given_soon(ready: Played) -> None:
    """Within a second, not after another half."""
    ready.told.hears = False
    ready.rests(15)
    ready.told.hears = True
    ready.rests(1)
    assert ready.told.count("WATCHDOG") == 2


def test_without_a_watchdog_the_loop_waits_for_ever() -> None:
    """There is nothing to wake up for."""
    played = Played(watchdog_seconds=None)
    played.manager.after(TURN)
    assert played.manager.patience_seconds() is None
    assert played.told.count("WATCHDOG") == 0


def test_a_reload_begins_and_ends(ready: Played) -> None:
    """RELOADING=1 with CLOCK_MONOTONIC in microseconds, and READY=1 when it is done."""
    ready.told.words.clear()
    ready.now += 0.25
    ready.manager.before(Reload())
    ready.manager.after(TURN)
    assert ready.told.words[:2] == [
        {"RELOADING": 1, "MONOTONIC_USEC": 1_000_250_000},
        {"READY": 1},
    ]
    ready.manager.before(WakeUp())
    ready.manager.after(TURN)
    assert ready.told.count("READY") == 1


def test_a_reload_while_the_clock_is_waited_for_makes_nothing_ready() -> None:
    """Ready is what it is not yet."""
    played = Played()
    played.manager.before(Reload())
    played.manager.after(WAITING)
    assert played.told.count("READY") == played.told.count("RELOADING") == 0


def test_its_status_is_told_when_it_is_another(ready: Played) -> None:
    """Not with every turn."""
    for connected in (False, True, True, True):
        ready.now += 2
        ready.manager.after(replace(TURN, connected=connected))
    assert [said["STATUS"] for said in ready.told.words if "STATUS" in said] == [
        "No broker, trying again; nothing charges; no start ahead.",
        "Connected to the broker; nothing charges; no start ahead.",
    ]


def test_it_takes_its_leave(ready: Played) -> None:
    """With time for a backup that is under way."""
    ready.manager.stopping()
    assert ready.told.words[-1] == {
        "STOPPING": 1, "EXTEND_TIMEOUT_USEC": 60_000_000, "STATUS": "Ending.",
    }  # fmt: skip


def test_a_large_ledger_is_given_time(tmp_path: Path) -> None:
    """A minute, and ten for more than a gigabyte on a slow card."""
    ledger = tmp_path / "ledger.sqlite3"
    assert patience_usec(ledger) == 60_000_000
    with ledger.open("wb") as file:
        file.truncate(1_080_000_000)
    assert patience_usec(ledger) == 600_000_000


def test_the_status_of_an_evening() -> None:
    """What charges, and when the next start is by the home's clocks."""
    world = World(kowhai(), EVENING)
    world.plug_in(35)
    world.read()
    turn = replace(TURN, states={POINT: world.state}, connected=True)
    wanted = "Connected to the broker; nothing charges; next start Wed 03 Jun 21:00."
    assert status_line(turn) == wanted
    world.wait(NIGHT_BEGINS + HOUR)
    turn = replace(turn, now=world.now, states={POINT: world.state}, records=False)
    wanted = "Connected to the broker; the ledger refuses; charging: driveway; no start ahead."
    assert status_line(turn) == wanted


def test_the_status_of_many_charge_points_stays_short() -> None:
    """Three are named."""
    states = {f"bay-{n}": PointState(f"bay-{n}", watts=7000.0) for n in range(1, 6)}
    wanted = "charging: bay-1, bay-2, bay-3 and 2 more"
    assert wanted in status_line(replace(TURN, states=states))
