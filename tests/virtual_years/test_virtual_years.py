"""Nights with faults in virtual time: nothing is wrong, and a seed brings the same nights back."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

import pytest
import structlog

from tests.virtual_years.broker import Broker, Client
from tests.virtual_years.planted import planted
from tests.virtual_years.verdict import play
from tests.virtual_years.world import Crash, World

if TYPE_CHECKING:
    from collections.abc import Iterator

    from adapters.bus.events import BusEvent


@pytest.fixture(autouse=True)
def quiet() -> Iterator[None]:
    """Keep the daemon's log to itself."""
    before = structlog.get_config()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    yield
    structlog.configure(**before)


def test_nights_with_faults_are_right_and_come_back_the_same() -> None:
    """`make simulate` plays thousands."""
    played, again = play(seed=3, nights=2), play(seed=3, nights=2)
    assert played.wrong == []
    assert played.faults > 0
    assert played.starts > 1
    assert played.digest == again.digest


def test_a_planted_fault_is_found() -> None:
    """The check above can fail: hardware would not hear a daemon that forgot its last serial."""
    with planted("the last command is forgotten"):
        assert any("after a higher one" in each for each in play(seed=3, nights=1).wrong)


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
