"""Prices of bands and dated tariffs: spans, grids, ticks, standing charges."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import numpy as np
import pytest

from config.files.errors import TariffError
from planners.rates.prices import Prices, RateSpan, prices_of
from tests.planners.households import band, band_prices, bands, household, series

MINUTE = timedelta(minutes=1)
HOUR = timedelta(hours=1)
THREE_BANDS = (
    band("night", "0.168", hours=["21:00-07:00"]),
    band(
        "peak",
        "0.412",
        hours=["07:00-11:00", "17:00-21:00"],
        days=["mon", "tue", "wed", "thu", "fri"],
    ),
    band("day", "0.305"),
)


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def auckland(tax_percent: Decimal = Decimal(0)) -> Prices:
    return band_prices("Pacific/Auckland", *THREE_BANDS, tax_percent=tax_percent)


def shown(spans: tuple[RateSpan, ...]) -> list[tuple[str, str, str]]:
    """Start and end in UTC, and the band."""
    return [(f"{span.start:%d %H:%M}", f"{span.end:%d %H:%M}", span.band) for span in spans]


def test_bands_follow_the_local_clock() -> None:
    """A winter evening in Auckland (UTC+12): peak until 21:00, night until 07:00, peak again."""
    spans = auckland().spans(utc("2026-06-03T06:00"), utc("2026-06-03T20:00"))
    assert shown(spans) == [
        ("03 06:00", "03 09:00", "peak"),
        ("03 09:00", "03 19:00", "night"),
        ("03 19:00", "03 20:00", "peak"),
    ]


def test_tax_is_added_to_the_rate() -> None:
    """0.168 and 15 percent tax are 0.1932 exactly."""
    span = auckland(tax_percent=Decimal(15)).rate_at(utc("2026-06-03T12:00"))
    assert (span.rate, span.band, span.tariff) == (Decimal("0.1932"), "night", "Bands")


def test_one_span_runs_past_midnight() -> None:
    """Neighbouring minutes at one rate are one span, whatever interval or date they come from."""
    two = band_prices(
        "UTC",
        band("low", hours=["22:00-00:00", "00:00-06:00"]),
        band("high"),
    )
    assert shown(two.spans(utc("2026-06-03T21:00"), utc("2026-06-04T07:00"))) == [
        ("03 21:00", "03 22:00", "high"),
        ("03 22:00", "04 06:00", "low"),
        ("04 06:00", "04 07:00", "high"),
    ]


def test_days_are_judged_by_the_date_of_the_instant() -> None:
    """Design, section 3: `days: [fri]`, 21:00-07:00 holds Friday before 07:00 and from 21:00."""
    prices = band_prices("UTC", band("low", hours=["21:00-07:00"], days=["fri"]), band("high"))
    spans = prices.spans(utc("2026-06-04T12:00"), utc("2026-06-06T12:00"))
    assert shown(spans) == [
        ("04 12:00", "05 00:00", "high"),
        ("05 00:00", "05 07:00", "low"),
        ("05 07:00", "05 21:00", "high"),
        ("05 21:00", "06 00:00", "low"),
        ("06 00:00", "06 12:00", "high"),
    ]


def test_spans_are_cut_at_instants_within_a_minute() -> None:
    """The first and the last span begin and end exactly where they were asked to."""
    start, end = utc("2026-06-03T08:59:30.250"), utc("2026-06-03T09:00:00.000001")
    spans = auckland().spans(start, end)
    assert [(span.start, span.end) for span in spans] == [
        (start, utc("2026-06-03T09:00")),
        (utc("2026-06-03T09:00"), end),
    ]


def test_a_moment_within_one_minute_is_one_span() -> None:
    """Half a second still has its rate."""
    start = utc("2026-06-03T08:59:30")
    (span,) = auckland().spans(start, start + timedelta(seconds=0.5))
    assert (span.start, span.end, span.band) == (start, start + timedelta(seconds=0.5), "peak")


def test_no_time_has_no_spans() -> None:
    """From an instant to itself there is nothing."""
    assert auckland().spans(utc("2026-06-03T08:00"), utc("2026-06-03T08:00")) == ()


def test_time_does_not_run_backwards() -> None:
    """An end before the start is a mistake of the caller."""
    with pytest.raises(ValueError, match="before the start"):
        auckland().spans(utc("2026-06-03T08:00"), utc("2026-06-03T07:00"))


def test_a_naive_time_is_refused() -> None:
    """A time without an offset is no instant, and is not taken for the machine's local time."""
    naive = utc("2026-06-03T08:00").replace(tzinfo=None)
    with pytest.raises(TypeError):
        auckland().spans(naive, utc("2026-06-03T09:00"))
    with pytest.raises(TypeError):
        auckland().spans(utc("2026-06-03T07:00"), naive)


