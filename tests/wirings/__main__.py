"""Play every wired example with each fault: `make wirings`; `LULLWATT_WIRINGS=plug` plays one.

A line for each night has what was recorded, what the simulated meter counted, and the alerts. Under
`wrong` stands which alert is missing, or came with good hardware: it must be empty.
"""

from __future__ import annotations

import logging
import os
import sys
import tempfile
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import structlog

from adapters.ledger.ledger import open_ledger
from adapters.simulated.faults import Fault
from daemon.control.events import Warn
from daemon.messaging.hardware_channels import without_ocpp
from daemon.rehearsal.hardware import hardware_as_wired
from daemon.rehearsal.rehearsal import Evening, Rehearsal
from daemon.service.household_watch import HouseholdWatch
from tests.support.brokers import quick_broker

if TYPE_CHECKING:
    from config.household.wiring import WiringInputs
    from daemon.messaging.incoming import HandledEvent

EXAMPLES = Path(__file__).parents[2] / "config" / "examples"
WIRED = [path for path in sorted(EXAMPLES.glob("*.yaml")) if "    wiring:" in path.read_text()]
EVENING = datetime(2026, 6, 3, 6, 30, tzinfo=UTC)
SOC_PERCENT = 55.0
NEAR_KWH = 0.25


def promised(fault: Fault | None, hear: WiringInputs) -> str | None:
    """Return the alert that must come with a fault; None where nobody could notice it."""
    sees_power = hear.power is not None or hear.current is not None
    match fault:
        case Fault.NEVER_STARTS:
            return "no-power-after-start" if hear.measures else None
        case Fault.STICKS_ON:
            return "power-after-stop" if hear.measures else None
        case Fault.COUNTS_BACKWARDS:
            return "register-falls" if hear.energy is not None else None
        case Fault.KW_FOR_W:
            return "no-power-after-start" if sees_power else None
        case Fault.SILENT:
            return "no-reading" if hear.measures else None
        case _:
            return None


def play(path: Path, fault: Fault | None) -> str:
    """Play a night; return its line, with what is wrong at the end."""
    alerts: dict[str, None] = {}

    def observe(handled: HandledEvent) -> None:
        alerts.update((each.code, None) for _, each in handled.actions if isinstance(each, Warn))

    with ExitStack() as ending:
        folder = Path(ending.enter_context(tempfile.TemporaryDirectory()))
        broker = ending.enter_context(quick_broker(folder / "mosquitto"))
        watch = HouseholdWatch(path)
        file = watch.house.file
        ledger = ending.enter_context(open_ledger(folder / "ledger.sqlite3"))
        evening = Evening(next(iter(file.vehicles)), EVENING, SOC_PERCENT)
        result = Rehearsal(
            watch, ledger, broker.bus, evening, observe, fault=fault,
            make_hardware=hardware_as_wired(file, fault), wired=without_ocpp(file),
        ).run()  # fmt: skip
    (point,) = file.charge_points.values()
    hear = point.wiring.hear if point.wiring is not None else None
    assert hear is not None
    night = result.night or {}
    kwh, wanted = float(night.get("energy_kwh", 0)), promised(fault, hear)
    wrong = []
    if wanted is not None and wanted not in alerts:
        wrong.append(f"no {wanted}")
    if fault is None and alerts:
        wrong.append("an alert")
    recorded = fault in {None, Fault.DROPS_TENTH, Fault.UNPLUGGED, Fault.STICKS_ON}
    if recorded and hear.measures and abs(kwh - result.register_kwh) > NEAR_KWH:
        wrong.append("the record")
    met = "yes" if night.get("need_met") else "no"
    return (
        f"| {path.stem} | {fault or '-'} | {kwh:.2f} | {result.register_kwh:.2f}"
        f" | {night.get('cost', '-')} | {met} | {', '.join(alerts) or '-'} | {'; '.join(wrong)} |"
    )


def show(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def main() -> int:
    """Print the table; return 1 if anything is wrong."""
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    only = os.environ.get("LULLWATT_WIRINGS", "").split()
    show("| example | fault | recorded kWh | meter kWh | cost | need met | alerts | wrong |")
    show("|---|---|---|---|---|---|---|---|")
    is_wrong = False
    for path in WIRED:
        if only and path.stem not in only:
            continue
        for fault in (None, *Fault):
            line = play(path, fault)
            is_wrong = is_wrong or not line.endswith("|  |")
            show(line)
    return int(is_wrong)


if __name__ == "__main__":
    sys.exit(main())
