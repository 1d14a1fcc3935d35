"""The contract of the bus as an AsyncAPI 3.0 document, made from the topics and the models.

From the daemon's side: it sends what it publishes, and receives what it listens to. The document
depends on nothing but the code and, if one is given, the household file: no dates, fixed order.
"""

from __future__ import annotations

from typing import Any, Final

from adapters.contract.messages import DaemonState, encode
from adapters.contract.schemas import payload_schemas
from adapters.contract.table import ROWS, Row
from adapters.contract.topics import CHARGE_POINT_LEAVES, Topics, slug
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
        "description": "The household's name in lower case, every run of other characters than a-z"
        " and 0-9 turned into one hyphen.",
        "examples": ["kowhai-cottage"],
    },
    "chargePoint": {
        "description": "The charge point's name, written likewise.",
        "examples": ["driveway"],
    },
}
_ABOUT: Final = (
    "What travels between the daemon, charging hardware, people and feeds: MQTT 5 or 3.1.1, quality"
    " of service 1, JSON in UTF-8 of 64 KiB at most, instants by RFC 3339 with their offset (the"
    " daemon writes UTC with Z). Unknown keys are passed over, but in a request they are refused."
    " Software and MQTT are never a protective device: hardware keeps to its own limits, whatever"
    " it is told."
)


def contract(file: HouseholdFile | None = None) -> Document:
    """Make the AsyncAPI document of the bus.

    Parameters
    ----------
    file
        A household; without one, topics have parameters in place of names.

    Returns
    -------
    dict
        JSON values, the same for the same household.
    """
    rows = sorted(ROWS, key=lambda row: row.leaf)
    payloads, schemas = payload_schemas(rows)
    name = f"bus of {file.household.name}" if file else "bus"
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": f"Lullwatt: {name}",
            "version": "1",
            "description": _ABOUT,
            "license": {"name": "MIT"},
        },
        **({"servers": {"broker": _server(file)}} if file else {}),
        "defaultContentType": "application/json",
        "channels": {row.leaf: _channel(row, file) for row in rows},
        "operations": {_operation_name(row): _operation(row) for row in rows},
        "components": {
            "messages": {
                **{row.leaf: _message(row, payloads[row.leaf]) for row in rows},
                _EMPTY: {
                    "summary": "Nothing: takes the retained message away.",
                    "contentType": "application/octet-stream",
                    "payload": {"type": "string", "maxLength": 0},
                },
            },
            "schemas": schemas,
        },
    }


def _server(file: HouseholdFile) -> Document:
    bus, topics = file.bus, Topics(file.bus.root, file.household.name)
    host = f"[{bus.host}]" if ":" in bus.host else bus.host
    return {
        "host": f"{host}:{bus.port}",
        "protocol": "secure-mqtt" if bus.tls else "mqtt",
        "protocolVersion": "5",
        "description": "The household's broker; 3.1.1 will do as well.",
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


def _channel(row: Row, file: HouseholdFile | None) -> Document:
    of_point = row.leaf in CHARGE_POINT_LEAVES
    base = Topics(file.bus.root, file.household.name).base if file else "{root}/{household}"
    names = row.leaf, *([_EMPTY] if row.may_be_empty else [])
    parameters = _parameters(file, of_point=of_point)
    return {
        "address": f"{base}/{{chargePoint}}/{row.leaf}" if of_point else f"{base}/{row.leaf}",
        "description": f"Said by: {row.said_by}. {row.meaning}",
        **({"parameters": parameters} if parameters else {}),
        "messages": {name: {"$ref": f"#/components/messages/{name}"} for name in names},
    }


def _parameters(file: HouseholdFile | None, *, of_point: bool) -> Document:
    if file is None:
        left_out = set() if of_point else {"chargePoint"}
        return {name: each for name, each in _ANY_PARAMETERS.items() if name not in left_out}
    if not of_point:
        return {}
    points = sorted(slug(name) for name in file.charge_points)
    return {"chargePoint": {"description": "A charge point of this household.", "enum": points}}


def _operation_name(row: Row) -> str:
    return f"{'send' if row.from_daemon else 'receive'}{row.leaf.capitalize()}"


def _operation(row: Row) -> Document:
    # A binding says what the daemon does: whether a message is kept is for its sender to say.
    how = {"qos": 1, **({"retain": row.retained} if row.from_daemon else {})}
    names = row.leaf, *([_EMPTY] if row.may_be_empty else [])
    return {
        "action": "send" if row.from_daemon else "receive",
        "channel": {"$ref": f"#/channels/{row.leaf}"},
        "summary": row.meaning,
        "bindings": {"mqtt": {**how, "bindingVersion": BINDING}},
        "messages": [{"$ref": f"#/channels/{row.leaf}/messages/{name}"} for name in names],
    }


def _message(row: Row, payload: Document) -> Document:
    return {
        "name": row.leaf,
        "title": row.kind.__name__,
        "summary": f"{'Retained' if row.retained else 'Not retained'}; said by: {row.said_by}.",
        "payload": payload,
        "examples": [{"payload": dict(example)} for example in row.examples],
    }
