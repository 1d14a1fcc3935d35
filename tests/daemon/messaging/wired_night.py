"""The same night of one household, however its hardware is wired."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import yaml

from adapters.ledger.ledger import open_ledger
from daemon.rehearsal.rehearsal import Evening, Rehearsal, RehearsalResult
from daemon.service.household_watch import HouseholdWatch

if TYPE_CHECKING:
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
    with open_ledger(folder / "ledger.sqlite3") as ledger:
        evening = Evening("hatchback", EVENING, SOC)
        rehearsal = Rehearsal(
            watch, ledger, mosquitto.bus, evening, lambda _handled: None,
            make_hardware=make_hardware,
        )  # fmt: skip
        return rehearsal.run()


def variant(folder: Path, name: str) -> Path:
    """Write one household, its carport wired as another example, or not at all."""
    plain = yaml.safe_load((EXAMPLES / "plug.yaml").read_text(encoding="utf-8"))
    point: dict[str, Any] = plain["charge_points"]["carport"]
    del point["wiring"], point["plugged_in"]
    if name != "contract":
        other = yaml.safe_load((EXAMPLES / f"{name}.yaml").read_text(encoding="utf-8"))
        (wired,) = other["charge_points"].values()
        point["wiring"] = wired["wiring"]
    path = folder / f"{name}.yaml"
    path.write_text(yaml.safe_dump(plain), encoding="utf-8")
    return path


def figures(night: dict[str, Any] | None) -> tuple[Any, ...]:
    """Return what must be the same however the hardware is wired."""
    assert night is not None
    return night["energy_kwh"], night["cost"], night["by_band"], night["starts"]
