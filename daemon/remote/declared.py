"""The commands `lullwatt ask` and `lullwatt status`: their options and their help."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click
from click.decorators import FC

from daemon.presentation.options import (
    CHARGE_POINT_OPTION,
    FILE,
    JSON_OPTION,
    SOC_OPTION,
    done_by,
    read_percent,
)

if TYPE_CHECKING:
    from collections.abc import Callable


def _wait_option(seconds: float) -> Callable[[FC], FC]:
    return click.option(
        "--wait",
        type=click.FloatRange(min=0.1, max=600),
        default=seconds,
        show_default=True,
        metavar="SECONDS",
        help="Longest time to wait for an answer.",
    )


@click.command()
@FILE
@CHARGE_POINT_OPTION
@click.option(
    "--want",
    callback=read_percent,
    metavar="PERCENT",
    help="State of charge that is wanted, at any price.",
)
@click.option(
    "--need", callback=read_percent, metavar="PERCENT", help="State of charge that is needed."
)
@click.option(
    "--by",
    metavar="TIME",
    help="When it must be ready: 14:00 (the next one), 'sat 08:00', '2026-11-30 08:00', 2026-11-30"
    " (that day's departure), or an instant with its offset.",
)
@click.option("--in", "within", metavar="DURATION", help="The same from now: 90min, 1h or 1h30.")
@SOC_OPTION
@click.option("--vehicle", help="Name of the vehicle that is plugged in.")
@click.option("--now", "charge_now", is_flag=True, help="Charge at once, whatever it costs.")
@click.option(
    "--skip-until", metavar="TIME", help="Do not charge before this; written as for --by."
)
@click.option("--stop", is_flag=True, help="Do not charge until the next departure has passed.")
@click.option(
    "--away",
    metavar="TIME",
    help="Away until then: no departure before it counts; written as for --by.",
)
@click.option("--clear", is_flag=True, help="Cancel everything that was asked for.")
@click.option(
    "--remove",
    metavar="ID",
    help="Cancel one wish by its id, which `lullwatt status` shows; or charge_now, skip_until or"
    " away_until.",
)
@click.option(
    "--equipment-checked",
    is_flag=True,
    help="Start equipment again that took more current than it was told: it was looked at.",
)
@click.option(
    "--preview", is_flag=True, help="Only show what the daemon would do; nothing is changed."
)
@JSON_OPTION
@_wait_option(30)
@done_by("daemon.remote.commands:ask", logs=True)
def ask() -> None:
    """Send a request to a running daemon, and print its answer.

    --want and --need are for the next departure, or for the instant of --by. Within an hour of a
    departure of the file they replace its target once; otherwise they add a departure, with a
    margin of 15 minutes, and all others keep their needs. A later wish for the same departure
    changes the earlier one. --want alone never lowers a need. --soc is the state of charge that the
    dashboard shows. --preview beside any of them prints energy, cost, and what becomes of each
    departure, and changes nothing.
    Exit codes: 0 accepted; 2 refused; 4 no answer.
    """


@click.command()
@FILE
@click.option("--alive", is_flag=True, help="Check only that the daemon runs; ignore alerts.")
@click.option("--quiet", is_flag=True, help="Print only what is wrong.")
@JSON_OPTION
@_wait_option(5)
@done_by("daemon.remote.commands:status", logs=True)
def status() -> None:
    """Print the state of a running daemon, its charge points and its plans.

    It asks only the broker, so it works on any machine that reaches the broker. Exit codes: 0 all
    is well; 4 there is no broker or no daemon, its last message is too old, or there is an alert.
    For a health check use --alive --quiet: restarting the daemon would clear no alert.
    """
