"""The lease protocol keeps its promises, whatever is lost, late or killed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.lease_protocol import on_the_bus
from tests.lease_protocol.checking import CHARGING, check
from tests.lease_protocol.on_the_bus import protocol_sequences, replay_plain, replay_protocol
from tests.lease_protocol.plain_plug import PLANTED_PLUGS, SAFE_PLUGS, check_plug
from tests.lease_protocol.protocol import PLANTED, RIGHT, World
from tests.lease_protocol.replaying import Replay
from tests.support.brokers import quick_broker
from tests.support.remembered_plans import plans_remembered

if TYPE_CHECKING:
    from pathlib import Path

DEPTH = 5


def test_every_sequence_of_steps_keeps_every_promise() -> None:
    checked = check(RIGHT, DEPTH)
    assert checked.wrong is None, checked.path
    assert checked.worlds > 5000


@pytest.mark.parametrize("fault", PLANTED)
def test_a_planted_fault_is_found(fault: str) -> None:
    assert check(PLANTED[fault], DEPTH).wrong is not None


@pytest.mark.parametrize("wiring", SAFE_PLUGS)
def test_a_plug_without_expiry_is_off_where_no_daemon_is(wiring: str) -> None:
    """Its Will is kept: it reaches a plug that was cut off when it was sent."""
    worlds, wrong, path = check_plug(SAFE_PLUGS[wiring], 12)
    assert wrong is None, path
    assert worlds > 100


@pytest.mark.parametrize("fault", PLANTED_PLUGS)
def test_a_fault_of_its_wiring_is_found(fault: str) -> None:
    assert check_plug(PLANTED_PLUGS[fault], 12)[1] is not None


def test_real_connections_do_what_the_models_do(tmp_path: Path) -> None:
    """A few of the sequences that `make faults` replays."""
    with plans_remembered(), quick_broker(tmp_path) as broker:
        for number, names in enumerate(protocol_sequences()[::33]):
            replay_protocol(broker, f"home-{number}", names)


def test_a_real_broker_shows_where_a_model_is_wrong(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It keeps the Will, and this model says that it does not."""
    monkeypatch.setattr(on_the_bus, "SAFE", PLANTED_PLUGS["the Will is not kept"])
    names = ("it wants start", "its Will's connection breaks", "the broker sends the Will")
    with quick_broker(tmp_path) as broker, pytest.raises(AssertionError, match="arrives"):
        replay_plain(broker, "home", (*names, "the plug boots", "arrives"))


def test_the_real_parts_do_what_the_model_does() -> None:
    """All sequences of three steps, from a daemon that has started and was asked to charge."""
    with plans_remembered():
        world, replay = World(), Replay.begun()
        for name in CHARGING:
            world, replay = dict(RIGHT.steps(world))[name], replay.after(name)
        frontier, compared = {world: replay}, 0
        for _ in range(3):
            following: dict[World, Replay] = {}
            for before, parts in frontier.items():
                for name, after in RIGHT.steps(before):
                    real = following[after] = parts.after(name)
                    compared += 1
                    assert real.is_on == RIGHT.is_on(after.plug, after.now), name
                    assert len(real.wire) == len(after.wire), name
            frontier = following
    assert compared > 800
