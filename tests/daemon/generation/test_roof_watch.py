"""What is expected of the roofs, as files and messages change: the newest good forecast counts."""

from __future__ import annotations

import json
import os
from datetime import timedelta
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from adapters.contract.messages import Forecast, Generated, decode
from adapters.ledger.ledger import Ledger
from config.files.errors import FileError
from daemon.control.events import HouseholdHealth
from daemon.service.house_loading import load_house
from daemon.service.household_watch import HouseholdWatch
from planners.local_time.conversion import minute_of
from tests.daemon.worlds import KOWHAI, utc

NOW = utc("2026-12-04T05:30")
NOON = utc("2026-12-05T00:00")
"""Saturday 13:00 at Kowhai Cottage; the example's file expects 4.75 kW then."""

OF_FILE = 4.75


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Copy the household with a roof, and its forecast."""
    for name in ("own-roof.yaml", "sun-forecast.csv"):
        (tmp_path / name).write_bytes(KOWHAI.with_name(name).read_bytes())
    return tmp_path / "own-roof.yaml"


def expected(watch: HouseholdWatch) -> float:
    sun = watch.house.prices.sun
    assert sun is not None
    return float(sun.expected_kw(minute_of(NOON), minute_of(NOON) + 1)[0])


def forecast(kw: float, issued: str = "2026-12-04T05:00:00Z") -> Forecast:
    power = [{"start": NOON.isoformat(), "kw": kw}]
    return decode(Forecast, json.dumps({"v": 1, "issued": issued, "power": power}).encode())


def rewritten(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8")
    stamp = path.stat().st_mtime_ns + 1_000_000
    os.utime(path, ns=(stamp, stamp))


def test_the_newest_forecast_counts(path: Path, ledger: Ledger) -> None:
    """One over the bus goes before an older one in the file; one that is late does not."""
    watch = HouseholdWatch(path)
    assert expected(watch) == OF_FILE
    assert watch.store_forecast(forecast(3.0), ledger, NOW)
    assert expected(watch) == 3.0
    assert not watch.store_forecast(forecast(3.0), ledger, NOW)  # the same once more
    assert not watch.store_forecast(forecast(1.0, "2026-12-04T04:00:00Z"), ledger, NOW)
    assert expected(watch) == 3.0
    assert watch.store_forecast(forecast(2.0, "2026-12-04T05:20:00Z"), ledger, NOW)
    assert expected(watch) == 2.0


def test_a_restart_remembers_it(path: Path, ledger: Ledger) -> None:
    """And so does a command that only looks."""
    assert HouseholdWatch(path).store_forecast(forecast(3.0), ledger, NOW)
    again = HouseholdWatch(path)
    assert again.learn_load(ledger, NOW)
    assert expected(again) == 3.0


def test_a_bad_forecast_is_dropped_and_said_once(path: Path, ledger: Ledger) -> None:
    """The one before stays; a good one clears it."""
    watch = HouseholdWatch(path)
    with capture_logs() as logs:
        for _again in range(2):
            assert not watch.store_forecast(forecast(40.0), ledger, NOW)
    assert [log["log_level"] for log in logs] == ["error", "error"]
    assert expected(watch) == OF_FILE
    news = [watch.forecast_news(), watch.forecast_news()]
    assert news[1] is None
    assert isinstance(news[0], HouseholdHealth)
    assert "are the values in watts?" in str(news[0].trouble)
    assert watch.store_forecast(forecast(4.0), ledger, NOW)
    assert watch.forecast_news() == HouseholdHealth("forecast-refused", None)
    assert watch.forecast_news() is None


def test_a_bad_file_stops_no_daemon(path: Path, ledger: Ledger) -> None:
    """A daemon starts and goes on with what it has; `check` and `plan` name the line."""
    csv = path.with_name("sun-forecast.csv")
    good = csv.read_text("utf-8")
    watch = HouseholdWatch(path)
    rewritten(csv, "start,kw\n2026-12-05T00:00:00Z,-3\n")
    with capture_logs():
        assert watch.load_changes(ledger) is None
        assert expected(watch) == OF_FILE
        assert watch.forecast_news() is not None
        started = HouseholdWatch(path)
    assert expected(started) == 0
    with pytest.raises(FileError, match=r"sun-forecast\.csv:2:22: kw: expected a power from 0"):
        load_house(path, NOW)
    rewritten(csv, good.replace(f",{OF_FILE}", ",2.5"))
    assert watch.load_changes(ledger) == "forecast"
    assert expected(watch) == 2.5
    assert watch.forecast_news() == HouseholdHealth("forecast-refused", None)


def test_a_file_of_another_zone_is_named_by_line(path: Path) -> None:
    """A sun that shines at night is no forecast of this place."""
    csv = path.with_name("sun-forecast.csv")
    rewritten(csv, csv.read_text("utf-8").replace("T18:00:00+13:00,2", "T18:00:00Z,2").replace(
        "+13:00,", "-01:00,"))  # fmt: skip
    with pytest.raises(FileError, match=r"csv:\d+:1: expected what roofs can give: .* zone"):
        load_house(path, NOW)


def test_the_own_meter_lowers_the_sky(path: Path, ledger: Ledger) -> None:
    """Ten days of readings of half a clear sky: without a forecast half of it is expected."""
    without = path.read_text("utf-8").replace(
        "  forecast: {file: sun-forecast.csv}          # or from the bus alone: forecast: {}\n", ""
    )
    rewritten(path, without)
    watch = HouseholdWatch(path)
    clear = expected(watch)
    sun = watch.house.prices.sun
    assert sun is not None
    first = NOW - timedelta(days=10)
    kw = sun.expected_kw(minute_of(first), minute_of(NOW))
    for minute in range(len(kw)):
        if minute % 60 < 50:  # a meter that was silent for the rest of each hour
            at = first + timedelta(minutes=minute)
            watch.store_generated(Generated(at=at, watts=kw[minute] * 500), ledger)
    assert len(ledger.generation_hours()) == 10 * 24 - 1
    assert watch.learn_load(ledger, NOW)
    assert expected(watch) == pytest.approx(clear / 2, rel=0.03)


def test_without_roofs_nothing_is_expected(ledger: Ledger, tmp_path: Path) -> None:
    """What comes all the same is ignored."""
    copy = tmp_path / "house.yaml"
    copy.write_bytes(KOWHAI.read_bytes())
    watch = HouseholdWatch(copy)
    with capture_logs() as logs:
        assert not watch.store_forecast(forecast(3.0), ledger, NOW)
    watch.store_generated(Generated(at=NOW, watts=3000.0), ledger)
    assert [log["log_level"] for log in logs] == ["warning"]
    assert watch.house.prices.sun is None
    assert ledger.forecast_points() == ()


def test_a_forecast_that_ends_is_told_once(path: Path, ledger: Ledger) -> None:
    """And taken back once a new one reaches on."""
    text = path.read_text(encoding="utf-8")
    rewritten(path, text.replace("forecast: {file: sun-forecast.csv}", "forecast: {}"))
    watch = HouseholdWatch(path)
    assert watch.store_forecast(forecast(3.0), ledger, NOW)
    assert watch.forecast_end(NOW) is None
    later = NOW + timedelta(days=3)
    ended = watch.forecast_end(later)
    assert ended is not None
    assert ended.code == "forecast-ended"
    assert ended.trouble is not None
    assert ended.trouble.startswith("the last one ended at ")
    assert watch.forecast_end(later) is None
    assert watch.forecast_end(NOW) == HouseholdHealth("forecast-ended", None)
