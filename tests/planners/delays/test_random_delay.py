"""Random delays are even, to the second, and the same when they are asked for again."""

from __future__ import annotations

from datetime import timedelta

from planners.delays.random_delay import drawn_delay


def test_delays_are_drawn_evenly_and_kept() -> None:
    """Of 6000 changes, each tenth of 600 s has its share within five standard deviations."""
    drawn = [drawn_delay(b"seed", "driveway", str(n), 600) for n in range(6000)]
    assert drawn[:9] == [drawn_delay(b"seed", "driveway", str(n), 600) for n in range(9)]
    assert all(each % timedelta(seconds=1) == timedelta(0) for each in drawn)
    assert min(drawn) >= timedelta(0)
    assert max(drawn) <= timedelta(seconds=600)
    tenths = [sum(each // timedelta(seconds=60) == n for each in drawn) for n in range(10)]
    assert all(abs(each - 600) < 5 * (6000 * 0.1 * 0.9) ** 0.5 for each in tenths)


def test_homes_and_charge_points_draw_apart() -> None:
    """Another seed, charge point or change draws another delay."""
    drawn = {
        drawn_delay(seed, point, change, 1800)
        for seed in (b"a", b"b")
        for point in ("driveway", "garage")
        for change in ("1", "2")
    }
    assert len(drawn) == 8
