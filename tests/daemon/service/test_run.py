"""`lullwatt run` as a process: starts, waits for its broker, says what is wrong, stops cleanly."""

from __future__ import annotations

import json
import re
import signal
import socket
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from importlib.resources import files
from pathlib import Path

import pytest

from tests.support.afternoon import in_the_afternoon
from tests.support.brokers import Mosquitto
from tests.support.forked import Forked
from tests.support.waiting import patience, wait_until

LULLWATT = Path(sys.executable).with_name("lullwatt")
STATE = "lullwatt/kowhai-cottage/daemon"
COMMAND = "lullwatt/kowhai-cottage/driveway/command"

Start = Callable[..., "Running"]


class Running:
    """A daemon's process and what it has logged so far; `real_start` starts Python for it."""

    process: subprocess.Popen[bytes] | Forked

    def __init__(self, household: Path, *options: str, real_start: bool = False) -> None:
        self._log = household.with_suffix(".log")
        with self._log.open("wb") as log:
            if real_start:
                self.process = subprocess.Popen([LULLWATT, "run", household, *options], stderr=log)
            else:
                self.process = Forked(["lullwatt", "run", household, *options], stderr=log)

    @property
    def log(self) -> str:
        return self._log.read_text("utf-8")

    def wait_logged(self, text: str) -> None:
        wait_until(lambda: text in self.log, 20, what=f"{text!r} in the log")

    def ends(self) -> int:
        return self.process.wait(patience(20))


@pytest.fixture
def start() -> Iterator[Start]:
    with ExitStack() as ending:

        def begin(household: Path, *options: str, real_start: bool = False) -> Running:
            running = Running(household, *options, real_start=real_start)
            ending.callback(running.process.wait, patience(20))
            ending.callback(running.process.kill)
            return running

        yield begin


def household(directory: Path, broker: str) -> Path:
    """Write the demo household with another broker, where it is early afternoon."""
    text = files("config").joinpath("examples", "kowhai.yaml").read_text("utf-8")
    assert "mqtt://127.0.0.1:1883" in text
    path = directory / "house.yaml"
    path.write_text(in_the_afternoon(text.replace("mqtt://127.0.0.1:1883", broker)), "utf-8")
    return path


def retained(port: int, topic: str) -> dict[str, object]:
    """Ask the broker for the message it keeps."""
    found = subprocess.run(
        ["mosquitto_sub", "-p", str(port), "-t", topic, "-C", "1", "-W", f"{patience():.0f}"],
        check=True,
        capture_output=True,
    )
    message: dict[str, object] = json.loads(found.stdout)
    return message


@pytest.mark.parametrize("ended_by", [signal.SIGTERM, signal.SIGINT])
def test_it_stops_cleanly(
    mosquitto: Mosquitto, start: Start, tmp_path: Path, ended_by: signal.Signals
) -> None:
    """On SIGTERM or Ctrl-C it says that it is offline, and ends with 0."""
    running = start(household(tmp_path, mosquitto.bus.broker), real_start=True)
    running.wait_logged("connected to the broker")
    wait_until(lambda: retained(mosquitto.port, STATE)["state"] == "online", what="online")
    assert retained(mosquitto.port, COMMAND)["do"] == "stop"
    running.process.send_signal(ended_by)
    assert running.ends() == 0
    assert retained(mosquitto.port, STATE)["state"] == "offline"
    assert "Traceback" not in running.log


def test_a_killed_daemon_is_offline_too(mosquitto: Mosquitto, start: Start, tmp_path: Path) -> None:
    """The Will speaks for a daemon that can't."""
    running = start(household(tmp_path, mosquitto.bus.broker))
    running.wait_logged("connected to the broker")
    wait_until(lambda: retained(mosquitto.port, STATE)["state"] == "online", what="online")
    running.process.kill()
    running.ends()
    wait_until(lambda: retained(mosquitto.port, STATE)["state"] == "offline", what="offline")


def test_without_a_broker_it_says_so_and_waits(
    make_mosquitto: Callable[..., Mosquitto], start: Start, tmp_path: Path
) -> None:
    """A broker that comes up later is found."""
    broker = make_mosquitto()
    running = start(household(tmp_path, broker.bus.broker))
    running.wait_logged("no broker, trying again")
    broker.start()
    running.wait_logged("connected to the broker")
    assert retained(broker.port, COMMAND)["do"] == "stop"
    running.process.terminate()
    assert running.ends() == 0


