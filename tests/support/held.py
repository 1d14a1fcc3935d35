"""Everything that a test publishes on the bus, held against the contract of the bus.

`published` wraps the two places that all messages of the daemon, and of the simulated hardware,
pass on their way: the link to a real broker, and what stands for one in the daemon's own tests.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
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
    """Return the topics of each channel, with any names in place of its parameters."""
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
    """Name the channel that a topic belongs to; None for topics of others."""
    names = [name for name, pattern in _addresses().items() if pattern.fullmatch(topic)]
    assert len(names) <= 1, topic
    return names[0] if names else None


@cache
def validator(name: str, *, closed: bool) -> Draft7Validator:
    """Validate a message of the contract; a closed one may hold no key that is not described."""
    made = document()
    payload = made["components"]["messages"][name]["payload"]
    schemas = made["components"]["schemas"]
    schema = {**payload, "components": {"schemas": schemas}}
    return Draft7Validator(_closed(schema) if closed else schema, format_checker=_FORMATS)


@cache
def _quick_check(name: str) -> Callable[[object], object]:
    """Compile the closed schema of a message: some ten times as fast, but it words no fault."""
    closed = validator(name, closed=True).schema
    assert isinstance(closed, dict)
    schema = closed | {"$schema": "http://json-schema.org/draft-07/schema#"}
    check: Callable[[object], object] = fastjsonschema.compile(
        schema, formats={"date-time": _is_instant_text}, use_default=False
    )
    return check


def _is_instant_text(value: str) -> bool:
    try:
        return _is_instant(value)
    except ValueError:
        return False


def faults(topic: str, payload: bytes) -> list[str]:
    """Tell what a message breaks of the contract; nothing for the topics of others."""
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
        worded = [f"{topic}: {error.json_path}: {error.message}" for error in found]
        return worded or [f"{topic}: {refused}"]
    return []


@contextmanager
def published(others: type | None = None) -> Iterator[list[str]]:
    """Hold all that is published meanwhile; hands over the topics that were held.

    Yields
    ------
    list of str
        Filled as messages are published.
    """
    broken: list[str] = []
    held: list[str] = []

    def hold(topic: str, payload: bytes) -> None:
        broken.extend(faults(topic, payload))
        if channel_of(topic):
            held.append(topic)

    with pytest.MonkeyPatch.context() as patch:
        for place in (BrokerConnection, *((others,) if others else ())):
            patch.setattr(place, "publish", _holding(place.publish, hold))
        yield held
    assert not broken, "\n".join(broken)


def _holding(publish: Any, hold: Any) -> Any:  # noqa: ANN401 - stands for either place
    def hold_and_publish(self: object, topic: str, payload: bytes, **how: object) -> object:
        hold(topic, payload)
        return publish(self, topic, payload, **how)

    return hold_and_publish


def _closed(schema: Any) -> Any:  # noqa: ANN401 - any part of a schema
    if isinstance(schema, list):
        return [_closed(each) for each in schema]
    if not isinstance(schema, dict):
        return schema
    made = {key: _closed(each) for key, each in schema.items()}
    if made.get("type") == "object":
        made.setdefault("additionalProperties", False)
    return made