def test_other_offsets_are_taken_as_instants() -> None:
    """Spans are in UTC, whatever offset the question had."""
    start = datetime.fromisoformat("2026-06-03T20:00:00+12:00")
    (span,) = auckland().spans(start, start + HOUR)
    assert (span.start.isoformat(), span.end.isoformat()) == (
        "2026-06-03T08:00:00+00:00",
        "2026-06-03T09:00:00+00:00",
    )


def test_holidays_are_a_day_of_their_own_where_a_band_names_them() -> None:
    """25 December 2026, a Friday: the weekday's band does not hold, the holiday's does."""
    named = band_prices(
        "Pacific/Auckland",
        band("work", "0.40", hours=["00:00-24:00"], days=["mon", "tue", "wed", "thu", "fri"]),
        band("free", "0.10", hours=["00:00-24:00"], days=["sat", "sun", "holiday"]),
        public_holidays="NZ",
    )
    assert named.rate_at(utc("2026-12-24T12:00")).band == "free"
    assert named.rate_at(utc("2026-12-23T12:00")).band == "work"


def test_holidays_are_ordinary_days_where_no_band_names_them() -> None:
    """25 December 2026 is a Friday like others for a tariff that knows no holidays."""
    plain = band_prices("Pacific/Auckland", *THREE_BANDS, public_holidays="NZ")
    assert plain.rate_at(utc("2026-12-24T20:00")).band == "peak"


def test_months_limit_a_band() -> None:
    """A winter band holds from 1 June 00:00 local time."""
    prices = band_prices(
        "Pacific/Auckland",
        band("winter", "0.50", hours=["00:00-24:00"], months=[6, 7, 8]),
        band("rest"),
    )
    spans = prices.spans(utc("2026-05-31T00:00"), utc("2026-05-31T23:00"))
    assert shown(spans) == [("31 00:00", "31 12:00", "rest"), ("31 12:00", "31 23:00", "winter")]


@pytest.mark.parametrize(
    ("zone", "summer", "winter"),
    [
        ("Pacific/Auckland", "2026-01-15T12:00", "2026-07-15T12:00"),
        ("Europe/Dublin", "2026-07-15T00:00", "2026-01-15T00:00"),
    ],
)
def test_a_standard_clock_ignores_daylight_saving(zone: str, summer: str, winter: str) -> None:
    """The band begins at one UTC time all year, also where the law calls summer time standard."""
    rows = (band("low", hours=["00:00-07:00"]), band("high", "0.30"))
    standard = band_prices(zone, *rows, clock="standard")
    wall = band_prices(zone, *rows)
    for begin in (summer, winter):
        assert standard.rate_at(utc(begin)).band == "low"
        assert standard.rate_at(utc(begin) - MINUTE).band == "high"
    assert wall.rate_at(utc(summer) - HOUR).band == "low"
    assert wall.rate_at(utc(winter) - MINUTE).band == "high"


