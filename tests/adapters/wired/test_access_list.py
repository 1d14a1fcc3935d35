"""The access list for Mosquitto: each user may do what their part needs, and nothing else.

tests/faults/test_break_in.py tries it on a real Mosquitto.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.contract.topics import Topics, matches
from adapters.wired.access_list import access_list, overlap, users
from config.doors.page import Page
from config.files.errors import UsageError
from config.home.carbon import Carbon
from config.household.household_file import HouseholdFile
from config.household.loading import load_household
from tests.support.commands import Ran, run

__all__ = ["run"]

KOWHAI = Path(__file__).parents[3] / "config" / "examples" / "kowhai.yaml"
TOPICS = Topics("lullwatt", "Kowhai Cottage")
PLUG = {
    "tell": {
        "start": {"topic": "plug/set", "text": "on"},
        "stop": {"topic": "plug/set", "text": "off"},
    },
    "hear": {"power": {"topic": "plug/+/power"}},
}


def household(*, bus: dict[str, Any] | None = None, wiring: object = None) -> HouseholdFile:
    """Make the demo household with a plug in the shed, wired as given."""
    shed = {"charging_mode": 3, "max_amps": 16.0, "switching": "on_off"}
    file = load_household(KOWHAI)
    point = type(file.charge_points["driveway"]).model_validate(
        shed | ({"wiring": wiring} if wiring else {})
    )
    return file.model_copy(
        update={
            "charge_points": {**file.charge_points, "Shed 2": point},
            "bus": file.bus.model_copy(update=bus or {}),
        }
    )


def rights(text: str, user: str) -> set[str]:
    """Return one user's lines of a list, as `read topic` and so on."""
    [block] = [block for block in text.split("\n\n") if f"\nuser {user}\n" in f"\n{block}\n"]
    return {line[6:] for line in block.splitlines() if line.startswith("topic ")}


def test_what_each_user_may_do() -> None:
    """The whole list of a household whose hardware uses the daemon's own messages."""
    text = access_list(household())
    base = "lullwatt/kowhai-cottage"
    assert rights(text, "kowhai-cottage.daemon") == {f"readwrite {base}/#"}
    assert rights(text, "kowhai-cottage.point.shed-2") == {
        f"read {base}/shed-2/command", f"write {base}/shed-2/reading",
        f"write {base}/shed-2/vehicle", f"read {base}/daemon",
    }  # fmt: skip
    assert rights(text, "kowhai-cottage.people") == {
        f"read {base}/#", f"write {base}/driveway/request", f"write {base}/shed-2/request",
    }  # fmt: skip
    assert rights(text, "kowhai-cottage.prices") == {
        f"write {base}/prices",
        f"write {base}/announcements",
    }
    assert rights(text, "kowhai-cottage.load") == {f"write {base}/load"}


def test_the_daemon_has_the_name_that_the_file_gives_it() -> None:
    """The daemon's user name is the one that it signs in with."""
    text = access_list(household(bus={"username": "night watch"}))
    assert "user night watch\n" in text
    assert "mosquitto_passwd -c passwords 'night watch'" in text
    assert "kowhai-cottage.daemon" not in text


def test_the_page_has_an_account_of_its_own() -> None:
    """It has the rights of people; a page that signs in as people is no further user."""
    file = household()

    def listed(username: str) -> str:
        page = Page.model_validate(
            {"listen": "127.0.0.1:1", "devices_file": "d", "username": username,
             "password_file": "p"}
        )  # fmt: skip
        return access_list(file.model_copy(update={"page": page}))

    text = listed("kowhai-cottage.page")
    assert "# The household's page.\nuser kowhai-cottage.page\n" in text
    assert rights(text, "kowhai-cottage.page") == rights(text, "kowhai-cottage.people")
    assert listed("kowhai-cottage.people") == access_list(file)


def test_a_feed_of_carbon_has_an_account_where_it_is_declared() -> None:
    """It may write its topic, and nothing else; the daemon may read it."""
    file = household()
    carbon = Carbon(kind="average")
    text = access_list(file.model_copy(update={"carbon": carbon}))
    (part,) = [each for each in text.split("user ") if each.startswith("kowhai-cottage.carbon\n")]
    assert [line for line in part.splitlines() if line.startswith("topic")] == [
        "topic write lullwatt/kowhai-cottage/carbon"
    ]
    assert "kowhai-cottage.carbon" not in access_list(file)


