"""Nights with faults in virtual time: nothing is wrong, and a seed brings the same nights back."""

from __future__ import annotations

import logging
from random import Random
from typing import TYPE_CHECKING
from unittest.mock import Mock

import pytest
import structlog

from config.household.loading import load_household
from tests.virtual_years.broker import Broker, Client
from tests.virtual_years.disk import Disk
from tests.virtual_years.homes import ALONE, TWO, WIRED
from tests.virtual_years.planted import planted
from tests.virtual_years.verdict import play
from tests.virtual_years.world import Crash, World

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from adapters.bus.events import BusEvent


@pytest.fixture(autouse=True)
def quiet() -> Iterator[None]:
    """Keep the daemon's log to itself."""
    before = structlog.get_config()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    yield
    structlog.configure(**before)


def test_nights_with_faults_are_right() -> None:
    """The seed is fixed: a test must not fail on a day on which nobody has changed anything.

    `make simulate` plays thousands of nights, and each day others.
    """
    played = play(seed=1, nights=3)
    assert played.wrong == []
    assert played.faults > 0
    assert played.starts > 1
    assert played.judged == len(played.nights) == 5


def test_a_seed_brings_the_same_nights_back() -> None:
    """Here of a home with a foreign box, and whatever else the process has done before."""
    played, again = play(seed=4, nights=1), play(seed=4, nights=1)
    assert played.wrong == []
    assert played.faults > 0
    assert played.digest == again.digest


@pytest.mark.parametrize(
    ("fault", "seed", "what"),
    [
        ("recovery: the last command is forgotten", 1, "serial"),
        ("timers: no wake-up at the edges of a plan", 1, "plan"),
    ],
)
def test_a_planted_fault_is_found(fault: str, seed: int, what: str) -> None:
    """The check above can fail."""
    with planted(fault):
        assert any(what in each for each in play(seed, nights=4, until_wrong=True).wrong)


def test_each_home_that_is_played_can_be_loaded(tmp_path: Path) -> None:
    """One charge point, one with a foreign box, and two behind a fuse."""
    for home in (ALONE, WIRED, TWO):
        path = tmp_path / "house.yaml"
        path.write_text(home.text, "utf-8")
        points = load_household(path).charge_points
        assert list(points) == [each.point for each in home.places]


def test_a_power_cut_leaves_some_sectors_of_the_last_write_and_a_kill_all(tmp_path: Path) -> None:
    """What was synced before is there all the same."""
    path, log = tmp_path / "ledger", tmp_path / "ledger-wal"
    path.write_bytes(b"synced")
    before, after = b"1" * 5120, b"2" * 6144
    disk = Disk(path, Random(1))
    for cuts_power in (True, False):
        log.write_bytes(before)
        disk.keep_what_was_synced()
        log.write_bytes(after)
        disk.after_a_kill(Mock(), cuts_power=cuts_power)
        sectors = [log.read_bytes()[each : each + 512] for each in range(0, 6144, 512)]
        assert (set(sectors[:10]) == {b"1" * 512, b"2" * 512}) is cuts_power
        assert set(sectors) <= {b"1" * 512, b"2" * 512, b"\0" * 512}
    assert log.read_bytes() == after
    assert path.read_bytes() == b"synced"


def test_the_daemon_can_be_broken_off_at_any_step() -> None:
    """After so many steps, once."""
    world = World(1)
    world.crash_in(2)
    world.step()
    world.step()
    with pytest.raises(Crash):
        world.step()
    world.step()


def heard(broker: Broker, *, keeps_session: bool) -> tuple[Client, list[str]]:
    """Connect a client that acknowledges nothing, and list what it hears."""
    all_heard: list[str] = []

    def take(event: BusEvent) -> None:
        all_heard.append(getattr(event, "payload", b"").decode() or type(event).__name__)

    client = Client(take, ("t/#",), keeps_session=keeps_session)
    broker.connect(client)
    return client, all_heard


@pytest.mark.parametrize("keeps_session", [True, False])
def test_what_was_not_acknowledged_comes_again(*, keeps_session: bool) -> None:
    """MQTT 5, 4.4: on the next connection, if the session is kept; in order (4.6)."""
    world = World(1)
    broker = Broker(world)
    sender = Client(lambda _: None, (), keeps_session=False)
    broker.connect(sender)
    client, all_heard = heard(broker, keeps_session=keeps_session)
    for text in ("one", "two"):
        broker.publish(sender, "t/a", text.encode(), retain=False)
    world.run_until(world.now.replace(hour=13))
    assert all_heard == ["Connected", "one", "two"]
    broker.vanish(client)
    broker.publish(sender, "t/a", b"three", retain=False)
    broker.connect(client)
    world.run_until(world.now.replace(hour=14))
    more = ["one", "two", "three"] if keeps_session else []
    assert all_heard[3:] == ["Connected", *more]


def test_a_broker_that_dies_loses_what_is_under_way() -> None:
    """And what it had stored, if its disk forgets."""
    world = World(1)
    broker = Broker(world)
    client, all_heard = heard(broker, keeps_session=False)
    broker.publish(client, "t/a", b"stored", retain=True)
    broker.die(forgets=False)
    assert not broker.publish(client, "t/a", b"lost", retain=True)
    assert not broker.connect(client)
    broker.come_back()
    broker.connect(client)
    world.run_until(world.now.replace(hour=13))
    assert all_heard == ["Connected", "Disconnected", "Connected", "stored"]
    broker.die(forgets=True)
    broker.come_back()
    broker.connect(client)
    world.run_until(world.now.replace(hour=14))
    assert all_heard[4:] == ["Disconnected", "Connected"]
