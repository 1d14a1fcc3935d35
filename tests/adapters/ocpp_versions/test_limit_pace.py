"""A burst of limits is obeyed at once; only a flood of them waits."""

from __future__ import annotations

from adapters.ocpp_versions.limit_pace import LimitPace


def test_a_burst_passes_and_a_flood_waits() -> None:
    """Five at once, then one a second; after a quiet while there are five again."""
    pace = LimitPace()
    assert [pace.wait_seconds(100.0) for _ in range(8)] == [0, 0, 0, 0, 0, 1, 2, 3]
    assert [pace.wait_seconds(120.0) for _ in range(6)] == [0, 0, 0, 0, 0, 1]


def test_one_a_second_never_waits() -> None:
    """That is the pace itself."""
    pace = LimitPace()
    assert {pace.wait_seconds(float(second)) for second in range(1000)} == {0.0}
