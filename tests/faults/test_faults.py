"""A small fault campaign in every test run, and proof that it can fail."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.control.events import CommandInForce
from daemon.messaging import inbox
from tests.faults import night
from tests.faults.campaign import Campaign, References, memory_folder
from tests.faults.evenings import SCENES
from tests.faults.garbage import Sent
from tests.faults.handle import DaemonHandle
from tests.faults.messages import known
from tests.faults.planted import PLANTS
from tests.faults.served import Served
from tests.faults.tally import WRONGS, Tally, silent
from tests.support.solved import each_solved_once

__all__ = ["each_solved_once"]

SEED = 20260603
MOST_NIGHTS = 20
"""The number of nights in which the campaign must find a planted fault."""


@pytest.fixture(scope="module")
def references() -> References:
    """Nights without faults, played once for all tests."""
    return {}


@pytest.fixture
def campaign(references: References, monkeypatch: pytest.MonkeyPatch) -> Iterator[Campaign]:
    monkeypatch.setattr(night, "ENOUGH_SECONDS", math.inf)  # how soon is measured by make faults
    with memory_folder() as directory, silent():
        yield Campaign(directory, SEED, references=references)


def found(campaign: Campaign) -> set[str]:
    return {kind for kind, _ in campaign.tally.wrongs}


def test_kills_lose_nothing(campaign: Campaign) -> None:
    """Killed at random instants of two nights, it commands, counts and stops as usual."""
    campaign.kills(12, 6, SCENES[3:5])
    assert campaign.tally.wrongs == []
    assert campaign.tally.tried["kills of the daemon"] >= 12


def test_a_lost_broker_does_no_harm(campaign: Campaign) -> None:
    """Killed, emptied or frozen: hardware stops by itself, and the night goes on afterwards."""
    campaign.cuts(6, 6, SCENES[3:4])
    assert campaign.tally.wrongs == []
    assert campaign.tally.tried["broker faults"] == 6


def test_bad_messages_change_nothing(campaign: Campaign) -> None:
    """A service that gets thousands of bad messages stays equal to a twin that gets none."""
    campaign.messages(1500)
    assert campaign.tally.wrongs == []


def test_bad_messages_through_a_broker_change_nothing(campaign: Campaign) -> None:
    """Bad messages in the broker, even retained, change neither a night nor its account."""
    campaign.litters(5)
    assert campaign.tally.wrongs == []
    assert campaign.tally.tried["bad messages, through a broker"] > 200


def test_bad_hardware_raises_alerts_and_is_accounted_for(campaign: Campaign) -> None:
    """Whatever relay, meter, clock or vehicle do, alerts are raised and the energy is counted."""
    campaign.hardware(1)
    assert campaign.tally.wrongs == []


@pytest.mark.parametrize(
    ("plant", "kinds"),
    [
        ("acknowledge on arrival", {"lost"}),
        ("forget the serial", {"wrong after a restart"}),
        ("close a night twice", {"counted twice"}),
    ],
)
def test_the_campaign_finds_a_planted_fault(
    campaign: Campaign, monkeypatch: pytest.MonkeyPatch, plant: str, kinds: set[str]
) -> None:
    """With a fault in the daemon, the campaign names the law that it breaks.

    Where a kill falls is the machine's chance, however it is seeded: some nights may be needed.
    """
    assert plant in PLANTS
    monkeypatch.setattr(night, "ARRIVES_SECONDS", 0.3)  # what is lost is waited for in vain
    campaign.plant = plant
    for _ in range(MOST_NIGHTS):
        campaign.kills(6, 6, SCENES[3:4])
        if kinds <= found(campaign):
            return
    pytest.fail(f"not found in {MOST_NIGHTS} nights of 6 kills")


def test_the_campaign_finds_an_accepted_future(
    campaign: Campaign, monkeypatch: pytest.MonkeyPatch
) -> None:
    """If messages dated in the future are accepted, the twins differ."""
    monkeypatch.setattr(inbox, "_is_ahead", lambda *_args: False)
    campaign.messages(500)
    assert "changed by what should change nothing" in found(campaign)


def test_a_recovered_command_is_waited_for(tmp_path: Path) -> None:
    """A daemon killed between its record and its message sends that command after its restart."""
    daemon = DaemonHandle(tmp_path / "house.yaml")
    until = SCENES[0].begins
    daemon.issued = [CommandInForce(386616, "start", 16.0, until, None, "")]
    daemon.command = CommandInForce(386617, "stop", None, until, None, "")
    assert daemon.serial == 386617


def test_a_tally_counts_each_kind_of_wrong() -> None:
    """Everything that went wrong is counted and shown."""
    tally = Tally()
    for kind in WRONGS:
        tally.wrong(kind, "here")
    assert [tally.count(kind) for kind in WRONGS] == [1] * len(WRONGS)
    assert "  lost: here" in tally.lines()


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    scene = SCENES[0]
    directory = tmp_path_factory.mktemp("served")
    with silent(), Served(
        scene.write(directory, "mqtt://127.0.0.1:1"), scene.begins
    ).running() as running:  # fmt: skip
        yield running


LEAVES = st.sampled_from(
    ["driveway/reading", "driveway/vehicle", "driveway/request", "prices", "forecast", "generation"]
)
NUMBERS = st.floats() | st.integers() | st.text(max_size=5) | st.booleans() | st.none()
LATER = (SCENES[0].begins + timedelta(days=1)).isoformat()
BODIES = st.dictionaries(
    st.sampled_from(["v", "at", "register_kwh", "watts", "pilot", "soc_percent", "rates", "x"]),
    NUMBERS | st.just(LATER) | st.lists(NUMBERS, max_size=3),
)


@settings(max_examples=5 * settings().max_examples)
@given(
    leaf=LEAVES,
    payload=st.binary(max_size=300) | BODIES.map(lambda body: json.dumps(body).encode()),
)
def test_no_bytes_stop_it(served: Served, leaf: str, payload: bytes) -> None:
    """Every message is acknowledged, and a malformed one changes nothing."""
    before, acknowledged = known(served, served.clock.now()), served.acknowledged
    served.deliver(Sent(f"{served.topics.base}/{leaf}", payload))
    assert served.wait(), served.failure
    assert served.acknowledged == acknowledged + 1
    assert known(served, served.clock.now()) == before
