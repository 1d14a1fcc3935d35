"""Whole nights with hardware wired as in the examples, over a real Mosquitto."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from daemon.rehearsal.set_up import rehearse_night
from tests.daemon.messaging.wired_night import EVENING, EXAMPLES, figures, rehearsed, variant
from tests.support.brokers import quick_broker
from tests.support.bus_contract import check_published
from tests.support.wired_hardware import AdjustableChargePoint, Plug, RelayAndMeter

if TYPE_CHECKING:
    from pathlib import Path

    from daemon.rehearsal.rehearsal import MakeHardware, RehearsalResult
    from tests.support.brokers import Mosquitto


@pytest.fixture(scope="module")
def with_a_plug(tmp_path_factory: pytest.TempPathFactory) -> RehearsalResult:
    """Play the night of the example with a plug, which is also the first variant of it."""
    folder = tmp_path_factory.mktemp("plug")
    with quick_broker(folder / "mosquitto") as broker, check_published():
        return rehearsed(EXAMPLES / "plug.yaml", broker, Plug, folder)


def check_a_night(result: RehearsalResult) -> None:
    """Check that the vehicle has enough, and the ledger what the meter counted."""
    assert result.night is not None
    assert result.night["need_met"]
    assert float(result.night["energy_kwh"]) == pytest.approx(result.register_kwh, abs=0.002)
    assert result.register_kwh > 5
    assert {line["band"] for line in result.night["by_band"]} == {"night"}


def test_the_example_with_a_plug_charges_a_night(with_a_plug: RehearsalResult) -> None:
    check_a_night(with_a_plug)


def test_hardware_that_changes_over_is_rehearsed_as_it_is_wired() -> None:
    """One message for on and off, a state, an availability, kilowatts in a text; no alert."""
    printed: list[str] = []
    result = rehearse_night(
        EXAMPLES / "push-button.yaml", vehicle=None, at=EVENING, say=printed.append
    )
    check_a_night(result)
    assert printed[0] == "The hardware is simulated as it is wired in the file."
    assert not any("alert" in line for line in printed)


@pytest.mark.parametrize(
    ("example", "make_hardware"),
    [("relay", RelayAndMeter), ("settable", AdjustableChargePoint)],
    ids=["relay", "settable"],
)
def test_an_example_charges_a_night(
    example: str, make_hardware: MakeHardware, quick_mosquitto: Mosquitto, tmp_path: Path
) -> None:
    household = EXAMPLES / f"{example}.yaml"
    check_a_night(rehearsed(household, quick_mosquitto, make_hardware, tmp_path))


def test_however_it_is_wired_a_night_is_the_same(
    tmp_path: Path, usual: tuple[Any, ...], with_a_plug: RehearsalResult
) -> None:
    """One household, four ways to its hardware: the same energy, cost, bands and starts.

    Each on a broker of its own: what one night leaves retained is of a time still to come.
    """
    assert figures(with_a_plug.night) == usual
    ways: dict[str, MakeHardware] = {"relay": RelayAndMeter, "settable": AdjustableChargePoint}
    for name, make_hardware in ways.items():
        folder = tmp_path / name
        folder.mkdir()
        with quick_broker(folder / "mosquitto") as broker:
            night = rehearsed(variant(folder, name), broker, make_hardware, folder).night
        assert figures(night) == usual, name
