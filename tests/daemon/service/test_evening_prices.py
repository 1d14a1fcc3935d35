"""Evenings on a price series, in virtual time: tomorrow is estimated, then published.

The prices are invented. Their shape is that of day-ahead prices: hours in a file up to tonight's
midnight, and tomorrow's quarter hours over the bus in the evening.
"""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from decimal import Decimal
from itertools import count
from typing import TYPE_CHECKING, Any

import pytest
from structlog.testing import capture_logs

from adapters.clocks.clock import VirtualClock
from adapters.contract.messages import Reading, VehicleReport
from adapters.ledger.ledger import Ledger, open_ledger
from daemon.service.household_watch import HouseholdWatch
from daemon.service.service import Halt, HandledEvent, Service, WakeUp
from tests.daemon.worlds import (
    EVENING,
    HOUR,
    KOWHAI,
    MINUTE,
    POINT,
    RecordedBus,
    arrived,
    topics_of,
    utc,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, MutableMapping
    from pathlib import Path

    from adapters.bus.events import MessageArrived
    from daemon.service.service import Incoming

MIDNIGHT = utc("2026-06-03T12:00")
"""When 4 June begins in Auckland."""

DAY = timedelta(days=1)
DAY_AHEAD = "tariffs:\n  - {name: Day-ahead, prices: {file: prices.csv}}\n\n"


class Home:
    """A service on a real ledger, led through an evening by a script."""

    def __init__(
        self, directory: Path, ledger: Ledger, prices: str = "", tariffs: str = DAY_AHEAD
    ) -> None:
        text = KOWHAI.read_text("utf-8")
        first, points = text.index("tariffs:"), text.index("charge_points:")
        household = directory / "house.yaml"
        household.write_text(text[:first] + tariffs + text[points:], "utf-8")
        (directory / "prices.csv").write_text(prices or published_in_file(), "utf-8")
        watch = HouseholdWatch(household)
        self.topics = topics_of(watch.house)
        self.bus = RecordedBus()
        self.clock = VirtualClock(EVENING)
        self.acknowledged = 0
        self._script: list[tuple[datetime, Incoming]] = []
        self.ledger = ledger
        self.service = Service(
            watch, ledger, self.clock,
            bus=self.bus, wake_at=lambda _instant: None, observer=self._next,
        )  # fmt: skip

    def run(
        self, *script: tuple[datetime, bytes | Reading | None]
    ) -> list[MutableMapping[str, Any]]:
        """Plug in at the evening; then let prices, a reading or only time come, and end."""
        plugged = VehicleReport(at=EVENING, pilot="B", soc_percent=35.0)
        reading = Reading(at=EVENING, register_kwh=1000.0, watts=0.0)
        self._script = [
            (EVENING, arrived(self.topics.reading(POINT), reading)),
            (EVENING, arrived(self.topics.vehicle(POINT), plugged)),
        ]
        for at, prices in script:
            self._script.append((at, WakeUp()))
            if isinstance(prices, Reading):
                self._script.append((at, arrived(self.topics.reading(POINT), prices)))
            elif prices is not None:
                self._script.append((at, self._counted(prices)))
        with capture_logs() as logs:
            self.service.run()
        return logs

    def _counted(self, payload: bytes) -> MessageArrived:
        def ack() -> None:
            self.acknowledged += 1

        topic = self.topics.announcements if b'"days"' in payload else self.topics.prices
        message = arrived(topic, payload, retain=True)
        return type(message)(message.topic, message.payload, message.retain, ack)

    def _next(self, _handled: HandledEvent) -> None:
        if not self._script:
            self.service.post(Halt())
            return
        at, event = self._script.pop(0)
        self.clock.advance_to(at)
        self.service.post(event)

    @property
    def plans(self) -> list[dict[str, Any]]:
        return self.bus.on("plan")

    @property
    def rates(self) -> list[dict[str, Any]]:
        """The rates in the statuses, without repeats in a row."""
        all_rates = [status["rates"] for status in self.bus.on("status")]
        return [rates for i, rates in enumerate(all_rates) if i == 0 or rates != all_rates[i - 1]]


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Home]:
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        yield Home(tmp_path, ledger)


def published_in_file() -> str:
    """Give the hours of eight days up to midnight: cheapest from 02:00 to 05:00."""
    rows = ["start;rate"]
    for i in range(8 * 24):
        hour = i % 24
        rate = "0,05" if 2 <= hour < 5 else "0,15" if hour < 7 or hour >= 21 else "0,30"
        rows.append(f"{(MIDNIGHT - 8 * DAY + i * HOUR).isoformat()};{rate}")
    return "\n".join(rows)


def quarters(rate_of: Callable[[float], float], days: int = 1) -> bytes:
    """Give tomorrow's quarter hours, by the local hour of day, as a feed does."""
    starts = (MIDNIGHT + i * 15 * MINUTE for i in count())
    rows = [
        {"start": at.isoformat(), "rate": rate_of(i % 96 / 4)}
        for i, at in zip(range(96 * days), starts, strict=False)
    ]
    return json.dumps({"v": 1, "rates": rows}).encode()


