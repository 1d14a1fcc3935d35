"""Check every message that a test publishes against the contract of the bus.

`check_published` wraps the two places where the daemon and the simulated hardware publish: the
connection to a real broker, and its replacement in the daemon's own tests.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache, lru_cache
from typing import Any, Final

import fastjsonschema
import pytest
from jsonschema import Draft7Validator, FormatChecker

from adapters.bus.connection import BrokerConnection
from adapters.clocks.instants import parse_instant
from adapters.contract.asyncapi import contract

_FORMATS: Final = FormatChecker(formats=())


@_FORMATS.checks("date-time", raises=ValueError)
def _is_instant(value: object) -> bool:
    return not isinstance(value, str) or parse_instant(value).tzinfo is not None


@cache
def document() -> dict[str, Any]:
    return contract()


@cache
def _addresses() -> dict[str, re.Pattern[str]]:
    """Return a pattern for the topics of each channel, with any names for its parameters."""
    return {
        name: re.compile(
            re.sub(r"\\\{root\\\}/\\\{household\\\}", "lullwatt/[a-z0-9-]+", _pattern(channel))
        )
        for name, channel in document()["channels"].items()
    }


def _pattern(channel: dict[str, Any]) -> str:
    address: str = re.escape(channel["address"])
    return address.replace(r"\{chargePoint\}", "[a-z0-9-]+")


@cache
def channel_of(topic: str) -> str | None:
    """Return the name of the channel that a topic belongs to; None for foreign topics."""
    names = [name for name, pattern in _addresses().items() if pattern.fullmatch(topic)]
    assert len(names) <= 1, topic
    return names[0] if names else None


@cache
def validator(name: str, *, closed: bool) -> Draft7Validator:
    """Return the validator of a message; a closed one refuses keys that are not described."""
    made = document()
    payload = made["components"]["messages"][name]["payload"]
    schemas = made["components"]["schemas"]
    schema = {**payload, "components": {"schemas": schemas}}
    return Draft7Validator(_closed(schema) if closed else schema, format_checker=_FORMATS)


@cache
def _quick_check(name: str) -> Callable[[object], object]:
    """Compile the closed schema of a message: some ten times as fast, but it explains no fault."""
    closed = validator(name, closed=True).schema
    assert isinstance(closed, dict)
    schema = closed | {"$schema": "http://json-schema.org/draft-07/schema#"}
    check: Callable[[object], object] = fastjsonschema.compile(
        schema, formats={"date-time": _is_instant_text}, use_default=False
    )
    return check


@lru_cache(maxsize=4096)
def _is_instant_text(value: str) -> bool:
    try:
        return _is_instant(value)
    except ValueError:
        return False


def faults(topic: str, payload: bytes) -> list[str]:
    """Return how a message breaks the contract; nothing for foreign topics."""
    channel = channel_of(topic)
    if channel is None:
        return []
    if not payload:
        return [] if "empty" in document()["channels"][channel]["messages"] else ["is empty"]
    message = json.loads(payload)
    try:
        _quick_check(channel)(message)
    except fastjsonschema.JsonSchemaException as refused:
        found = validator(channel, closed=True).iter_errors(message)
        explained = [f"{topic}: {error.json_path}: {error.message}" for error in found]
        return explained or [f"{topic}: {refused}"]
    return []


@contextmanager
def check_published(others: type | None = None) -> Iterator[list[str]]:
    """Check all messages published inside the block, and list their topics.

    Yields
    ------
    list of str
        Filled as messages are check_published.
    """
    broken: list[str] = []
    topics: list[str] = []

    def check(topic: str, payload: bytes) -> None:
        broken.extend(faults(topic, payload))
        if channel_of(topic):
            topics.append(topic)

    with pytest.MonkeyPatch.context() as patch:
        for place in (BrokerConnection, *((others,) if others else ())):
            patch.setattr(place, "publish", _checking(place.publish, check))
        yield topics
    assert not broken, "\n".join(broken)


def _checking(publish: Any, check: Any) -> Any:  # noqa: ANN401 - either of the two places
    def check_and_publish(self: object, topic: str, payload: bytes, **how: object) -> object:
        check(topic, payload)
        return publish(self, topic, payload, **how)

    return check_and_publish


def _closed(schema: Any) -> Any:  # noqa: ANN401 - any part of a schema
    if isinstance(schema, list):
        return [_closed(each) for each in schema]
    if not isinstance(schema, dict):
        return schema
    made = {key: _closed(each) for key, each in schema.items()}
    if made.get("type") == "object":
        made.setdefault("additionalProperties", False)
    return made
