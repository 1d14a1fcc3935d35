"""`lullwatt page`: pair, list and remove devices; what is refused before anything is served."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from urllib.request import urlopen

import pytest

from adapters.clocks.clock import SystemClock
from daemon.page.devices import code_words
from daemon.page_service.devices_file import DevicesFile
from tests.daemon.worlds import KOWHAI
from tests.support.brokers import free_port
from tests.support.commands import Ran
from tests.support.waiting import patience

Run = Callable[..., Ran]


@pytest.fixture
def house(tmp_path: Path) -> Path:
    path = tmp_path / "house.yaml"
    page = f"\npage: {{listen: '127.0.0.1:{free_port()}', devices_file: devices.json}}\n"
    path.write_text(KOWHAI.read_text("utf-8") + page, "utf-8")
    return path


def test_pair_list_and_remove(run: Run, house: Path) -> None:
    """A printed code lets one device in, which is then listed and can be removed."""
    ran = run("page", str(house), "--pair")
    assert (ran.code, ran.err) == (0, "")
    assert "▀" in ran.out
    found = re.search(r"The code is (\S+)\. It is good until \d\d:\d\d, for one device\.", ran.out)
    assert found
    assert "That device may look, and ask for something." in ran.out
    devices = DevicesFile(house.with_name("devices.json"))
    now = SystemClock().now()
    assert "No device is paired." in run("page", str(house), "--devices").out
    pair = devices.read().pair(found[1], "phone", now, token="secret", new_id="a1")  # noqa: S106
    assert pair is not None
    devices.change(lambda _: pair[0])
    assert run("page", str(house), "--devices").out.startswith("a1  phone, may ask, last there ")
    listed = json.loads(run("page", str(house), "--devices", "--json").out)
    assert [(each["id"], each["role"]) for each in listed["devices"]] == [("a1", "ask")]
    ran = run("page", str(house), "--remove", "a2")
    assert (ran.code, ran.err) == (2, "--remove: expected one of a1, got 'a2'\n")
    assert run("page", str(house), "--remove", "a1").out == "a1 is removed.\n"
    assert devices.read().paired == ()


def test_a_device_that_may_only_look(run: Run, house: Path) -> None:
    """The printed words say so."""
    assert "That device may look." in run("page", str(house), "--pair", "--only-look").out
    [offer] = DevicesFile(house.with_name("devices.json")).read().offers
    assert offer.role == "look"
    assert code_words("ABCD") == "ABCD"


@pytest.mark.parametrize(
    ("options", "why"),
    [
        (("--pair", "--devices"), "expected at most one of --pair, --devices, --remove"),
        (("--only-look",), "--only-look: expected --pair beside it"),
        (("--json",), "--json: expected --devices beside it"),
    ],
)
def test_options_that_do_not_fit(run: Run, house: Path, options: list[str], why: str) -> None:
    """In one line."""
    ran = run("page", str(house), *options)
    assert ran.code == 2
    assert why in ran.err


def test_a_file_without_a_page(run: Run) -> None:
    """The error shows what to write."""
    ran = run("page", str(KOWHAI))
    assert ran.code == 2
    assert "page: {listen: 127.0.0.1:8480, devices_file: devices.json}" in ran.err


def test_it_serves_until_it_is_told_to_stop(house: Path) -> None:
    """As a process of its own: without a broker it is alive, and SIGTERM ends it with 0."""
    found = re.search(r"127\.0\.0\.1:(\d+)', devices_file", house.read_text("utf-8"))
    assert found
    environment = dict(os.environ, PYTHONUNBUFFERED="1")
    process = subprocess.Popen(
        [Path(sys.executable).with_name("lullwatt"), "page", str(house)],
        env=environment, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stderr is not None
    try:
        line = process.stderr.readline()
        assert "the page is served" in line
        with urlopen(f"http://127.0.0.1:{found[1]}/healthz") as response:
            assert response.read() == b"alive\n"
        process.send_signal(signal.SIGTERM)
        assert process.wait(patience(20)) == 0
    finally:
        process.kill()
        process.communicate()
