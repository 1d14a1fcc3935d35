"""What a billed power costs: by the kilowatt and by steps, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from planners.capacity.charge import CapacityPrice, PeriodPeaks

STEPS = ((2.0, 125.0), (5.0, 200.0), (10.0, 325.0), (float("inf"), 450.0))


@pytest.mark.parametrize(
    ("billed_kw", "charge"),
    [(0.0, 125.0), (1.9, 125.0), (2.0, 125.0), (2.1, 200.0), (10.0, 325.0), (40.0, 450.0)],
)
def test_step_holds_up_to_its_end(billed_kw: float, charge: float) -> None:
    """A step's charge is for powers up to its end, and the last one has none."""
    assert CapacityPrice(steps=STEPS).of_power(np.array([billed_kw])) == [charge]


def test_mean_of_highest_days() -> None:
    """The mean of the three highest days: (6 + 5 + 4) / 3 is 5; one day counts once."""
    price = CapacityPrice(rate_per_kw=10, highest_days=3)
    assert price.peak_of(np.array([1.0, 6, 4, 2, 5])) == pytest.approx(5)
    assert price.peak_of(np.array([6.0, 4.0])) == pytest.approx(5)


def test_least_counts() -> None:
    """A peak below the least counts as the least, as it does where there is no day yet."""
    price = CapacityPrice(rate_per_kw=10, at_least_kw=2.5)
    assert price.peak_of(np.array([1.0, 2.0])) == pytest.approx(2.5)
    assert price.peak_of(np.array([])) == pytest.approx(2.5)


def test_counts_in_every_bill() -> None:
    """Under a mean of 12 months a peak counts in 12 bills, a twelfth in each: once in all."""
    price = CapacityPrice(rate_per_kw=4, bills=12, at_least_kw=2.5)
    others = [3.0] * 11
    low, high = price.in_all_bills(np.array([3.0, 8.0]), others)
    assert high - low == pytest.approx(4 * 5)
    assert low == pytest.approx(12 * 4 * 3)


def test_steps_over_several_bills() -> None:
    """Under a mean of 3 months by steps: (2 + 2 + 5) / 3 is 3, in the second step on 3 bills."""
    price = CapacityPrice(steps=STEPS, bills=3)
    assert price.in_all_bills(np.array([2.0, 5.0]), [9.0, 2.0, 2.0]).tolist() == [375.0, 600.0]


def test_cap_raises_its_days_only() -> None:
    """Each day has the highest of its own peak and of the caps that hold on it."""
    price = CapacityPrice(rate_per_kw=1, highest_days=2)
    period = PeriodPeaks(price, (1.0, 3.0, 2.0), ((0, (0,)), (2, (0, 1))))
    caps = np.array([[0.0, 0.0], [4.0, 0.0], [0.0, 5.0]])
    assert period.charge(caps).tolist() == [2.5, 4.0, 4.0]
    assert period.free_kw(0) == 1
    assert period.free_kw(1) == 2
