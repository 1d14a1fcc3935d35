"""The contract of the bus: a valid AsyncAPI 3.0 document that matches the real messages."""

from __future__ import annotations

import gzip
import inspect
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft7Validator

from adapters.contract import messages
from adapters.contract.asyncapi import contract
from adapters.contract.messages import MalformedMessage, Message, decode
from adapters.contract.table import BUS_TOPICS, BusTopic
from adapters.contract.topics import CHARGE_POINT_TOPICS, HOUSEHOLD_TOPICS, Topics
from config.household.loading import load_household
from daemon.rehearsal.set_up import rehearse_night
from tests.support.bus_contract import channel_of, check_published, document, faults, validator
from tests.support.commands import Ran, run

__all__ = ["run"]

ROOT = Path(__file__).parents[3]
KOWHAI = ROOT / "config" / "examples" / "kowhai.yaml"
META: dict[str, Any] = json.loads(
    gzip.decompress((ROOT / "tests" / "data" / "asyncapi_3_0_0.json.gz").read_bytes())
)
"""The AsyncAPI Initiative's schema of AsyncAPI 3.0.0 documents; asyncapi_3_0_0.txt names it."""

SPOKEN = {
    model
    for _, model in inspect.getmembers(messages, inspect.isclass)
    if issubclass(model, Message) and model is not Message
}
RECEIVED = [topic for topic in BUS_TOPICS if not topic.from_daemon]


def topic_of(name: str) -> BusTopic:
    [found] = [topic for topic in BUS_TOPICS if topic.name == name]
    return found


# --- the document ---------------------------------------------------------------------------------


def meta_faults(made: dict[str, Any]) -> list[str]:
    errors = Draft7Validator(META).iter_errors(made)
    return [f"{error.json_path}: {error.message[:200]}" for error in errors]


@pytest.mark.parametrize("file", [None, KOWHAI], ids=["any household", "one household"])
def test_it_is_valid_asyncapi(file: Path | None) -> None:
    """The document fits the AsyncAPI Initiative's own schema of version 3.0.0, bindings too."""
    assert meta_faults(contract(load_household(file) if file else None)) == []


@pytest.mark.parametrize(
    ("spoil", "place"),
    [
        (lambda made: made.pop("info"), "$"),
        (lambda made: made["operations"]["sendCommand"].update(action="shout"), "sendCommand"),
        (
            lambda made: made["operations"]["sendCommand"]["bindings"]["mqtt"].update(qos=3),
            "sendCommand",
        ),
        (lambda made: made["channels"]["command"].update(address=7), "command"),
        (lambda made: made["components"]["schemas"]["Command"].update(type="thing"), "Command"),
    ],
    ids=["no info", "action", "quality of service", "address", "type"],
)
def test_the_schema_of_asyncapi_finds_faults(
    spoil: Callable[[dict[str, Any]], object], place: str
) -> None:
    """The check can fail: a spoilt document does not fit."""
    made = contract()
    spoil(made)
    assert any(place in fault for fault in meta_faults(made))


def test_every_reference_leads_somewhere() -> None:
    """Each $ref is a place in the document itself (RFC 6901)."""
    made = contract()
    found = re.findall(r'"\$ref": "#/([^"]+)"', json.dumps(made))
    assert len(found) > 30
    for pointer in found:
        place: Any = made
        for step in pointer.split("/"):
            place = place[step]


def test_schemas_are_draft_07() -> None:
    """AsyncAPI assumes this version by default."""
    for schema in document()["components"]["schemas"].values():
        Draft7Validator.check_schema(schema)


def test_it_is_the_same_every_time() -> None:
    """No date, no order that depends on the run: it can be kept and compared."""
    assert json.dumps(contract()) == json.dumps(contract())
    for part in ("channels", "operations"):
        leaves = [re.sub("send|receive", "", name).lower() for name in contract()[part]]
        assert leaves == sorted(leaves)


# --- it is complete ---------------------------------------------------------------


def test_every_topic_has_its_place() -> None:
    """The channels are the topics of `adapters.contract.topics`, no more and no fewer."""
    assert set(document()["channels"]) == CHARGE_POINT_TOPICS | HOUSEHOLD_TOPICS
    topics = Topics("lullwatt", "Kowhai Cottage")
    for name in CHARGE_POINT_TOPICS:
        assert channel_of(getattr(topics, name)("The drive")) == name
    for name in HOUSEHOLD_TOPICS:
        assert channel_of(getattr(topics, name.replace("-", "_"))) == name


