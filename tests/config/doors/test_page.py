"""Where the page of a household may be served, and under which names."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from config.household.household_file import Bus, Page

FILES = {"certificate_file": "cert.pem", "key_file": "key.pem"}


def page(**keys: object) -> Page:
    return Page.model_validate({"listen": "127.0.0.1:8480", "devices_file": "devices.json"} | keys)


@pytest.mark.parametrize(
    ("keys", "wanted"),
    [
        ({"listen": "127.0.0.1"}, 'expected an address and a port such as "127.0.0.1:8480"'),
        ({"listen": "192.168.1.10:8480"}, "expected certificate_file and key_file"),
        ({"listen": "0.0.0.0:8480", "in_the_clear": True}, "expected names beside it"),
        ({"listen": "[::]:8480", **FILES}, "expected names beside it"),
        ({"certificate_file": "cert.pem"}, "expected a key_file beside it"),
        ({"in_the_clear": True, **FILES}, "expected either TLS keys or in_the_clear, got both"),
        ({"names": ["home.lan:8480"]}, "expected a name or address without a port"),
        ({"names": ["home.lan", "home.lan"]}, "expected each entry once, got home.lan again"),
        ({"username": "people"}, "expected a password_file beside it"),
        ({"password_file": "people"}, "expected a username beside it"),
    ],
)
def test_what_is_refused(keys: dict[str, Any], wanted: str) -> None:
    """Others on the network reach a page only if the file says how it is protected."""
    with pytest.raises(ValidationError) as caught:
        page(**keys)
    assert wanted in "\n".join(each["msg"] for each in caught.value.errors(include_url=False))


@pytest.mark.parametrize(
    ("keys", "hosts", "url"),
    [
        ({}, ("127.0.0.1", "localhost", "[::1]"), "http://127.0.0.1:8480"),
        (
            {"listen": "192.168.1.10:443", **FILES},
            ("192.168.1.10",),
            "https://192.168.1.10:443",
        ),
        (
            {"listen": "[::]:8480", "names": ["Home.lan", "[fd00::10]"], **FILES},
            ("home.lan", "[fd00::10]"),
            "https://home.lan:8480",
        ),
    ],
)
def test_the_names_under_which_it_answers(
    keys: dict[str, Any], hosts: tuple[str, ...], url: str
) -> None:
    """The first one is what a phone is sent to."""
    assert page(**keys).hosts == hosts
    assert page(**keys).url == url


def test_its_own_account_at_the_broker() -> None:
    """With one, it signs in as a person; the address and the topics stay."""
    bus = Bus.model_validate({"broker": "mqtt://127.0.0.1", "root": "up", "username": "daemon"})
    assert page().account_of(bus) is bus
    signed_in = page(username="people", password_file="secrets/people").account_of(bus)  # noqa: S106 - a path
    assert (signed_in.username, str(signed_in.password_file)) == ("people", "secrets/people")
    assert (signed_in.broker, signed_in.root) == (bus.broker, bus.root)
