"""The command line: all commands, their errors in one line, and their exit codes."""

from __future__ import annotations

import atexit
import gc
import io
import os
import sys
from pathlib import Path
from typing import NoReturn

import click

from config.fields.zones import use_pinned_zones
from config.files.errors import LullwattError
from daemon.command_line.doors import CommandsBehindDoors
from daemon.presentation.options import (
    AT_OPTION,
    DAYS_OPTION,
    FILE,
    FORMAT_OPTION,
    FROM_OPTION,
    JSON_OPTION,
    NIGHTS_OPTION,
    PICTURE_OPTION,
    SOCS_OPTION,
    USUAL_NIGHTS,
    USUAL_PACE,
    done_by,
)
from daemon.presentation.output import say

use_pinned_zones()

MOST_NIGHTS = 366
MOST_HOMES = 12
MOST_PACE = 120.0
"""How many minutes of a rehearsed night may pass in a second while its page is shown."""

COLLECT_AFTER = 200_000
"""Garbage is looked for after so many new objects: loading a command makes half as many, and none
of them is garbage. The daemon looks more often, once it has started."""

TRACEBACK_VARIABLE = "LULLWATT_TRACEBACK"
"""Environment variable; if it is set, a programming error shows its traceback."""


@click.group(cls=CommandsBehindDoors, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="lullwatt", prog_name="lullwatt")
def cli() -> None:
    """Plan the cheapest hours to charge an electric car, and charge in those hours.

    Exit codes: 0 done; 2 bad usage, a bad household file, or something is missing; 3 done, but
    the charge that is needed can't be reached in time, or some of many homes or extracts could not
    be read; 4 the daemon does not run or is not well, or another one has taken over; 5 prices or
    calendars could not be fetched, or were refused.

    Lullwatt switches a load that runs at full current for hours. It is not a protective device.
    Local wiring rules and a licensed electrician decide what may be connected.
    """


@cli.command()
@FILE
@AT_OPTION
@done_by("daemon.check.explain:check")
def check() -> None:
    """Validate a household file, and explain in plain words what it means."""


@cli.command()
@FILE
@click.option(
    "--vehicle", help="Plan this vehicle alone, with its charge point's fixed share of the fuse."
)
@SOCS_OPTION
@AT_OPTION
@NIGHTS_OPTION
@JSON_OPTION
@PICTURE_OPTION
@done_by("daemon.command_line.plan:plan")
def plan() -> None:
    """Plan from now (or --at) to the next departure, and print the plan.

    If the file has several vehicles, it plans those named with --soc together, or else all of
    them, so that they share the main fuse hour by hour, and says how good the plans are. Without
    --soc the state of charge is arrives_with_percent of the file. With --nights it plans several
    departures together, as the daemon does, so that a cheap night can replace an expensive one.
    It includes later departures as far as the rates, the returns and the energy of the trips are
    known.
    """


@cli.command()
@FILE
@FROM_OPTION
@DAYS_OPTION
@JSON_OPTION
@FORMAT_OPTION
@PICTURE_OPTION
@click.option(
    "--charge-point",
    metavar="NAME",
    help="Print the rates of the meter of this charge point's own, not of the home's.",
)
@done_by("daemon.tariff.command:tariff")
def tariff() -> None:
    """Print the rates of some days, to check against the supplier's papers.

    Each day is a strip with a cell for every half hour; bands and rates are listed below. CSV and
    JSON hold the exact rates. All rates include tax.
    """


@cli.command()
@FILE
@click.option("--json-log", is_flag=True, help="Log each event as a line of JSON, for programs.")
@done_by("daemon.service.running:run", logs=True)
def run() -> None:
    """Run the daemon until SIGTERM or Ctrl-C; SIGHUP loads the file again.

    If two daemons run for one household, the later one stays; the other ends with exit code 4.
    """


