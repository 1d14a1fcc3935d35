"""`lullwatt run` and `lullwatt check` with figures for graphs."""

from __future__ import annotations

import http.client
import os
import socket
import subprocess
from contextlib import ExitStack
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

import pytest

from adapters.clocks.clock import SystemClock
from tests.daemon.service.test_run import LULLWATT, Start, household, start
from tests.support.brokers import Mosquitto, free_port
from tests.support.daemons import POINT, TOPICS, Person
from tests.support.open_metrics import broken_rules, figures
from tests.support.waiting import patience, wait_until

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["start"]


def with_metrics(directory: Path, broker: str, metrics: str) -> Path:
    """Write the demo household, with figures that go somewhere."""
    path = household(directory, broker)
    path.write_text(f"{path.read_text('utf-8')}metrics: {metrics}\n", "utf-8")
    return path


def fetched(port: int) -> str:
    asking = http.client.HTTPConnection("127.0.0.1", port, timeout=patience(10))
    try:
        asking.request("GET", "/metrics")
        return asking.getresponse().read().decode()
    finally:
        asking.close()


def test_the_hostile_hold_up_nothing(
    mosquitto: Mosquitto, start: Start, meet: Callable[..., Person], tmp_path: Path
) -> None:
    """With a crowd at its door that sends without end, the daemon does its work."""
    port = free_port()
    house = with_metrics(tmp_path, mosquitto.bus.broker, f'{{listen: "127.0.0.1:{port}"}}')
    running = start(house)
    running.wait_logged("connected to the broker")
    person = meet(mosquitto.bus)
    person.wait_for(TOPICS.daemon, state="online")
    with ExitStack() as crowd:
        for _ in range(40):
            caller = crowd.enter_context(
                socket.create_connection(("127.0.0.1", port), patience(10))
            )
            caller.setblocking(False)  # noqa: FBT003 - the socket's own interface
            try:
                caller.send(b"GET /metrics HTTP/1.1\r\nX: " + b"x" * 1_000_000)
            except OSError:
                continue  # it was turned away already
        now = SystemClock().now().isoformat()
        begun = monotonic()
        person.say(TOPICS.vehicle(POINT), {"at": now, "pilot": "B", "soc_percent": 35})
        person.say(TOPICS.request(POINT), {"charge_now": True})
        person.wait_for(TOPICS.command(POINT), do="start")
        assert monotonic() - begun < patience(5)
    text = fetched(port)
    assert broken_rules(text) == []
    running.process.terminate()
    assert running.ends() == 0
    assert "Traceback" not in running.log


def test_a_file_of_figures_comes_and_goes(start: Start, tmp_path: Path) -> None:
    """It is there soon after the start, says that there is no broker, and is gone at the end."""
    running = start(with_metrics(tmp_path, "mqtt://127.0.0.1:1", "{file: figures.prom}"))
    path = tmp_path / "figures.prom"
    wait_until(path.exists, 20, what="the figures")
    found = figures(path.read_text("utf-8"))
    assert found["lullwatt_bus_connected"] == {frozenset(): 0.0}
    assert found["lullwatt_ledger_accepting"] == {frozenset(): 1.0}
    assert found["lullwatt_command_on"] == {frozenset({("charge_point", POINT)}): 0.0}
    running.process.terminate()
    assert running.ends() == 0
    assert not path.exists()


def test_a_slip_does_not_cost_the_ledger(start: Start, tmp_path: Path) -> None:
    """Figures in the place of the ledger are refused: exit 2, in one line."""
    house = with_metrics(tmp_path, "mqtt://127.0.0.1:1", "{file: ledger.sqlite3}")
    ledger = tmp_path / "ledger.sqlite3"
    ledger.write_bytes(b"SQLite format 3\0 and all the nights")
    running = start(house)
    assert running.ends() == 2
    [line] = running.log.splitlines()
    assert line == f"{ledger}: this is another file, not a metrics file; it is left alone"
    assert ledger.read_bytes().endswith(b"nights")


def test_a_port_in_use_is_said_in_one_line(start: Start, tmp_path: Path) -> None:
    """It ends with 2, and nothing was published."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        where = f"127.0.0.1:{taken.getsockname()[1]}"
        running = start(with_metrics(tmp_path, "mqtt://127.0.0.1:1", f'{{listen: "{where}"}}'))
        assert running.ends() == 2
    assert running.log.splitlines()[-1].startswith(f"metrics can't be served at {where}: ")
    assert "Traceback" not in running.log


@pytest.mark.parametrize(
    ("command", "where"),
    [("check", '{listen: "127.0.0.1:9464"}'), ("run", "{file: figures.prom}")],
)
def test_without_the_extra_it_says_what_to_install(
    tmp_path: Path, command: str, where: str
) -> None:
    """A household file with metrics, and a machine without the package: one line, and 2."""
    hidden = tmp_path / "hidden"
    hidden.mkdir()
    (hidden / "prometheus_client.py").write_text("raise ModuleNotFoundError('none')\n")
    paths = [str(hidden), *filter(None, [os.environ.get("PYTHONPATH")])]
    ran = subprocess.run(
        [LULLWATT, command, with_metrics(tmp_path, "mqtt://127.0.0.1:1", where)],
        check=False, capture_output=True, text=True, timeout=patience(20),
        env=os.environ | {"PYTHONPATH": os.pathsep.join(paths)},
    )  # fmt: skip
    assert (ran.returncode, ran.stdout) == (2, "")
    assert ran.stderr == (
        "the household file has metrics, which need the extra: pip install 'lullwatt[metrics]'\n"
    )
    assert list(tmp_path.glob("*.sqlite3*")) == []


def test_without_metrics_nothing_of_it_is_loaded() -> None:
    """It costs nothing where it is off: neither the library nor what serves its pages."""
    program = (
        "import sys; import daemon.service.running; "
        "print([n for n in sys.modules if 'prometheus' in n or n.startswith('adapters.metrics_')])"
    )
    ran = subprocess.run(
        [LULLWATT.with_name("python"), "-c", program], check=True, capture_output=True, text=True
    )
    assert ran.stdout == "[]\n"
