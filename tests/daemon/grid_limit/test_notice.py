"""What an OCPP 2 station says of a limit becomes an event for the daemon's loop.

The payloads follow the published message schemas (NotifyChargingLimitRequest.json of OCPP 2.0.1),
with their keys in snake case.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from adapters.ocpp_point.events import ChargingLimitNoticed
from config.home.grid_limit import MOST_LIMIT_KW, LimitInForce
from daemon.grid_limit.heard import LimitHeard
from daemon.grid_limit.notice import limit_event
from tests.daemon.worlds import EVENING, POINT


def noticed(*schedules: dict[str, Any], source: str = "SO") -> LimitHeard | None:
    notice = {"charging_schedule": list(schedules)} if schedules else {}
    return limit_event(ChargingLimitNoticed(POINT, source, notice), EVENING)


def schedule(unit: str, *limits: float, **more: Any) -> dict[str, Any]:  # noqa: ANN401 - JSON
    periods = [{"start_period": 60 * n, "limit": limit} for n, limit in enumerate(limits)]
    return {"id": 1, "charging_rate_unit": unit, "charging_schedule_period": periods, **more}


def test_the_lowest_period_holds_until_the_schedule_ends() -> None:
    """A schedule with a duration ends; one without holds until it is cleared."""
    ends = schedule("W", 4200, 5000, duration=900, start_schedule="2026-06-03T06:20:00Z")
    until = EVENING + timedelta(minutes=5)
    limit = LimitInForce(kw=4.2, until=until, charge_point=POINT)
    assert noticed(ends) == LimitHeard("ocpp driveway SO", limit)
    heard = noticed(schedule("W", 11_000), schedule("A", 10.0), source="EMS")
    assert heard == LimitHeard("ocpp driveway EMS", LimitInForce(amps=10.0, charge_point=POINT))


def test_each_who_limits_clears_only_its_own() -> None:
    """The end of one limit does not lift that of another; all that are not named are one."""
    cleared = limit_event(ChargingLimitNoticed(POINT, "EMS", None), EVENING)
    assert cleared == LimitHeard("ocpp driveway EMS", None)
    names = {noticed(schedule("A", 10), source=f"anybody {n}").source for n in range(9)}  # type: ignore[union-attr]
    assert names == {"ocpp driveway Other"}


@pytest.mark.parametrize(
    ("odd", "kw"),
    [
        (schedule("W", float("nan"), 4200), 4.2),
        (schedule("W", -1), 0.0),
        (schedule("W", 1e300), MOST_LIMIT_KW),
        (schedule("W", 4200, duration=10**30), 4.2),
        (schedule("W", 4200, duration=60, start_schedule="yesterday"), 4.2),
    ],
)
def test_odd_numbers_are_bounded(odd: dict[str, Any], kw: float) -> None:
    """No number or instant of a station is taken as it stands, and none ends the daemon."""
    heard = noticed(odd)
    assert heard is not None
    assert heard.limit is not None
    assert heard.limit.kw == kw


def test_a_limit_of_unknown_height_is_left_to_the_station() -> None:
    """Without a schedule, or a limit in it (OCPP 2.1), only that there is one is known."""
    empty = {"id": 1, "charging_rate_unit": "A", "charging_schedule_period": [{"start_period": 0}]}
    assert noticed() is None
    assert noticed(empty) is None
