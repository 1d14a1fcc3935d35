"""The command `lullwatt wiring`: show a charge point's messages, or try it out."""

from __future__ import annotations

import json
from contextlib import ExitStack, closing
from functools import partial
from pathlib import Path
from signal import SIGHUP, SIGINT, SIGTERM
from typing import TYPE_CHECKING, Literal

import click
from rich.table import Table

from adapters.clocks.clock import SystemClock
from adapters.host.signals import heed_signals
from config.files.errors import UnwellError, UsageError
from config.household.loading import load_household
from daemon.control.state import vehicles_of
from daemon.presentation.options import CHARGE_POINT_OPTION, FILE, JSON_OPTION
from daemon.presentation.output import rich_text, say, write_output
from daemon.trial.exercise import Exercise
from daemon.trial.trial import Trial
from planners.power.allowed_currents import highest_amps

if TYPE_CHECKING:
    from config.household.equipment import ChargePoint
    from config.household.household_file import HouseholdFile
    from daemon.trial.exercise import Step
    from daemon.trial.ocpp_trial import OcppTrial

LISTEN_SECONDS = 60.0
PATIENCE_SECONDS = 15.0
"""How long the broker may take."""

CAUTION = """\
This switches a load that runs at full current. Before you go on:
  - A vehicle that may charge is plugged in, and somebody stands beside it.
  - Plug, socket, relay and cable are rated for the current. Feel them for warmth; unplug what
    gets hot, and have it looked at by a licensed electrician.
  - The daemon is stopped. Software is no protective device.
The charge point will be set to {currents}, and is told to stop at the end, also if this command
is interrupted or its terminal closes. {otherwise}"""

BY_WILL = """\
If it is killed or the network fails, the broker sends the
stop, 15 seconds later at most. If the broker fails too, only you can stop it: stay beside it."""

BY_EQUIPMENT = """\
If it is killed or the network fails, equipment
that stores limits ends the charge ten minutes later. Other equipment goes on: stay beside it."""

BY_NOBODY = """\
If it is killed or the network fails, only you can
stop it, since its message only changes over: stay beside it."""


@click.command()
@FILE
@CHARGE_POINT_OPTION
@click.option(
    "--listen",
    type=click.FloatRange(min=0, max=86_400),
    default=None,
    metavar="SECONDS",
    help="How long to listen, without --exercise [default: 60], or to wait until equipment that"
    " speaks OCPP connects [default: 300].",
)
@click.option("--exercise", is_flag=True, help="Stop, start, change the current and stop again.")
@click.option(
    "--release",
    is_flag=True,
    help="Clear all charging profiles in equipment that speaks OCPP, before Lullwatt is removed.",
)
@click.option("--yes", "is_sure", is_flag=True, help="Do not ask before --exercise or --release.")
@JSON_OPTION
def wiring(
    file: Path, charge_point: str | None, *, listen: float | None, exercise: bool, release: bool,
    is_sure: bool, as_json: bool,
) -> None:  # fmt: skip
    """Show a charge point's messages and what they mean, or try it out.

    With --exercise Lullwatt stops the charge point, starts it at its lowest current, changes the
    current if that can be set, and stops it. A table says what the charge point did. At the end it
    is told to stop, also if the command is interrupted. If it is killed, the broker sends the stop.
    Equipment that speaks OCPP connects to this command while the daemon is stopped. With --release
    it forgets all limits that Lullwatt has stored in it, so that it charges without Lullwatt.
    Exit codes: 0 all is well; 2 refused; 4 no broker, or a step that failed.
    """
    household = load_household(file)
    if release:
        from daemon.trial.ocpp_command import release_equipment  # noqa: PLC0415

        release_equipment(household, charge_point, listen, is_sure=is_sure, as_json=as_json)
        return
    name = _charge_point(household, charge_point)
    tell = partial(say, err=as_json)
    if household.charge_points[name].ocpp is not None:
        from daemon.trial.ocpp_command import show_equipment, trying_out  # noqa: PLC0415

        if not exercise:
            show_equipment(household, name, listen, tell)
            return
        with trying_out(household, name, listen, tell) as equipment:
            _exercise(equipment, household, name, is_sure=is_sure, as_json=as_json)
        return
    with ExitStack() as ending:
        ledger = None
        if exercise:
            from adapters.ledger.ledger import open_ledger  # noqa: PLC0415
            from adapters.ledger.lock import lock_ledger  # noqa: PLC0415

            ending.enter_context(lock_ledger(household.ledger.path))
            ledger = ending.enter_context(open_ledger(household.ledger.path))
        trial = ending.enter_context(Trial(household, name, SystemClock(), tell, ledger))
        trial.connect(PATIENCE_SECONDS)
        tell(f"Listening to {', '.join(trial.topics)}.")
        if exercise:
            trial.refuse_beside_a_daemon()
            _exercise(trial, household, name, is_sure=is_sure, as_json=as_json)
        else:
            trial.wait(lambda _latest: False, LISTEN_SECONDS if listen is None else listen)


