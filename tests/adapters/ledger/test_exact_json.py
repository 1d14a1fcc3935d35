"""The ledger's JSON keeps every digit of money."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.ledger.exact_json import dump_exact, load_exact

MONEY = st.decimals(allow_nan=False, allow_infinity=False)
LEAVES = st.none() | st.booleans() | st.integers() | st.text() | MONEY
BODIES = st.dictionaries(
    st.text(),
    st.recursive(
        LEAVES,
        lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
        max_leaves=6,
    ),
)


@given(BODIES)
def test_a_body_is_read_as_it_was_written(body: dict[str, Any]) -> None:
    """Reading what was written gives the same values."""
    assert load_exact(dump_exact(body)) == body


@given(MONEY)
def test_money_stays_decimal(amount: Decimal) -> None:
    """A Decimal is read as a Decimal, even a whole one."""
    back = load_exact(dump_exact({"cost": amount}))["cost"]
    assert type(back) is Decimal
    assert back == amount


@given(BODIES)
def test_the_text_is_json(body: dict[str, Any]) -> None:
    """Any JSON reader can read the text, and finds the same keys."""
    assert set(json.loads(dump_exact(body))) == set(body)


def test_money_is_written_as_a_plain_number() -> None:
    """Without quotes and without rounding: thirty digits stay thirty digits."""
    cost = Decimal("5.02000000000000000000000000001")
    assert dump_exact({"cost": cost}) == '{"cost":5.02000000000000000000000000001}'


def test_counts_stay_whole_and_floats_become_decimal() -> None:
    """A count is read as int; a float is read as the Decimal of its shortest text."""
    back = load_exact(dump_exact({"starts": 2, "soc_percent": 40.1, "met": True}))
    assert back == {"starts": 2, "soc_percent": Decimal("40.1"), "met": True}
    assert type(back["starts"]) is int
    assert back["met"] is True  # which is equal to 1


def test_a_lone_surrogate_survives() -> None:
    """Text that UTF-8 can't encode is still read as it was."""
    assert load_exact(dump_exact({"by": "\ud800 Wānaka"})) == {"by": "\ud800 Wānaka"}


@pytest.mark.parametrize(
    "number", [float("nan"), float("-inf"), Decimal("NaN"), Decimal("Infinity")]
)
def test_what_json_cannot_say_is_refused(number: float | Decimal) -> None:
    """Not-a-number and infinity are errors, not silent nulls."""
    with pytest.raises(ValueError, match="JSON"):
        dump_exact({"cost": number})


@pytest.mark.parametrize("value", [datetime(2026, 6, 3, tzinfo=UTC), b"bytes", {1}, {1: 2}])
def test_foreign_types_are_refused(value: object) -> None:
    """The caller must convert an instant, bytes, a set or another kind of key to text."""
    with pytest.raises(TypeError, match="JSON"):
        dump_exact({"x": value})
