"""Topics are made from names and split again, as the contract has them."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.contract.topics import CHARGE_POINT_TOPICS, Topics
from config.fields.names import topic_level

HOME = Topics("lullwatt", "Kowhai Cottage")


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("Kowhai Cottage", "kowhai-cottage"),
        ("driveway", "driveway"),
        ("No. 7 -- left/+#", "no-7-left-"),
        ("Pōhutukawa", "p-hutukawa"),
        ("a\u0660b", "a-b"),
    ],
)
def test_a_name_becomes_a_level(name: str, expected: str) -> None:
    """Lower case, and each run of characters other than a-z and 0-9 becomes one hyphen."""
    assert topic_level(name) == expected


def test_the_topics_of_a_charge_point() -> None:
    """Each message of a charge point has its own topic below the household and the point."""
    made = {
        "command": HOME.command("Driveway"),
        "plan": HOME.plan("Driveway"),
        "status": HOME.status("Driveway"),
        "night": HOME.night("Driveway"),
        "alert": HOME.alert("Driveway"),
        "answer": HOME.answer("Driveway"),
        "reading": HOME.reading("Driveway"),
        "vehicle": HOME.vehicle("Driveway"),
        "request": HOME.request("Driveway"),
    }
    assert set(made) == CHARGE_POINT_TOPICS
    for name, topic in made.items():
        assert topic == f"lullwatt/kowhai-cottage/driveway/{name}"
        assert HOME.parse(topic) == ("driveway", name)


def test_the_topics_of_the_household() -> None:
    """The daemon's state, prices and the home's load stand beside the charge points."""
    assert HOME.daemon == "lullwatt/kowhai-cottage/daemon"
    assert HOME.parse(HOME.daemon) == (None, "daemon")
    assert HOME.parse(HOME.prices) == (None, "prices")
    assert HOME.parse(HOME.load) == (None, "load")
    assert HOME.parse(HOME.forecast) == (None, "forecast")
    assert HOME.parse(HOME.generation) == (None, "generation")


def test_what_the_daemon_listens_to() -> None:
    """It subscribes to hardware, people and feeds, and to the state of another daemon."""
    assert HOME.subscriptions() == (
        "lullwatt/kowhai-cottage/+/reading",
        "lullwatt/kowhai-cottage/+/vehicle",
        "lullwatt/kowhai-cottage/+/request",
        "lullwatt/kowhai-cottage/grid-limit",
        "lullwatt/kowhai-cottage/prices",
        "lullwatt/kowhai-cottage/announcements",
        "lullwatt/kowhai-cottage/forecast",
        "lullwatt/kowhai-cottage/carbon",
        "lullwatt/kowhai-cottage/generation",
        "lullwatt/kowhai-cottage/load",
        "lullwatt/kowhai-cottage/grid",
        "lullwatt/kowhai-cottage/daemon",
    )


@pytest.mark.parametrize(
    "topic",
    [
        "",
        "lullwatt",
        "lullwatt/kowhai-cottage",
        "lullwatt/kowhai-cottage/",
        "lullwatt/kowhai-cottage/driveway",
        "lullwatt/kowhai-cottage/driveway/weather",
        "lullwatt/kowhai-cottage//reading",
        "lullwatt/kowhai-cottage/driveway/reading/",
        "lullwatt/kowhai-cottage/driveway/left/reading",
        "lullwatt/kowhai-cottage-2/driveway/reading",
        "other/kowhai-cottage/driveway/reading",
        "x/lullwatt/kowhai-cottage/driveway/reading",
        "Lullwatt/kowhai-cottage/driveway/reading",
        "$SYS/broker/uptime",
    ],
)
def test_other_topics_are_not_ours(topic: str) -> None:
    """A topic of another home, of none, or with an unknown name is not one of ours."""
    assert HOME.parse(topic) is None


def test_a_root_with_several_levels() -> None:
    """The prefix may have several levels."""
    topics = Topics("home/energy", "Kowhai Cottage")
    assert topics.reading("Driveway") == "home/energy/kowhai-cottage/driveway/reading"
    assert topics.parse(topics.reading("Driveway")) == ("driveway", "reading")


@settings(deadline=None)
@given(topic=st.text(alphabet="/adinorgeklw-t+#\0é", max_size=60))
def test_parsing_never_fails(topic: str) -> None:
    """Any text is a topic of ours or none; what is ours can be made again."""
    found = HOME.parse(topic)
    assert found is None or topic.endswith(found[1])
