"""Make the contract of the bus, an AsyncAPI 3.0 document.

It is made from the topics and the models. It takes the daemon's side: the daemon sends what it
publishes, and receives what it subscribes to. The document depends only on the code and on the
household file, if one is given: no dates, and a fixed order.
"""

from __future__ import annotations

from typing import Any, Final

from adapters.contract.messages import DaemonState, encode
from adapters.contract.schemas import payload_schemas
from adapters.contract.table import BUS_TOPICS, BusTopic
from adapters.contract.topics import CHARGE_POINT_TOPICS, Topics
from config.fields.names import topic_level
from config.household.household_file import HouseholdFile

Document = dict[str, Any]

BINDING: Final = "0.2.0"
"""Version of the MQTT bindings of AsyncAPI."""

_EMPTY: Final = "empty"
_ANY_PARAMETERS: Final[Document] = {
    "root": {
        "description": "The prefix of all topics: root under bus in the household file.",
        "default": "lullwatt",
    },
    "household": {
        "description": "The topic of the household, if its file gives one; else its name in lower"
        " case, every run of characters other than a-z and 0-9 replaced by one hyphen.",
        "examples": ["kowhai-cottage"],
    },
    "chargePoint": {
        "description": "The charge point's name, in lower case and with hyphens in the same way.",
        "examples": ["driveway"],
    },
}
_DESCRIPTION: Final = (
    "The messages between the daemon, charging hardware, people and feeds: MQTT 5 or 3.1.1, quality"
    " of service 1, JSON in UTF-8 of 64 KiB at most, instants by RFC 3339 with their offset (the"
    " daemon writes UTC with Z). Unknown keys are ignored, except in a request, where they are"
    " refused. Software and MQTT are never a protective device: hardware keeps to its own limits,"
    " whatever it is commanded."
)


def contract(file: HouseholdFile | None = None) -> Document:
    """Make the AsyncAPI document of the bus.

    Parameters
    ----------
    file
        A household file; without one, topics have parameters in place of names.

    Returns
    -------
    dict
        JSON values, the same for the same household.
    """
    topics = sorted(BUS_TOPICS, key=lambda topic: topic.name)
    payloads, schemas = payload_schemas(topics)
    name = f"bus of {file.household.name}" if file else "bus"
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": f"Lullwatt: {name}",
            "version": "1",
            "description": _DESCRIPTION,
            "license": {"name": "MIT"},
        },
        **({"servers": {"broker": _server(file)}} if file else {}),
        "defaultContentType": "application/json",
        "channels": {topic.name: _channel(topic, file) for topic in topics},
        "operations": {_operation_name(topic): _operation(topic) for topic in topics},
        "components": {
            "messages": {
                **{topic.name: _message(topic, payloads[topic.name]) for topic in topics},
                _EMPTY: {
                    "summary": "An empty payload: deletes the retained message.",
                    "contentType": "application/octet-stream",
                    "payload": {"type": "string", "maxLength": 0},
                },
            },
            "schemas": schemas,
        },
    }


def _server(file: HouseholdFile) -> Document:
    bus, topics = file.bus, Topics.of_file(file)
    host = f"[{bus.host}]" if ":" in bus.host else bus.host
    return {
        "host": f"{host}:{bus.port}",
        "protocol": "secure-mqtt" if bus.tls else "mqtt",
        "protocolVersion": "5",
        "description": "The household's broker; MQTT 3.1.1 works too.",
        "bindings": {
            "mqtt": {
                "lastWill": {
                    "topic": topics.daemon,
                    "qos": 1,
                    "message": encode(DaemonState(state="offline")).decode(),
                    "retain": True,
                },
                "bindingVersion": BINDING,
            }
        },
    }


def _channel(topic: BusTopic, file: HouseholdFile | None) -> Document:
    of_point = topic.name in CHARGE_POINT_TOPICS
    base = Topics.of_file(file).base if file else "{root}/{household}"
    names = topic.name, *([_EMPTY] if topic.may_be_empty else [])
    parameters = _parameters(file, of_point=of_point)
    return {
        "address": f"{base}/{{chargePoint}}/{topic.name}" if of_point else f"{base}/{topic.name}",
        "description": f"Sent by: {topic.sender}. {topic.meaning}",
        **({"parameters": parameters} if parameters else {}),
        "messages": {name: {"$ref": f"#/components/messages/{name}"} for name in names},
    }


def _parameters(file: HouseholdFile | None, *, of_point: bool) -> Document:
    if file is None:
        omitted = set() if of_point else {"chargePoint"}
        return {name: each for name, each in _ANY_PARAMETERS.items() if name not in omitted}
    if not of_point:
        return {}
    points = sorted(topic_level(name) for name in file.charge_points)
    return {"chargePoint": {"description": "A charge point of this household.", "enum": points}}


def _operation_name(topic: BusTopic) -> str:
    name = "".join(part.capitalize() for part in topic.name.split("-"))
    return f"{'send' if topic.from_daemon else 'receive'}{name}"


def _operation(topic: BusTopic) -> Document:
    # A binding describes what the daemon does. Whether to retain a message is up to its sender.
    binding = {"qos": 1, **({"retain": topic.retained} if topic.from_daemon else {})}
    names = topic.name, *([_EMPTY] if topic.may_be_empty else [])
    return {
        "action": "send" if topic.from_daemon else "receive",
        "channel": {"$ref": f"#/channels/{topic.name}"},
        "summary": topic.meaning,
        "bindings": {"mqtt": {**binding, "bindingVersion": BINDING}},
        "messages": [{"$ref": f"#/channels/{topic.name}/messages/{name}"} for name in names],
    }


def _message(topic: BusTopic, payload: Document) -> Document:
    return {
        "name": topic.name,
        "title": topic.payload_type.__name__,
        "summary": f"{'Retained' if topic.retained else 'Not retained'}; sent by: {topic.sender}.",
        "payload": payload,
        "examples": [{"payload": dict(example)} for example in topic.examples],
    }
