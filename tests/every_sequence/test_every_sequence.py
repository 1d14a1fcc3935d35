"""Every short sequence of happenings keeps what is promised; `make every-sequence` goes on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.every_sequence.homes import HAPPENINGS as AT_HOME
from tests.every_sequence.homes import HOME_RULES, home_at
from tests.every_sequence.moving import KIND_RULES, POINT_RULES, REACHING_RULES, told
from tests.every_sequence.planted import counterexample
from tests.every_sequence.search import search, unlike_twins
from tests.every_sequence.starts import ALL, EVERYDAY, STARTS, world_at
from tests.support.remembered_plans import plans_remembered

if TYPE_CHECKING:
    from collections.abc import Iterator

LONGEST_SECONDS = 60
"""A fault that something else makes up for by now would be searched for without an end."""


@pytest.fixture(autouse=True)
def _remembered() -> Iterator[None]:
    with plans_remembered():
        yield


@pytest.mark.parametrize("start", STARTS)
def test_every_two_happenings_keep_every_promise(start: str) -> None:
    world = world_at(start)
    found = search(world, ALL, 2, POINT_RULES, most_twins=20)
    assert found.wrong is None, "\n".join(told(world, found.wrong.names))
    assert unlike_twins(found, world, ALL, POINT_RULES, continuations=2) == []
    assert sum(found.states) > 300


def test_everyday_sequences_keep_every_promise() -> None:
    world = world_at("connected")
    found = search(world, EVERYDAY, 5, POINT_RULES)
    assert found.wrong is None, "\n".join(told(world, found.wrong.names))


def test_longer_sequences_through_one_world_of_each_kind_keep_every_promise() -> None:
    world = world_at("unmetered")
    names = ("pilot A", "pilot B", "pilot C", "restart", "wake", "a lease")
    found = search(world, names, 6, KIND_RULES)
    assert found.wrong is None, "\n".join(told(world, found.wrong.names))


@pytest.mark.parametrize("start", ["one", "both"])
def test_every_two_happenings_at_two_charge_points_keep_to_the_fuse(start: str) -> None:
    found = search(home_at(start), tuple(AT_HOME), 2, HOME_RULES)
    assert found.wrong is None
    assert sum(found.states) > 100


@pytest.mark.parametrize("start", ["connected", "early"])
def test_whatever_happened_a_need_in_reach_is_met(start: str) -> None:
    """From then on the bus works and the plug is honest."""
    found = search(world_at(start), ALL, 1, REACHING_RULES)
    assert found.wrong is None


@pytest.mark.parametrize(
    ("fault", "length"),
    [
        ("an error of the charge point is overlooked", 1),
        ("a start lasts for an hour", 1),
        ("a stop is never repeated", 2),
        ("a run cut short has a short rest", 3),
        ("nothing is sent again when the broker is back", 3),
        ("a command is renewed only as it expires", 4),
        ("another state of charge is not planned with", 2),
        ("what the other draws is forgotten", 2),
        ("more than the fixed part lasts for half an hour", 1),
    ],
)
def test_a_planted_fault_is_found_by_its_shortest_sequence(fault: str, length: int) -> None:
    found = counterexample(fault, seconds=LONGEST_SECONDS)
    assert found is not None
    assert len(found.names) == length
