"""Whole nights with equipment that speaks OCPP 1.6J, over a real websocket and Mosquitto."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from functools import partial
from threading import Event, Thread
from typing import TYPE_CHECKING, Any

import pytest
import yaml
from typing_extensions import override

from adapters.ledger.ledger import open_ledger
from config.doors.broker import Bus
from daemon.rehearsal.rehearsal import Evening, Rehearsal, RehearsalResult, _DaemonObserver
from daemon.service.household_watch import HouseholdWatch
from daemon.service.running import Daemon
from tests.daemon.messaging.wired_night import EVENING, SOC, figures, rehearsed, variant
from tests.support.brokers import free_port
from tests.support.ocpp_equipment import PASSWORD
from tests.support.ocpp_night import IDENTITY, OcppHardware, limits_of
from tests.support.waiting import patience

if TYPE_CHECKING:
    from pathlib import Path

    from tests.support.brokers import Mosquitto


def over_ocpp(folder: Path, port: int, **more: Any) -> Path:  # noqa: ANN401 - YAML
    """Write the household of the other nights, its carport connected by OCPP."""
    path = variant(folder, "contract")
    house: dict[str, Any] = yaml.safe_load(path.read_text(encoding="utf-8"))
    password = folder / "carport.password"
    password.write_text(PASSWORD + "\n", encoding="utf-8")
    password.chmod(0o600)
    house["ocpp"] = {"listen": f"127.0.0.1:{port}"}
    house["charge_points"]["carport"]["ocpp"] = {
        "identity": IDENTITY, "password_file": password.name,
    }  # fmt: skip
    path.write_text(yaml.safe_dump(house | more), encoding="utf-8")
    return path


class HardwareMaker:
    """Makes the hardware of a rehearsal, and remembers it."""

    def __init__(self, port: int, away: tuple[datetime, datetime] | None = None) -> None:
        self.hardware: OcppHardware | None = None
        self._make = partial(OcppHardware, port=port, away=away)

    def __call__(self, *given: Any) -> OcppHardware:  # noqa: ANN401 - passed on
        self.hardware = self._make(*given)
        return self.hardware


HOUR = timedelta(hours=1)
CHARGES_FROM = datetime(2026, 6, 3, 9, 0, tzinfo=UTC)
"""21:00 in Auckland, when the night's rate begins."""


class Restarted(Rehearsal):
    """A rehearsal whose daemon ends during a charge, and is started again later."""

    def __init__(self, *given: Any, away: tuple[datetime, datetime], **more: Any) -> None:  # noqa: ANN401 - passed on
        super().__init__(*given, **more)
        self._given = given
        self._ends_at, self._back_at = away
        self._has_ended = Event()
        self._was_restarted = False

    @override
    def run(self) -> RehearsalResult:
        try:
            return super().run()
        finally:
            self._daemon.halt()
            assert self._has_ended.wait(patience(20))

    @override
    def _run_daemon(self) -> None:
        super()._run_daemon()
        self._has_ended.set()

    @override
    def _settle(self) -> None:
        if self.clock.now() >= self._ends_at and not self._was_restarted:
            self._was_restarted = True
            self._restart()
        super()._settle()

    def _restart(self) -> None:
        self._daemon.halt()
        assert self._has_ended.wait(patience(20))
        self._has_ended.clear()
        self._hardware.step(self._back_at - timedelta(seconds=1))
        self.clock.advance_to(self._back_at)
        watch, ledger, bus, *_ = self._given
        observer = _DaemonObserver(self.clock, self._record, self._daemon_observer._own_topics)
        observer.messages = self._hardware.sent
        self._daemon_observer = observer
        self._daemon = Daemon(
            watch, ledger, self.clock, bus, wake_at=lambda _instant: None, observer=observer.observe
        )
        Thread(target=self._run_daemon, name="second daemon", daemon=True).start()
        observer.wait(lambda: observer.connected, "no broker")
        self._hardware.step(self._back_at)


