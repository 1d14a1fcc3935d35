"""The text of a month: costs of other rules, nights short for the departure."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from daemon.month.show_month import show_month
from daemon.month.wording import difference_words
from daemon.presentation.output import rich_text
from tests.daemon.month.samples import full_month


@pytest.mark.parametrize(
    ("extra", "currency", "words"),
    [
        ("3.98", "NZD", "NZD 3.98 more"),
        ("-3.98", "NZD", "NZD 3.98 less"),
        ("-0.005", "NZD", "the same"),
        ("-0.4", "JPY", "the same"),
    ],
)
def test_a_difference_has_no_minus_sign(extra: str, currency: str, words: str) -> None:
    """A rule costs more, less, or the same once rounded to the currency's minor unit."""
    assert difference_words(Decimal(extra), currency) == words


def test_other_rules_cost_more_or_less() -> None:
    """By the month's own sums; an unknown cost is called not known."""
    month = full_month()
    lines = [" ".join(line.split()) for line in rich_text(show_month(month), 100).splitlines()]
    assert f"at once would have cost NZD {month.saved_against_at_once:.2f} more" in lines
    assert "on a timer would have cost NZD 3.08 less" in lines
    assert "at the cheapest possible hours would have cost NZD 3.08 less" in lines
    unknown = replace(month, nights=tuple(replace(row, timer=None) for row in month.nights))
    text = " ".join(rich_text(show_month(unknown), 100).split())
    assert "on a timer not known" in text


def test_a_night_is_enough_or_short_for_the_departure() -> None:
    """One night of the sample is short; the text says why."""
    text = " ".join(rich_text(show_month(full_month()), 100).split())
    assert "39, 1 short for the departure, 1 partly estimated" in text
    assert "Fri 09 Oct, hatchback: It needed 60 % and had 48 %." in text
