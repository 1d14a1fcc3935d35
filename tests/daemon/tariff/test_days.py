"""Days and rows of a tariff: each instant once, true lengths, and gaps."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.ledger.exact_json import dump_exact, load_exact
from config.files.errors import TariffError
from daemon.tariff.days import clock_change, unknown_in
from daemon.tariff.rows import COLUMNS, document, tariff_csv
from tests.daemon.tariff.weeks import HOLIDAYS, SERIES, Week, half_hours, week_of
from tests.planners.households import band, bands
from tests.planners.planned import THREE_BANDS, utc

SECOND = timedelta(seconds=1)
AUCKLAND = ZoneInfo("Pacific/Auckland")
EARLY = {**THREE_BANDS, "name": "Early", "valid_from": date(2026, 4, 1)}


def table(week: Week) -> list[dict[str, str]]:
    """Read the CSV back."""
    text = tariff_csv(week.days, week.file.zone)
    return list(csv.DictReader(io.StringIO(text, newline="")))


def of_two_tariffs() -> Week:
    """Return a week in which a series replaces bands, and ends on its second day."""
    prices = half_hours("2026-09-30T11:00:00", *("0.11", "-0.02", "0.25") * 20)
    return week_of("2026-09-26", 8, [THREE_BANDS, SERIES], points=prices)


WEEKS = {
    "23 hours": week_of("2026-09-25", 5),
    "25 hours": week_of("2026-04-03", 4),
    "23.5 hours": week_of("2026-10-02", 4, zone="Australia/Lord_Howe"),
    "24.5 hours": week_of("2026-04-03", 4, zone="Australia/Lord_Howe"),
    "22 hours": week_of("2026-03-28", 3, zone="Antarctica/Troll"),
    "a quarter off": week_of("2026-06-01", 3, zone="Asia/Kathmandu"),
    "a day skipped": week_of("2011-12-28", 5, zone="Pacific/Apia"),
    "standard clock": week_of("2026-09-25", 5, [{**THREE_BANDS, "clock": "standard"}]),
    "two tariffs": of_two_tariffs(),
}


@pytest.mark.parametrize("week", WEEKS.values(), ids=WEEKS)
@given(data=st.data())
def test_the_rows_give_the_rate_of_every_instant(week: Week, data: st.DataObject) -> None:
    """For any instant, one row of the CSV has exactly the rate of the planner."""
    start, end = week.days[0].start, week.days[-1].end
    instant = start + data.draw(st.integers(0, (end - start) // SECOND - 1)) * SECOND
    found = [
        row
        for row in table(week)
        if datetime.fromisoformat(row["start_utc"])
        <= instant
        < datetime.fromisoformat(row["end_utc"])
    ]
    assert len(found) == 1
    span = week.prices.rate_at(instant)
    assert Decimal(found[0]["rate"]) == span.rate
    assert (found[0]["tariff"], found[0]["band"]) == (span.tariff, span.band)
    assert found[0]["estimated"] == ("true" if span.estimated else "false")


@pytest.mark.parametrize("week", WEEKS.values(), ids=WEEKS)
def test_the_rows_follow_on_each_other_within_local_days(week: Week) -> None:
    """No gap or overlap; rows begin at local midnight and at changes, nowhere else."""
    rows = table(week)
    zone = week.file.zone
    instants = [datetime.fromisoformat(row["start_utc"]) for row in rows]
    ends = [datetime.fromisoformat(row["end_utc"]) for row in rows]
    assert [*instants, week.days[-1].end] == [week.days[0].start, *ends]
    for before, row in pairwise(rows):
        local = datetime.fromisoformat(row["start_local"])
        assert local == datetime.fromisoformat(row["start_utc"])
        assert local.isoformat() == local.astimezone(zone).isoformat()
        kept = ("tariff", "band", "rate", "estimated")
        is_midnight = local.date() != datetime.fromisoformat(before["start_local"]).date()
        assert is_midnight or [row[key] for key in kept] != [before[key] for key in kept]
    for start, end in zip(instants, ends, strict=True):
        last = (end - SECOND).astimezone(zone).date()
        assert start.astimezone(zone).date() == last


def test_the_text_is_csv_by_rfc_4180() -> None:
    """RFC 4180, section 2: lines end in CRLF; a field with a quote is quoted."""
    flat = bands(band('all, "always"', "0.20"), name="Flat")
    text = tariff_csv(week_of("2026-06-03", 1, [flat]).days, AUCKLAND)
    assert text == (
        "start_utc,start_local,end_utc,tariff,band,rate,estimated\r\n"
        "2026-06-02T12:00:00Z,2026-06-03T00:00:00+12:00,2026-06-03T12:00:00Z,"
        'Flat,"all, ""always""",0.2,false\r\n'
    )


