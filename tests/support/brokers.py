"""Real brokers on free loopback ports: Mosquitto processes to be stopped, killed or frozen."""

from __future__ import annotations

import getpass
import os
import shutil
import signal
import socket
import subprocess
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from itertools import count
from pathlib import Path

import pytest

from config.household.household_file import Bus
from tests.support.waiting import patience, wait_until

# Debian installs it in a directory that is often not on a user's PATH.
_PROGRAM = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
_FIRST_PORT = 10_000
_PORTS_OF_A_PROCESS = 997
_DURABLE = """\
persistence true
set_tcp_nodelay true
autosave_on_changes true
autosave_interval 1
max_queued_messages 0
"""
_FORGETFUL = """\
set_tcp_nodelay true
max_queued_messages 0
"""
_OPEN = "allow_anonymous true"


class Mosquitto:
    """A broker with its own directory; it keeps its port and its store over restarts."""

    def __init__(
        self,
        directory: Path,
        *settings: str,
        port: int | None = None,
        whole: str | None = None,
        keeps: bool = True,
    ) -> None:
        """Write the configuration: from these settings, or a `whole` one that contains `{port}`.

        Unless it `keeps` nothing, it writes every change to the disk.
        """
        directory.mkdir(parents=True, exist_ok=True)
        self.port = free_port() if port is None else port
        self._log = directory / "mosquitto.log"
        self._configuration = directory / "mosquitto.conf"
        storing = _DURABLE if keeps else _FORGETFUL
        own = f"listener {{port}} 127.0.0.1\n{storing}" + "\n".join(settings or (_OPEN,))
        self._configuration.write_text(
            # Started by root it would switch to another user, who could not write its store.
            f"user {getpass.getuser()}\npersistence_location {directory}/\n"
            + (whole or own).replace("{port}", str(self.port))
            + "\n"
        )
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def bus(self) -> Bus:
        """The household's bus for this broker, without password or TLS."""
        return Bus(broker=f"mqtt://127.0.0.1:{self.port}")

    @property
    def running(self) -> bool:
        return self._process is not None and self._process.poll() is None

    def start(self) -> None:
        """Start it and wait until it accepts connections."""
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [_PROGRAM, "-c", str(self._configuration)], stdout=log, stderr=log
            )
        wait_until(lambda: not self.running or _accepts(self.port), what="mosquitto listens")
        assert self.running, self._log.read_text()

    def stop(self) -> None:
        """Stop it properly, with its store written."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it as a power cut would."""
        self._end(signal.SIGKILL)

    def freeze(self) -> None:
        """Stop it from responding, with its sockets still open."""
        self._signal(signal.SIGSTOP)

    def thaw(self) -> None:
        self._signal(signal.SIGCONT)

    def _signal(self, number: signal.Signals) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(number)

    def _end(self, number: signal.Signals) -> None:
        if self._process is not None:
            self._signal(number)
            self._signal(signal.SIGCONT)
            self._process.wait(patience(10))
            self._process = None


def free_port() -> int:
    """Return a loopback port that nobody listens on, nor will by chance before it is used."""
    # It is below those that the system gives away, and each process begins elsewhere.
    return next(filter(_is_free, _PORTS))


def _is_free(port: int) -> bool:
    with socket.socket() as probe, suppress(OSError):
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        probe.bind(("127.0.0.1", port))
        return True
    return False


def _ports_of_this_process() -> Iterator[int]:
    """Count through the ports again and again, from one that depends on the process."""
    given_away = Path("/proc/sys/net/ipv4/ip_local_port_range").read_text("ascii").split()
    ports = range(_FIRST_PORT, max(int(given_away[0]), 2 * _FIRST_PORT))
    begin = os.getpid() * _PORTS_OF_A_PROCESS
    return (ports[number % len(ports)] for number in count(begin))


_PORTS = _ports_of_this_process()


def _accepts(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


@pytest.fixture
def make_mosquitto(tmp_path: Path) -> Iterator[Callable[..., Mosquitto]]:
    """Make brokers with these settings, not started yet; they end with the test."""
    made = 0
    with ExitStack() as ending:

        def make(*settings: str) -> Mosquitto:
            nonlocal made
            made += 1
            broker = Mosquitto(tmp_path / f"mosquitto-{made}", *settings)
            ending.callback(broker.kill)
            return broker

        yield make


@contextmanager
def quick_broker(directory: Path) -> Iterator[Mosquitto]:
    """Run a broker that lets anybody in and writes nothing to the disk.

    Yields
    ------
    Mosquitto
        For many messages and no restart.
    """
    broker = Mosquitto(directory, keeps=False)
    broker.start()
    try:
        yield broker
    finally:
        broker.kill()


@pytest.fixture
def quick_mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """Return a running broker that lets anybody in and writes nothing to the disk."""
    with quick_broker(tmp_path / "quick-mosquitto") as broker:
        yield broker


@pytest.fixture
def mosquitto(make_mosquitto: Callable[..., Mosquitto]) -> Mosquitto:
    """Return a running broker that lets anybody in."""
    broker = make_mosquitto()
    broker.start()
    return broker
