"""The campaign: ``python -m tests.ocpp_boxes``, or ``make boxes``.

Prints a table with energy, cost and alerts of each kind of box with each behaviour, then what was
wrong, which must be nothing; the exit code is 1 otherwise. LULLWATT_BOXES=part of a name plays the
kinds whose names have that part, LULLWATT_BEHAVIOURS likewise.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import product
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from config.fields.zones import use_pinned_zones
from tests.faults.tally import say
from tests.ocpp_boxes.box import Box
from tests.ocpp_boxes.hardware import Hardware
from tests.ocpp_boxes.kinds import BEHAVIOURS, KINDS, Kind
from tests.ocpp_boxes.nights import Night, quiet
from tests.ocpp_boxes.verdict import Verdict, judge
from tests.support.brokers import Mosquitto, free_port

WORKERS: Final = int(os.environ.get("LULLWATT_WORKERS", "2"))


def cell(
    kind: Kind, behaviour: str, broker: str, port: int, make_box: Callable[..., Hardware]
) -> Verdict:
    """Play one night in a folder of its own."""
    use_pinned_zones()
    with quiet(), TemporaryDirectory() as folder:
        try:
            night = Night(Path(folder), kind, behaviour, broker, port, make_box=make_box)
            return judge(night.play(), kind, behaviour)
        except Exception as error:  # noqa: BLE001 - a cell of the table
            return Verdict(0, "-", (), 0, 0, (f"{type(error).__name__}: {error}",))


def main(
    all_kinds: Sequence[Kind] = KINDS,
    all_behaviours: Sequence[str] = BEHAVIOURS,
    make_box: Callable[..., Hardware] = Box,
) -> int:
    """Play all nights, and return the exit code."""
    wanted = os.environ.get("LULLWATT_BOXES", ""), os.environ.get("LULLWATT_BEHAVIOURS", "")
    kinds = [each for each in all_kinds if wanted[0] in each.name]
    behaviours = [each for each in all_behaviours if wanted[1] in each]
    wrong = 0
    with TemporaryDirectory() as folder:
        broker = Mosquitto(Path(folder), keeps=False)
        broker.start()
        try:
            with ProcessPoolExecutor(WORKERS) as pool:
                played = {
                    (kind.name, behaviour): pool.submit(
                        cell, kind, behaviour, broker.bus.broker, free_port(), make_box
                    )
                    for kind, behaviour in product(kinds, behaviours)
                }
                say("| box | behaviour | kWh | cost | alerts | wrong |\n|---|---|---|---|---|---|")
                for (name, behaviour), future in played.items():
                    found = future.result()
                    wrong += len(found.wrong)
                    alerts, faults = ", ".join(found.alerts), "; ".join(found.wrong)
                    say(
                        f"| {name} | {behaviour} | {found.kwh:.2f} | {found.cost} | {alerts} |"
                        f" {faults} |"
                    )
        finally:
            broker.stop()
    say(f"\nwrong: {wrong}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
