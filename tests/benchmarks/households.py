"""Write the demo household for the benchmark's broker, and one with many charge points."""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path

import yaml

BROKER = "mqtt://127.0.0.1:1883"
MOST_FUSE_AMPS = 1000
FUSE_AMPS_EACH = 32
"""The main fuse for each of many charge points, and its highest value [A]."""


def demo(directory: Path, broker: str) -> Path:
    """Copy the demo household; its ledger is beside it."""
    text = _text()
    assert BROKER in text
    path = directory / "house.yaml"
    path.write_text(text.replace(BROKER, broker), "utf-8")
    return path


def many(directory: Path, broker: str, count: int) -> Path:
    """Write the demo household with `count` charge points, and a vehicle at each of them."""
    house = yaml.safe_load(_text())
    [point] = house["charge_points"].values()
    [(vehicle, car)] = house["vehicles"].items()
    points = point_names(count)
    house["household"]["main_fuse_amps"] = min(MOST_FUSE_AMPS, count * FUSE_AMPS_EACH)
    house["charge_points"] = dict.fromkeys(points, point)
    house["vehicles"] = {f"car-{name}": {**car, "charge_point": name} for name in points}
    house["departures"] = [
        {**row, "vehicle": f"car-{name}"}
        for name in points
        for row in house["departures"]
        if row["vehicle"] == vehicle
    ]
    house["bus"]["broker"] = broker
    path = directory / "house.yaml"
    path.write_text(json.dumps(house, default=str), "utf-8")  # which is YAML, without anchors
    return path


def point_names(count: int) -> list[str]:
    """Name so many charge points."""
    return [f"bay-{number}" for number in range(1, count + 1)]


def _text() -> str:
    return files("config").joinpath("examples", "kowhai.yaml").read_text("utf-8")
