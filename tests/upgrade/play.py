"""Play nights with the version of Lullwatt on the Python path, and keep its ledger.

`tests.upgrade.keep` runs it as a script, in a process whose path leads to that version; so it
imports nothing from these tests. It needs the rooms that came after 0.1.0. Two nights are closed;
the third is interrupted while it charges, as by a power cut.
"""

from __future__ import annotations

import os
import sys
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from adapters.ledger.exact_json import dump_exact
from adapters.ledger.ledger import Ledger, open_ledger
from config.fields.zones import use_pinned_zones
from daemon.presentation.logs import set_up_logs
from daemon.rehearsal import rehearsal, set_up

PLUGGED_IN = datetime.fromisoformat("2026-06-03T18:30:00+12:00")
SOC_PERCENT = (35.0, 42.0, 28.0)
CUT_AFTER = timedelta(hours=4, minutes=10)


def main(household: Path, ledger: Path, recorded: Path) -> None:
    """Play the nights; the process ends in the middle of the last one."""
    use_pinned_zones()
    set_up_logs(quiet=True)
    _keep_in(ledger)
    register_wh = 1_000_000
    nights: list[object] = []
    for number, soc_percent in enumerate(SOC_PERCENT):
        _let_the_meter_show(register_wh)
        if number == len(SOC_PERCENT) - 1:
            recorded.write_text(dump_exact({"nights": nights, "register_wh": register_wh}), "utf-8")
            _cut_at(PLUGGED_IN + timedelta(days=number) + CUT_AFTER)
        result = set_up.rehearse_night(
            household,
            vehicle=None,
            soc_percent=soc_percent,
            at=PLUGGED_IN + timedelta(days=number),
            say=lambda _line: None,
        )
        nights.append(result.night)
        register_wh += round(result.register_kwh * 1000)
    raise AssertionError("the last night was not cut short")


def _keep_in(ledger: Path) -> None:
    """Make the rehearsals write to a ledger that is kept."""

    def open_kept(path: Path, *, read_only: bool = False) -> Ledger:
        assert path.name == ledger.name  # in a folder that the rehearsal throws away
        return open_ledger(ledger, read_only=read_only)

    set_up.open_ledger = open_kept  # type: ignore[attr-defined]


def _let_the_meter_show(register_wh: int) -> None:
    """Let each night's meter continue from the night before: a rehearsal starts with a new one."""
    made = rehearsal.simulated_point

    def going_on(file: Any, name: str, at: datetime) -> Any:  # noqa: ANN401 - of any version
        point = made(file, name, at)
        assert hasattr(point, "_register_wh")
        point._register_wh = float(register_wh)
        return point

    rehearsal.simulated_point = going_on


def _cut_at(instant: datetime) -> None:
    settle = rehearsal.Rehearsal._settle

    def settle_or_end(self: Any) -> None:  # noqa: ANN401 - of any version
        settle(self)
        if self.clock.now() >= instant:
            os._exit(0)

    rehearsal.Rehearsal._settle = settle_or_end  # type: ignore[method-assign]


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:4]))