def test_every_message_has_its_place() -> None:
    """Each model of `adapters.contract.messages` is the payload of a topic."""
    assert {
        topic.payload_type for topic in BUS_TOPICS if inspect.isclass(topic.payload_type)
    } >= SPOKEN


def test_the_daemon_receives_what_it_subscribes_to() -> None:
    """It subscribes to all it receives; what else it subscribes to is its own messages."""
    filters = Topics("lullwatt", "Kowhai Cottage").subscriptions()
    heard = {wanted.split("/")[-1] for wanted in filters}
    operations = document()["operations"].values()
    assert all(operation["bindings"]["mqtt"]["qos"] == 1 for operation in operations)
    by_action = {
        action: {
            operation["channel"]["$ref"].split("/")[-1]
            for operation in operations
            if operation["action"] == action
        }
        for action in ("send", "receive")
    }
    assert by_action["receive"] <= heard
    assert heard - by_action["receive"] <= by_action["send"]


def test_with_a_household_its_own_names_stand_in_it() -> None:
    """No parameter but the charge point is left, and that has only its names."""
    file = load_household(KOWHAI)
    made = contract(file)
    topics = Topics.of_file(file)
    channels = made["channels"]
    assert channels["prices"]["address"] == topics.prices
    assert channels["command"]["address"] == f"{topics.base}/{{chargePoint}}/command"
    assert channels["command"]["parameters"]["chargePoint"]["enum"] == ["driveway"]
    assert made["servers"]["broker"]["host"] == "127.0.0.1:1883"


# --- examples -------------------------------------------------------------------------------------

EXAMPLES = [(topic.name, example) for topic in BUS_TOPICS for example in topic.examples]


@pytest.mark.parametrize(("name", "example"), EXAMPLES)
def test_examples_are_messages(name: str, example: dict[str, Any]) -> None:
    """Each example fits its schema, has no unknown key, and is read by its model."""
    assert list(validator(name, closed=True).iter_errors(example)) == []
    kind = topic_of(name).payload_type
    if kind in SPOKEN:
        decode(kind, json.dumps(example).encode())


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        (topic.strip("./"), payload)
        for row in re.findall(
            r"^\| (`.*`) \| .* \| (`.*`) \|$",
            (ROOT / "deploy" / "BUS.md").read_text("utf-8"),
            re.MULTILINE,
        )
        for topic in re.findall("`([^`]+)`", row[0])
        for payload in re.findall("`({[^`]+})`", row[1])
    ],
)
def test_the_page_of_the_bus_shows_messages_of_the_contract(topic: str, payload: str) -> None:
    """So does each payload in the page's table of topics."""
    assert list(validator(topic, closed=True).iter_errors(json.loads(payload))) == []


# --- what is sent and read ------------------------------------------------------------------------


def test_a_rehearsed_night_keeps_to_the_contract() -> None:
    """Every message of the daemon and of the simulated hardware in a whole night fits."""
    with check_published() as topics:
        rehearse_night(None, vehicle=None, soc_percent=None, at=None, say=lambda _line: None)
    channels = {channel_of(topic) for topic in topics}
    assert channels >= {"command", "plan", "status", "night", "daemon", "reading", "vehicle"}


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        ("lullwatt/h/p/command", b'{"v":1,"serial":1,"do":"start","valid_until":"x","why":"y"}'),
        ("lullwatt/h/p/command", b""),
        ("lullwatt/h/p/status", b"{}"),
        ("lullwatt/h/daemon", b'{"v":1,"state":"online","until":"tomorrow"}'),
        ("lullwatt/h/p/reading", b'{"v":1,"at":"2026-06-03T25:00:00Z","watts":1}'),
    ],
)
def test_what_does_not_keep_to_it_is_found(topic: str, payload: bytes) -> None:
    """The check can fail: it reports a wrong message, and one with an undescribed key."""
    assert faults(topic, payload) != []


class Unruly:
    """Publishes whatever it is given."""

    def publish(self, _topic: str, _payload: bytes, *, retain: bool) -> bool:
        return retain


def test_a_test_that_publishes_something_else_fails() -> None:
    """A test of the daemon fails if one of its messages breaks the contract."""
    with check_published(Unruly) as topics:
        Unruly().publish("lullwatt/h/daemon", b'{"v":1,"state":"offline"}', retain=True)
        Unruly().publish("a-plug/set", b"on", retain=True)
    assert topics == ["lullwatt/h/daemon"]
    with pytest.raises(AssertionError, match="'asleep' is not one of"), check_published(Unruly):
        Unruly().publish("lullwatt/h/daemon", b'{"v":1,"state":"asleep"}', retain=True)


