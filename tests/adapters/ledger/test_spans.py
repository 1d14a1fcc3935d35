"""Reading a span of time: its start is included, its end is not."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from adapters.contract.messages import Command
from adapters.ledger.ledger import Ledger, open_ledger
from adapters.ledger.rows import StoredHappening, StoredReport
from config.files.errors import LedgerError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

NOON = datetime(2026, 6, 3, tzinfo=UTC)
HOUR = timedelta(hours=1)
POINT = "driveway"


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    """Return a ledger with a row of each kind in each of 6 hours, for two charge points."""
    with open_ledger(tmp_path / "ledger.sqlite3") as opened:
        for name in (POINT, "barn"):
            for hour in range(6):
                at = NOON + hour * HOUR
                stop = Command(serial=hour + 1, do="stop", valid_until=at + HOUR, why=name)
                opened.add_command(name, at, stop)
                opened.add_plan(name, at, {"hour": hour, "of": name})
                opened.add_vehicle_report(name, at, "B" if hour % 2 else None, 10.0 * hour)
        yield opened


def test_a_span_is_half_open(ledger: Ledger) -> None:
    """A row at the start is included; one at the end, and rows of others, are not."""
    span = (POINT, NOON + HOUR, NOON + 3 * HOUR)
    assert [it.serial for it in ledger.commands_between(*span)] == [2, 3]
    assert {it.why for it in ledger.commands_between(*span)} == {POINT}
    assert [it.body for it in ledger.plans_between(*span)] == [
        {"hour": 1, "of": POINT},
        {"hour": 2, "of": POINT},
    ]
    assert ledger.reports_between(*span) == (
        StoredReport(NOON + HOUR, "B", 10.0),
        StoredReport(NOON + 2 * HOUR, None, 20.0),
    )


def test_the_last_row_before_an_instant_is_found(ledger: Ledger) -> None:
    """None if there is no such row."""
    at = NOON + 3 * HOUR
    command, plan, pilot = (
        look(POINT, at) for look in (ledger.command_before, ledger.plan_before, ledger.pilot_before)
    )
    assert command is not None
    assert plan is not None
    assert command == ledger.commands_between(POINT, NOON, at)[-1]
    assert plan == ledger.plans_between(POINT, NOON, at)[-1]
    assert pilot == StoredReport(NOON + HOUR, "B", 10.0), (
        "a report without a pilot state is skipped"
    )
    assert ledger.command_before(POINT, NOON) is None
    assert ledger.plan_before(POINT, NOON) is None
    assert ledger.pilot_before(POINT, NOON) is None


def test_first_and_last_cover_all_named_charge_points(ledger: Ledger) -> None:
    """The earliest and latest instant of any row of these charge points; None without rows."""
    ledger.add_reading("barn", NOON - HOUR, 1000)
    assert ledger.first_written([POINT]) == NOON
    assert ledger.first_written([POINT, "barn"]) == NOON - HOUR
    assert ledger.first_written(["shed"]) is None
    assert ledger.last_written([POINT], NOON + 2 * HOUR) == NOON + HOUR
    assert ledger.last_written([POINT], NOON) is None


def test_events_of_the_daemon_are_recorded(ledger: Ledger) -> None:
    """They are read back in order; the last of some kinds is found; unknown kinds are refused."""
    ledger.add_happening(NOON, "started")
    ledger.add_happening(NOON + HOUR, "prices", {"known_until": "x"})
    ledger.add_happening(NOON + 2 * HOUR, "ended", {"why": "y"})
    assert ledger.happenings_between(NOON, NOON + 2 * HOUR) == (
        StoredHappening(NOON, "started", {}),
        StoredHappening(NOON + HOUR, "prices", {"known_until": "x"}),
    )
    last = ledger.last_happening(("started", "ended"), NOON + 2 * HOUR)
    assert last == StoredHappening(NOON, "started", {})
    assert ledger.last_happening(("file",), NOON + 9 * HOUR) is None
    with pytest.raises(LedgerError, match="CHECK"):
        ledger.add_happening(NOON, "slept")  # type: ignore[arg-type]
