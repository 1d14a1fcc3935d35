"""The firmware guide: its messages, its evening and its recipes are true."""

from __future__ import annotations

import json
import re
import ssl
import subprocess
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import yaml

from adapters.contract.messages import Command, Reading, decode
from adapters.contract.table import BUS_TOPICS
from adapters.simulated.charge_point import SimulatedChargePoint, SimulatedVehicle
from config.household.household_file import Bus
from tests.support.bus_contract import validator

PAGE_PATH = Path(__file__).parents[3] / "deploy" / "FIRMWARE.md"
PAGE = PAGE_PATH.read_text("utf-8")
BLOCKS: list[tuple[str, str]] = re.findall(
    r"^`(\w+)`\n```json\n(.*?)\n```", PAGE, re.MULTILINE | re.DOTALL
)
COMMANDS = [decode(Command, text.encode()) for name, text in BLOCKS if name == "command"]
READINGS = [decode(Reading, text.encode()) for name, text in BLOCKS if name == "reading"]

ARRIVES_AT = ["06:30:00", "09:00:02", "09:20:00", "09:55:00", "09:55:00", "12:15:00"]
"""When each command of the page arrives, as its text says."""

OBEYED = [True, True, True, False, True, True]
"""The fourth is the retained command, which has arrived before."""


def instant(clock: str) -> datetime:
    return datetime.fromisoformat(f"2026-06-03T{clock}+00:00")


def test_every_message_of_the_page_is_tried() -> None:
    """No block of JSON on the page is left out of the tests below."""
    assert len(BLOCKS) == PAGE.count("```json") >= 10
    assert {name for name, _ in BLOCKS} == {"command", "reading", "vehicle"}


@pytest.mark.parametrize(
    ("name", "text"), BLOCKS, ids=[f"{number} {name}" for number, (name, _) in enumerate(BLOCKS)]
)
def test_messages_keep_to_the_contract(name: str, text: str) -> None:
    """Each fits its schema, has no unknown key, and is read by its model."""
    assert list(validator(name, closed=True).iter_errors(json.loads(text))) == []
    [topic] = [topic for topic in BUS_TOPICS if topic.name == name]
    decode(topic.payload_type, text.encode())


def test_messages_come_in_order() -> None:
    """Reports are in the order of their instants; serials never fall."""
    messages: list[dict[str, Any]] = [json.loads(text) for _, text in BLOCKS]
    instants = [message["at"] for message in messages if "at" in message]
    assert instants == sorted(instants)
    assert all(one.serial <= other.serial for one, other in pairwise(COMMANDS))


def test_hardware_that_does_as_it_should_shows_what_the_page_says() -> None:
    """The simulated charge point, given the page's commands, shows the page's power and energy."""
    point = SimulatedChargePoint(instant("06:30:00"), register_wh=1_000_000)
    point.plug_in(SimulatedVehicle(52.0, 35.0), instant("06:30:00"))
    obeyed, shown = [], []
    commands = [(instant(at), command) for at, command in zip(ARRIVES_AT, COMMANDS, strict=True)]
    readings = [(reading.at, reading) for reading in READINGS]
    for at, message in sorted([*commands, *readings], key=lambda each: each[0]):
        if isinstance(message, Command):
            obeyed.append(point.obey(message, at))
        else:
            point.advance(at)
            shown.append((point.register_kwh, point.watts()))
    assert obeyed == OBEYED
    expected = [(reading.register_kwh, reading.watts) for reading in READINGS]
    assert [pytest.approx(pair, abs=0.001) for pair in shown] == expected


def test_the_household_file_of_the_page_is_accepted() -> None:
    """Its `bus` section is valid."""
    [text] = re.findall(r"```yaml\n(.*?)```", PAGE, re.DOTALL)
    bus = Bus.model_validate(yaml.safe_load(text)["bus"])
    assert (bus.host, bus.tls, bus.signs_in) == ("hub.home.arpa", True, True)


def test_the_recipe_makes_a_certificate_that_devices_accept(tmp_path: Path) -> None:
    """What the page says to type makes a broker's certificate that its authority vouches for."""
    [recipe] = re.findall(r"```\n( *openssl req -x509.*?)```", PAGE, re.DOTALL)
    subprocess.run(["sh", "-e", "-c", recipe], cwd=tmp_path, check=True, capture_output=True)
    subprocess.run(
        [
            "openssl", "verify", "-CAfile", "ca.pem", "-purpose", "sslserver",
            "-verify_hostname", "hub.home.arpa", "cert.pem",
        ],
        cwd=tmp_path, check=True, capture_output=True,
    )  # fmt: skip
    ssl.create_default_context(cafile=str(tmp_path / "ca.pem"))
    ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(
        tmp_path / "cert.pem", tmp_path / "key.pem"
    )


@pytest.mark.parametrize("link", re.findall(r"\]\(([^)#]+)\)", PAGE))
def test_links_lead_somewhere(link: str) -> None:
    """Each file that the page points to is there."""
    assert (PAGE_PATH.parent / link).exists()
