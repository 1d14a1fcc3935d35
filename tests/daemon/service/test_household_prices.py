"""The prices of a household as they change: in files, over the bus, and for who only looks."""

from __future__ import annotations

import json
import os
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from structlog.testing import capture_logs

from adapters.contract.messages import PriceFeed, decode
from config.files.errors import FileError, TariffError
from daemon.service.house_loading import load_house
from daemon.service.household_watch import HouseholdWatch
from tests.daemon.service.test_household_watch import IN_FILE, rewrite
from tests.daemon.worlds import HOUR, utc

if TYPE_CHECKING:
    from collections.abc import Callable

    from adapters.ledger.ledger import Ledger

FEED = b'{"v":1,"rates":[{"start":"%s","rate":%s}]}'


# --- prices in a file that changes ------------------------------------------------------------


def prices_at(watch: HouseholdWatch) -> Decimal:
    return watch.house.prices.rate_at(IN_FILE).rate


def dearer(path: Path) -> bytes:
    """Give the price file another first digit everywhere: as long as before, and dearer."""
    changed = path.read_bytes().replace(b",0.0", b",0.5").replace(b",0.1", b",0.6")
    assert len(changed) == path.stat().st_size
    return changed


def in_place(path: Path, content: bytes) -> None:
    """Write the same bytes again and again, until the file system's clock has moved on."""
    before = path.stat().st_ctime_ns
    for _ in range(100_000):
        path.write_bytes(content)
        if path.stat().st_ctime_ns != before:
            return
    pytest.fail("the file system's clock stands still")


def renamed(path: Path, content: bytes) -> None:
    """Replace a file as careful programs do, and as copying tools do that keep the time stamp."""
    part = path.with_name("prices.part")
    part.write_bytes(content)
    stamp = path.stat().st_mtime_ns
    os.utime(part, ns=(stamp, stamp))
    part.replace(path)


def stamped(path: Path, content: bytes) -> None:
    """Write a file in place, and give it its old time stamp back."""
    stamp = path.stat().st_mtime_ns
    in_place(path, content)
    os.utime(path, ns=(stamp, stamp))


@pytest.mark.parametrize("write", [in_place, renamed, stamped])
def test_other_prices_are_noticed_however_they_come(
    series: Path, ledger: Ledger, write: Callable[[Path, bytes], None]
) -> None:
    """Of the same size, with the same time stamp, written over or renamed: once, and no more."""
    watch = HouseholdWatch(series)
    before, prices = prices_at(watch), series.with_name("prices.csv")
    write(prices, dearer(prices))
    with capture_logs() as logs:
        assert watch.load_changes(ledger) == "prices"
        assert watch.load_changes(ledger) is None
    assert [log["log_level"] for log in logs] == ["info"]
    assert prices_at(watch) > before


def test_the_same_prices_written_again_are_no_news(series: Path, ledger: Ledger) -> None:
    """A file that was touched, or fetched again with the same rows, makes no new plan."""
    watch = HouseholdWatch(series)
    house, prices = watch.house, series.with_name("prices.csv")
    renamed(prices, prices.read_bytes() + b"\n")
    with capture_logs() as logs:
        assert watch.load_changes(ledger) is None
    assert watch.house is house
    assert logs == []


def test_a_price_file_that_is_gone_for_a_while(series: Path, ledger: Ledger) -> None:
    """While it is gone its prices stay in force, logged once; then it is read again."""
    watch = HouseholdWatch(series)
    before, prices = prices_at(watch), series.with_name("prices.csv")
    content = dearer(prices)
    prices.unlink()
    with capture_logs() as logs:
        assert [watch.load_changes(ledger) for _ in range(3)] == [None] * 3
    assert [log["log_level"] for log in logs] == ["error"]
    assert "no such file" in logs[0]["why"]
    assert prices_at(watch) == before
    prices.write_bytes(content)
    with capture_logs():
        assert watch.load_changes(ledger) == "prices"
    assert prices_at(watch) > before


