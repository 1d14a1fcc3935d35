"""A register that is counted from the power, where equipment reports none."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from adapters.contract.messages import Reading
from adapters.ocpp_point.counted_register import CountedRegister

NOW = datetime(2026, 6, 3, 9, 0, tzinfo=UTC)


def reading(minutes: float, watts: float | None, kwh: float | None = None) -> Reading:
    return Reading(at=NOW + timedelta(minutes=minutes), watts=watts, register_kwh=kwh)


def test_it_counts_from_the_start_of_a_transaction() -> None:
    """The lower of two powers counts between them, for a quarter of an hour at most."""
    counted = CountedRegister()
    assert counted.completed(reading(0, 6000)).register_kwh is None
    counted.set_to(1000)
    found = [
        counted.completed(reading(minutes, watts)).register_kwh
        for minutes, watts in ((0, 6000), (10, 6000), (20, 3000), (15, 9000), (80, 3000), (90, 0))
    ]
    assert found == [1.0, 2.0, 2.5, 2.5, 3.25, 3.25]
    counted.set_to(4000)  # the end, and what the meter shows then
    assert counted.completed(reading(100, 6000)).register_kwh == 4.0


def test_a_register_that_is_reported_counts_alone() -> None:
    """Nothing is added to the equipment's own."""
    counted = CountedRegister()
    counted.set_to(1000)
    assert counted.completed(reading(0, 6000, 1.2)).register_kwh == 1.2
    assert counted.completed(reading(10, 6000)).register_kwh is None
