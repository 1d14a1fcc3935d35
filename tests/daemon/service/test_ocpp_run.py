"""`lullwatt run` as a process, with equipment that speaks OCPP 1.6J."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
from typing import TYPE_CHECKING

import pytest

from adapters.clocks.clock import SystemClock
from tests.adapters.ocpp.world import asked_for
from tests.daemon.messaging.test_ocpp_nights import over_ocpp
from tests.daemon.service.test_run import Start, start
from tests.support.brokers import Mosquitto, free_port
from tests.support.forked import caller
from tests.support.ocpp_equipment import EquipmentThread, equipment_thread
from tests.support.ocpp_night import limits_of
from tests.support.waiting import wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["start"]


@pytest.fixture
def equipments() -> Iterator[EquipmentThread]:
    with equipment_thread() as found:
        yield found


def test_it_charges_when_asked_and_keeps_to_it_when_the_daemon_ends(
    mosquitto: Mosquitto, start: Start, equipments: EquipmentThread, tmp_path: Path
) -> None:
    """`ask --now` starts a charge; SIGTERM closes the connection, and does not stop the charge."""
    port = free_port()
    house = over_ocpp(tmp_path, port, bus={"broker": mosquitto.bus.broker})
    running = start(house)
    running.wait_logged("listening for OCPP")
    running.wait_logged("connected to the broker")
    plugged = equipments.connect(port)
    plugged.boot()
    plugged.status("Preparing")
    running.wait_logged("plugged-in")
    plugged.meter(SystemClock().now(), {"value": "1000000"})
    asked = subprocess.run(
        [*caller(), "lullwatt", "ask", house, "--now"], check=False, capture_output=True, text=True
    )
    assert asked.returncode == 0, asked.stderr
    profile = asked_for(plugged, "RemoteStartTransaction")["charging_profile"]
    now, last = limits_of(profile)
    assert (now.amps, last.amps) == (10, 0)
    plugged.begin(SystemClock().now(), 1_000_000)
    plugged.status("Charging")
    asked_for(plugged, "SetChargingProfile")
    running.process.send_signal(signal.SIGTERM)
    assert running.ends() == 0
    wait_until(lambda: plugged.closed, what="the connection is closed")
    assert plugged.closed == (1001, "")
    profiles = [request["cs_charging_profiles"] for request in plugged.asked("SetChargingProfile")]
    assert all(limits_of(each)[0].amps == 10 for each in profiles)
    assert plugged.asked("RemoteStopTransaction") == []
    assert "Traceback" not in running.log


def test_a_port_in_use_is_said_in_one_line(
    mosquitto: Mosquitto, start: Start, tmp_path: Path
) -> None:
    """It ends with 2, and nothing was published."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        running = start(over_ocpp(tmp_path, port, bus={"broker": mosquitto.bus.broker}))
        assert running.ends() == 2
    *before, last = running.log.splitlines()
    wanted = f"OCPP can't be served at 127.0.0.1:{port}: another program uses that port"
    assert last.endswith(wanted)
    assert not any("connected" in line or "Traceback" in line for line in before)


def test_without_the_extra_it_says_what_to_install(
    mosquitto: Mosquitto, start: Start, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A household file with ocpp, and a machine without the package: one line, and 2."""
    hidden = tmp_path / "hidden"
    hidden.mkdir()
    (hidden / "ocpp.py").write_text("raise ModuleNotFoundError('No module named ocpp')\n")
    paths = [str(hidden), *filter(None, [os.environ.get("PYTHONPATH")])]
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(paths))
    house = over_ocpp(tmp_path, free_port(), bus={"broker": mosquitto.bus.broker})
    running = start(house, real_start=True)
    assert running.ends() == 2
    last = running.log.splitlines()[-1]
    assert last.endswith("which needs the extra: pip install 'lullwatt[ocpp]'")
    assert "Traceback" not in running.log


def test_a_password_that_others_may_read_is_refused_at_once(
    mosquitto: Mosquitto, start: Start, tmp_path: Path
) -> None:
    """It ends with 2 and names the file, rather than turning the equipment away for ever."""
    house = over_ocpp(tmp_path, free_port(), bus={"broker": mosquitto.bus.broker})
    (tmp_path / "carport.password").chmod(0o644)
    running = start(house)
    assert running.ends() == 2
    assert "carport.password" in running.log.splitlines()[-1]
    assert "Traceback" not in running.log
