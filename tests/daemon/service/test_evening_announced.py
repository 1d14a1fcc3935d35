"""Evenings before a day whose kind is announced late: assumed, announced, and priced again."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest

from adapters.contract.messages import Reading
from adapters.ledger.ledger import open_ledger
from adapters.ledger.stored_prices import stored_news
from config.files.announcements import announcements_in
from tests.daemon.service.test_evening_prices import Home
from tests.daemon.worlds import EVENING, HOUR, MINUTE, utc

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.usefixtures("no_log")

TARIFFS = """tariffs:
  - name: Announced days
    announced: {kinds: [{name: usual}, {name: costly, at_most: 22}], file: days.csv}
    bands:
      - {name: small hours, rate: 0.05, hours: ["01:00-05:00"], kinds: [usual]}
      - {name: usual, rate: 0.10, kinds: [usual]}
      - {name: costly, rate: 0.50, kinds: [costly]}

"""
FOURTH = utc("2026-06-03T12:00")
"""When 4 June begins in Auckland."""


def announced(**kinds: str) -> bytes:
    days = [{"date": f"2026-06-{day[1:]}", "kind": kind} for day, kind in kinds.items()]
    return json.dumps({"v": 1, "days": days}).encode()


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Home]:
    (tmp_path / "days.csv").write_text("date,kind\n2026-06-03,usual\n", "utf-8")
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        yield Home(tmp_path, ledger, tariffs=TARIFFS)


def before_midnight(plan: dict[str, Any]) -> bool:
    return all(period["end"] <= FOURTH.strftime("%Y-%m-%dT%H:%M:%SZ") for period in plan["periods"])


def test_tomorrow_is_assumed_and_then_announced(home: Home, tmp_path: Path) -> None:
    """Taken for costly, all is charged by midnight; announced as usual, in its small hours."""
    home.run(
        (EVENING + HOUR, None),
        (EVENING + 1.5 * HOUR, announced(d04="usual")),
        (EVENING + 1.6 * HOUR, announced(d04="usual")),
        (EVENING + 2 * HOUR, announced(d04="costly", d05="blue")),
    )
    assert [rates.get("known_until") for rates in home.rates] == [
        "2026-06-03T12:00:00Z",
        "2026-06-04T12:00:00Z",
    ]
    is_early = [before_midnight(plan) for plan in home.plans]
    assert (is_early[0], False in is_early, is_early[-1]) == (True, True, True)
    assert [plan["rests_on_estimates"] for plan in home.plans] == [False] * len(is_early)
    assert home.acknowledged == 3
    stored = stored_news(tmp_path / "ledger.sqlite3", ["Announced days"])["Announced days"]
    assert [(made.day.day, made.kind) for made in announcements_in(stored)] == [(4, "costly")]


def test_a_night_on_an_unannounced_day_is_priced_again(home: Home) -> None:
    """The kind comes a day late: what was priced at 0.50 for the time being was in truth 0.05."""
    leaves, later = utc("2026-06-03T19:25"), utc("2026-06-04T03:00")
    used = Reading(at=utc("2026-06-03T15:00"), register_kwh=1010.0, watts=0.0)
    home.run(
        (FOURTH + HOUR, None),
        (used.at, used),
        (leaves, None),
        (later, None),
        (later + HOUR, announced(d04="usual")),
        (later + HOUR + MINUTE, None),
    )
    first, *_, last = home.bus.on("night")
    assert first["estimated_rate_kwh"] > 0
    assert last["estimated_rate_kwh"] == 0
    assert {band["band"] for band in last["by_band"]} == {"usual", "small hours"}
    assert first["cost"] > 2 * last["cost"]
    (alert,) = home.bus.on("alert")
    assert alert["message"] == (
        "The announced days of Announced days ended on Thu 04 Jun at 00:00: until new ones come,"
        " plans rest on estimates."
    )
