"""What is known of carbon, as files and messages change: the newest good value counts."""

from __future__ import annotations

import json
import os
from datetime import timedelta
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from adapters.contract.messages import CarbonIntensity, decode
from adapters.ledger.ledger import Ledger
from config.files.errors import FileError
from daemon.carbon.intensities import KEPT
from daemon.control.events import HouseholdHealth
from daemon.service.house_loading import load_house
from daemon.service.household_watch import HouseholdWatch
from planners.local_time.conversion import minute_of
from tests.daemon.worlds import KOWHAI, utc

NOW = utc("2026-12-04T05:30")
THREE = utc("2026-12-04T14:00")
"""03:00 of Saturday at Kowhai Cottage; the example's file has 72 g/kWh then."""

OF_FILE = 72.0


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Copy the household with carbon, and its intensities."""
    for name in ("carbon.yaml", "carbon-intensities.csv"):
        (tmp_path / name).write_bytes(KOWHAI.with_name(name).read_bytes())
    return tmp_path / "carbon.yaml"


def grams(watch: HouseholdWatch, instant: object = THREE) -> float | None:
    """Return what is known of an instant [g/kWh]; None if it is an estimate."""
    outlook = watch.house.prices.carbon
    assert outlook is not None
    assert isinstance(instant, type(THREE))
    if not outlook.is_known:
        return None
    found, estimated = outlook.grams(minute_of(instant), minute_of(instant) + 1)
    return None if estimated[0] else float(found[0])


def message(
    value: float, issued: str = "2026-12-04T05:00:00Z", start: object = THREE
) -> CarbonIntensity:
    values = [{"start": str(start).replace(" ", "T"), "grams_per_kwh": value}]
    document = {"v": 1, "issued": issued, "values": values}
    return decode(CarbonIntensity, json.dumps(document).encode())


def rewritten(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8")
    stamp = path.stat().st_mtime_ns + 1_000_000
    os.utime(path, ns=(stamp, stamp))


def test_the_newest_of_file_and_bus_counts(path: Path, ledger: Ledger) -> None:
    """A file alone, both, the bus alone; what is late changes nothing."""
    watch = HouseholdWatch(path)
    assert grams(watch) == OF_FILE
    assert watch.store_carbon(message(30.0), ledger, NOW)
    assert not watch.store_carbon(message(30.0), ledger, NOW)
    assert not watch.store_carbon(message(90.0, "2026-12-04T04:00:00Z"), ledger, NOW)
    assert grams(watch) == 30.0
    rewritten(path, path.read_text("utf-8").replace("  file: carbon-intensities.csv", "#"))
    assert watch.load_changes(ledger) == "file"
    assert grams(watch) == 30.0
    assert grams(watch, THREE + timedelta(hours=2)) is None


def test_past_values_are_kept_for_the_account(path: Path, ledger: Ledger) -> None:
    """A file that names only the future, and a restart, forget no night that is over."""
    watch = HouseholdWatch(path)
    watch.learn_load(ledger, NOW)
    later = THREE + timedelta(hours=9)
    csv = path.with_name("carbon-intensities.csv")
    rewritten(csv, f"start,grams_per_kwh\n{later.isoformat()},200\n")
    assert watch.load_changes(ledger) == "forecast"
    watch.learn_load(ledger, later)
    assert watch.store_carbon(message(44.0, later.isoformat(), THREE), ledger, later)
    again = HouseholdWatch(path)
    again.learn_load(ledger, later)
    found = [grams(again, THREE + n * timedelta(minutes=30)) for n in (0, 2)]
    assert found == [44.0, 48.0]
    assert grams(again, later) == 200
    again.learn_load(ledger, later + KEPT)
    assert ledger.intensity_points("file")[0].start == later


def test_a_command_that_only_looks_knows_the_same(path: Path) -> None:
    """The stored values of the bus, beside the file."""
    from adapters.ledger.ledger import open_ledger  # noqa: PLC0415

    with open_ledger(path.with_name("ledger.sqlite3")) as own:
        assert HouseholdWatch(path).store_carbon(message(30.0), own, NOW)
    outlook = load_house(path, NOW).prices.carbon
    assert outlook is not None
    assert outlook.grams(minute_of(THREE), minute_of(THREE) + 1)[0].tolist() == [30.0]


@pytest.mark.parametrize(
    ("bad", "why"),
    [
        (message(3001.0), "are the values in another unit?"),
        (message(-1.0), "-1 g/kWh at 2026-12-04 14:00 UTC is not from 0 to 3000"),
        (message(1.0, "2026-12-04T06:00:00Z"), "yet to come"),
        (message(1.0, start=NOW + timedelta(days=17)), "further than any forecast can"),
        (message(1.0, start=NOW - timedelta(days=63)), "more than 62 days ago"),
        (
            decode(
                CarbonIntensity,
                b'{"v":1,"issued":"2026-12-04T05:00:00Z","values":['
                b'{"start":"2026-12-04T14:00:00Z","grams_per_kwh":1},'
                b'{"start":"2026-12-04T14:00:00Z","grams_per_kwh":2}]}',
            ),
            "two values for 2026-12-04 14:00 UTC",
        ),
    ],
)
def test_bad_intensities_are_dropped_and_said_once(
    path: Path, ledger: Ledger, bad: CarbonIntensity, why: str
) -> None:
    """Those before stay; good ones clear the alert."""
    watch = HouseholdWatch(path)
    with capture_logs():
        assert not watch.store_carbon(bad, ledger, NOW)
    assert grams(watch) == OF_FILE
    news = watch.carbon_news()
    assert news is not None
    assert news.code == "carbon-refused"
    assert why in str(news.trouble)
    assert watch.carbon_news() is None
    assert watch.store_carbon(message(30.0), ledger, NOW)
    assert watch.carbon_news() == HouseholdHealth("carbon-refused", None)


def test_a_bad_file_stops_no_daemon(path: Path, ledger: Ledger) -> None:
    """A daemon goes on with what it has; `check` and `plan` name the line."""
    watch = HouseholdWatch(path)
    csv = path.with_name("carbon-intensities.csv")
    rewritten(csv, "start,grams_per_kwh\n2026-12-04T14:00:00Z,3000.5\n")
    with capture_logs():
        assert watch.load_changes(ledger) is None
    assert grams(watch) == OF_FILE
    assert watch.carbon_news() is not None
    wanted = r"carbon-intensities\.csv:2:22: grams_per_kwh: expected an intensity from 0 to 3000"
    with pytest.raises(FileError, match=wanted):
        load_house(path, NOW)


def test_a_household_without_carbon_ignores_it(path: Path, ledger: Ledger) -> None:
    """It says so in the log, and stores nothing."""
    text = path.read_text("utf-8")
    rewritten(path, text[: text.index("carbon:\n")] + text[text.index("charge_points:") :])
    watch = HouseholdWatch(path)
    with capture_logs() as logs:
        assert not watch.store_carbon(message(30.0), ledger, NOW)
    assert "declares no carbon" in logs[0]["event"]
    assert ledger.intensity_points("bus") == ()