@pytest.mark.parametrize(
    "broken", [b"", b"start,rate\n", b"start,rate\n2026-09-30T00:00:00+13:00,0.\xff", b"<html>"]
)
def test_a_broken_price_file_is_refused_once_and_mended(
    series: Path, ledger: Ledger, broken: bytes
) -> None:
    """The old prices stay in force; a file with another fault is logged again."""
    watch = HouseholdWatch(series)
    before, prices = prices_at(watch), series.with_name("prices.csv")
    content = dearer(prices)
    renamed(prices, broken)
    with capture_logs() as logs:
        assert [watch.load_changes(ledger) for _ in range(3)] == [None] * 3
    assert [log["log_level"] for log in logs] == ["error"]
    assert str(prices) in logs[0]["why"]
    renamed(prices, broken + b"\nx")
    with capture_logs() as logs:
        assert [watch.load_changes(ledger) for _ in range(2)] == [None] * 2
    assert [log["log_level"] for log in logs] == ["error"]
    assert prices_at(watch) == before
    renamed(prices, content)
    with capture_logs():
        assert watch.load_changes(ledger) == "prices"
    assert prices_at(watch) > before


def test_a_feed_is_heard_while_the_price_file_is_broken(series: Path, ledger: Ledger) -> None:
    """What comes over the bus is laid over the last prices of the file that were good."""
    watch = HouseholdWatch(series)
    before = prices_at(watch)
    start = in_series(watch)
    series.with_name("prices.csv").write_bytes(b"broken")
    with capture_logs():
        watch.use_ledger(ledger)
        assert watch.store_news(decode(PriceFeed, FEED % (start.encode(), b"0.5")), ledger)
        assert watch.load_changes(ledger) is None
    assert prices_at(watch) == before
    assert not watch.house.prices.rate_at(utc(start.removesuffix("Z"))).estimated


def test_a_household_file_that_waits_for_its_prices(series: Path, ledger: Ledger) -> None:
    """A new file that names prices which are not there yet is taken when they come."""
    watch = HouseholdWatch(series)
    house, prices = watch.house, series.with_name("prices.csv")
    rewrite(series, "file: prices.csv", "file: other.csv")
    with capture_logs() as logs:
        assert [watch.load_changes(ledger) for _ in range(2)] == [None] * 2
    assert [log["log_level"] for log in logs] == ["error"]
    assert watch.house is house
    series.with_name("other.csv").write_bytes(dearer(prices))
    with capture_logs():
        assert watch.load_changes(ledger) == "file"
    assert prices_at(watch) > house.prices.rate_at(IN_FILE).rate


def test_a_broken_household_file_holds_no_prices_back(series: Path, ledger: Ledger) -> None:
    """Prices that change while the household file is broken are taken for the old one."""
    watch = HouseholdWatch(series)
    before, prices = prices_at(watch), series.with_name("prices.csv")
    rewrite(series, "max_amps: 10", "max_amps: ten")
    with capture_logs() as logs:
        assert watch.load_changes(ledger) is None
        renamed(prices, dearer(prices))
        assert watch.load_changes(ledger) == "prices"
        assert watch.load_changes(ledger) is None
    assert [log["log_level"] for log in logs] == ["error", "info"]
    assert prices_at(watch) > before


def test_of_two_price_files_one_may_be_broken(series: Path, ledger: Ledger) -> None:
    """The file of an expired tariff may be removed; the present one's file is still read."""
    prices = series.with_name("prices.csv")
    series.with_name("next.csv").write_bytes(prices.read_bytes())
    later = (
        "charge_points:",
        "  - {name: Next, valid_from: 2026-09-30, prices: {file: next.csv}}\n\ncharge_points:",
    )
    rewrite(series, *later)
    watch = HouseholdWatch(series)
    before = prices_at(watch)
    prices.unlink()
    renamed(series.with_name("next.csv"), dearer(series.with_name("next.csv")))
    with capture_logs() as logs:
        assert watch.load_changes(ledger) == "prices"
        assert watch.load_changes(ledger) is None
    assert sorted(log["log_level"] for log in logs) == ["error", "info"]
    assert prices_at(watch) > before


