"""A vehicle that did not charge is told apart from readings that were lost."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from adapters.contract.messages import Command
from adapters.ledger.rows import StoredCommand
from daemon.messaging.outbox import Outbox
from daemon.nights.unknown_time import unknown_time
from tests.daemon.nights.test_account import FACTS
from tests.daemon.worlds import (
    HOUR,
    LEAVES,
    MINUTE,
    NIGHT_BEGINS,
    POINT,
    RecordedBus,
    household,
    topics_of,
)

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from adapters.ledger.ledger import Ledger
    from daemon.control.state import House

START = StoredCommand(NIGHT_BEGINS, 1, "start", 16.0, NIGHT_BEGINS + 3 * HOUR, "cheap")
STOP = StoredCommand(NIGHT_BEGINS + 2 * HOUR, 2, "stop", None, LEAVES, "done")


def minutes(*counts: int) -> list[datetime]:
    return [NIGHT_BEGINS + count * MINUTE for count in counts]


READ_IN_TIME = list(range(-5, 125, 5))


@pytest.mark.parametrize(
    ("readings", "with_register", "from_power"),
    [
        (READ_IN_TIME, 0, 0),
        ([*range(-5, 35, 5), *range(90, 125, 5)], 0, 45),  # lost from 30 to 90
        ([-5, 300], 0, 110),
        ([-5], 110, 110),  # and never read again
        ([60, 75, 90, 105, 120], 60, 60),  # not read before
        ([], 120, 120),
    ],
)
def test_a_register_says_afterwards_what_flowed(
    readings: Sequence[int], with_register: int, from_power: int
) -> None:
    """From power alone, nobody knows what flowed more than 15 minutes after a reading."""
    span = (NIGHT_BEGINS - 5 * HOUR, LEAVES)
    for has_register, expected in ((True, with_register), (False, from_power)):
        unknown = unknown_time((START, STOP), minutes(*readings), *span, has_register=has_register)
        assert unknown == expected * MINUTE


def test_only_a_start_in_force_counts() -> None:
    """An expired start charges nothing, and neither does what lies outside the night."""
    short = replace(START, valid_until=NIGHT_BEGINS + 30 * MINUTE)
    span = (NIGHT_BEGINS - HOUR, LEAVES)
    assert unknown_time((short,), (), *span, has_register=True) == 30 * MINUTE
    later = (NIGHT_BEGINS + 20 * MINUTE, LEAVES)
    assert unknown_time((short,), (), *later, has_register=True) == 10 * MINUTE
    assert unknown_time((STOP,), (), *span, has_register=True) == timedelta(0)
    assert unknown_time((), (), *span, has_register=True) == timedelta(0)


PLUG = {
    "tell": {
        "start": {"topic": "plug/set", "text": "on"},
        "stop": {"topic": "plug/set", "text": "off"},
        "stop_as_will": True,
    },
    "hear": {"power": {"topic": "plug/power", "unit": "W"}},
}


@pytest.mark.parametrize(
    ("house", "unknown_hours"),
    [
        (household(), None),
        (household(point={"max_amps": 10.0, "switching": "on_off", "wiring": PLUG}), 1.75),
    ],
)
def test_a_night_says_what_is_unknown(
    ledger: Ledger, house: House, unknown_hours: float | None
) -> None:
    """The readings of two hours are lost: only hardware without a register leaves a doubt."""
    out = Outbox(topics_of(house), ledger, RecordedBus())
    for serial, (at, do) in enumerate([(-60, "stop"), (0, "start"), (240, "stop")], start=1):
        amps = 10.0 if do == "start" else None
        command = Command.model_validate(
            {"serial": serial, "do": do, "amps": amps, "valid_until": LEAVES, "why": "a test"}
        )
        ledger.add_command(POINT, NIGHT_BEGINS + at * MINUTE, command)
    for minute in (*range(-60, 60, 10), *range(170, 500, 10)):
        on_for = max(0, min(minute, 240))
        ledger.add_reading(POINT, NIGHT_BEGINS + minute * MINUTE, 1_000_000 + 38 * on_for)
    record = out.night_account(FACTS, house)
    assert record.get("unknown_hours") == unknown_hours
