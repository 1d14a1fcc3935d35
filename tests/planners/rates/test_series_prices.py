"""Prices of a price series: what is known, what is expected, and what is refused."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest

from config.files.errors import TariffError
from config.files.price_series import PricePoint
from planners.rates.prices import Prices, prices_of
from tests.planners.households import band, bands, household, series

HOUR = timedelta(hours=1)
DAY = timedelta(days=1)
START = datetime(2026, 6, 1, tzinfo=UTC)


def prices(*points: tuple[float, str], zone: str = "UTC", **keys: object) -> Prices:
    """Prices that start so many hours after START."""
    known = [PricePoint(start=START + hours * HOUR, rate=Decimal(rate)) for hours, rate in points]
    return prices_of(household(zone, [series(**keys)]), {"Series": known})


def rate_at(asked: Prices, hours: float) -> tuple[Decimal, bool]:
    span = asked.rate_at(START + hours * HOUR)
    return span.rate, span.estimated


def test_a_price_holds_until_the_next_one() -> None:
    """Two hours of prices are two spans of the one band of a series."""
    spans = prices((0, "0.10"), (1, "0.20")).spans(START, START + 2 * HOUR)
    assert [(span.start, span.rate, span.band, span.tariff) for span in spans] == [
        (START, Decimal("0.10"), "price", "Series"),
        (START + HOUR, Decimal("0.20"), "price", "Series"),
    ]


def test_equal_prices_are_one_span() -> None:
    """Hours at one price are one span."""
    assert len(prices((0, "0.10"), (1, "0.1")).spans(START, START + 2 * HOUR)) == 1


def test_a_price_gives_way_within_its_step() -> None:
    """A half-hour price inside an hour's step ends the hour's price."""
    asked = prices((0, "0.10"), (0.5, "0.20"), step_minutes=60)
    assert [rate_at(asked, hours)[0] for hours in (0.49, 0.5, 1.4)] == [
        Decimal("0.10"),
        Decimal("0.20"),
        Decimal("0.20"),
    ]


def test_the_order_of_prices_does_not_matter() -> None:
    """Unsorted prices are sorted."""
    asked = prices((1, "0.20"), (0, "0.10"))
    assert asked.spans(START, START + HOUR)[0].rate == Decimal("0.10")


def test_rate_is_multiplied_added_to_and_taxed_in_this_order() -> None:
    """(1.05 x 0.20 + 0.115) x 1.15 = 0.37375."""
    asked = prices(
        (0, "0.20"), multiply=Decimal("1.05"), add=Decimal("0.115"), tax_percent=Decimal(15)
    )
    assert rate_at(asked, 0) == (Decimal("0.37375"), False)


def test_negative_prices_stay_negative() -> None:
    """A price below zero is a rate below zero."""
    assert rate_at(prices((0, "-0.05")), 0) == (Decimal("-0.05"), False)


def daily(days: int, at: float = 0) -> list[tuple[float, str]]:
    """One price a day: 1, 2, 3 and so on."""
    return [(24 * day + at, str(day + 1)) for day in range(days)]


def test_a_missing_price_is_the_mean_of_the_last_seven_days_known() -> None:
    """After ten days priced 1 to 10 at midnight, the eleventh midnight is expected at 7."""
    assert rate_at(prices(*daily(10)), 240) == (Decimal(7), True)


def test_fewer_days_than_seven_are_enough() -> None:
    """After two days priced 1 and 2 the third is expected at 1.5."""
    assert rate_at(prices(*daily(2)), 48) == (Decimal("1.5"), True)


def test_days_without_a_price_are_passed_over() -> None:
    """The last seven days known, not the last seven days: a hole only reaches further back."""
    points = [point for point in daily(10) if point[1] not in ("8", "9")]
    assert rate_at(prices(*points), 240) == (Decimal(37) / 7, True)


def test_prices_after_a_hole_do_not_fill_it() -> None:
    """An estimate uses only prices from before its instant."""
    points = [point for point in daily(10) if point[1] != "5"]
    assert rate_at(prices(*points), 96) == (Decimal("2.5"), True)


def test_expectation_reaches_as_far_as_it_is_asked() -> None:
    """A month after the last price the same seven days are the last known."""
    assert rate_at(prices(*daily(10)), 24 * 40) == (Decimal(7), True)


def test_expectation_follows_the_local_time_of_day() -> None:
    """After the clocks go forward in London on 29 March 2026 the 18:00 price is an hour earlier."""
    start = datetime(2026, 3, 22, tzinfo=UTC)
    known = [
        PricePoint(start=start + hour * HOUR, rate=Decimal(1 if hour % 24 == 18 else 0))
        for hour in range(7 * 24)
    ]
    asked = prices_of(household("Europe/London", [series()]), {"Series": known})
    spans = asked.spans(start + 7 * DAY, start + 8 * DAY)
    assert [span.start for span in spans if span.rate == 1] == [start + 7 * DAY + 17 * HOUR]


def test_a_time_of_day_without_history_is_the_mean_of_the_last_week() -> None:
    """A feed that began at noon has no mornings: the mean of its prices replaces them."""
    assert rate_at(prices((12, "0.10"), (13, "0.30")), 24 + 7) == (Decimal("0.20"), True)


def test_a_mean_over_prices_of_unequal_lengths_is_weighted_by_time() -> None:
    """Three hours at 0.10 and then four quarter hours at 0.50: 0.20, by rows it would be 0.33."""
    quarters = [(15 + i / 4, "0.50") for i in range(4)]
    known = prices(*((12 + i, "0.10") for i in range(3)), *quarters, step_minutes=None)
    assert rate_at(known, 24 + 7) == (Decimal("0.20"), True)


def test_the_mean_of_the_last_week_leaves_older_prices_out() -> None:
    """Ten days of one price at midnight: noon is expected at the mean of the last seven."""
    assert rate_at(prices(*daily(10)), 228) == (Decimal(7), True)


def test_known_and_expected_prices_are_different_spans() -> None:
    """An estimated rate is a separate span, even if it is the same."""
    spans = prices(*[(hour, "0.10") for hour in range(24)]).spans(
        START + 23 * HOUR, START + 26 * HOUR
    )
    assert [(span.start, span.estimated) for span in spans] == [
        (START + 23 * HOUR, False),
        (START + 24 * HOUR, True),
    ]


def test_a_grid_marks_ticks_that_rest_on_expectation() -> None:
    """Two hours known and one expected, in half hours."""
    known = prices(*[(hour, "0.10") for hour in range(24)])
    grid = known.grid(START + 22 * HOUR, 6, 30)
    assert grid.estimated.tolist() == [False] * 4 + [True] * 2


def test_nothing_known_is_an_error() -> None:
    """Without a single price there is no rate to expect."""
    with pytest.raises(TariffError, match="no prices of Series are known yet"):
        prices().spans(START, START + HOUR)


def test_before_the_first_price_the_days_after_it_are_expected() -> None:
    """A feed that begins tomorrow: tonight is planned all the same."""
    begun = prices(*[(hour, f"0.{hour:02d}") for hour in range(24, 48)])
    spans = begun.spans(START + 22 * HOUR, START + 25 * HOUR)
    assert [(span.rate, span.estimated) for span in spans] == [
        (Decimal("0.46"), True),
        (Decimal("0.47"), True),
        (Decimal("0.24"), False),
    ]


def test_two_prices_of_one_instant_are_refused() -> None:
    """A series that contradicts itself is an error that names the instant."""
    with pytest.raises(TariffError, match="two prices start at 2026-06-01T00:00"):
        prices((0, "0.10"), (0, "0.20"))


def test_a_price_that_starts_within_a_minute_is_refused() -> None:
    """Rates are known by the minute."""
    with pytest.raises(TariffError, match="starts within a minute"):
        prices((0.001, "0.10"))


def test_prices_are_known_until_the_first_hole() -> None:
    """The end of the prices in a row, wherever one begins to look."""
    asked = prices((0, "0.1"), (1, "0.1"), (3, "0.1"))
    found = [asked.known_until(START + hours * HOUR) for hours in (0, 1.5, 2.25, 3.99, 4)]
    assert found == [START + hours * HOUR for hours in (2, 2, 2.25, 4, 4)]


def test_what_is_known_is_told_to_the_instant() -> None:
    """If nothing is known, the answer is the instant itself, not its minute."""
    asked = START + timedelta(hours=7, seconds=30)
    assert prices((0, "0.1")).known_until(asked) == asked


def test_prices_are_known_past_a_change_to_bands() -> None:
    """A series with prices up to the day on which bands replace it leaves nothing unknown."""
    tariffs = [series(), bands(band("all"), valid_from=date(2026, 6, 2))]
    full = [PricePoint(start=START + hour * HOUR, rate=Decimal(1)) for hour in range(24)]
    file = household("UTC", tariffs)
    assert prices_of(file, {"Series": full}).known_until(START) is None
    assert prices_of(file, {"Series": full[:20]}).known_until(START) == START + 20 * HOUR
