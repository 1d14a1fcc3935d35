"""Hardware that takes 32 A whatever it is told, behind a 16 A fuse, over a broker and over OCPP."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest
import yaml

from tests.daemon.messaging.test_ocpp_nights import over_ocpp
from tests.daemon.service.test_evening import CHEAP, DRIVEWAY, LEAVES, Home, a_home, instant
from tests.daemon.sites import household_file
from tests.support.brokers import Mosquitto, free_port
from tests.support.ocpp_equipment import EquipmentThread, equipment_thread
from tests.support.waiting import wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime
    from pathlib import Path

S = timedelta(seconds=1)
MINUTE = timedelta(minutes=1)


class Disobedient:
    """A simulated charge point that follows the contract, but takes 32 A at any start."""

    def __init__(self, home: Home) -> None:
        self._home = home
        self._wh = 1_000_000.0

    def step(self, to: datetime) -> dict[str, Any]:
        """Let time pass, report, and return the command that is then in force."""
        hours = (to - self._home.clock.now()) / timedelta(hours=1)
        is_on = self._home.commands()[-1]["do"] == "start"
        self._wh += 7360 * hours if is_on else 0
        self._home.at(to)
        values = {"register_kwh": round(self._wh) / 1000, "watts": 7360 if is_on else 0}
        amps = 32 if is_on else 0
        self._home.publish("reading", {"v": 1, "at": instant(to), **values, "amps": amps})
        return self._home.commands()[-1]


def test_it_is_stopped_by_the_contract(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """Over Mosquitto: stopped at the second reading, said, and not started again all night."""
    house = household_file(tmp_path, ("main_fuse_amps: 63", "main_fuse_amps: 16"))
    with a_home(mosquitto, tmp_path, house) as home:
        hardware = Disobedient(home)
        home.publish("vehicle", {"v": 1, "at": instant(home.clock.now()), "pilot": "B",
                                 "soc_percent": 35})  # fmt: skip
        home.at(CHEAP)
        started = home.commands()[-1]
        assert (started["do"], started["amps"]) == ("start", 16.0)
        assert hardware.step(CHEAP + 2 * S)["do"] == "start"
        assert hardware.step(CHEAP + 12 * S)["do"] == "start"
        stopped = hardware.step(CHEAP + 28 * S)
        assert stopped["do"] == "stop"
        assert stopped["why"].startswith("it took 32 A when it was told 16 A")
        (alert,) = [
            each
            for each in home.watcher.received(f"{DRIVEWAY}/alert")
            if each["code"] == "over-current"
        ]
        assert alert["message"].startswith("driveway took 32 A when it was told 16 A.")
        for minutes in (10, 60, 300, 600):
            assert hardware.step(CHEAP + minutes * MINUTE)["do"] == "stop"
        status = home.watcher.received(f"{DRIVEWAY}/status")[-1]
        assert "over-current" in status["alerts"]
        assert home.watcher.received(f"{DRIVEWAY}/plan")[-1]["periods"] == []
        starts = [each for each in home.commands() if each["do"] == "start"]
        assert starts == [started]
        assert CHEAP + 600 * MINUTE < LEAVES


@pytest.fixture
def equipments() -> Iterator[EquipmentThread]:
    with equipment_thread() as found:
        yield found


def test_it_is_stopped_over_ocpp(
    mosquitto: Mosquitto, tmp_path: Path, equipments: EquipmentThread
) -> None:
    """Equipment that takes no charging profile and draws 32 A has its transaction ended."""
    port = free_port()
    house = over_ocpp(tmp_path, port)
    file = yaml.safe_load(house.read_text("utf-8"))
    file["household"]["main_fuse_amps"] = 16
    point = file["charge_points"].pop("carport")
    file["charge_points"] = {"driveway": point | {"charging_mode": 3, "max_amps": 16}}
    for part in (*file["vehicles"].values(), *file["departures"]):
        part.pop("max_amps", None)
    for car in file["vehicles"].values():
        car["charge_point"] = "driveway"
    house.write_text(yaml.safe_dump(file), "utf-8")
    with a_home(mosquitto, tmp_path, house) as home:
        plugged = equipments.connect(port)
        plugged.point.script["SetChargingProfile"] = ["Rejected", "NotSupported"] * 500
        plugged.boot()
        plugged.status("Preparing")
        home.publish("request", {"v": 1, "charge_now": True})
        wait_until(lambda: plugged.asked("RemoteStartTransaction"), what="asked to start")
        home.clock.advance_to(home.clock.now() + S)
        transaction = plugged.begin(home.clock.now(), 1_000_000)
        plugged.status("Charging")
        for seconds in (12, 16):
            home.clock.advance_to(home.clock.now() + seconds * S)
            assert plugged.asked("RemoteStopTransaction") == []
            plugged.meter(
                home.clock.now(),
                {"value": "1000000"},
                {"value": "7360", "measurand": "Power.Active.Import"},
                {"value": "32", "measurand": "Current.Import"},
                transaction=transaction,
            )
        wait_until(lambda: plugged.asked("RemoteStopTransaction"), what="asked to stop")
        wait_until(lambda: home.watcher.received(f"{DRIVEWAY}/alert"), what="the alert")
        assert home.watcher.received(f"{DRIVEWAY}/alert")[0]["code"] == "over-current"
