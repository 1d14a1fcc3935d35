"""A year under the tariff of each example, in one appraisal."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from config.files.yaml_tree import read_yaml
from tests.support.commands import Ran

EXAMPLES = Path(__file__).parents[3] / "config" / "examples"
STRUCTURES = (
    "two-rates",
    "market-and-network",
    "seasons-and-weekends",
    "free-noon",
    "announced-days",
    "highest-hours",
)
HOME = """
appraisal: {name: Kowhai Cottage, year: 2027, timezone: Europe/Paris, currency: EUR,
            public_holidays: FR, tick_minutes: 30, keep_years: 8}
vehicle: {usable_kwh: 52, chemistry: nmc, kwh_per_100km: 16.5}
driving: {distance_per_year: 16000 km, leaves: "07:20", returns: "17:10"}
"""
POINT = {"charging_mode": 3, "max_amps": 32, "switching": "current"}


def data_of(example: str) -> Any:  # noqa: ANN401 - as YAML has it
    return read_yaml((EXAMPLES / f"{example}.yaml").read_text("utf-8")).data


def tariff_of(example: str) -> object:
    """Return a tariff as the file has it."""
    return data_of(example)["tariffs"][0]


def own_meter() -> dict[str, Any]:
    """Return the choice of the example with a meter and a circuit of the charge point's own."""
    data = data_of("controlled-circuit")
    home, own = data["tariffs"]
    point = POINT | {"powered": data["charge_points"]["driveway"]["powered"]}
    return {
        "name": "controlled-circuit", "tariff": home, "charging_tariff": own, "charge_point": point,
        "need_percent": 60, "want_percent": 80,
    }  # fmt: skip


def test_each_structure_is_appraised(tmp_path: Path, run: Callable[..., Ran]) -> None:
    """Each year has a cost, and planning around announced days costs less than charging at once.

    Announced days are those of the example's file, and the dearest kind after them, within limits.
    """
    choices = [
        {
            "name": f"{name} {planner}",
            "tariff": tariff_of(name),
            "charge_point": POINT,
            "planner": planner,
            "need_percent": 60,
            "want_percent": 80,
        }
        for name in STRUCTURES
        for planner in (("exact", "at_once") if name == "announced-days" else ("exact",))
    ]
    choices.append(own_meter())
    for beside in EXAMPLES.glob("*.csv"):
        (tmp_path / beside.name).write_text(beside.read_text("utf-8"), "utf-8")
    file = tmp_path / "choices.yaml"
    file.write_text(HOME + f"choices: {json.dumps(choices, default=str)}\n", "utf-8")
    ran = run("appraise", str(file), "--json")
    assert (ran.code, ran.err) == (0, "")
    found: dict[str, Any] = json.loads(ran.out)
    costs = {each["name"]: each["cost"] for each in found["choices"]}
    assert [name for name, cost in costs.items() if not cost > 0] == []
    controlled = found["choices"][-1]
    assert {band["band"] for band in controlled["by_band"]} == {"controlled"}
    assert controlled["standing_charge"] == pytest.approx(365 * (1.10 + 0.12) * 1.1)
    assert costs["announced-days exact"] < costs["announced-days at_once"]
    said = " ".join(found["assumptions"]) if "assumptions" in found else ran.out
    assert "With announced days, no plan knows the kind of a day before it is announced" in said
