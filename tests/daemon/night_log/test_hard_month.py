"""A month as people live it: late arrivals, missing prices, wishes, a week away.

For the energy that each night metered, the cheapest possible hours cost no more than what was paid,
nor than charging at once, nor than a timer.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from structlog.testing import capture_logs

from adapters.ledger.ledger import open_ledger
from tests.daemon.sites import Site, household_file
from tests.daemon.worlds import HOUR, MINUTE, arrived

ZONE = ZoneInfo("Pacific/Auckland")
FIRST = date(2026, 6, 1)
NIGHTS = 19
AWAY = range(8, 15)
"""The nights of the week without the vehicle."""
HOLES = (3, 4, 16)
"""The days without prices."""
SERIES = """\
tariffs:
  - name: Day-ahead
    prices: {step_minutes: 60}

charge_points:"""


@dataclass
class Month:
    """Every night's record, and how often each kind of evening was played."""

    nights: list[dict[str, Any]]
    played: dict[str, int]


def midnight(day: int, hour: float = 0.0) -> datetime:
    local = datetime.combine(FIRST, datetime.min.time(), ZONE) + timedelta(days=day, hours=hour)
    return local.astimezone(UTC)


def publish_prices(site: Site, random: Random, day: int) -> None:
    """Publish a day's hourly prices, some below zero."""
    rates = [
        {"start": midnight(day, hour).isoformat(), "rate": round(random.uniform(-0.05, 0.5), 4)}
        for hour in range(24)
    ]
    payload = json.dumps({"v": 1, "rates": rates}).encode()
    site.service.handle(arrived(site.topics.prices, payload))


def household(directory: Path) -> Path:
    path = household_file(directory)
    text = path.read_text("utf-8")
    start, end = text.index("tariffs:"), text.index("charge_points:")
    path.write_text(text[:start] + SERIES + text[end + len("charge_points:") :], "utf-8")
    return path


def _take_back(site: Site, day: int) -> None:
    site.ask(need_percent=90, by=midnight(day + 1, 15))
    site.pass_time(40 * MINUTE, every=10 * MINUTE)
    site.ask(clear=True)


EVENINGS: dict[str, Callable[[Site, int], None]] = {
    "nothing asked": lambda _site, _day: None,
    "a trip on the day after next": lambda site, day: site.ask(
        need_percent=100, by=midnight(day + 2, 9)
    ),
    "charge now": lambda site, _day: site.ask(charge_now=True),
    "skip till one": lambda site, day: site.ask(skip_until=midnight(day + 1, 1)),
    "less is enough": lambda site, _day: site.ask(need_percent=45, want_percent=50),
    "a wish taken back": _take_back,
}


@pytest.fixture(scope="module")
def month(tmp_path_factory: pytest.TempPathFactory) -> Month:
    """Play the month, seeded, and return what the ledger has of it."""
    random, directory = Random(20260601), tmp_path_factory.mktemp("month")
    kinds = random.sample(list(EVENINGS), len(EVENINGS))
    path = household(directory)
    played = dict.fromkeys(EVENINGS, 0)
    with capture_logs(), open_ledger(directory / "ledger.sqlite3") as ledger:
        site = Site(path, ledger, midnight(0, 11))
        site.begin()
        site.read()
        for day in range(NIGHTS):
            for known in range(2) if day == 0 else (day + 1,):
                if known not in HOLES:
                    publish_prices(site, random, known)
            if day not in AWAY:
                kind = kinds[day % len(kinds)]
                played[kind] += 1
                play(site, day, random, EVENINGS[kind])
            wait(site, midnight(day + 1, 12.5), 30)
        nights = [json.loads(json.dumps(record, default=str)) for record in site.records]
    latest = {(night["night"], night["charge_point"]): night for night in nights}
    return Month(list(latest.values()), played)


def play(site: Site, day: int, random: Random, wish: Callable[[Site, int], None]) -> None:
    """Let the vehicle come early or late, want something, and leave at seven or later."""
    wait(site, midnight(day, random.choice([14.3, 18.1, 22.7, 28.9])), 30)
    site.plug_in(random.uniform(10, 70))
    wish(site, day)
    wait(site, midnight(day + 1, random.choice([7.3, 7.3, 10.2])), 10)
    site.read()
    site.unplug()


def wait(site: Site, instant: datetime, minutes: int) -> None:
    """Let time pass; while no vehicle is there, a busy machine wakes the daemon late."""
    site.late = timedelta(0) if site.is_there else minutes * MINUTE
    while site.true_now < instant:
        site.pass_time(min(instant - site.true_now, HOUR), every=minutes * MINUTE)
        # The site searches all published messages for the command in force.
        commands = [it for it in site.bus.messages if it[0].endswith("/command")]
        site.bus.messages[:] = commands[-1:]


def test_every_kind_of_evening_was_played(month: Month) -> None:
    assert min(month.played.values()) >= 1
    assert len(month.nights) >= 11
    assert any(Decimal(night["estimated_rate_kwh"]) > 0 for night in month.nights)
    assert sum(Decimal(night["energy_kwh"]) for night in month.nights) > 150


def test_no_rule_beats_the_cheapest_possible_hours(month: Month) -> None:
    """On every night, to six places."""
    for night in month.nights:
        rules = {name: Decimal(rule["cost"]) for name, rule in night["baselines"].items()}
        paid = round(sum((Decimal(line["cost"]) for line in night["by_band"]), Decimal(0)), 6)
        assert rules["hindsight"] <= min(paid, rules["at_once"], rules["timer"]), night


def test_all_rules_deliver_the_energy_that_was_metered(month: Month) -> None:
    for night in month.nights:
        energies = {rule["energy_kwh"] for rule in night["baselines"].values()}
        assert energies == {night["energy_kwh"]}, night
