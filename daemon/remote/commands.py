"""The commands `lullwatt ask` and `lullwatt status`."""

from __future__ import annotations

import re
from datetime import time, timedelta
from pathlib import Path
from secrets import token_hex
from typing import TYPE_CHECKING, Any

import click
from click.decorators import FC

from config.files.errors import UnwellError, UsageError
from daemon.presentation.options import (
    CHARGE_POINT_OPTION,
    FILE,
    JSON_OPTION,
    SOC_OPTION,
    read_percent,
)
from daemon.presentation.output import json_text

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from config.household.household_file import HouseholdFile

_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)", re.ASCII)


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
    "--want", callback=read_percent, metavar="PERCENT", help="State of charge that is wanted."
)
@click.option(
    "--need", callback=read_percent, metavar="PERCENT", help="State of charge that is needed."
)
@click.option(
    "--by", metavar="INSTANT", help="When it must be ready: an instant, or a time such as 06:30."
)
@SOC_OPTION
@click.option("--vehicle", help="Name of the vehicle that is plugged in.")
@click.option("--now", "charge_now", is_flag=True, help="Charge at once, whatever it costs.")
@click.option(
    "--skip-until", metavar="INSTANT", help="Do not charge before this; written as for --by."
)
@click.option("--clear", is_flag=True, help="Cancel everything that was asked for.")
@click.option(
    "--remove", metavar="ID", help="Cancel one wish; `lullwatt status` lists them with their ids."
)
@JSON_OPTION
@_wait_option(10)
def ask(file: Path, *, as_json: bool, wait: float, **options: Any) -> None:  # noqa: ANN401 - options
    """Send a request to a running daemon, and print its answer.

    --want and --need are for the next departure, or for the instant of --by. Within an hour of a
    departure of the file they replace its target once; otherwise they add a departure, and those
    before it keep their needs. --soc is the state of charge that the dashboard shows. Exit codes:
    0 accepted; 2 refused; 4 no answer.
    """  # noqa: DOC501 - this text is the command's help
    from adapters.clocks.clock import SystemClock  # noqa: PLC0415 - each command loads what it needs
    from adapters.contract.messages import Request, decode  # noqa: PLC0415
    from adapters.ledger.exact_json import dump_exact  # noqa: PLC0415
    from config.household.loading import load_household  # noqa: PLC0415
    from daemon.remote import asking  # noqa: PLC0415

    household = load_household(file)
    clock = SystemClock()
    body = _request_body(options, household, clock.now())
    point = _charge_point(household, options["charge_point"], options["vehicle"])
    request = decode(Request, dump_exact(body).encode())
    answer = asking.ask(household, point, request, clock, wait)
    if as_json:
        click.echo(json_text(answer.model_dump(mode="json")), nl=False)
    elif answer.understood:
        click.echo(f"{point}: {answer.message}")
    if not answer.understood:
        raise UsageError(f"{point}: {answer.message}")


@click.command()
@FILE
@click.option("--alive", is_flag=True, help="Check only that the daemon runs; ignore alerts.")
@click.option("--quiet", is_flag=True, help="Print only what is wrong.")
@JSON_OPTION
@_wait_option(5)
def status(file: Path, *, alive: bool, quiet: bool, as_json: bool, wait: float) -> None:
    """Print the state of a running daemon, its charge points and its plans.

    It asks only the broker, so it works on any machine that reaches the broker. Exit codes: 0 all
    is well; 4 there is no broker or no daemon, its last message is too old, or there is an alert.
    For a health check use --alive --quiet: restarting the daemon would clear no alert.
    """  # noqa: DOC501 - this text is the command's help
    if quiet and as_json:
        raise UsageError("expected either --quiet or --json, got both")
    from adapters.clocks.clock import SystemClock  # noqa: PLC0415
    from config.household.loading import load_household  # noqa: PLC0415
    from daemon.remote.health import document, faults_of, read_report  # noqa: PLC0415
    from daemon.remote.show_status import status_lines  # noqa: PLC0415

    household = load_household(file)
    report = read_report(household, wait)
    now = SystemClock().now()
    faults = faults_of(report, household, now, only_alive=alive)
    if as_json:
        click.echo(json_text(document(report, household, faults)), nl=False)
    elif report.no_broker is None and not quiet:
        for line in status_lines(report, household, now):
            click.echo(line)
    if faults:
        raise UnwellError("; ".join(faults))


def _request_body(options: dict[str, Any], file: HouseholdFile, now: datetime) -> dict[str, Any]:
    """Turn options into the body of a request."""
    exclusive = {"--now": "charge_now", "--skip-until": "skip_until", "--clear": "clear"}
    given = [option for option, key in exclusive.items() if options[key]]
    if len(given) > 1:
        raise UsageError(f"expected at most one of {', '.join(exclusive)}, got {', '.join(given)}")
    if options["by"] and options["want"] is None and options["need"] is None:
        raise UsageError("--by: expected --want or --need beside it")
    body = {
        "want_percent": options["want"],
        "need_percent": options["need"],
        "soc_percent": options["soc"],
        "by": _instant("--by", options["by"], file, now),
        "vehicle": options["vehicle"],
        "charge_now": options["charge_now"] or None,
        "skip_until": _instant("--skip-until", options["skip_until"], file, now),
        "clear": options["clear"] or None,
        "remove": options["remove"],
    }
    body = {key: value for key, value in body.items() if value is not None}
    if not body:
        raise UsageError("expected something to ask for; `lullwatt ask --help` lists the options")
    return {"v": 1, "id": token_hex(8), **body}


def _instant(option: str, text: str | None, file: HouseholdFile, now: datetime) -> str | None:
    """Read an instant, or a time of day as its next occurrence by the home's clock."""
    from adapters.clocks.instants import parse_instant  # noqa: PLC0415
    from planners.local_time.conversion import instant_of_local, local_date  # noqa: PLC0415

    if text is None:
        return None
    clock = _CLOCK.fullmatch(text)
    if clock is None:
        try:
            return parse_instant(text).isoformat()
        except ValueError as error:
            raise UsageError(f"{option}: {error}; or a time such as 06:30; got {text!r}") from error
    at = time(int(clock[1]), int(clock[2]))
    today = local_date(now, file.zone)
    days = (today + timedelta(days=ahead) for ahead in range(3))
    coming = (instant_of_local(day, at, file.zone) for day in days)
    return next(instant for instant in coming if instant > now).isoformat()


def _charge_point(file: HouseholdFile, name: str | None, vehicle: str | None) -> str:
    """Choose the charge point: the one named, the vehicle's, or the only one."""
    if vehicle is not None and vehicle not in file.vehicles:
        raise UsageError(f"--vehicle: expected one of {', '.join(file.vehicles)}, got {vehicle!r}")
    if name is None and vehicle is not None:
        name = file.vehicles[vehicle].charge_point
    if name is None and len(file.charge_points) == 1:
        name = next(iter(file.charge_points))
    if name not in file.charge_points:
        known = ", ".join(file.charge_points)
        got = "nothing" if name is None else repr(name)
        raise UsageError(f"--charge-point: expected one of {known}, got {got}")
    return name
