"""The calendar of a home's known load holds each item where the file says, and adds them up."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from config.calendar.day_kinds import DAY_KINDS
from config.fields.value_types import Hours
from config.home.known_load import KnownLoad, load_table
from config.household.household_file import Household
from tests.config.tariffs.test_bands import hours

HOME = {"name": "Kowhai Cottage", "timezone": "Pacific/Auckland", "currency": "NZD"}


def items(*rows: dict[str, Any]) -> tuple[KnownLoad, ...]:
    return tuple(KnownLoad.model_validate(row) for row in rows)


def test_items_hold_in_their_hours_and_add_up() -> None:
    """24 A from 17:00 on weekdays; another 10 A from 20:00 past midnight on any day of June."""
    weekdays = ["mon", "tue", "wed", "thu", "fri"]
    table = load_table(
        items(
            {"amps": 24, "hours": ["17:00-21:00"], "days": weekdays},
            {"amps": 10, "hours": ["20:00-01:00"], "months": [6]},
        )
    )
    january, june = table[0], table[5]
    hourly = slice(0, None, 60)
    assert january[0, hourly].tolist() == [0] * 17 + [24] * 4 + [0] * 3
    assert june[0, hourly].tolist() == [10] + [0] * 16 + [24] * 3 + [34] + [10] * 3
    assert june[5, hourly].tolist() == [10] + [0] * 19 + [10] * 4
    assert june[0, 16 * 60 + 59 : 17 * 60 + 1].tolist() == [0, 24]


def test_the_table_is_shared_and_can_not_be_changed() -> None:
    """Made once for equal items, so nobody may write to it."""
    some = items({"amps": 24, "hours": ["17:00-21:00"]})
    assert load_table(some) is load_table(items({"amps": 24, "hours": ["17:00-21:00"]}))
    with pytest.raises(ValueError, match="read-only"):
        load_table(some)[0, 0, 0] = 1


some_items = st.lists(
    st.fixed_dictionaries(
        {
            "amps": st.integers(1, 40).map(float),
            "hours": st.lists(hours, min_size=1, max_size=2),
        },
        optional={
            "days": st.lists(st.sampled_from(DAY_KINDS), min_size=1, unique=True),
            "months": st.lists(st.integers(1, 12), min_size=1, unique=True),
        },
    ),
    max_size=3,
)


@given(some_items, st.dates(date(2028, 1, 1), date(2028, 12, 31)), st.integers(0, 1439))
def test_the_table_agrees_with_the_words(
    rows: list[dict[str, Any]], day: date, minute: int
) -> None:
    """At any instant the load is the sum of the items whose hours, day and month hold there."""
    kind = DAY_KINDS[day.weekday()]

    def holds(row: dict[str, Any]) -> bool:
        within: list[Hours] = row["hours"]
        return (
            kind in row.get("days", DAY_KINDS)
            and day.month in row.get("months", range(1, 13))
            and any(each.contains(minute) for each in within)
        )

    expected = sum(row["amps"] for row in rows if holds(row))
    assert load_table(items(*rows))[day.month - 1, day.weekday(), minute] == expected


def test_no_household_has_a_known_load_without_a_fuse() -> None:
    """A known load without a fuse is refused in code too."""
    load = [{"amps": 24, "hours": ["17:00-21:00"]}]
    with pytest.raises(ValidationError, match="expected main_fuse_amps beside it"):
        Household.model_validate({**HOME, "known_load": load})
    home = Household.model_validate({**HOME, "known_load": load, "main_fuse_amps": 63.0})
    assert home.known_load == items(*load)