def test_the_faults_of_all_price_files_are_told(series: Path) -> None:
    """At a start no price file is passed over because another one is bad."""
    rewrite(
        series,
        "charge_points:",
        "  - {name: Next, valid_from: 2027-01-01, prices: {file: next.csv}}\n\ncharge_points:",
    )
    series.with_name("prices.csv").write_text("start,rate\n")
    with pytest.raises(FileError) as caught:
        HouseholdWatch(series)
    assert [Path(fault.file).name for fault in caught.value.faults] == ["next.csv", "prices.csv"]


# --- prices over the bus ----------------------------------------------------------------------


def in_series(watch: HouseholdWatch) -> str:
    """Find an instant past all prices of the example's file."""
    known = watch.house.prices.known_until(IN_FILE)
    assert known is not None
    return (known + 20 * HOUR).strftime("%Y-%m-%dT%H:00:00Z")


def test_prices_are_kept_and_used(series: Path, ledger: Ledger) -> None:
    """A price from the bus is used now and after a restart; a repeat changes nothing."""
    watch = HouseholdWatch(series)
    start = in_series(watch)
    feed = decode(PriceFeed, FEED % (start.encode(), b"0.5"))
    at = utc(start.removesuffix("Z"))
    with capture_logs():
        assert watch.store_news(feed, ledger)
        house = watch.house
        assert not watch.store_news(feed, ledger)
        assert watch.house is house
    rate = watch.house.prices.rate_at(at)
    assert not rate.estimated
    again = HouseholdWatch(series)
    assert again.house.prices.rate_at(at) != rate
    again.use_ledger(ledger)
    assert again.house.prices.rate_at(at) == rate


def test_a_correction_replaces(series: Path, ledger: Ledger) -> None:
    """Another price for the same start is news, and so is the old one when it comes back."""
    watch = HouseholdWatch(series)
    start = in_series(watch)
    at = utc(start.removesuffix("Z"))
    rates = []
    with capture_logs():
        for rate in (b"0.5", b"-0.25", b"0.5"):
            assert watch.store_news(decode(PriceFeed, FEED % (start.encode(), rate)), ledger)
            rates.append(watch.house.prices.rate_at(at).rate)
    taxed, add = Decimal("1.15"), Decimal("0.115")
    assert rates == [(Decimal(rate) + add) * taxed for rate in ("0.5", "-0.25", "0.5")]


def test_prices_of_tomorrow_s_tariff_can_come_today(series: Path, ledger: Ledger) -> None:
    """Across a change of tariff each price is kept for the tariff of its own day."""
    rewrite(
        series,
        "charge_points:",
        "  - {name: Next, valid_from: 2026-10-09, prices: {add: 1}}\n\ncharge_points:",
    )
    watch = HouseholdWatch(series)
    midnight = utc("2026-10-08T11:00")  # of 9 October in Auckland
    rows = [{"start": (midnight + i * HOUR).isoformat(), "rate": 0.25} for i in (-1, 0)]
    feed = decode(PriceFeed, json.dumps({"v": 1, "rates": rows}).encode())
    with capture_logs() as logs:
        assert watch.store_news(feed, ledger)
    assert [log["log_level"] for log in logs] == ["info"]
    before, after = (watch.house.prices.rate_at(midnight + i * HOUR) for i in (-1, 0))
    assert (before.tariff, before.rate) == ("Day-ahead", Decimal("0.365") * Decimal("1.15"))
    assert (after.tariff, after.rate) == ("Next", Decimal("1.25"))
    assert not before.estimated
    assert not after.estimated


def test_prices_for_a_tariff_of_bands_are_ignored(path: Path, ledger: Ledger) -> None:
    """A feed changes nothing for a household on bands; the log says how many prices, and why."""
    watch = HouseholdWatch(path)
    house = watch.house
    rows = b'{"start":"2026-06-03T06:00:00Z","rate":0.5},{"start":"2026-06-03T07:00:00Z","rate":1}'
    feed = decode(PriceFeed, b'{"v":1,"rates":[%s]}' % rows)
    with capture_logs() as logs:
        assert not watch.store_news(feed, ledger)
    assert [(log["log_level"], log["why"]) for log in logs] == [
        ("warning", "2 on days of Three-band, which has bands")
    ]
    assert watch.house is house


