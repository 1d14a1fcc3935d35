"""Which doors of a household are announced, as what, and at which addresses."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from config.household.loading import load_household
from daemon.announcing.services import announced
from tests.config.cottage import COTTAGE

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

HOST = "kowhai-cottage.local"
DOORS = f"""
page: {{listen: "0.0.0.0:8480", names: [{HOST}], devices_file: d, certificate_file: c, key_file: k}}
ocpp: {{listen: "192.168.1.10:8887", in_the_clear: true}}
"""
BROKER = "broker: mqtts://hub.lan:8883"
OWN = ("192.168.1.10", "192.168.7.10", "fd00::10")

PAGE = ("_https._tcp", 8480, ("192.168.1.10", "192.168.7.10"), {"path": "/"})
OCPP = ("_ocpp._tcp", 8887, ("192.168.1.10",), {"path": "/", "tls": "0"})
MQTT = ("_secure-mqtt._tcp", 8883, OWN[:2], {"topic": "lullwatt/kowhai-cottage"})


@pytest.mark.parametrize(
    ("more", "own", "is_here", "wanted"),
    [
        ("", OWN, True, (PAGE, MQTT, OCPP)),
        ("", OWN, False, (PAGE, OCPP)),
        ("", ("192.168.7.10",), False, ((*PAGE[:2], ("192.168.7.10",), PAGE[3]),)),
        (", addresses: [192.168.1.10]", OWN, False, ((*PAGE[:2], OWN[:1], PAGE[3]), OCPP)),
        ("", ("fd00::10",), False, ()),
        ("", (), True, ()),
    ],
)
def test_what_is_announced(
    more: str,
    own: tuple[str, ...],
    *,
    is_here: bool,
    wanted: tuple[tuple[str, int, tuple[str, ...], Mapping[str, str]], ...],
    tmp_path: Path,
) -> None:
    """Only what answers at an address of this machine; the broker only if it is here.

    IANA's registry of service names: http, https, mqtt and secure-mqtt, from memory.
    """
    path = tmp_path / "house.yaml"
    announce = f"announce: {{services: [page, broker, ocpp], host: {HOST}{more}}}\n"
    text = COTTAGE.replace("broker: mqtt://127.0.0.1:1883", BROKER)
    path.write_text(text + DOORS + announce, "utf-8")
    found = announced(load_household(path), own, lambda _: is_here)
    assert {each.name for each in found} <= {"Kowhai Cottage"}
    assert {each.host for each in found} <= {HOST}
    said = [
        {key: text for key, text in each.properties.items() if key != "versions"} for each in found
    ]
    assert [
        (each.kind, each.port, each.addresses, told) for each, told in zip(found, said, strict=True)
    ] == list(wanted)
