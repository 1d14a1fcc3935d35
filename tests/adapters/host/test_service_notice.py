"""Telling a service manager, held against sd_notify(3) and sd_watchdog_enabled(3).

https://www.freedesktop.org/software/systemd/man/latest/sd_notify.html
https://www.freedesktop.org/software/systemd/man/latest/sd_watchdog_enabled.html
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from adapters.host.service_notice import ServiceNotice
from tests.support.service_managers import Manager


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Manager]:
    """Listen at a path, and at an abstract name, which begins with @."""
    is_path = request.param == "path"
    address = str(tmp_path / "notify") if is_path else f"@lullwatt-test-{os.getpid()}"
    with Manager(address) as listening:
        yield listening


@pytest.fixture
def notice(manager: Manager) -> Iterator[ServiceNotice]:
    made = ServiceNotice(manager.address)
    yield made
    made.close()


def test_a_message_is_one_datagram(manager: Manager, notice: ServiceNotice) -> None:
    """Several values are lines of one datagram, without a line break at the end."""
    assert notice.send(READY=1, STATUS="Nothing charges.")
    assert manager.socket.recv(8192) == b"READY=1\nSTATUS=Nothing charges."


@pytest.mark.skipif(shutil.which("systemd-notify") is None, reason="systemd is not installed")
def test_messages_are_like_those_of_systemd_notify(manager: Manager, notice: ServiceNotice) -> None:
    """They have the same lines as those of systemd-notify(1), except for the process id."""
    status = "Connected to the broker; nothing charges."
    subprocess.run(
        ["systemd-notify", "--no-block", "--ready", f"--status={status}"],
        check=True, env=os.environ | {"NOTIFY_SOCKET": manager.address},
    )  # fmt: skip
    theirs = manager.receive(10)
    assert theirs is not None
    assert notice.send(READY=1, STATUS=status)
    assert manager.receive(10) == [line for line in theirs if not line.startswith("MAINPID=")]


def test_a_name_can_not_add_a_line(manager: Manager, notice: ServiceNotice) -> None:
    """Line breaks in a household's names do not become lines of the message."""
    assert notice.send(STATUS="charging: drive\nSTOPPING=1\r\u2028\0way")
    assert manager.receive(10) == ["STATUS=charging: drive STOPPING=1   way"]


def test_a_manager_that_does_not_read_delays_nobody(notice: ServiceNotice) -> None:
    """Its queue fills up; then sending fails at once, and that is logged once."""
    with capture_logs() as logs:
        sent = [notice.send(WATCHDOG=1) for _ in range(2000)]
    assert sent[0]
    assert not sent[-1]
    assert [log["event"] for log in logs] == ["the service manager can't be reached"]


def test_a_restarted_manager_is_reached_again(tmp_path: Path) -> None:
    """After its own restart it listens at a new socket with the same name."""
    address = str(tmp_path / "notify")
    notice = ServiceNotice(address)
    with capture_logs():
        assert not notice.send(READY=1)
    with Manager(address) as manager:
        assert notice.send(READY=1)
        assert manager.receive(10) == ["READY=1"]
    notice.close()


def test_without_a_manager_nothing_happens() -> None:
    """Nothing is sent, no socket is made, and there is no watchdog."""
    notice = ServiceNotice.from_environment({"WATCHDOG_USEC": "1000000"})
    assert not notice.has_manager
    assert notice.send(READY=1)
    assert notice._socket is None
    assert notice.watchdog_seconds is None


def test_the_users_programs_do_not_inherit_the_socket() -> None:
    """The three variables are removed from the environment."""
    environment = {
        "NOTIFY_SOCKET": "/run/x", "WATCHDOG_USEC": "1", "WATCHDOG_PID": "1", "HOME": "/",
    }  # fmt: skip
    assert ServiceNotice.from_environment(environment).has_manager
    assert environment == {"HOME": "/"}


@pytest.mark.parametrize("address", ["", "@", "/", "run/notify", "vsock:2:1234"])
def test_other_sockets_are_ignored(address: str) -> None:
    """An address that is neither a path nor an abstract name is ignored, with a warning."""
    with capture_logs() as logs:
        notice = ServiceNotice.from_environment({"NOTIFY_SOCKET": address})
    assert not notice.has_manager
    assert logs[0]["event"] == "NOTIFY_SOCKET is ignored: neither a path nor an abstract name"


@pytest.mark.parametrize(
    ("usec", "pid", "seconds"),
    [
        ("30000000", None, 30.0),
        ("1500000", "own", 1.5),
        ("30000000", "1", None),  # another process is watched
        ("30000000", "", None),
        (None, None, None),
        ("0", None, None),
        ("-1", None, None),
        ("", None, None),
        ("soon", None, None),
    ],
)
def test_how_often_signs_of_life_are_due(
    usec: str | None, pid: str | None, seconds: float | None
) -> None:
    """WATCHDOG_USEC counts, unless WATCHDOG_PID names another process."""
    process = str(os.getpid()) if pid == "own" else pid
    given = {"NOTIFY_SOCKET": "/run/x", "WATCHDOG_USEC": usec, "WATCHDOG_PID": process}
    environment = {name: value for name, value in given.items() if value is not None}
    with capture_logs() as logs:
        notice = ServiceNotice.from_environment(environment)
    assert notice.watchdog_seconds == seconds
    is_bad = usec is not None and seconds is None and pid is None
    assert [log["log_level"] for log in logs] == ["warning"] * is_bad