def test_prices_before_the_first_tariff_are_ignored(path: Path, ledger: Ledger) -> None:
    """A feed for days before any tariff is in force does not stop the daemon."""
    watch = HouseholdWatch(path)
    feed = decode(PriceFeed, FEED % (b"2026-01-03T06:00:00Z", b"0.5"))
    with pytest.raises(TariffError):
        watch.house.prices.tariff_on(utc("2026-01-03T06:00").date())
    with capture_logs() as logs:
        assert not watch.store_news(feed, ledger)
    assert logs[0]["log_level"] == "warning"


@pytest.mark.parametrize(
    "start",
    [
        "T06:00:30Z",
        "T06:07:00Z",
        "T06:00:00.5Z",
        "0001-01-01T00:00:00Z",
        "1970-01-01T00:00:00Z",
        "9999-12-31T23:00:00Z",
    ],
)
def test_prices_off_the_clock_stop_nothing(series: Path, ledger: Ledger, start: str) -> None:
    """A feed whose starts are off the steps, or of another age, is used or passed over."""
    watch = HouseholdWatch(series)
    day = in_series(watch)[:10]
    full = start if start[0] != "T" else day + start
    feed = decode(PriceFeed, FEED % (full.encode(), b"0.5"))
    at = utc(f"{day}T06:10:00")
    with capture_logs():
        watch.store_news(feed, ledger)
    again = HouseholdWatch(series)
    again.use_ledger(ledger)
    for house in (watch.house, again.house):
        assert house.prices.spans(at, at + HOUR)[-1].end == at + HOUR


# --- looking at a household without running it ------------------------------------------------


@pytest.fixture
def bus_only(series: Path) -> Path:
    """Give the household no price file, and rates that come over the bus."""
    rewrite(series, "file: prices.csv ", "# no file ")
    rewrite(series, "add: 0.115 ", "add: 0.1 ")
    return series


def test_prices_that_a_daemon_has_kept_are_seen_by_who_only_looks(
    series: Path, ledger: Ledger, capsys: pytest.CaptureFixture[str]
) -> None:
    """`check` and `plan` know what the feed has added to the file, and say nothing of it."""
    watch = HouseholdWatch(series)
    start = in_series(watch)
    with capture_logs():
        watch.store_news(decode(PriceFeed, FEED % (start.encode(), b"0.5")), ledger)
    seen = load_house(series).prices.rate_at(utc(start.removesuffix("Z")))
    assert seen == watch.house.prices.rate_at(utc(start.removesuffix("Z")))
    assert not seen.estimated
    assert capsys.readouterr() == ("", "")


def test_a_household_without_a_price_file(bus_only: Path, ledger: Ledger) -> None:
    """Without a file there are no rates until a feed brings them; then all that look see them."""
    watch = HouseholdWatch(bus_only)
    assert watch.load_changes(ledger) is None
    with pytest.raises(TariffError, match="no prices of Day-ahead are known"):
        load_house(bus_only).prices.rate_at(IN_FILE)
    feed = decode(PriceFeed, FEED % (IN_FILE.isoformat().encode(), b"0.5"))
    with capture_logs():
        assert watch.store_news(feed, ledger)
    for house in (watch.house, load_house(bus_only)):
        assert house.prices.rate_at(IN_FILE).rate == Decimal("0.6") * Decimal("1.15")


def test_who_only_looks_makes_no_ledger(bus_only: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """If no daemon has run yet, no file is made and nothing is printed."""
    before = sorted(bus_only.parent.iterdir())
    load_house(bus_only)
    assert sorted(bus_only.parent.iterdir()) == before
    assert capsys.readouterr() == ("", "")


def test_a_ledger_that_can_not_be_read_is_said_in_one_line(
    series: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A ledger of another version, or none at all, stops nothing: one line on standard error."""
    (series.parent / "ledger.sqlite3").write_bytes(b"no database" * 1000)
    assert not load_house(series).prices.rate_at(IN_FILE).estimated
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert "ledger.sqlite3" in err
    assert "prices that came over the bus are left out" in err


def test_a_household_on_bands_does_not_look_at_the_ledger(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """There is nothing in it that bands would need."""
    (path.parent / "ledger.sqlite3").write_bytes(b"no database" * 1000)
    load_house(path)
    assert capsys.readouterr() == ("", "")
