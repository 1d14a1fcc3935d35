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
    """Listen at a path, and at a name in the abstract space, which begins with @."""
    is_path = request.param == "path"
    address = str(tmp_path / "notify") if is_path else f"@lullwatt-test-{os.getpid()}"
    with Manager(address) as listening:
        yield listening


@pytest.fixture
def notice(manager: Manager) -> Iterator[ServiceNotice]:
    made = ServiceNotice(manager.address)
    yield made
    made.close()


def test_it_is_told_in_one_datagram(manager: Manager, notice: ServiceNotice) -> None:
    """Several values are lines of one datagram, without a line break at the end."""
    assert notice.say(READY=1, STATUS="Nothing charges.")
    assert manager.socket.recv(8192) == b"READY=1\nSTATUS=Nothing charges."


@pytest.mark.skipif(shutil.which("systemd-notify") is None, reason="systemd is not installed")
def test_it_is_told_as_systemd_itself_would(manager: Manager, notice: ServiceNotice) -> None:
    """The same lines as systemd-notify(1) sends, less whose process it is."""
    status = "Connected to the broker; nothing charges."
    subprocess.run(
        ["systemd-notify", "--no-block", "--ready", f"--status={status}"],
        check=True, env=os.environ | {"NOTIFY_SOCKET": manager.address},
    )  # fmt: skip
    theirs = manager.hears(10)
    assert theirs is not None
    assert notice.say(READY=1, STATUS=status)
    assert manager.hears(10) == [line for line in theirs if not line.startswith("MAINPID=")]


def test_a_name_can_not_become_a_line(manager: Manager, notice: ServiceNotice) -> None:
    """What a household calls things can't be taken for more than it is."""
    assert notice.say(STATUS="charging: drive\nSTOPPING=1\r\u2028\0way")
    assert manager.hears(10) == ["STATUS=charging: drive STOPPING=1   way"]


def test_a_manager_that_does_not_listen_holds_nobody_up(notice: ServiceNotice) -> None:
    """Its queue fills up; then it can't be told, at once, and that is said once."""
    with capture_logs() as logs:
        said = [notice.say(WATCHDOG=1) for _ in range(2000)]
    assert said[0]
    assert not said[-1]
    assert [log["event"] for log in logs] == ["the service manager can't be told"]


def test_a_manager_that_comes_back_is_told_again(tmp_path: Path) -> None:
    """It may be started again itself, and then listens at a new socket of the same name."""
    address = str(tmp_path / "notify")
    notice = ServiceNotice(address)
    with capture_logs():
        assert not notice.say(READY=1)
    with Manager(address) as manager:
        assert notice.say(READY=1)
        assert manager.hears(10) == ["READY=1"]
    notice.close()


def test_without_a_manager_nothing_happens() -> None:
    """Nothing is said, no socket is made, and there is no watchdog."""
    notice = ServiceNotice.from_environment({"WATCHDOG_USEC": "1000000"})
    assert not notice.listens
    assert notice.say(READY=1)
    assert notice._socket is None
    assert notice.watchdog_seconds is None


def test_no_program_of_the_users_inherits_the_socket() -> None:
    """The three variables are taken out of the environment."""
    environment = {
        "NOTIFY_SOCKET": "/run/x", "WATCHDOG_USEC": "1", "WATCHDOG_PID": "1", "HOME": "/",
    }  # fmt: skip
    assert ServiceNotice.from_environment(environment).listens
    assert environment == {"HOME": "/"}


@pytest.mark.parametrize("address", ["", "@", "/", "run/notify", "vsock:2:1234"])
def test_other_sockets_are_passed_over(address: str) -> None:
    """What is neither a path nor an abstract name is passed over, and that is said."""
    with capture_logs() as logs:
        notice = ServiceNotice.from_environment({"NOTIFY_SOCKET": address})
    assert not notice.listens
    assert logs[0]["event"] == "NOTIFY_SOCKET is passed over: neither a path nor an abstract name"


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
def test_how_often_life_is_to_be_shown(
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
