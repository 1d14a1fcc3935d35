"""A year of months: sums, bars and words; the samples are invented nights."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from daemon.page_record.year import (
    MonthSum,
    beside_month_before,
    month_sums,
    months_before,
    year_view,
)
from tests.daemon.month.samples import full_month
from tests.daemon.page.test_view import words

MONTH = full_month()
JUNE = MonthSum(2026, 6, 3, 69_000, 0, 0, Decimal("13.331"), Decimal("13.769"))
MAY = MonthSum(2026, 5, 31, 461_000, 2_200, 1_000, Decimal("89.0652"), Decimal("92.19"))


def test_a_year_ends_with_this_month() -> None:
    """Twelve months, the latest first, across the turn of the year."""
    months = months_before(2026, 2)
    assert (len(months), months[0], months[2], months[-1]) == (12, (2026, 2), (2025, 12), (2025, 3))


def test_sums_are_those_of_the_month() -> None:
    """As `month` has them; a night without a known comparison adds nothing to it."""
    this, empty = month_sums(MONTH.nights, ((2026, 10), (2026, 9)))
    assert (this.wh, this.cost, this.estimated_wh) == (
        MONTH.energy_wh, MONTH.cost, MONTH.estimated_wh,
    )  # fmt: skip
    assert this.more_at_once == MONTH.saved_against_at_once
    assert (this.nights, empty) == (len(MONTH.nights), MonthSum(2026, 9))


def test_bars_are_as_long_as_their_amounts() -> None:
    """The dearest way to charge fills the width; a month without nights has no bar."""
    view = year_view((JUNE, MAY, MonthSum(2026, 4)), "NZD", words())
    june, may, april = view.rows
    assert (may.at_once_width, may.paid_width) == (Decimal(100), Decimal("49.1"))
    assert june.paid_width == Decimal("7.4")
    assert (may.of, may.short, may.name) == ("2026-05", "May 2026", "May 2026")
    assert (may.kwh, may.cost, may.rate, may.saved) == ("461.0 kWh", "$89.07", "$0.1932", "$92.19")
    assert (april.paid_width, april.cost, april.rate, april.saved) == (Decimal(0), "", "", "")
    assert view.sentences == (
        "530.0 kWh for $102.40.",
        "Charging at once would have cost $105.96 more.",
        "2.2 kWh of this is estimated, the rest metered.",
        "1.0 kWh of this has an estimated price per kWh.",
    )


def test_a_year_without_a_night() -> None:
    """It has no bars, and says so."""
    view = year_view((MonthSum(2026, 6),), "NZD", words())
    assert view == type(view)((), ("No night of these months is over.",))


def test_was_it_cheaper_last_month() -> None:
    """The average price of a kWh decides, as it is shown; without energy nothing is said."""
    dearer = replace(MAY, cost=Decimal(100))
    cheaper = replace(MAY, cost=Decimal(80))
    assert list(beside_month_before(JUNE, MAY, "NZD", words())) == [
        "June 2026 costs the same per kWh so far as May 2026: $0.1932."
    ]
    assert list(beside_month_before(JUNE, dearer, "NZD", words())) == [
        "June 2026 is cheaper so far than May 2026: $0.1932 per kWh instead of $0.2169."
    ]
    assert list(beside_month_before(JUNE, cheaper, "NZD", words())) == [
        "May 2026 was cheaper than June 2026 so far: $0.1735 per kWh instead of $0.1932."
    ]
    assert list(beside_month_before(JUNE, MonthSum(2026, 5), "NZD", words())) == []
