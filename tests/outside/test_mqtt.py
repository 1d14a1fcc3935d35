"""Topics against the OASIS standard for MQTT, and against another implementation of it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from adapters.contract.topics import Topics, is_topic_filter, matches

# MQTT 3.1.1 (OASIS Standard, 29 October 2014), section 4.7; the file names it too.
VECTORS: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "data" / "outside_mqtt.json").read_text(encoding="utf-8")
)
LEVELS = st.sampled_from(["a", "b", "", "lullwatt", "é"])
TOPIC_NAMES = st.lists(LEVELS, min_size=1, max_size=4).map("/".join).filter(bool)
FILTERS = st.builds(
    lambda levels, last: "/".join([*levels, *last]),
    st.lists(LEVELS | st.just("+"), min_size=1, max_size=4),
    st.sampled_from([[], ["#"]]),
).filter(bool)


@pytest.mark.parametrize(("topic_filter", "topic", "expected"), VECTORS["topic_match"])
def test_the_examples_of_the_standard(topic_filter: str, topic: str, *, expected: bool) -> None:
    """A filter covers what section 4.7 says it covers, and nothing else."""
    assert is_topic_filter(topic_filter)
    assert matches(topic_filter, topic) is expected


@pytest.mark.parametrize("topic_filter", VECTORS["invalid_filters"])
def test_what_the_standard_calls_invalid(topic_filter: str) -> None:
    """A filter that section 4.7 calls not valid is refused."""
    assert not is_topic_filter(topic_filter)


@pytest.mark.parametrize("topic_filter", ["#", "+", "/", "sport/tennis/+", "+/tennis/#", "a//b"])
def test_what_the_standard_calls_valid(topic_filter: str) -> None:
    """Filters that section 4.7.1 calls valid are accepted."""
    assert is_topic_filter(topic_filter)


def test_the_limits_of_section_4_7_3() -> None:
    """A filter has no null character [MQTT-4.7.3-2] and at most 65,535 bytes [MQTT-4.7.3-3]."""
    assert not is_topic_filter("a\0b")
    assert is_topic_filter("é" * 32_767)
    assert not is_topic_filter("é" * 32_768)


@settings(deadline=None)
@given(topic_filter=FILTERS, topic=TOPIC_NAMES)
def test_another_implementation_agrees(topic_filter: str, topic: str) -> None:
    """The paho library, which is not ours, gives the same answer for every valid filter."""
    assert is_topic_filter(topic_filter)
    assert matches(topic_filter, topic) == topic_matches_sub(topic_filter, topic)


@settings(deadline=None)
@given(name=st.text(min_size=1, max_size=30), charge_point=st.text(min_size=1, max_size=30))
def test_our_topics_are_valid(name: str, charge_point: str) -> None:
    """Whatever people call their home, its topics have no wildcards and meet our subscriptions."""
    topics = Topics("lullwatt", name)
    for topic in (topics.reading(charge_point), topics.vehicle(charge_point), topics.prices):
        assert is_topic_filter(topic)
        assert not {"+", "#"} & set(topic)
        assert [matches(wanted, topic) for wanted in topics.subscriptions()].count(True) == 1