def test_over_ocpp_a_night_is_the_same(
    quick_mosquitto: Mosquitto, tmp_path: Path, usual: tuple[Any, ...]
) -> None:
    """One household by the daemon's own messages and by OCPP: the ledger has the same figures."""
    port = free_port()
    kept = HardwareMaker(port)
    result = rehearsed(over_ocpp(tmp_path, port), quick_mosquitto, kept, tmp_path)
    assert figures(result.night) == usual
    assert result.register_kwh > 5
    assert kept.hardware is not None
    names = [name for _, name, _ in kept.hardware.asked]
    assert names.count("RemoteStartTransaction") == 1
    assert "RemoteStopTransaction" not in names
    assert kept.hardware.refused == []


def test_a_broken_connection_does_not_break_the_charge(
    quick_mosquitto: Mosquitto, tmp_path: Path, usual: tuple[Any, ...]
) -> None:
    """Equipment that can't reach the daemon for an hour goes on, and reports it all on return."""
    port = free_port()
    kept = HardwareMaker(port, away=(CHARGES_FROM + HOUR, CHARGES_FROM + 2 * HOUR))
    result = rehearsed(over_ocpp(tmp_path, port), quick_mosquitto, kept, tmp_path)
    assert figures(result.night) == usual
    hardware = kept.hardware
    assert hardware is not None
    assert [amps for _, amps in hardware.charged] == [10, 0]
    assert len(hardware.served) == 1


def test_equipment_alone_stops_when_its_plan_ends(
    quick_mosquitto: Mosquitto, tmp_path: Path, usual: tuple[Any, ...]
) -> None:
    """Without a connection at the plan's end it stops by itself, and is commanded on return."""
    port = free_port()
    back = datetime(2026, 6, 3, 18, 30, tzinfo=UTC)
    kept = HardwareMaker(port, away=(CHARGES_FROM + HOUR, back))
    result = rehearsed(over_ocpp(tmp_path, port), quick_mosquitto, kept, tmp_path)
    assert figures(result.night) == usual
    hardware = kept.hardware
    assert hardware is not None
    assert [amps for _, amps in hardware.charged] == [10, 0]
    ended = hardware.charged[1][0]
    assert ended < back
    assert result.plan is not None
    assert abs(ended - result.plan.periods[-1].end) < timedelta(seconds=2)
    commanded = [
        [limit.amps for limit in limits_of(payload["cs_charging_profiles"])]
        for at, name, payload in hardware.asked
        if name == "SetChargingProfile" and at >= back
    ]
    assert commanded == [[0]]


def test_a_daemon_restarted_in_mid_charge_goes_on(
    quick_mosquitto: Mosquitto, tmp_path: Path, usual: tuple[Any, ...]
) -> None:
    """Without the daemon for twenty minutes equipment goes on charging, and nothing is lost."""
    port = free_port()
    away = (CHARGES_FROM + HOUR, CHARGES_FROM + HOUR + timedelta(minutes=20))
    kept = HardwareMaker(port, away)
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        result = Restarted(
            HouseholdWatch(over_ocpp(tmp_path, port)),
            ledger,
            Bus(broker=f"mqtt://127.0.0.1:{quick_mosquitto.port}"),
            Evening("hatchback", EVENING, SOC),
            lambda _handled: None,
            make_hardware=kept,
            away=away,
        ).run()
    # A restart plans again, from the last reported state of charge: to 0.1 %.
    energy_kwh, cost, _, starts = figures(result.night)
    assert energy_kwh == pytest.approx(usual[0], rel=Decimal("0.001"))
    assert float(energy_kwh) == pytest.approx(result.register_kwh, abs=0.001)
    assert cost == pytest.approx(usual[1], abs=Decimal("0.01"))
    assert starts == 1
    hardware = kept.hardware
    assert hardware is not None
    assert [amps for _, amps in hardware.charged] == [10, 0]
    assert len(hardware.served) == 1
    assert "RemoteStartTransaction" not in [name for at, name, _ in hardware.asked if at > away[0]]
    assert hardware.refused == []
