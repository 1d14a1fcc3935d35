"""The command `lullwatt simulate`: play a charge point, so that a file can be tried."""

from __future__ import annotations

from contextlib import closing, suppress
from pathlib import Path
from signal import SIGHUP, SIGINT, SIGTERM
from typing import TYPE_CHECKING

import click

from adapters.clocks.clock import SystemClock
from adapters.host.signals import heed_signals
from adapters.ledger.ledger import open_ledger
from adapters.simulated.faults import IN_WORDS, Fault
from config.files.errors import LedgerError, UsageError
from config.household.loading import load_household
from daemon.presentation.options import CHARGE_POINT_OPTION, FILE, SOC_OPTION
from daemon.presentation.output import say
from daemon.simulation.playing import Simulation

if TYPE_CHECKING:
    from collections.abc import Sequence

    from config.household.household_file import HouseholdFile

FAULTS = (
    "never-starts", "sticks-on", "counts-backwards", "kw-for-w", "silent", "drops-every-tenth",
    "unplugged-at-random",
)  # fmt: skip
"""The names of `adapters.simulated.faults`, which `--help` must not load."""

CAUTION = """\
{charge_point} will be played at {place}: what it says there counts as real.
  - Real hardware must be disconnected: a daemon would judge it by what is simulated, and leave it
    on or off. Nobody else may use {ways}.
  - A daemon of this household records the simulated energy. Try a file with a ledger of its own."""


@click.command()
@FILE
@CHARGE_POINT_OPTION
@click.option("--fault", type=click.Choice(FAULTS), help="What is wrong with the hardware.")
@click.option(
    "--ocpp",
    "ocpp_version",
    type=click.Choice(["1.6", "2.0.1", "2.1"]),
    help="The version of OCPP that it speaks; by default that of the file, or 1.6.",
)
@SOC_OPTION
@click.option(
    "--seconds",
    type=click.FloatRange(min=1),
    metavar="SECONDS",
    help="How long to play; by default until Ctrl-C.",
)
@click.option("--yes", "is_sure", is_flag=True, help="Do not ask before it begins.")
def simulate(
    file: Path,
    charge_point: str | None,
    *,
    fault: str | None,
    ocpp_version: str | None,
    soc: float | None,
    seconds: float | None,
    is_sure: bool,
) -> None:
    """Play a charge point with a vehicle on the file's broker, so that a file can be tried.

    It speaks the file's wiring from the hardware's side: it listens to what is told, and publishes
    what is heard. A charge point without wiring speaks the daemon's own messages, one with `ocpp`
    connects to the daemon. Run the daemon beside it. It ends if anybody else publishes on its
    topics, or connects with its identity.
    Exit codes: 0 ended; 2 refused; 4 no broker.
    """
    household = load_household(file)
    name = _charge_point(household, charge_point)
    wrong = None if fault is None else Fault(fault)
    if wrong is not None:
        say(f"Fault: {IN_WORDS[wrong]}.")
    simulation = Simulation(
        household, name, SystemClock(), say, fault=wrong, ocpp_version=ocpp_version,
        soc_percent=soc,
    )  # fmt: skip
    say(f"Listening whether real hardware of {name} is there ...")

    def confirm(facts: Sequence[str]) -> None:
        ways = f"its topics {', '.join(simulation.topics)}"
        broker, point = household.bus.broker, household.charge_points[name]
        if point.ocpp is not None and household.ocpp is not None:
            ways, broker = f"the identity {point.ocpp.identity}", household.ocpp.listen
        say(CAUTION.format(charge_point=name, place=broker, ways=ways), err=True)
        for fact in (*facts, *_facts_of_ledger(household, name)):
            say(f"  - {fact}", err=True)
        if not is_sure and click.prompt("Type yes to go on", default="no", err=True) != "yes":
            raise UsageError("nothing was published; type yes at the question, or add --yes")

    stop = simulation.stop
    with heed_signals({SIGTERM: stop, SIGINT: stop, SIGHUP: stop}):
        simulation.run(confirm, seconds)


def _charge_point(file: HouseholdFile, name: str | None) -> str:
    names = list(file.charge_points)
    if name is None and len(names) > 1:
        raise UsageError(f"which charge point? Add --charge-point and one of {', '.join(names)}")
    chosen = names[0] if name is None else name
    if chosen not in names:
        raise UsageError(f"--charge-point: expected one of {', '.join(names)}, got {chosen!r}")
    return chosen


def _facts_of_ledger(file: HouseholdFile, name: str) -> list[str]:
    """Say whether the ledger holds readings of the charge point, which may be real ones."""
    if not file.ledger.path.exists():
        return []
    with suppress(LedgerError), closing(open_ledger(file.ledger.path, read_only=True)) as ledger:
        last = ledger.last_reading(name)
        if last is not None:
            when = f"{last.at:%Y-%m-%d %H:%M} UTC"
            known = f"The ledger {file.ledger.path} has readings of {name}, the last of {when}"
            return [f"{known}: simulated ones would be added to them."]
    return []
