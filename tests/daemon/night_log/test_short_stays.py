"""Why a stay was short of its need: only what the ledger's rows show."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from adapters.ledger.rows import StoredCommand, StoredPlan, StoredRequest
from daemon.control.state import AWAY, SKIPPED
from daemon.month.wording import why_short
from daemon.night_log.month_reading import read_month
from daemon.night_log.short_stays import left_early_at, skipped_at, too_little_time
from planners.plan.plan import instant_text
from tests.daemon.worlds import EVENING, HOUR, LEAVES, MINUTE, NOON, World, kowhai

if TYPE_CHECKING:
    from datetime import datetime

    from adapters.ledger.ledger import Ledger

FILE = Path("house.yaml")


def plan(at: datetime, shortfall_kwh: float = 0.0, departure: datetime = LEAVES) -> StoredPlan:
    body: dict[str, Any] = {
        "departure": instant_text(departure), "shortfall_kwh": shortfall_kwh, "periods": [],
        "soc_percent": 60.0, "need_percent": 75.0,
    }  # fmt: skip
    return StoredPlan(at, body)


def command(at: datetime, why: str) -> StoredCommand:
    return StoredCommand(at, 1, "stop", None, at + HOUR, why)


def test_a_skip_that_left_enough_time_is_no_cause() -> None:
    """It was cleared after five minutes; the next lasted until the need was out of reach."""
    asked, again = EVENING, LEAVES - 4 * HOUR
    commands = [
        command(asked, SKIPPED), command(asked + 5 * MINUTE, "cheaper hours are to come"),
        command(again, SKIPPED), command(again + 3 * HOUR, "every hour before 07:20 is needed"),
    ]  # fmt: skip
    plans = [plan(asked + 5 * MINUTE)]
    assert skipped_at(commands, plans, LEAVES) is None
    assert skipped_at(commands, [*plans, plan(again + 3 * HOUR, 3.0)], LEAVES) == again
    assert skipped_at(commands[:3], plans, LEAVES) == again, "to the end"


def test_time_was_too_short_from_the_first_plan_or_from_a_wish_on() -> None:
    """A plan that is short for another reason, such as an outage, names no wish and no arrival."""
    early, late = plan(EVENING), plan(LEAVES - HOUR, 2.0)
    wish = StoredRequest(LEAVES - HOUR, {"need_percent": 75.0})
    other = StoredRequest(LEAVES - HOUR, {"stop": True})
    assert too_little_time([early, late], [other], [LEAVES]) is None
    assert too_little_time([late], [wish], [LEAVES + HOUR]) is None, "another departure's"
    first = too_little_time([late], [], [LEAVES])
    assert first is not None
    assert not first.asked
    asked = too_little_time([early, late], [wish], [LEAVES])
    assert asked is not None
    assert (asked.at, asked.asked, asked.need_percent) == (LEAVES - HOUR, True, 75.0)


def test_a_vehicle_that_came_back_did_not_leave_early() -> None:
    """Nor did one that left a minute before its departure."""
    away, back = command(LEAVES - 3 * HOUR, AWAY), command(LEAVES - 2 * HOUR, "nothing is planned")
    renewed = command(LEAVES - HOUR, AWAY)
    assert left_early_at([back, away, renewed], LEAVES) == away.at
    assert left_early_at([away, back], LEAVES) is None
    assert left_early_at([back, command(LEAVES - MINUTE, AWAY)], LEAVES) is None


def test_a_late_wish_is_the_reason_and_not_an_old_skip(ledger: Ledger) -> None:
    """A skip was cleared at once; 90 % is asked for a quarter of an hour before leaving."""
    world = World(kowhai(), EVENING, ledger)
    world.read()
    world.plug_in(70.0)
    world.now += MINUTE
    world.ask(skip_until=EVENING + HOUR)
    world.now += 5 * MINUTE
    world.ask(clear=True)
    world.wait(LEAVES - 15 * MINUTE)
    world.ask(need_percent=99)
    world.wait(LEAVES + MINUTE)
    world.unplug()
    world.wait(NOON)
    (row,) = (month := read_month(FILE, world.house, ledger, (2026, 6), world.now)).nights
    words = why_short(month, row)
    assert "There was too little time from Thu 07:05 on, when somebody asked for 99 %" in words
    assert "asked not to charge" not in words


def test_a_vehicle_that_left_early_is_said_to_have(ledger: Ledger) -> None:
    """It was unplugged before the cheap hours."""
    world = World(kowhai(), EVENING, ledger)
    world.read()
    world.plug_in(20.0)
    world.wait(EVENING + HOUR)
    world.unplug()
    world.wait(NOON)
    (row,) = (month := read_month(FILE, world.house, ledger, (2026, 6), world.now)).nights
    assert "It was unplugged at Wed 19:30, 11.8 hours before the departure." in why_short(
        month, row
    )