@cli.command()
@click.argument("file", type=click.Path(path_type=Path), required=False)
@click.option(
    "--vehicle", help="Name of the vehicle that comes; without: one at each charge point."
)
@SOCS_OPTION
@AT_OPTION
@click.option(
    "--home",
    type=click.Choice(["busy"]),
    help="Also simulate a home that cooks, washes and heats, with a meter of its load.",
)
@click.option(
    "--sun",
    "sky",
    type=click.Choice(["clear", "broken", "dull"]),
    help="Also simulate solar roofs under such a sky, with a forecast, a meter of them, and one"
    " between the home and the grid, which the current follows.",
)
@click.option(
    "--page",
    "with_page",
    is_flag=True,
    help="Show the page of the household meanwhile, on this machine, until Ctrl-C.",
)
@click.option(
    "--pace",
    type=click.FloatRange(0.1, MOST_PACE),
    metavar="MINUTES",
    help=f"With --page: how many minutes pass in a second; {USUAL_PACE:g} unless given.",
)
@click.option(
    "--keep",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Keep the household files and ledgers of invented homes there, to try the reports on.",
)
@click.option(
    "--nights",
    type=click.IntRange(1, MOST_NIGHTS),
    help=f"With --keep: how many nights, from 1 June 2026 on; {USUAL_NIGHTS} unless given.",
)
@click.option(
    "--homes",
    type=click.IntRange(1, MOST_HOMES),
    help="With --keep: how many homes; 1 unless given.",
)
@JSON_OPTION
@done_by("daemon.rehearsal.command:rehearse", logs=True)
def rehearse() -> None:
    """Rehearse a whole night in seconds, without touching any hardware.

    It runs the real daemon and a real broker on this machine, with simulated charge points and
    vehicles, in virtual time. Without FILE it uses the demo household. It writes nothing to the
    household's own ledger.

    With --home busy, a home with invented appliances draws current too, and its meter reports it:
    see how charging is lowered so that the main fuse holds. Without FILE, two vehicles then share
    a main fuse of 40 A.

    With --sun clear, broken or dull, the roofs of the file give what such a sky lets through, and
    a forecast of it comes first: see what is charged from the roof, and what from the grid. Without
    FILE, it is the example of a home with a roof.

    With --page, time passes slowly, one evening after the other, and the household's page shows it.
    Open the address that is printed: you can press everything, and the daemon obeys.

    With --keep, many nights of up to twelve invented homes are played, some of them on the wrong
    tariff or with faulty hardware: half a second a night. Their ledgers are kept in FOLDER, so that
    you can try `nights`, `month`, `why` and `appraise` without a home of your own.
    """


def main() -> NoReturn:
    """Run the command line, and print errors in one line on standard error."""
    gc.set_threshold(COLLECT_AFTER)
    atexit.register(gc.freeze)  # what ends anyway need not be looked through for garbage
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # for a terminal that lacks our characters
    try:
        _run_command()
    except LullwattError as error:
        _exit_with(str(error), error.exit_code)
    except (click.exceptions.Abort, KeyboardInterrupt):
        _exit_with("stopped", 130)
    except BrokenPipeError:
        # The reader closed the pipe; keep the interpreter from complaining at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except Exception as error:
        if os.environ.get(TRACEBACK_VARIABLE):
            raise
        _exit_with(
            f"a fault in Lullwatt itself: {type(error).__name__}: {error}"
            f" (set {TRACEBACK_VARIABLE}=1 to see where)",
            1,
        )
    sys.exit(0)


def _run_command() -> None:
    """Read the arguments and run a command; print click's errors in one line."""
    try:
        # Not `cli()`: it would treat a broken pipe as a failure.
        with cli.make_context("lullwatt", sys.argv[1:]) as context:
            cli.invoke(context)
    except click.exceptions.Exit as error:
        sys.exit(error.exit_code)
    except click.exceptions.NoArgsIsHelpError as error:
        _exit_with(error.format_message(), error.exit_code)
    except click.ClickException as error:
        _exit_with(_one_line(error), error.exit_code)


def _one_line(error: click.ClickException) -> str:
    context = error.ctx if isinstance(error, click.UsageError) else None
    command = context.command_path if context else "lullwatt"
    return f"{command}: {error.format_message()} ({command} --help says more)"


def _exit_with(message: str, code: int) -> NoReturn:
    say(message, err=True)
    sys.exit(code)
