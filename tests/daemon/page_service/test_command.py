"""`lullwatt page`: pair, list and remove devices; what is refused before anything is served."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from urllib.request import urlopen

import pytest
from click.testing import CliRunner

from adapters.clocks.clock import SystemClock
from daemon.command_line.cli import cli
from daemon.page.devices import code_words
from daemon.page_service.devices_file import DevicesFile
from tests.daemon.worlds import KOWHAI
from tests.support.brokers import free_port
from tests.support.commands import Ran
from tests.support.waiting import patience

OTHER = 60_002
"""A user that nobody is."""

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
    """As a service it says that it is ready and lives, reads the file on SIGHUP, and ends well."""
    found = re.search(r"127\.0\.0\.1:(\d+)', devices_file", house.read_text("utf-8"))
    assert found
    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    manager.bind(str(house.with_name("notify")))
    manager.settimeout(patience(20))
    environment = dict(
        os.environ, PYTHONUNBUFFERED="1",
        NOTIFY_SOCKET=str(house.with_name("notify")), WATCHDOG_USEC="60000000",
    )  # fmt: skip
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
        assert {manager.recv(100), manager.recv(100)} == {b"READY=1", b"WATCHDOG=1"}
        house.write_text("household: {", "utf-8")
        process.send_signal(signal.SIGHUP)
        assert "the changed household file has faults" in process.stderr.readline()
        process.send_signal(signal.SIGTERM)
        assert process.wait(patience(20)) == 0
    finally:
        process.kill()
        process.communicate()
        manager.close()


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can act as another user")
def test_root_leaves_the_file_of_devices_to_its_owner(house: Path) -> None:
    """The page's user can use what root's `--pair` made, and a link of theirs leads nowhere."""
    with TemporaryDirectory() as open_folder:  # other users can't reach tmp_path
        Path(open_folder).chmod(0o711)
        folder, outside = Path(open_folder, "page"), Path(open_folder, "outside")
        folder.mkdir()
        os.chown(folder, OTHER, OTHER)
        text = house.read_text("utf-8").replace("devices.json", str(folder / "devices.json"))
        house.write_text(text, "utf-8")
        (folder / "devices.json.lock").symlink_to(outside)
        assert in_another_process("page", str(house), "--pair") != 0
        assert not outside.exists()
        (folder / "devices.json.lock").unlink()
        assert in_another_process("page", str(house), "--pair") == 0
        assert {path.stat().st_uid for path in folder.iterdir()} == {OTHER}


def in_another_process(*words: str) -> int:
    """Return the exit code of a command that may change its user."""
    child = os.fork()
    if child == 0:
        os._exit(CliRunner().invoke(cli, words).exit_code)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