def test_it_logs_a_readable_line_for_each_event(
    mosquitto: Mosquitto, start: Start, tmp_path: Path
) -> None:
    """For the log of a service manager: time, charge point, what happened, details."""
    running = start(household(tmp_path, mosquitto.bus.broker))
    running.wait_logged("connected to the broker")
    running.process.terminate()
    assert running.ends() == 0
    lines = running.log.splitlines()
    assert all(re.match(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ [a-z]", line) for line in lines)
    assert "Z started (household Kowhai Cottage, lullwatt " in lines[0]
    assert lines[-1].endswith("Z stopped (household Kowhai Cottage)")
    assert not any("{" in line for line in lines)


def test_it_logs_json_by_option(mosquitto: Mosquitto, start: Start, tmp_path: Path) -> None:
    """Each line is one JSON object; the first one names the versions that matter."""
    running = start(household(tmp_path, mosquitto.bus.broker), "--json-log")
    running.wait_logged("connected to the broker")
    running.process.terminate()
    assert running.ends() == 0
    lines = [json.loads(line) for line in running.log.splitlines()]
    assert lines[0]["event"] == "started"
    assert {"lullwatt", "time_zones", "broker", "ledger"} <= set(lines[0])
    assert lines[-1]["event"] == "stopped"


def test_a_port_in_use_is_said_in_one_line(start: Start, tmp_path: Path) -> None:
    """A broker of its own can't share a port: exit 2, and no ledger is left half made."""
    with socket.socket() as taken:
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        with suppress(OSError):  # a broker of this machine has it already
            taken.bind(("127.0.0.1", 1883))
            taken.listen()
        running = start(household(tmp_path, "embedded"))
        assert running.ends() == 2
    [line] = running.log.splitlines()
    assert "127.0.0.1:1883" in line
    assert not list(tmp_path.glob("*.sqlite3*"))


@pytest.mark.parametrize("kind", ["another program's database", "no database", "a directory"])
def test_a_file_that_is_no_ledger_is_left_alone(start: Start, tmp_path: Path, kind: str) -> None:
    """Exit 2 in one line that names the file, of which not a byte is changed."""
    path = tmp_path / "ledger.sqlite3"
    if kind == "a directory":
        path.mkdir()
    elif kind == "no database":
        path.write_bytes(b"dear diary, " * 400)
    else:
        with sqlite3.connect(path) as other:
            other.execute("CREATE TABLE recipes (name TEXT)")
        other.close()
    before = None if path.is_dir() else path.read_bytes()
    running = start(household(tmp_path, "mqtt://127.0.0.1:1"))
    assert running.ends() == 2
    [line] = running.log.splitlines()
    assert str(path) in line
    assert before is None or path.read_bytes() == before


def test_a_bad_file_starts_nothing(start: Start, tmp_path: Path) -> None:
    """Every fault is a line with its place; exit 2; no ledger is made."""
    path = household(tmp_path, "mqtt://127.0.0.1:1")
    path.write_text(path.read_text("utf-8").replace("rate: 0.168", "rate: twelve"), "utf-8")
    running = start(path)
    assert running.ends() == 2
    [line] = running.log.splitlines()
    assert 'expected a number of NZD per kWh, got "twelve"' in line
    assert line.startswith(f"{path}:2")
    assert not list(tmp_path.glob("*.sqlite3*"))


def test_a_second_daemon_of_a_ledger_is_refused(start: Start, tmp_path: Path) -> None:
    """Exit 2 in one line that names the first one's process, which goes on."""
    path = household(tmp_path, "mqtt://127.0.0.1:1")
    first = start(path)
    first.wait_logged("no broker, trying again")
    again = path.with_name("again.yaml")
    again.write_text(path.read_text("utf-8"), "utf-8")
    second = start(again)
    assert second.ends() == 2
    [line] = second.log.splitlines()
    assert f"process {first.process.pid}" in line
    first.process.terminate()
    assert first.ends() == 0
    assert not list(tmp_path.glob("*.lock"))
