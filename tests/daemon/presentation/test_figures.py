"""Figures as people read them."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.presentation.figures import kwh_text, rounded_parts

amounts = st.lists(st.decimals(-1000, 1000, places=5), max_size=8)


@pytest.mark.parametrize(
    ("parts", "rounded"),
    [
        (["0.333", "0.333", "0.334"], ["0.33", "0.33", "0.34"]),
        (["1.004", "1.004", "1.004"], ["1.01", "1.00", "1.00"]),
        (["2.005", "-1.001"], ["2.00", "-1.00"]),
        ([], []),
    ],
)
def test_parts_add_up(parts: list[str], rounded: list[str]) -> None:
    """What rounding each by itself would lose or add goes where it matters least."""
    shown = rounded_parts([Decimal(part) for part in parts], 2)
    assert [str(each) for each in shown] == rounded


@given(amounts, st.integers(0, 3))
def test_parts_always_add_up_to_the_rounded_sum(parts: list[Decimal], places: int) -> None:
    """Each is within one unit of what it was."""
    unit = Decimal(1).scaleb(-places)
    shown = rounded_parts(parts, places)
    assert sum(shown, Decimal(0)) == sum(parts, Decimal(0)).quantize(unit)
    assert all(abs(new - old) < unit for new, old in zip(shown, parts, strict=True))


@pytest.mark.parametrize("wh", [155, 155.0, Decimal(155)])
def test_half_a_hundredth_goes_to_the_even_digit_however_it_is_given(wh: Decimal | float) -> None:
    """0.155 kWh is 0.16, as in a month, though the nearest float is a little less."""
    assert kwh_text(wh, 2) == "0.16 kWh"


def test_the_order_of_the_parts_does_not_matter() -> None:
    """Two parts end in half a hundredth: the larger one goes up, here and there."""
    parts = [Decimal("1.005"), Decimal("12.005")]
    assert rounded_parts(parts, 2) == [Decimal("1.00"), Decimal("12.01")]
    assert rounded_parts(parts[::-1], 2) == [Decimal("12.01"), Decimal("1.00")]
