"""What an OCPP 2.0.1 station says of a limit becomes an event for the daemon's loop.

The payloads follow the published message schemas (NotifyChargingLimitRequest.json of OCPP 2.0.1).
"""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from config.home.grid_limit import LimitInForce
from daemon.grid_limit.heard import LimitHeard
from daemon.grid_limit.notice import limit_cleared, limit_noticed
from tests.daemon.worlds import EVENING, POINT


def notice(*schedules: dict[str, Any]) -> dict[str, Any]:
    return {"chargingLimit": {"chargingLimitSource": "SO"}, "chargingSchedule": list(schedules)}


def schedule(unit: str, *limits: float, **more: Any) -> dict[str, Any]:  # noqa: ANN401 - JSON
    periods = [{"startPeriod": 60 * n, "limit": limit} for n, limit in enumerate(limits)]
    return {"id": 1, "chargingRateUnit": unit, "chargingSchedulePeriod": periods, **more}


def test_the_lowest_period_holds_until_the_schedule_ends() -> None:
    """A schedule with a duration ends; one without holds until it is cleared."""
    ends = schedule("W", 4200, 5000, duration=900, startSchedule="2026-06-03T06:20:00Z")
    assert limit_noticed(POINT, notice(ends), EVENING) == LimitHeard(
        "ocpp driveway",
        LimitInForce(kw=4.2, until=EVENING + timedelta(minutes=5), charge_point=POINT),
    )
    heard = limit_noticed(POINT, notice(schedule("W", 11_000), schedule("A", 10.0)), EVENING)
    assert heard == LimitHeard("ocpp driveway", LimitInForce(amps=10.0, charge_point=POINT))
    assert limit_cleared(POINT) == LimitHeard("ocpp driveway", None)


def test_a_limit_of_unknown_height_is_left_to_the_station() -> None:
    """Without a schedule the message says only that there is a limit."""
    assert limit_noticed(POINT, {"chargingLimit": {"chargingLimitSource": "EMS"}}, EVENING) is None