def test_the_daemon_may_read_and_write_all_that_it_does() -> None:
    """Every topic that it subscribes to or publishes on is below its own base topic."""
    [daemon] = [user for user in users(household()) if user.part == "the daemon"]
    [(access, below)] = daemon.rights
    assert access == "readwrite"
    published = (TOPICS.command("driveway"), TOPICS.plan("driveway"), TOPICS.daemon)
    assert all(matches(below, topic) for topic in (*TOPICS.subscriptions(), *published))


def test_hardware_with_topics_of_its_own() -> None:
    """A wired plug may read its commands and write its values; the daemon the reverse."""
    text = access_list(household(wiring=PLUG))
    plug = {"read plug/set", "write plug/+/power"}
    assert rights(text, "kowhai-cottage.point.shed-2") == plug
    assert rights(text, "kowhai-cottage.daemon") == {
        "readwrite lullwatt/kowhai-cottage/#", "write plug/set", "read plug/+/power",
    }  # fmt: skip


def test_hardware_reads_questions_and_writes_acknowledgements() -> None:
    """Hardware that is asked, and that acknowledges what it is told."""
    answers = {
        "tell": {**PLUG["tell"], "acknowledgement": {"topic": "plug/ok"}},
        "hear": {**PLUG["hear"], "ask": [{"topic": "plug/ask", "text": "?"}]},
    }
    rights_of_plug = rights(access_list(household(wiring=answers)), "kowhai-cottage.point.shed-2")
    assert {"read plug/ask", "write plug/ok"} <= rights_of_plug


@pytest.mark.parametrize(
    ("half", "wanted"),
    [
        (
            "tell",
            {
                "read plug/set",
                "write {shed}/reading",
                "write {shed}/vehicle",
                "read lullwatt/kowhai-cottage/daemon",
            },
        ),
        ("hear", {"write plug/+/power", "read {shed}/command"}),
    ],
)
def test_each_half_of_the_wiring_works_alone(half: str, wanted: set[str]) -> None:
    """Hardware wired in one direction uses the daemon's own topics in the other."""
    text = access_list(household(wiring={half: PLUG[half]}))
    shed = "lullwatt/kowhai-cottage/shed-2"
    expected = {right.format(shed=shed) for right in wanted}
    assert rights(text, "kowhai-cottage.point.shed-2") == expected


@pytest.mark.parametrize(
    "topic",
    ["#", "lullwatt/#", "+/+/+/power", "+/kowhai-cottage/#", "lullwatt/kowhai-cottage/x/power"],
)
def test_hardware_is_kept_out_of_the_daemon_s_topics(topic: str) -> None:
    """A wired topic that also covers the daemon's own is refused, and the error names it."""
    with pytest.raises(UsageError, match="hardware must be kept out of") as caught:
        access_list(household(wiring={"hear": {"power": {"topic": topic}}}))
    assert str(caught.value).startswith(f"charge_points: Shed 2: wiring: the topic {topic} also")


def test_a_topic_that_a_list_cannot_express() -> None:
    """Mosquitto drops blanks at the end of a line, so such a topic is refused."""
    with pytest.raises(UsageError, match="begins or ends with a blank"):
        access_list(household(wiring={"hear": {"power": {"topic": "plug/power "}}}))


_LEVELS = st.sampled_from(["a", "b", "+"])
_FILTERS = st.builds(
    lambda levels, last: "/".join([*levels, *last]),
    st.lists(_LEVELS, min_size=1, max_size=3),
    st.sampled_from([[], ["#"]]),
)
_TOPICS = ["/".join(levels) for length in range(1, 6) for levels in product("abc", repeat=length)]


@given(_FILTERS, _FILTERS)
def test_filters_overlap_where_a_topic_matches_both(one: str, other: str) -> None:
    """Compared with trying every topic of up to five levels (MQTT 3.1.1, section 4.7)."""
    both = any(matches(one, topic) and matches(other, topic) for topic in _TOPICS)
    assert overlap(one, other) is overlap(other, one) is both


def test_the_command_prints_it(run: Callable[..., Ran]) -> None:
    """`lullwatt schema acl FILE` prints the list and nothing else; without FILE it is refused."""
    ran = run("schema", "acl", str(KOWHAI))
    assert (ran.code, ran.err) == (0, "")
    assert ran.out == access_list(load_household(KOWHAI))
    assert run("schema", "acl").code == 2