def dated() -> Prices:
    """Three tariffs, the first from 1 April 2026."""
    tariffs = [
        bands(band("all", "0.20"), name="First", valid_from=date(2026, 4, 1)),
        bands(
            band("all", "0.30"),
            name="Second",
            valid_from=date(2026, 6, 4),
            clock="standard",
            standing_charge=Decimal("1.90"),
            tax_percent=Decimal(15),
        ),
        bands(band("all", "0.40"), name="Third", valid_from=date(2026, 10, 1)),
    ]
    return prices_of(household("Pacific/Auckland", tariffs), {})


def test_a_tariff_comes_into_force_at_local_midnight() -> None:
    """4 June in Auckland begins at 12:00 UTC on 3 June."""
    spans = dated().spans(utc("2026-06-03T06:00"), utc("2026-06-03T18:00"))
    assert [(span.tariff, span.start) for span in spans] == [
        ("First", utc("2026-06-03T06:00")),
        ("Second", utc("2026-06-03T12:00")),
    ]


def test_a_standard_clock_does_not_move_the_date_of_a_tariff() -> None:
    """On 1 October daylight saving is on: midnight on the wall is 11:00 UTC."""
    spans = dated().spans(utc("2026-09-30T06:00"), utc("2026-09-30T18:00"))
    assert [(span.tariff, span.start) for span in spans][1] == ("Third", utc("2026-09-30T11:00"))


def test_before_the_first_tariff_there_is_no_rate() -> None:
    """31 March has no tariff, and the error names the day and the first tariff's date."""
    with pytest.raises(TariffError, match="2026-03-31: the first is valid from 2026-04-01"):
        dated().spans(utc("2026-03-31T06:00"), utc("2026-03-31T18:00"))
    with pytest.raises(TariffError, match="2026-03-31"):
        dated().tariff_on(date(2026, 3, 31))


def test_the_tariff_of_a_date_is_the_last_that_has_come() -> None:
    """Each tariff holds from its own date to the day before the next one's."""
    prices = dated()
    days = [date(2026, 4, 1), date(2026, 6, 3), date(2026, 6, 4), date(2030, 1, 1)]
    assert [prices.tariff_on(day).name for day in days] == ["First", "First", "Second", "Third"]


def test_the_standing_charge_has_tax() -> None:
    """1.90 a day and 15 percent tax are 2.185; a tariff that names none has none."""
    assert dated().standing_charge(date(2026, 6, 4)) == Decimal("2.185")
    assert dated().standing_charge(date(2026, 6, 3)) == 0


def test_a_grid_has_one_rate_for_each_tick() -> None:
    """Thirteen hours of half hours: 6 at peak, 20 at night, as numbers."""
    grid = auckland().grid(utc("2026-06-03T06:00"), 26, 30)
    assert np.array_equal(grid.rates, [0.412] * 6 + [0.168] * 20)
    assert not grid.estimated.any()
    assert [span.band for span in grid.spans] == ["peak", "night"]


def test_a_grid_of_no_ticks_is_empty() -> None:
    """Nothing to plan is not an error."""
    grid = auckland().grid(utc("2026-06-03T06:00"), 0, 5)
    assert (len(grid.rates), len(grid.estimated), grid.spans) == (0, 0, ())


def test_a_grid_refuses_a_rate_that_changes_inside_a_tick() -> None:
    """Ticks that straddle 09:00 UTC would have two rates."""
    with pytest.raises(ValueError, match="inside a tick, at 2026-06-03T09:00"):
        auckland().grid(utc("2026-06-03T06:10"), 26, 30)


@pytest.mark.parametrize(
    ("hours", "wanted", "step"),
    [
        ("23:30-05:30", 30, 30),
        ("23:30-05:30", 60, 30),
        ("23:35-05:30", 30, 5),
        ("23:40-05:30", 15, 5),
        ("23:31-05:30", 60, 1),
        ("23:00-05:00", 60, 60),
        ("23:00-05:00", 5, 5),
    ],
)
def test_a_step_fits_between_the_changes_of_rate(hours: str, wanted: int, step: int) -> None:
    """The largest divisor of the tick such that no rate changes inside one."""
    prices = band_prices("Europe/London", band("low", hours=[hours]), band("high", "0.30"))
    start, end = utc("2026-01-15T18:07"), utc("2026-01-16T07:00")
    assert prices.step_minutes(start, end, wanted) == step


