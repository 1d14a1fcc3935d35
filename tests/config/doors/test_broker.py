"""How a household signs in to its broker: nobody is let in unless the file says so."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from config.household.household_file import Bus

CLEAR = "expected mqtts:// for a broker beyond this machine, got mqtt://"
NOBODY = "expected username and password_file, or client_certificate_file, for a broker beyond"
SIGNED_IN = {"username": "lullwatt", "password_file": "secret"}
CERTIFIED = {"client_certificate_file": "cert.pem", "client_key_file": "key.pem"}


def problems_with(**keys: object) -> str:
    """Return what is wrong with a bus; empty if nothing is."""
    try:
        Bus.model_validate(keys)
    except ValidationError as error:
        return "\n".join(detail["msg"] for detail in error.errors(include_url=False))
    return ""


@pytest.mark.parametrize(
    "broker",
    [
        *("mqtt://127.0.0.1", "mqtt://127.3.2.1:1884", "mqtt://[::1]", "mqtt://localhost"),
        *("mqtt://broker.localhost", "mqtts://127.0.0.1", "embedded"),
    ],
)
def test_this_machine_needs_no_more(broker: str) -> None:
    """A broker on a loopback address, or on a name of RFC 6761, asks for nothing more."""
    assert problems_with(broker=broker) == ""


@pytest.mark.parametrize(
    "host",
    ["hub", "hub.home.arpa", "192.168.1.9", "10.0.0.1", "[fe80::1]", "128.0.0.1", "notlocalhost"],
)
def test_a_broker_beyond_this_machine(host: str) -> None:
    """Others can reach it: it needs TLS and a sign-in, or a key that does without each."""
    assert CLEAR in problems_with(broker=f"mqtt://{host}")
    assert NOBODY in problems_with(broker=f"mqtt://{host}")
    assert CLEAR not in problems_with(broker=f"mqtt://{host}", in_the_clear=True)
    assert NOBODY not in problems_with(broker=f"mqtt://{host}", anonymous=True)
    assert problems_with(broker=f"mqtt://{host}", in_the_clear=True, anonymous=True) == ""
    assert problems_with(broker=f"mqtt://{host}", in_the_clear=True, **SIGNED_IN) == ""
    assert CLEAR in problems_with(broker=f"mqtt://{host}", **SIGNED_IN)
    assert NOBODY in problems_with(broker=f"mqtts://{host}")
    assert NOBODY in problems_with(broker=f"mqtts://{host}", username="lullwatt")
    assert problems_with(broker=f"mqtts://{host}", **SIGNED_IN) == ""
    assert problems_with(broker=f"mqtts://{host}", **CERTIFIED) == ""


@pytest.mark.parametrize(
    ("keys", "wanted"),
    [
        ({"password_file": "secret"}, "expected a username beside it"),
        ({"client_key_file": "key.pem"}, "expected a client_certificate_file beside it"),
        ({"client_certificate_file": "c.pem"}, "expected a client_key_file beside it"),
        ({"broker": "mqtt://127.0.0.1", **CERTIFIED}, "expected a mqtts:// broker beside it"),
        ({"in_the_clear": True}, "expected a mqtt:// broker beside it"),
        ({"anonymous": True, **SIGNED_IN}, "expected neither password_file nor"),
        ({"username": "lull:watt"}, "expected a name of 1 to 200 characters, without colons"),
        ({"username": "lullwatt\ntopic #"}, "expected a name of 1 to 200 characters"),
        ({"username": " lullwatt"}, "expected a name of 1 to 200 characters"),
        ({"root": "lull\nuser x"}, "expected a topic prefix"),
        ({"root": "lull\0watt"}, "expected a topic prefix"),
    ],
)
def test_keys_that_do_not_go_together(keys: dict[str, Any], wanted: str) -> None:
    """Half a sign-in, or one that is not used, is a fault."""
    assert wanted in problems_with(**{"broker": "mqtts://127.0.0.1"} | keys)
