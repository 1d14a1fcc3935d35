"""What the service manager is sent, and when; the test controls the clock and the manager."""

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


class NoticeRecorder(ServiceNotice):
    """Records the notices, or accepts none."""

    def __init__(self, watchdog_seconds: float | None = None) -> None:
        super().__init__("/nowhere", watchdog_seconds)
        self.sent: list[dict[str, str | int]] = []
        self.accepts = True

    @override
    def send(self, **values: str | int) -> bool:
        if self.accepts:
            self.sent.append(values)
        return self.accepts

    def count(self, name: str) -> int:
        return sum(name in notice for notice in self.sent)


class TimedManager:
    """A manager, and the seconds that pass."""

    def __init__(self, watchdog_seconds: float | None = None) -> None:
        self.now = 1000.0
        self.notices = NoticeRecorder(watchdog_seconds)
        self.manager = ServiceManager(self.notices, Path("/nowhere/ledger"), lambda: self.now)

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
def ready() -> TimedManager:
    timed = TimedManager(watchdog_seconds=30)
    timed.manager.after(TURN)
    return timed


def test_it_is_ready_after_its_first_turn_and_once(ready: TimedManager) -> None:
    """Without a broker, too: the daemon survives one that is down."""
    assert ready.notices.sent[0] == {"READY": 1}
    ready.manager.after(replace(TURN, connected=True))
    assert ready.notices.count("READY") == 1


def test_it_is_not_ready_while_the_clock_is_waited_for() -> None:
    """It asks for more time each turn, for more than until the next one."""
    timed = TimedManager()
    for _ in range(3):
        timed.manager.after(WAITING)
    assert timed.notices.sent == 3 * [
        {"STATUS": "Waiting for the clock to be set.", "EXTEND_TIMEOUT_USEC": 60_000_000}
    ]
    timed.manager.after(TURN)
    assert {"READY": 1} in timed.notices.sent


def test_readiness_that_could_not_be_sent_is_sent_later() -> None:
    """A manager whose queue is full must not wait for ever."""
    timed = TimedManager()
    timed.notices.accepts = False
    timed.manager.after(TURN)
    timed.notices.accepts = True
    timed.manager.after(TURN)
    assert timed.notices.sent[0] == {"READY": 1}


def test_life_is_shown_at_half_the_time_allowed(ready: TimedManager) -> None:
    """At rest, each 15 s of 30; that many events come meanwhile makes it no more."""
    assert ready.notices.count("WATCHDOG") == 1
    ready.rests(45)
    assert ready.notices.count("WATCHDOG") == 4
    for _ in range(1000):
        ready.now += 0.015
        ready.manager.after(TURN)
    assert ready.notices.count("WATCHDOG") == 5


def test_a_loop_that_nothing_comes_to_shows_no_life(ready: TimedManager) -> None:
    """The timer wakes the loop each 15 s: without it nothing would ever be commanded again."""
    ready.rests(10 * SILENCE_SECONDS)
    shown = ready.notices.count("WATCHDOG")
    assert shown <= 1 + SILENCE_SECONDS / 15
    ready.now += 15
    ready.manager.after(TURN)
    assert ready.notices.count("WATCHDOG") == shown + 1


def test_a_sign_of_life_that_could_not_be_sent_is_sent_soon(ready: TimedManager) -> None:
    """Within a second, not after another half."""
    ready.notices.accepts = False
    ready.rests(15)
    ready.notices.accepts = True
    ready.rests(1)
    assert ready.notices.count("WATCHDOG") == 2


def test_without_a_watchdog_the_loop_waits_for_ever() -> None:
    """There is nothing to wake up for."""
    timed = TimedManager(watchdog_seconds=None)
    timed.manager.after(TURN)
    assert timed.manager.patience_seconds() is None
    assert timed.notices.count("WATCHDOG") == 0


def test_a_reload_begins_and_ends(ready: TimedManager) -> None:
    """RELOADING=1 with CLOCK_MONOTONIC in microseconds, and READY=1 when it is done."""
    ready.notices.sent.clear()
    ready.now += 0.25
    ready.manager.before(Reload())
    ready.manager.after(TURN)
    assert ready.notices.sent[:2] == [
        {"RELOADING": 1, "MONOTONIC_USEC": 1_000_250_000},
        {"READY": 1},
    ]
    ready.manager.before(WakeUp())
    ready.manager.after(TURN)
    assert ready.notices.count("READY") == 1


def test_a_reload_while_the_clock_is_waited_for_makes_nothing_ready() -> None:
    """Ready is what it is not yet."""
    timed = TimedManager()
    timed.manager.before(Reload())
    timed.manager.after(WAITING)
    assert timed.notices.count("READY") == timed.notices.count("RELOADING") == 0


def test_its_status_is_sent_when_it_changes(ready: TimedManager) -> None:
    """Not with every turn."""
    for connected in (False, True, True, True):
        ready.now += 2
        ready.manager.after(replace(TURN, connected=connected))
    assert [notice["STATUS"] for notice in ready.notices.sent if "STATUS" in notice] == [
        "No broker, trying again; nothing charges; no start ahead.",
        "Connected to the broker; nothing charges; no start ahead.",
    ]


def test_it_takes_its_leave(ready: TimedManager) -> None:
    """With time for a backup that is under way."""
    ready.manager.stopping()
    assert ready.notices.sent[-1] == {
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
