"""A contactor rests after each run, and longer after a run that was cut short."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from config.household.equipment import ChargePoint
from planners.power.rest import LastSwitches

MINUTE = timedelta(minutes=1)
ON_AT = datetime(2026, 6, 3, 9, tzinfo=UTC)
POINT = ChargePoint.model_validate(
    {
        "charging_mode": 3, "max_amps": 32.0, "switching": "current",
        "min_run_minutes": 15, "min_rest_minutes": 5,
    }
)  # fmt: skip


@pytest.mark.parametrize(
    ("ran", "until"), [(0, 20), (1, 20), (14, 20), (15, 20), (16, 21), (60, 65)]
)
def test_a_run_that_was_cut_short_rests_until_a_whole_run_would_have(ran: int, until: int) -> None:
    """Starts are never closer than `min_run_minutes` and `min_rest_minutes` together."""
    switches = LastSwitches().switched_on(ON_AT).switched_off(ON_AT + ran * MINUTE)
    assert switches.rests_until(POINT) == ON_AT + until * MINUTE


def test_what_was_never_switched_off_need_not_rest() -> None:
    """Neither a charge point that never ran, nor the first run."""
    assert LastSwitches().rests_until(POINT) is None
    assert LastSwitches().switched_on(ON_AT).rests_until(POINT) is None


def test_a_clock_that_was_put_back_lengthens_no_rest() -> None:
    """Switchings that seem to be ahead count as done now."""
    switches = LastSwitches(ON_AT, ON_AT + 30 * MINUTE)
    now = ON_AT - timedelta(days=300)
    assert switches.until(now) == LastSwitches(now, now)
    assert switches.until(ON_AT + 10 * MINUTE) == LastSwitches(ON_AT, ON_AT + 10 * MINUTE)
    assert switches.until(ON_AT + 40 * MINUTE) == switches
