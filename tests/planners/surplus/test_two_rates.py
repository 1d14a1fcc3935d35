"""What energy costs that is in part from the home's own surplus."""

from __future__ import annotations

import numpy as np
import pytest

from planners.surplus.two_rates import price_at, roof_kwh


@pytest.mark.parametrize(
    ("power", "surplus", "price"),
    [(4.0, 0.0, 0.30), (4.0, 1.0, 0.25), (4.0, 4.0, 0.10), (4.0, 9.0, 0.10), (0.0, 3.0, 0.30)],
)
def test_the_mean_price_is_that_of_both_parts(power: float, surplus: float, price: float) -> None:
    """Up to the surplus 0.10, beyond it 0.30."""
    assert price_at(power, surplus, 0.30, 0.10) == pytest.approx(price)


def test_of_a_tick_cut_short_only_the_used_part_has_sun() -> None:
    """Of half an hour: a quarter of an hour at 4 kW beside 3 kW, a whole one at 2, and none."""
    metered, share = np.array([1.0, 1.0, 0.0]), np.array([0.5, 1.0, 0.0])
    found = roof_kwh(metered, share, np.full(3, 3.0), 0.5)
    assert found.tolist() == [0.75, 1.0, 0.0]