def windy_morning(hour: float) -> float:
    return -0.01 if 3 <= hour < 7 else 0.28


def windy_midnight(hour: float) -> float:
    return -0.02 if hour < 4 else 0.28


def starts_and_estimates(plan: dict[str, Any]) -> tuple[list[str], bool, set[bool]]:
    flags = {period.get("estimated", False) for period in plan["periods"]}
    return [period["start"] for period in plan["periods"]], plan["rests_on_estimates"], flags


KNOWN_TO_MIDNIGHT = {"tariff": "Day-ahead", "known_until": "2026-06-03T12:00:00Z", "now": "known"}
KNOWN_TO_NEXT = {"tariff": "Day-ahead", "known_until": "2026-06-04T12:00:00Z", "now": "known"}
ESTIMATED = {"tariff": "Day-ahead", "known_until": "2026-06-03T12:00:00Z", "now": "estimated"}


def test_tomorrow_is_estimated_and_then_published(home: Home) -> None:
    """At 18:30 the plan rests on last week's nights; at 20:00 it moves to where it is cheap.

    The three cheapest hours are planned: as cheap ones for the rest come on the next night.
    """
    home.run((EVENING + HOUR, None), (EVENING + 1.5 * HOUR, quarters(windy_morning)))
    before, after = home.plans
    starts, rests, flags = starts_and_estimates(before)
    assert starts == ["2026-06-03T14:00:00Z"]
    assert (rests, flags) == (True, {True})
    # 26 kWh at 7.36 kW from 03:00, all at the published price, that is below zero.
    assert starts_and_estimates(after) == (["2026-06-03T15:00:00Z"], False, {False})
    assert after["cost"] == pytest.approx(-0.26)
    assert home.rates == [KNOWN_TO_MIDNIGHT, KNOWN_TO_NEXT]
    assert home.bus.on("alert") == []
    assert home.acknowledged == 1


def test_the_same_prices_again_plan_nothing_and_a_correction_plans_again(home: Home) -> None:
    """A broker hands a retained feed over on every connection; only what differs is news."""
    evening = EVENING + 1.5 * HOUR
    home.run(
        (evening, quarters(windy_morning)),
        (evening + MINUTE, quarters(windy_morning)),
        (evening + 2 * MINUTE, quarters(windy_midnight)),
        (evening + 3 * MINUTE, quarters(windy_midnight)),
    )
    assert [starts_and_estimates(plan)[0] for plan in home.plans[1:]] == [
        ["2026-06-03T15:00:00Z"],
        ["2026-06-03T12:00:00Z"],
    ]
    assert home.acknowledged == 4


def test_prices_that_are_late(home: Home) -> None:
    """Midnight passes without prices: one alert, cleared when they come at 00:40."""
    logs = home.run(
        (MIDNIGHT - MINUTE, None),
        (MIDNIGHT, None),
        (MIDNIGHT + 20 * MINUTE, None),
        (MIDNIGHT + 40 * MINUTE, quarters(windy_morning)),
        (MIDNIGHT + 50 * MINUTE, None),
    )
    assert home.rates == [KNOWN_TO_MIDNIGHT, ESTIMATED, KNOWN_TO_NEXT]
    (alert,) = home.bus.on("alert")
    assert (alert["code"], alert["at"]) == ("prices-ended", "2026-06-03T12:00:00Z")
    assert alert["message"] == (
        "The prices of Day-ahead ended on Thu 04 Jun at 00:00: until new ones come, plans rest on"
        " estimates."
    )
    assert [log["event"] for log in logs].count("prices-came-again") == 1
    assert starts_and_estimates(home.plans[-1]) == (["2026-06-03T15:00:00Z"], False, {False})


def test_a_night_at_estimated_rates_is_priced_again_once_they_are_known(home: Home) -> None:
    """Prices that come a day late make a correction of the night, and the first is kept."""
    leaves, later = utc("2026-06-03T19:25"), utc("2026-06-04T03:00")
    used = Reading(at=utc("2026-06-03T15:00"), register_kwh=1010.0, watts=0.0)
    home.run(
        (MIDNIGHT + HOUR, None),
        (used.at, used),
        (leaves, None),
        (later, None),
        (later + HOUR, quarters(windy_morning)),
        (later + HOUR, None),
    )
    first, *_, last = home.bus.on("night")
    assert first["night"] == last["night"] == "2026-06-03"
    assert first["estimated_rate_kwh"] > 0
    assert last["estimated_rate_kwh"] == 0
    assert first["energy_kwh"] == last["energy_kwh"] == 10
    assert first["cost"] != last["cost"]
    assert home.ledger.nights()[0]["estimated_rate_kwh"] == 0
    revisions = home.ledger._connection.execute("SELECT count(*) FROM night_revisions").fetchone()
    assert revisions[0] >= 1


