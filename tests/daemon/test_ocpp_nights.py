"""Whole nights with equipment that speaks OCPP 1.6J, over a real websocket and Mosquitto."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import partial
from typing import TYPE_CHECKING, Any

import yaml

from tests.adapters.ocpp_equipment import PASSWORD
from tests.daemon.test_wired_nights import rehearsed, variant
from tests.support.brokers import free_port
from tests.support.ocpp_night import IDENTITY, OcppHardware, limits_of

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


class Kept:
    """Makes the hardware of a rehearsal, and keeps it."""

    def __init__(self, port: int, away: tuple[datetime, datetime] | None = None) -> None:
        self.hardware: OcppHardware | None = None
        self._make = partial(OcppHardware, port=port, away=away)

    def __call__(self, *given: Any) -> OcppHardware:  # noqa: ANN401 - passed on
        self.hardware = self._make(*given)
        return self.hardware


HOUR = timedelta(hours=1)
CHARGES_FROM = datetime(2026, 6, 3, 9, 0, tzinfo=UTC)
"""21:00 in Auckland, when the night's rate begins."""


def figures(night: dict[str, Any] | None) -> tuple[object, ...]:
    assert night is not None
    return night["energy_kwh"], night["cost"], night["by_band"], night["starts"]


def usual(mosquitto: Mosquitto, folder: Path) -> tuple[object, ...]:
    """Play the night by the daemon's own messages."""
    plain = folder / "plain"
    plain.mkdir()
    return figures(rehearsed(variant(plain, "contract"), mosquitto, None, plain).night)


def test_over_ocpp_a_night_is_the_same(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """One household by the daemon's own messages and by OCPP: the ledger has the same figures."""
    port = free_port()
    kept = Kept(port)
    result = rehearsed(over_ocpp(tmp_path, port), mosquitto, kept, tmp_path)
    assert figures(result.night) == usual(mosquitto, tmp_path)
    assert result.register_kwh > 5
    assert kept.hardware is not None
    names = [name for _, name, _ in kept.hardware.asked]
    assert names.count("RemoteStartTransaction") == 1
    assert "RemoteStopTransaction" not in names
    assert kept.hardware.refused == []


def test_a_broken_connection_does_not_break_the_charge(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    """Equipment that can't reach the daemon for an hour goes on, and tells it all on return."""
    port = free_port()
    kept = Kept(port, away=(CHARGES_FROM + HOUR, CHARGES_FROM + 2 * HOUR))
    result = rehearsed(over_ocpp(tmp_path, port), mosquitto, kept, tmp_path)
    assert figures(result.night) == usual(mosquitto, tmp_path)
    hardware = kept.hardware
    assert hardware is not None
    assert [amps for _, amps in hardware.charged] == [10, 0]
    assert len(hardware.served) == 1


def test_equipment_alone_stops_when_its_plan_ends(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """Cut off before the plan's end until after it: it stops by itself, and is told on return."""
    port = free_port()
    back = datetime(2026, 6, 3, 18, 30, tzinfo=UTC)
    kept = Kept(port, away=(CHARGES_FROM + HOUR, back))
    result = rehearsed(over_ocpp(tmp_path, port), mosquitto, kept, tmp_path)
    assert figures(result.night) == usual(mosquitto, tmp_path)
    hardware = kept.hardware
    assert hardware is not None
    assert [amps for _, amps in hardware.charged] == [10, 0]
    ended = hardware.charged[1][0]
    assert ended < back
    assert result.plan is not None
    assert abs(ended - result.plan.periods[-1].end) < timedelta(seconds=2)
    told = [
        [limit.amps for limit in limits_of(said["cs_charging_profiles"])]
        for at, name, said in hardware.asked
        if name == "SetChargingProfile" and at >= back
    ]
    assert told == [[0]]
