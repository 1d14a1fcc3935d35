"""`lullwatt wiring` with equipment that speaks OCPP: it takes the daemon's place."""

from __future__ import annotations

import io
import json
from contextlib import contextmanager
from threading import Thread
from typing import TYPE_CHECKING

import pytest
from websockets.exceptions import WebSocketException

from adapters.clocks.clock import SystemClock
from adapters.ledger.ledger import open_ledger
from adapters.ledger.lock import lock_ledger
from adapters.ocpp_point.abilities import Abilities
from adapters.ocpp_point.remembered import Remembered, remembered_at
from config.files.errors import UnwellError
from config.household.loading import load_household
from daemon.trial.ocpp_command import show_equipment, trying_out
from daemon.trial.ocpp_trial import OcppTrial
from tests.adapters.ocpp.world import asked_for
from tests.adapters.simulated_ocpp.test_equipment import playing
from tests.daemon.messaging.test_ocpp_nights import over_ocpp
from tests.support.brokers import free_port
from tests.support.ocpp_equipment import EquipmentConnection, EquipmentThread, equipment_thread
from tests.support.waiting import patience, wait_until

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from tests.support.commands import Ran


@contextmanager
def arriving(port: int, meets: Callable[[EquipmentConnection], None]) -> Iterator[None]:
    """Connect equipment once somebody listens, and do something with it."""
    with equipment_thread() as equipments:
        thread = Thread(target=lambda: meets(connected(equipments, port)))
        thread.start()
        try:
            yield
        finally:
            thread.join(patience())


def connected(equipments: EquipmentThread, port: int) -> EquipmentConnection:
    found: list[EquipmentConnection] = []

    def tries() -> bool:
        try:
            found.append(equipments.connect(port))
        except (OSError, WebSocketException):
            return False
        return True

    wait_until(tries, what="somebody listens")
    found[0].boot()
    return found[0]


def test_release_clears_what_is_stored(tmp_path: Path, run: Callable[..., Ran]) -> None:
    """Each profile is cleared by its number; no other request changes a limit."""
    port = free_port()
    house = over_ocpp(tmp_path, port)
    met: list[EquipmentConnection] = []
    with arriving(port, met.append):
        ran = run("wiring", str(house), "--release", "--yes", "--json")
    assert (ran.code, json.loads(ran.out)) == (0, {"carport": ""})
    assert "may begin to charge at once" in ran.err
    assert [each["id"] for each in met[0].asked("ClearChargingProfile")] == [1, 2, 3]
    assert met[0].point.standing == []


def test_release_says_what_to_do_by_hand(tmp_path: Path, run: Callable[..., Ran]) -> None:
    """Equipment that does not connect keeps its limits: the error says how to clear them."""
    house = over_ocpp(tmp_path, free_port())
    ran = run("wiring", str(house), "--release", "--yes", "--listen", "0")
    assert ran.code == 4
    assert "carport (it has not connected): clear the charging profiles" in ran.err


def test_release_asks_first(
    tmp_path: Path, run: Callable[..., Ran], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without a yes nothing is sent."""
    monkeypatch.setattr("sys.stdin", io.StringIO("no\n"))
    ran = run("wiring", str(over_ocpp(tmp_path, free_port())), "--release")
    assert ran.code == 2
    assert "nothing was sent" in ran.err


def test_an_exercise_commands_and_stops(tmp_path: Path) -> None:
    """It starts what has connected, hears its meter, and ends once the stop was accepted."""
    port = free_port()
    file = load_household(over_ocpp(tmp_path, port))
    told: list[str] = []
    stopped: list[dict[str, object]] = []

    def charge(plugged: EquipmentConnection) -> None:
        plugged.status("Preparing")
        asked_for(plugged, "RemoteStartTransaction")
        plugged.begin(SystemClock().now())
        plugged.status("Charging")
        power = {"value": "2300", "unit": "W", "measurand": "Power.Active.Import"}
        plugged.meter(SystemClock().now(), {"value": "1000"}, power)

        def last_limit() -> float | None:
            asked = [each["cs_charging_profiles"] for each in plugged.asked("SetChargingProfile")]
            schedules = [each["charging_schedule"] for each in asked]
            return schedules[-1]["charging_schedule_period"][0]["limit"] if schedules else None

        # A stop that comes before the start's profile is sent takes its place.
        wait_until(lambda: last_limit() == 0, what="a limit of 0 A")
        stopped.append(plugged.asked("SetChargingProfile")[-1]["cs_charging_profiles"])

    with arriving(port, charge):
        with trying_out(file, "carport", 60, told.append) as trial:
            trial.command("start", 10.0)
            assert trial.wait(lambda latest: latest.watts == 2300, patience()) is not None
            trial.command("stop", None)
        with open_ledger(file.ledger.path) as ledger:
            last = ledger.last_command("carport")
    assert last is not None
    assert last.do == "stop"
    (profile,) = stopped
    assert profile["charging_schedule"]["charging_schedule_period"][0]["limit"] == 0  # type: ignore[index]
    assert any("2,300 W, 1.000 kWh" in line for line in told), told


def test_an_exercise_in_ocpp_2(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same with a simulated box of another version; afterwards its limits can be cleared."""
    monkeypatch.setattr("adapters.simulated_ocpp.connection.AGAIN_SECONDS", 0.05)
    port = free_port()
    file = load_household(over_ocpp(tmp_path, port))
    told: list[str] = []
    with playing(port, version="2.0.1", now=SystemClock().now) as point:
        with trying_out(file, "carport", patience(), told.append) as trial:
            trial.command("start", 10.0)
            assert trial.wait(lambda latest: latest.watts == 2300, patience()) is not None
            trial.command("stop", None)
        wait_until(lambda: point.watts() == 0, what="a stop")
        with OcppTrial(file, SystemClock(), told.append, charge_point="carport") as trial:
            assert trial.connected("carport", patience())
            assert trial.release("carport") == ()
    assert "carport: it speaks OCPP 2.0.1." in told


def test_equipment_that_does_not_come(tmp_path: Path) -> None:
    """The error says what to compare."""
    file = load_household(over_ocpp(tmp_path, free_port()))
    with (
        pytest.raises(UnwellError, match="compare the address, identity and password"),
        trying_out(file, "carport", 0, lambda _line: None),
    ):
        pass


def test_what_equipment_can_is_shown_beside_a_daemon(tmp_path: Path) -> None:
    """What it once said is known without a connection, which the daemon has."""
    port = free_port()
    file = load_household(over_ocpp(tmp_path, port))
    known = Abilities("KC-7", answered=True, limits_current=True, units=("W",))
    Remembered(remembered_at(file.ledger.path)).keep("carport", known)
    told: list[str] = []
    with lock_ledger(file.ledger.path):
        show_equipment(file, "carport", 0, told.append)
    assert told[:2] == [
        "carport: it is a KC-7.",
        "carport: its current is set by a profile of each charge, in watts.",
    ]