def test_prices_of_the_same_morning_correct_the_night_at_once(home: Home) -> None:
    """The night is closed as the vehicle leaves at 07:20; the prices come an hour later."""
    leaves, prices = utc("2026-06-03T19:25"), utc("2026-06-03T20:30")
    used = Reading(at=utc("2026-06-03T15:00"), register_kwh=1010.0, watts=0.0)
    home.run(
        (MIDNIGHT + HOUR, None),
        (used.at, used),
        (leaves, None),
        (prices, quarters(windy_morning)),
        (prices + timedelta(minutes=10), None),
    )
    first, *_, last = home.bus.on("night")
    assert first["estimated_rate_kwh"] > 0
    assert (last["night"], last["estimated_rate_kwh"]) == ("2026-06-03", 0)


def test_the_first_evening_on_a_price_feed_is_closed(tmp_path: Path) -> None:
    """The series begins at 18:00, after the noon of its first night: the night is closed."""
    rows = [f"{(EVENING - HOUR / 2 + hour * HOUR).isoformat()};0.20" for hour in range(30)]
    prices = "\n".join(["start;rate", *rows])
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        home = Home(tmp_path, ledger, prices)
        used = Reading(at=EVENING + 2 * HOUR, register_kwh=1010.0, watts=0.0)
        logs = home.run((used.at, used), (utc("2026-06-03T19:25"), None))
        (night,) = ledger.nights()
    assert (night["energy_kwh"], night["cost"], night["estimated_rate_kwh"]) == (10, 2, 0)
    assert "the night can't be priced" not in [log["event"] for log in logs]


def test_the_first_night_on_a_price_feed_is_priced_again(tmp_path: Path) -> None:
    """No price from before 18:00 ever comes; all of the time plugged in is known in the morning."""
    rows = [f"{(EVENING - HOUR / 2 + hour * HOUR).isoformat()};0.20" for hour in range(6)]
    used = Reading(at=utc("2026-06-03T15:00"), register_kwh=1010.0, watts=0.0)
    leaves, prices = utc("2026-06-03T19:25"), utc("2026-06-03T20:30")
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        home = Home(tmp_path, ledger, "\n".join(["start;rate", *rows]))
        home.run(
            (MIDNIGHT + HOUR, None),
            (used.at, used),
            (leaves, None),
            (prices, quarters(windy_morning)),
            (prices + timedelta(minutes=10), None),
        )
        first, *_, last = home.bus.on("night")
    assert first["estimated_rate_kwh"] > 0
    assert (last["night"], last["estimated_rate_kwh"]) == ("2026-06-03", 0)


def test_a_feed_of_thousands_of_rows_is_refused_politely(home: Home) -> None:
    """Too large for one message: logged with the reason, acknowledged, nothing stored."""
    payload = quarters(windy_morning, days=30)
    assert payload.count(b"start") == 2880
    logs = home.run((EVENING + HOUR, payload), (EVENING + 2 * HOUR, None))
    refused = [log for log in logs if log["event"] == "message not understood"]
    assert [(log["log_level"], log["reason"]) for log in refused] == [
        ("warning", "larger than 64 KiB")
    ]
    assert home.acknowledged == 1
    assert len(home.plans) == 1
    assert home.rates == [KNOWN_TO_MIDNIGHT]
    assert home.ledger.price_points("Day-ahead") == ()


def test_a_week_of_quarter_hours_fits_in_one_message(home: Home) -> None:
    """672 prices are taken at once."""
    payload = quarters(windy_morning, days=7)
    home.run((EVENING + HOUR, payload))
    assert len(home.ledger.price_points("Day-ahead")) == 672
    assert home.rates[-1]["known_until"] == "2026-06-10T12:00:00Z"


def test_mangled_feeds_change_nothing(home: Home) -> None:
    """A price that is no number, a naive start, no rows: logged, acknowledged, nothing stored."""
    row = '{"v":1,"rates":[{"start":"%s","rate":%s}]}'
    mangled = [
        row % ("2026-06-03T12:00:00Z", "NaN"),
        row % ("2026-06-03T12:00:00Z", '"0.2"'),
        row % ("2026-06-03T12:00:00Z", "1e9"),
        row % ("2026-06-03T12:00:00", "0.2"),
        '{"v":1,"rates":[]}',
        '{"v":2,"rates":[{"start":"2026-06-03T12:00:00Z","rate":0.2}]}',
        "",
    ]
    logs = home.run(*((EVENING + HOUR, text.encode()) for text in mangled))
    assert [log["event"] for log in logs].count("message not understood") == len(mangled)
    assert home.acknowledged == len(mangled)
    assert home.ledger.price_points("Day-ahead") == ()
    assert len(home.plans) == 1


def test_the_whole_evening_again_after_a_restart(tmp_path: Path) -> None:
    """A service that starts again knows the prices of the feed, and plans the same."""
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        first = Home(tmp_path, ledger)
        first.run((EVENING + HOUR, quarters(windy_morning)))
        again = Home(tmp_path, ledger)
        again.run((EVENING + HOUR, None))
    assert starts_and_estimates(again.plans[-1]) == starts_and_estimates(first.plans[-1])
    assert Decimal(str(again.plans[-1]["cost"])) == Decimal(str(first.plans[-1]["cost"]))
    assert again.rates == [KNOWN_TO_NEXT]
