"""Whole nights with hardware wired as in the examples, over a real Mosquitto."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import yaml

from adapters.ledger.ledger import open_ledger
from config.household.broker import Bus
from daemon.rehearsal.rehearsal import Evening, Rehearsal, RehearsalResult
from daemon.service.household_watch import HouseholdWatch
from tests.support.wired_hardware import AdjustableChargePoint, Plug, RelayAndMeter

if TYPE_CHECKING:
    from collections.abc import Callable

    from daemon.rehearsal.rehearsal import MakeHardware
    from tests.support.brokers import Mosquitto

EXAMPLES = Path(__file__).parents[3] / "config" / "examples"
EVENING = datetime(2026, 6, 3, 6, 30, tzinfo=UTC)
SOC = 55.0


def rehearsed(
    path: Path, mosquitto: Mosquitto, make_hardware: MakeHardware | None, folder: Path
) -> RehearsalResult:
    """Play the night of a household file, with the ledger in a folder."""
    watch = HouseholdWatch(path)
    bus = Bus(broker=f"mqtt://127.0.0.1:{mosquitto.port}")
    with open_ledger(folder / "ledger.sqlite3") as ledger:
        evening = Evening("hatchback", EVENING, SOC)
        rehearsal = Rehearsal(
            watch, ledger, bus, evening, lambda _handled: None, make_hardware=make_hardware
        )
        return rehearsal.run()


@pytest.mark.parametrize(
    ("example", "make_hardware"),
    [("plug", Plug), ("relay", RelayAndMeter), ("settable", AdjustableChargePoint)],
    ids=["plug", "relay", "settable"],
)
def test_an_example_charges_a_night(
    example: str, make_hardware: MakeHardware, mosquitto: Mosquitto, tmp_path: Path
) -> None:
    """The vehicle has enough for the departure, and the ledger has what the meter counted."""
    result = rehearsed(EXAMPLES / f"{example}.yaml", mosquitto, make_hardware, tmp_path)
    assert result.night is not None
    assert result.night["need_met"]
    assert float(result.night["energy_kwh"]) == pytest.approx(result.register_kwh, abs=0.002)
    assert result.register_kwh > 5
    assert {line["band"] for line in result.night["by_band"]} == {"night"}


def variant(folder: Path, name: str) -> Path:
    """Write one household, its carport wired as another example, or not at all."""
    plain = yaml.safe_load((EXAMPLES / "plug.yaml").read_text(encoding="utf-8"))
    point: dict[str, Any] = plain["charge_points"]["carport"]
    del point["wiring"], point["plugged_in"]
    if name != "contract":
        other = yaml.safe_load((EXAMPLES / f"{name}.yaml").read_text(encoding="utf-8"))
        (wired,) = other["charge_points"].values()
        point["wiring"] = wired["wiring"]
    if name == "plug":
        point["plugged_in"] = "18:00-07:30"
    path = folder / f"{name}.yaml"
    path.write_text(yaml.safe_dump(plain), encoding="utf-8")
    return path


def test_however_it_is_wired_a_night_is_the_same(
    make_mosquitto: Callable[..., Mosquitto], tmp_path: Path
) -> None:
    """One household, four ways to its hardware: the same energy, cost, bands and starts.

    Each on a broker of its own: what one night leaves retained is of a time still to come.
    """
    ways: dict[str, MakeHardware | None] = {
        "contract": None, "plug": Plug, "relay": RelayAndMeter, "settable": AdjustableChargePoint,
    }  # fmt: skip
    nights = {}
    for name, make_hardware in ways.items():
        folder = tmp_path / name
        folder.mkdir()
        mosquitto = make_mosquitto()
        mosquitto.start()
        night = rehearsed(variant(folder, name), mosquitto, make_hardware, folder).night
        mosquitto.stop()
        assert night is not None
        nights[name] = (night["energy_kwh"], night["cost"], night["by_band"], night["starts"])
    assert nights["relay"] == nights["settable"] == nights["contract"]
    assert nights["plug"] == nights["contract"]