CHANGES = [
    # New Zealand Daylight Time Order 2007, from memory: from 02:00 on the last Sunday of September
    # to 03:00 on the first of April. The others: IANA 2026, which the installed tzdata holds.
    ("Pacific/Auckland", "2026-09-27", "23 hours: the clock goes forward at 02:00"),
    ("Pacific/Auckland", "2026-04-05", "25 hours: the clock goes back at 03:00"),
    ("Pacific/Auckland", "2026-04-06", ""),
    ("Australia/Lord_Howe", "2026-10-04", "23.5 hours: the clock goes forward at 02:00"),
    ("Australia/Lord_Howe", "2026-04-05", "24.5 hours: the clock goes back at 02:00"),
    ("Antarctica/Troll", "2026-03-29", "22 hours: the clock goes forward at 01:00"),
    ("America/Havana", "2024-03-10", "23 hours: the clock goes forward at 00:00"),
    ("America/Havana", "2024-11-03", "25 hours: the clock goes back at 01:00"),
    ("Africa/Cairo", "2026-10-29", "25 hours: the clock goes back at 24:00"),
    ("Pacific/Apia", "2011-12-30", "0 hours: the clock goes forward at 00:00"),
    ("Asia/Kathmandu", "2026-03-29", ""),
]


@pytest.mark.parametrize(("zone", "day", "note"), CHANGES)
def test_a_day_of_another_length_says_why(zone: str, day: str, note: str) -> None:
    """Its length, and what the local clock shows when it changes."""
    first = (date.fromisoformat(day) - timedelta(days=1)).isoformat()
    week = week_of(first, 2, zone=zone)
    assert clock_change(week.days[1], week.file.zone) == note


def test_holidays_are_marked_if_a_band_lists_them() -> None:
    """Good Friday and Easter Monday 2026 (3 and 6 April) in New Zealand.

    Holidays Act 2003 (New Zealand), section 44, from memory; Easter Sunday is no public holiday.
    """
    week = week_of("2026-04-02", 6, [HOLIDAYS], public_holidays="NZ")
    assert [day.date.day for day in week.days if day.special == "public holiday"] == [3, 6]
    indifferent = week_of("2026-04-02", 6, public_holidays="NZ")
    assert not any(day.special for day in indifferent.days)


def test_days_before_the_first_tariff_are_not_known() -> None:
    """Known rates are given; the unknown time is one gap with its reason."""
    week = week_of("2026-03-30", 4, [EARLY])
    assert [bool(day.spans) for day in week.days] == [False, False, True, True]
    (gap,) = unknown_in(week.days)
    assert (gap.start, gap.end) == (utc("2026-03-29T11:00"), utc("2026-03-31T11:00"))
    assert gap.why == "the first tariff is valid from 2026-04-01"
    assert table(week)[0]["start_local"] == "2026-04-01T00:00:00+13:00"


def test_the_time_before_the_first_price_is_estimated() -> None:
    """A series that begins during a day is known from that minute on until it ends."""
    prices = half_hours("2026-10-01T03:30:00", "0.10", "0.20")
    week = week_of("2026-10-01", 2, [{**SERIES, "valid_from": None}], points=prices)
    assert unknown_in(week.days) == []
    known = [row["start_utc"] for row in table(week) if row["estimated"] == "false"]
    assert known == ["2026-10-01T03:30:00Z", "2026-10-01T04:00:00Z"]


@pytest.mark.parametrize(
    ("first", "tariffs", "why"),
    [
        ("2026-03-01", [EARLY], "the first tariff is valid from 2026-04-01"),
        ("2026-10-02", [SERIES], "no price of Day-ahead is known"),
    ],
)
def test_days_without_any_known_rate_are_refused(
    first: str, tariffs: list[dict[str, object]], why: str
) -> None:
    """With the reason, instead of an empty answer."""
    with pytest.raises(TariffError, match=f"^no rates are known from {first} to .*: {why}$"):
        week_of(first, 3, tariffs)


def test_the_document_holds_everything_that_the_rows_hold() -> None:
    """The same rates as numbers, the daily standing charges, and the units."""
    week = WEEKS["two tariffs"]
    made = document(week.file, week.prices, week.days)
    assert list(made) == [
        "household", "timezone", "currency", "charge_points", "tax_included", "from", "days",
        "rates", "standing_charges", "minimum_bills", "capacity_charges", "not_known",
    ]  # fmt: skip
    assert (made["from"], made["days"], made["tax_included"]) == ("2026-09-26", 8, True)
    rates = load_exact(dump_exact(made))["rates"]
    assert [tuple(rate) for rate in rates] == [COLUMNS] * len(rates)
    for rate, row in zip(rates, table(week), strict=True):
        assert rate["rate"] == Decimal(row["rate"])
        assert rate["estimated"] is json.loads(row["estimated"])
        assert [rate[key] for key in COLUMNS[:5]] == [row[key] for key in COLUMNS[:5]]
    assert made["standing_charges"] == [
        {"from": "2026-09-26", "to": "2026-09-30", "per_day": Decimal("2.185")},
        {"from": "2026-10-01", "to": "2026-10-03", "per_day": Decimal(0)},
    ]
    assert made["not_known"] == []


def test_the_document_lists_the_gaps() -> None:
    """Days without a tariff have no standing charge either."""
    week = week_of("2026-03-30", 4, [EARLY])
    made = document(week.file, week.prices, week.days)
    assert made["not_known"] == [
        {
            "start_utc": "2026-03-29T11:00:00Z",
            "end_utc": "2026-03-31T11:00:00Z",
            "why": "the first tariff is valid from 2026-04-01",
        }
    ]
    assert [each["from"] for each in made["standing_charges"]] == ["2026-04-01"]


def test_an_instant_is_utc() -> None:
    """Whatever the zone, days and spans are aware and in UTC."""
    for day in WEEKS["23 hours"].days:
        assert {day.start.tzinfo, day.end.tzinfo, day.spans[0].start.tzinfo} == {UTC}
