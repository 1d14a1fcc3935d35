"""The benchmark of the daemon at rest has all its rows; no figure is judged."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from config.household.loading import load_household
from planners.power.allowed_currents import highest_amps
from tests.benchmarks import at_rest, latency
from tests.benchmarks.households import demo, many, point_names
from tests.benchmarks.machine import machine
from tests.benchmarks.processes import busy_seconds, memory, threads
from tests.benchmarks.resting import row
from tests.benchmarks.table import REACHED, Row
from tests.benchmarks.timed_bus import timed_bus

TINY = at_rest.Sizes(starts=1, rest_seconds=0.2, calm_seconds=0, readings=3, messages=1, points=2)
BROKER = "mqtt://127.0.0.1:1"


@pytest.fixture(scope="module")
def rows() -> list[Row]:
    return at_rest.rows(TINY, lambda _: None)


@pytest.mark.parametrize(
    ("what", "target"),
    [
        ("one charge point, after its start: resident memory", "under 60 MB"),
        ("after a planned evening: resident memory", "under 60 MB"),
        ("after 3 readings at once: resident memory", "under 60 MB"),
        ("one charge point: share of a core, a reading every 60 s", "under 0.2%"),
        ("one charge point: share of a core, a reading every 10 s", "under 0.2%"),
        ("one charge point: start until connected and commanding, median of 1", "under 1.00 s"),
        (
            "one charge point: message to command, MQTT 5: median, 99th percentile of 3",
            "99th under 50 ms",
        ),
        ("one charge point: a reading that changes nothing to its PUBACK", ""),
        ("2 charge points plugged in at one instant: median, last command", ""),
        ("2 charge points, all planned: resident memory", "under 60 MB"),
        (
            "2 charge points, all plugged in: start until connected and commanding, median of 1",
            "under 1.00 s",
        ),
    ],
)
def test_the_table_has_a_row_for_each_reach(rows: list[Row], what: str, target: str) -> None:
    """Everything the daemon must reach has its row, its target and a figure (design, 9)."""
    [found] = [each for each in rows if each.what == what]
    assert found.target == target
    assert found.measured
    assert bool(found.verdict) == bool(target)


def test_a_missed_target_is_named() -> None:
    """A target is reached at its value; above it the table says by how much."""
    assert row("a daemon", 60, 0.001).verdict == REACHED
    assert row("a daemon", 60, 0.004).verdict == "missed 2 times"
    timed = latency.rows("a daemon", {"plugged in": [0.01, 0.2]}, [0.001])
    assert timed[0].verdict.startswith("missed")


@pytest.mark.parametrize(
    "make", [demo, lambda place, broker: many(place, broker, 3)], ids=["demo", "many"]
)
def test_the_households_are_valid(make: Callable[[Path, str], Path], tmp_path: Path) -> None:
    """The measured household file is valid, and has the given broker."""
    file = load_household(make(tmp_path, BROKER))
    assert file.bus.broker == BROKER
    assert file.household.name == "Kowhai Cottage"


def test_many_charge_points_have_a_vehicle_and_departures_each(tmp_path: Path) -> None:
    """A hundred charge points are a hundred times the demo household."""
    one, three = load_household(demo(tmp_path, BROKER)), load_household(many(tmp_path, BROKER, 3))
    assert list(three.charge_points) == point_names(3)
    assert sorted(car.charge_point for car in three.vehicles.values()) == point_names(3)
    assert len(three.departures) == 3 * len(one.departures)


def test_a_hundred_charge_points_are_allowed(tmp_path: Path) -> None:
    """The household of the full run is valid too, and leaves each vehicle a current."""
    file = load_household(many(tmp_path, BROKER, at_rest.FULL.points))
    allowed = [highest_amps(file, car.charge_point, name) for name, car in file.vehicles.items()]
    assert min(allowed) >= 6


def test_linux_counts_memory_and_time() -> None:
    """A working process has memory and a thread, and its CPU time grows."""
    before, weighed = busy_seconds(os.getpid()), memory(os.getpid())
    assert 5 < weighed.pss_mb <= weighed.rss_mb
    assert threads(os.getpid()) >= 1
    sum(range(3_000_000))
    assert busy_seconds(os.getpid()) > before


def test_only_the_daemons_acknowledgements_count(tmp_path: Path) -> None:
    """The broker acknowledges too, but does not count; without a daemon there are none."""
    with timed_bus(tmp_path) as (_broker, bus):
        bus.send("driveway", "reading", register_kwh=1.0)
        with pytest.raises(AssertionError, match="nothing within"):
            bus.wait(lambda: bus.acknowledged, limit=0.2)


def test_nothing_heavy_is_loaded_to_run() -> None:
    """`lullwatt run` loads no package for drawing, tables or holidays, and no reference solver."""
    names = (
        "import sys; from daemon.presentation.options import load_structlog; load_structlog()\n"
        "from daemon.command_line import cli; from daemon.service import running\n"
        "print(*sys.modules)"
    )
    ran = subprocess.run([sys.executable, "-c", names], check=True, capture_output=True, text=True)
    loaded = {name.split(".", maxsplit=1)[0] for name in ran.stdout.split()}
    assert {"numpy", "paho", "structlog"} <= loaded
    assert not loaded & {"matplotlib", "holidays", "highspy", "scipy", "amqtt", "jinja2", "rich"}


def test_the_script_prints_the_table_and_the_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    """The table comes first, and the machine last."""
    monkeypatch.setattr(at_rest, "rows", lambda *_: [Row("memory", "60 MB", "50 MB", REACHED)])
    printed = CliRunner().invoke(at_rest.main, ["--quick"], catch_exceptions=False).stdout
    assert printed.startswith("what ")
    assert machine("paho-mqtt", "pydantic") in printed
