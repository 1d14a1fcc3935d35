"""Whatever happens, in whatever order, the charge points never draw more than the fuse carries."""

from __future__ import annotations

import os
import random
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest

from tests.daemon.sharing.homes import Home, home_of
from tests.daemon.worlds import HOUR, MINUTE, utc

if TYPE_CHECKING:
    from pathlib import Path

    from adapters.ledger.ledger import Ledger

NIGHT = utc("2026-06-03T10:00")
"""22:00 in Auckland, an hour before the cheap band."""

POINTS = ("east", "west", "north")


SEEDS = range(int(os.environ.get("LULLWATT_HOMES", "1")))
"""Homes to try, each with 12 or 20 events."""


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.usefixtures("no_log")
def test_the_fuse_carries_all_that_is_drawn(tmp_path: Path, ledger: Ledger, seed: int) -> None:
    """`Home.pass_time` asserts it in each second in which something changes."""
    chance = random.Random(seed)
    home = Home(tmp_path, ledger, NIGHT, _household(chance))
    for _ in range(12):
        _happen(home, chance)
        home.pass_time(timedelta(seconds=chance.choice([1, 5, 20, 60, 300, 900])))
    assert home.highest > 0


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.usefixtures("no_log")
def test_charging_gives_way_when_the_rest_of_the_home_draws_more(
    tmp_path: Path, ledger: Ledger, seed: int
) -> None:
    """`Home.pass_time` asserts it 10 s after each reading; the meter is read every 10 s."""
    chance = random.Random(seed)
    home = Home(tmp_path, ledger, NIGHT + 2 * HOUR, home_of(POINTS, main_fuse_amps=40))
    home.read_load()
    for point in home.hardware:
        home.plug_in(point, chance.choice([0, 30]))
    for _ in range(20):
        home.load, home.over_since = chance.choice([0.0, 3.0, 10.0, 22.0, 38.0, 45.0]), None
        name = chance.choice(list(home.hardware))
        if chance.random() < 0.2 and home.hardware[name].is_there:
            home.ask(name, charge_now=True)
        home.pass_time(timedelta(seconds=chance.choice([3, 15, 40, 120, 400])))
    assert home.highest > 0


def _household(chance: random.Random) -> dict[str, Any]:
    points = POINTS[: chance.choice([2, 3])]
    document = home_of(points, main_fuse_amps=chance.choice([28, 40, 63]))
    for point in document["charge_points"].values():
        if chance.random() < 0.4:
            point |= {"switching": "on_off", "max_amps": 16}
        point |= {"min_run_minutes": chance.choice([0, 10]), "min_rest_minutes": 5}
    if chance.random() < 0.5:
        load = {"amps": 5, "hours": ["23:30-01:00"]}
        document["household"]["known_load"] = [load]
    return document


def _happen(home: Home, chance: random.Random) -> None:
    """Let something happen at one charge point."""
    name = chance.choice(list(home.hardware))
    hardware = home.hardware[name]
    if not hardware.is_there:
        home.plug_in(name, chance.choice([0, 30, 70]))
        return
    asked: dict[str, dict[str, Any]] = {
        "now": {"charge_now": True},
        "clear": {"clear": True},
        "need": {"need_percent": 100},
        "skip": {"skip_until": (home.clock.at + HOUR).isoformat()},
    }
    event = chance.choice([*asked, "unplug", "deaf", "meter", "slow", "restart"])
    if event in asked:
        home.ask(name, **asked[event])
    elif event == "unplug":
        home.unplug(name)
    elif event == "deaf":
        hardware.is_deaf = not hardware.is_deaf
    elif event == "meter":
        hardware.reads_every = chance.choice([None, timedelta(seconds=30), 2 * MINUTE])
    elif event == "slow":
        home.delay = timedelta(seconds=chance.choice([0, 1, 8]))
    else:
        home.start()