_INSTANTS = st.sampled_from(
    ["2026-06-03T09:00:00Z", "2026-06-03t21:00:00.5+12:00", "2026-06-03T09:00:00", "yesterday", 7]
)
_NUMBERS = st.sampled_from(
    [0, 1, 16.5, 99.99, 100, 100.1, -1, -9_999.5, 10_000, 999_999, 1_000_000, 1e9, True, "7", None]
)
_VALUES = {
    "v": st.sampled_from([1, 2, "1", None]),
    "at": _INSTANTS,
    "by": _INSTANTS | st.none(),
    "skip_until": _INSTANTS | st.none(),
    "away_until": _INSTANTS | st.none(),
    "stop": st.sampled_from([True, False, None, "true", 1]),
    "pilot": st.sampled_from(["A", "F", "G", "a", "", None, 1]),
    "charge_now": st.sampled_from([True, False, None, "true", 1]),
    "clear": st.sampled_from([True, False, None, 0]),
    "vehicle": st.sampled_from(["van", "", "x" * 1000, "x" * 1001, None, 3]),
    "id": st.sampled_from(["a", "", "x" * 64, "x" * 65, None, 3]),
    "rates": st.sampled_from(
        [
            [], None, [{"start": "2026-06-03T09:00:00Z", "rate": 0.2}], [{"rate": 0.2}],
            [{"start": "2026-06-03T09:00:00Z", "rate": "0.2"}],
            [{"start": "2026-06-03T09:00:00Z", "rate": -999_999.5, "x": 1}],
            [{"start": "2026-06-03T09:00:00Z", "rate": 1_000_000}],
        ]
    ),
    "amps": _NUMBERS | st.sampled_from([[], [1], [1, 2, 3], [1, 2, 3, 4], ["1"], [10_000]]),
    "colour": st.just("red"),
}  # fmt: skip


@st.composite
def _payloads(draw: st.DrawFn) -> tuple[BusTopic, dict[str, Any]]:
    """Make an example of what the daemon reads, with keys left out, wrong or too many."""
    topic = draw(st.sampled_from(RECEIVED))
    names = [*topic.payload_type.model_fields, "colour"]
    kept = dict(draw(st.sampled_from(topic.examples)))
    for name in draw(st.lists(st.sampled_from(names), unique=True, max_size=2)):
        kept.pop(name, None)
    changed = draw(st.lists(st.sampled_from(names), unique=True, max_size=3))
    return topic, kept | {name: draw(_VALUES.get(name, _NUMBERS)) for name in changed}


def test_the_schema_takes_what_the_daemon_takes() -> None:
    """A payload fits its schema exactly if the daemon reads it; both kinds are tried."""
    tried: set[tuple[str, bool]] = set()

    @settings(max_examples=10 * settings().max_examples)
    @given(_payloads())
    def law(case: tuple[BusTopic, dict[str, Any]]) -> None:
        tried.add((case[0].name, _agrees(*case)))

    law()
    assert tried == {(topic.name, fits) for topic in RECEIVED for fits in (True, False)}


def _agrees(topic: BusTopic, payload: dict[str, Any]) -> bool:
    """Return whether a payload fits; the schema can't express that want is below need."""
    fits = validator(topic.name, closed=False).is_valid(payload)
    try:
        decode(topic.payload_type, json.dumps(payload).encode())
        why = ""
    except MalformedMessage as error:
        why = str(error)
    assert fits == (not why) or "want_percent is below need_percent" in why, why
    return fits


# --- the command ----------------------------------------------------------------------------------


def test_the_command_prints_it(run: Callable[..., Ran]) -> None:
    """`lullwatt schema bus` prints the document, with a file that household's."""
    ran = run("schema", "bus")
    assert (ran.code, ran.err) == (0, "")
    assert json.loads(ran.out) == contract()
    ran = run("schema", "bus", str(KOWHAI))
    assert json.loads(ran.out) == contract(load_household(KOWHAI))


def test_a_household_that_is_not_there_has_no_contract(run: Callable[..., Ran]) -> None:
    """A missing file is reported in one line, exit 2."""
    ran = run("schema", "bus", "nowhere.yaml")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == "nowhere.yaml:1:1: expected a household file, got no such file\n"