def _exercise(
    trial: Trial | OcppTrial, file: HouseholdFile, name: str, *, is_sure: bool, as_json: bool
) -> None:

    point = file.charge_points[name]
    currents = currents_to_try(file, name)
    shown = ", ".join(f"{amps:g} A" for amps in currents)
    told = point.wiring.tell if point.wiring is not None else None
    otherwise = BY_NOBODY if told is not None and told.only_changes_over else BY_WILL
    otherwise = otherwise if point.ocpp is None else BY_EQUIPMENT
    say(CAUTION.format(currents=shown, otherwise=otherwise), err=True)
    if not is_sure and click.prompt("Type yes to go on", default="no", err=True) != "yes":
        raise UsageError("nothing was sent; type yes at the question, or add --yes")
    trying_out = Exercise(
        trial,
        currents,
        watts_per_amp=file.household.nominal_volts * point.phases,
        patience_seconds=float(point.confirm_seconds + point.delays_itself_seconds),
        meter=_meter_of(point),
        look=(lambda _question: None) if is_sure else _ask_whoever_looks,
    )
    tell = partial(say, err=as_json)
    # A signal must not end the process before the stop is sent; nor must a terminal that is gone.
    ending = {SIGTERM: trial.end, SIGINT: trial.end, SIGHUP: trial.end}
    with heed_signals(ending), closing(trying_out.run()) as steps:
        for step in steps:
            tell(f"          {_row(step)}")
    if as_json:
        say(json.dumps([_as_json(step) for step in trying_out.steps], indent=2))
    else:
        _print_table(trying_out.steps)
    if not trying_out.passed:
        failed = [step.name for step in trying_out.steps if step.passed is False]
        raise UnwellError(
            f"{name} failed: {', '.join(failed)}; to see what the hardware sends, run the command"
            " without --exercise, and compare it with wiring in the household file"
        )


def _meter_of(point: ChargePoint) -> Literal["power", "register", "none"]:
    """Return what shows whether power flows, by the file; without wiring it is a power."""
    hear = point.wiring.hear if point.wiring is not None else None
    if hear is None or hear.power is not None or hear.current is not None:
        return "power"
    return "register" if hear.energy is not None else "none"


def _ask_whoever_looks(question: str) -> bool | None:
    answer = click.prompt(question, type=click.Choice(["yes", "no", "?"]), default="?", err=True)
    return None if answer == "?" else answer == "yes"


def currents_to_try(file: HouseholdFile, charge_point: str) -> tuple[float, ...]:
    """Return the currents of an exercise [A], the lowest first; a relay has only one."""
    point = file.charge_points[charge_point]
    users = vehicles_of(file, charge_point)
    highest = min(
        (highest_amps(file, charge_point, name) for name in users), default=point.max_amps
    )
    if point.switching == "on_off":
        return (highest,)
    midway = float(round((point.min_amps + highest) / 2))
    return tuple(sorted({point.min_amps, midway, highest}))


def _charge_point(file: HouseholdFile, name: str | None) -> str:
    names = list(file.charge_points)
    if name is None and len(names) == 1:
        return names[0]
    if name is None:
        raise UsageError(f"which charge point? Add --charge-point and one of {', '.join(names)}")
    if name not in names:
        raise UsageError(f"--charge-point: expected one of {', '.join(names)}, got {name!r}")
    return name


def _row(step: Step) -> str:
    took = "" if step.seconds is None else f" after {step.seconds:.1f} s"
    return f"{_result(step)}  {step.name}{took}: {step.observed}"


def _result(step: Step) -> str:
    return "not judged" if step.passed is None else "passed" if step.passed else "FAILED"


def _as_json(step: Step) -> dict[str, object]:
    return {
        "step": step.name, "passed": step.passed, "seconds": step.seconds, "saw": step.observed,
    }  # fmt: skip


def _print_table(steps: list[Step]) -> None:

    table = Table(box=None, pad_edge=False, header_style="dim")
    for column in ("step", "result", "delay", "what it did"):
        table.add_column(column)
    for step in steps:
        delay = "" if step.seconds is None else f"{step.seconds:.1f} s"
        table.add_row(step.name, _result(step), delay, step.observed)
    say("")
    write_output(rich_text(table))
