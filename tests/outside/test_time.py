"""Time against sources that are not ours; each is named in `tests/data/outside_time.json`."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from planners.local_time.conversion import instant_of, instant_of_local, local_date, minute_of
from planners.local_time.wished_departures import next_departure
from planners.local_time.zone_offsets import offset_at, offsets_between
from planners.rates.prices import prices_of
from tests.planners.households import band, band_prices, bands, household

CASES: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "data" / "outside_time.json").read_text(encoding="utf-8")
)
HALF_HOUR = timedelta(minutes=30)
DAY = timedelta(days=1)


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.mark.parametrize(("zone", "changes"), CASES["clock_changes"].items())
def test_clock_changes_are_those_of_iana(zone: str, changes: list[list[Any]]) -> None:
    """IANA 2026f: every change of offset in three years, and no other."""
    first, last = minute_of(utc("2026-01-01T00:00")), minute_of(utc("2029-01-01T00:00"))
    offsets = offsets_between(ZoneInfo(zone), first, last)
    minutes = offsets.minutes.tolist()
    found = [
        [instant_of(start), before * 60, after * 60]
        for start, before, after in zip(
            offsets.starts.tolist()[1:], minutes[:-1], minutes[1:], strict=True
        )
    ]
    assert found == [[datetime.fromisoformat(at), *seconds] for at, *seconds in changes]


@pytest.mark.parametrize(("zone", "day", "half_hours"), CASES["half_hours_in_local_day"])
def test_a_local_day_has_as_many_half_hours_as_iana_says(
    zone: str, day: str, half_hours: int
) -> None:
    """IANA 2026f: a tariff of one local day is in force for 44 to 52 half hours."""
    today = date.fromisoformat(day)
    tariffs = [
        bands(band("all"), name="before"),
        bands(band("all"), name="today", valid_from=today),
        bands(band("all"), name="after", valid_from=today + DAY),
    ]
    noon = datetime.combine(today, time(12), tzinfo=UTC)
    spans = prices_of(household(zone, tariffs), {}).spans(noon - 2 * DAY, noon + 2 * DAY)
    (span,) = (span for span in spans if span.tariff == "today")
    assert (span.end - span.start) / HALF_HOUR == half_hours


@pytest.mark.parametrize(("zone", "start", "end", "true", "naive"), CASES["elapsed_seconds"])
def test_a_band_lasts_as_long_as_the_clock_change_leaves_it(
    zone: str, start: str, end: str, true: int, naive: int
) -> None:
    """IANA 2026f: a band over a clock change lasts the true time, not that of the wall clock."""
    hours = f"{start[-5:]}-{end[-5:]}"
    prices = band_prices(zone, band("low", hours=[hours]), band("high", "0.30"))
    begin = datetime.fromisoformat(start).replace(tzinfo=ZoneInfo(zone))
    finish = datetime.fromisoformat(end).replace(tzinfo=ZoneInfo(zone))
    spans = prices.spans(begin - timedelta(hours=2), finish + timedelta(hours=2))
    (low,) = (span for span in spans if span.band == "low")
    assert (low.end - low.start).total_seconds() == true != naive


@pytest.mark.parametrize(("zone", "changes"), CASES["clock_changes"].items())
def test_a_meter_on_standard_time_changes_its_band_at_one_time_of_utc(
    zone: str, changes: list[list[Any]]
) -> None:
    """IANA 2026f: over each change of the wall clock it keeps the smaller offset."""
    standard = min([offset_at(ZoneInfo(zone), minute_of(utc("2026-01-01T00:00"))) * 60]
                   + [offset for _, *both in changes for offset in both])  # fmt: skip
    low = band("low", hours=["00:30-05:30"])
    prices = band_prices(zone, low, band("high", "0.30"), clock="standard")
    begins = {
        (span.start + timedelta(seconds=standard)).time()
        for at, *_ in [*changes, ["2026-07-01T00:00:00Z"]]
        for span in prices.spans(
            datetime.fromisoformat(at) - 3 * DAY, datetime.fromisoformat(at) + 3 * DAY
        )[1:]
        if span.band == "low"
    }
    assert begins == {time(0, 30)}


@pytest.mark.parametrize(("zone", "offset"), CASES["offset_after_the_law_changed"])
def test_the_law_of_the_day_is_in_the_pinned_data(zone: str, offset: int) -> None:
    """IANA 2026f: zones whose law changed lately, and which old machines have wrong."""
    assert offset_at(ZoneInfo(zone), minute_of(utc("2026-12-01T12:00"))) == offset


@pytest.mark.parametrize(("zone", "local", "instant"), CASES["local_to_utc"])
def test_a_departure_is_the_instant_of_rfc_5545(zone: str, local: str, instant: str) -> None:
    """RFC 5545, section 3.3.5: twice is the first, skipped takes the offset before the gap."""
    day, at = local.split("T")
    found = instant_of_local(date.fromisoformat(day), time.fromisoformat(at), ZoneInfo(zone))
    assert found == datetime.fromisoformat(instant)
    row = {"vehicle": "van", "date": date.fromisoformat(day), "at": at, "need_percent": 50.0}
    departure = next_departure(household(zone, departures=[row]), "van", found - DAY)
    assert departure is not None
    assert departure.instant == found


@pytest.mark.parametrize(("instant", "day", "period"), CASES["settlement_periods"])
def test_settlement_periods_are_half_hours_of_the_local_day(
    instant: str, day: str, period: int
) -> None:
    """Elexon: periods are counted through 46, 48 or 50 half hours from local midnight."""
    zone = ZoneInfo("Europe/London")
    at = datetime.fromisoformat(instant)
    today = local_date(at, zone)
    assert today == date.fromisoformat(day)
    assert (at - instant_of_local(today, time.min, zone)) // HALF_HOUR + 1 == period


def test_two_rates_over_a_night() -> None:
    """A published kind of night: 11 half hours at 25, 12 at 7 from 23:30 to 05:30, 3 at 25."""
    prices = band_prices(
        "Europe/London", band("low", "7", hours=["23:30-05:30"]), band("high", "25")
    )
    assert prices.grid(utc("2026-01-15T18:00"), 26, 30).rates.tolist() == CASES["two_rates"]