def test_a_step_is_aligned_to_the_local_clock() -> None:
    """Changes on the hour leave ticks of an hour whole where the clock is at 45 minutes, too."""
    prices = band_prices("Asia/Kathmandu", band("low", hours=["23:00-05:00"]), band("high", "0.30"))
    assert prices.step_minutes(utc("2026-01-15T12:00"), utc("2026-01-16T07:00"), 60) == 60


@pytest.mark.parametrize(("start", "step"), [("2026-04-04T08:00", 30), ("2026-04-06T08:00", 60)])
def test_half_an_hour_of_daylight_saving_halves_a_tick_of_an_hour(start: str, step: int) -> None:
    """On Lord Howe Island the hours before and after a change are not aligned with each other."""
    prices = band_prices("Australia/Lord_Howe", band("all"))
    assert prices.step_minutes(utc(start), utc(start) + 13 * HOUR, 60) == step


def test_no_time_keeps_the_tick_that_was_wanted() -> None:
    """Nothing changes between an instant and itself."""
    assert auckland().step_minutes(utc("2026-06-03T08:07"), utc("2026-06-03T08:07"), 5) == 5


@pytest.mark.parametrize(
    ("zone", "instant", "tick", "first"),
    [
        ("Pacific/Auckland", "2026-06-03T06:00", 5, "2026-06-03T06:00"),
        ("Pacific/Auckland", "2026-06-03T06:00:00.000001", 5, "2026-06-03T06:05"),
        ("Pacific/Auckland", "2026-06-03T06:01", 5, "2026-06-03T06:05"),
        ("Asia/Kathmandu", "2026-06-03T06:01", 30, "2026-06-03T06:15"),
        ("Asia/Kathmandu", "2026-06-03T06:16", 60, "2026-06-03T07:15"),
        ("Australia/Lord_Howe", "2026-06-03T06:00", 60, "2026-06-03T06:30"),
    ],
)
def test_ticks_are_aligned_to_the_local_clock(
    zone: str, instant: str, tick: int, first: str
) -> None:
    """A tick of half an hour begins at :00 or :30 on the wall, which in Kathmandu is :15 in UTC."""
    assert band_prices(zone, band("all")).tick_from(utc(instant), tick) == utc(first)


@pytest.mark.parametrize("hours", ["23:30-05:30", "02:17-04:00"])
def test_a_grid_from_the_first_tick_never_straddles(hours: str) -> None:
    """Step and first tick together always give ticks of one rate, across a clock change too."""
    prices = band_prices("Pacific/Chatham", band("low", hours=[hours]), band("high", "0.30"))
    now, end = utc("2026-09-26T05:07:11"), utc("2026-09-27T05:00")
    step = prices.step_minutes(now, end, 30)
    first = prices.tick_from(now, step)
    ticks = (end - first) // (step * MINUTE)
    assert len(prices.grid(first, ticks, step).rates) == ticks


def test_bands_are_always_known() -> None:
    """A tariff of bands has no end of what is known."""
    assert auckland().known_until(utc("2026-06-03T06:00")) is None
    assert dated().known_until(utc("2026-06-03T06:00")) is None


def test_a_series_without_prices_is_unknown_from_its_first_day() -> None:
    """Bands until 3 June, then a price series of which nothing has arrived."""
    tariffs = [bands(band("all")), series(valid_from=date(2026, 6, 4))]
    prices = prices_of(household("Pacific/Auckland", tariffs), {})
    assert prices.known_until(utc("2026-06-01T00:00")) == utc("2026-06-03T12:00")
    with pytest.raises(TariffError, match="no prices of Series are known"):
        prices.spans(utc("2026-06-03T11:00"), utc("2026-06-03T13:00"))
