"""The commands that talk with a running daemon: `lullwatt ask` and `lullwatt status`."""

from __future__ import annotations

import re
from datetime import time, timedelta
from pathlib import Path
from secrets import token_hex
from typing import TYPE_CHECKING, Any

import click
from click.decorators import FC

from config.files.errors import UnwellError, UsageError
from daemon.presentation.options import FILE, JSON_OPTION, SOC_OPTION, read_percent
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
        help="How long to wait for an answer at the most.",
    )


@click.command()
@FILE
@click.option("--charge-point", help="A charge point of the file; may be left out where one is.")
@click.option("--want", callback=read_percent, metavar="PERCENT", help="What is wanted.")
@click.option("--need", callback=read_percent, metavar="PERCENT", help="What is needed.")
@click.option("--by", metavar="INSTANT", help="By when; an instant, or the next 06:30 of the home.")
@SOC_OPTION
@click.option("--vehicle", help="Which vehicle is plugged in.")
@click.option("--now", "charge_now", is_flag=True, help="Charge at once, whatever it costs.")
@click.option("--skip-until", metavar="INSTANT", help="Charge nothing before; as --by.")
@click.option("--clear", is_flag=True, help="Take back all that was asked for.")
@JSON_OPTION
@_wait_option(10)
def ask(file: Path, *, as_json: bool, wait: float, **wishes: Any) -> None:  # noqa: ANN401 - options
    """Ask a running daemon for something, and print its answer.

    What is wanted and needed holds until the next departure, or until --by. The state of charge is
    the one that the dashboard shows. Exit codes: 0 it is done; 2 it is refused; 4 nobody answers.
    """  # noqa: DOC501 - this text is the command's help
    from adapters.clocks.clock import SystemClock  # noqa: PLC0415 - each command loads what it needs
    from adapters.contract.messages import Request, decode  # noqa: PLC0415
    from adapters.ledger.exact_json import dump_exact  # noqa: PLC0415
    from config.household.loading import load_household  # noqa: PLC0415
    from daemon.remote import asking  # noqa: PLC0415

    household = load_household(file)
    clock = SystemClock()
    body = _request_body(wishes, household, clock.now())
    point = _charge_point(household, wishes["charge_point"], wishes["vehicle"])
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
@click.option("--alive", is_flag=True, help="Judge only whether it runs, and pass over alerts.")
@click.option("--quiet", is_flag=True, help="Print nothing but what is not well.")
@JSON_OPTION
@_wait_option(5)
def status(file: Path, *, alive: bool, quiet: bool, as_json: bool, wait: float) -> None:
    """Print what a running daemon says of itself, its charge points and its plans.

    Read from the broker, so it works from any machine that reaches it. Exit codes: 0 all is well;
    4 there is no broker or no daemon, its word is old, or an alert holds. A health check wants
    --alive --quiet: to start a daemon again ends no alert.
    """  # noqa: DOC501 - this text is the command's help
    if quiet and as_json:
        raise UsageError("expected either --quiet or --json, got both")
    from adapters.clocks.clock import SystemClock  # noqa: PLC0415
    from config.household.loading import load_household  # noqa: PLC0415
    from daemon.remote.show_status import status_lines  # noqa: PLC0415
    from daemon.remote.wellbeing import document, faults_of, see  # noqa: PLC0415

    household = load_household(file)
    seen = see(household, wait)
    now = SystemClock().now()
    faults = faults_of(seen, household, now, only_alive=alive)
    if as_json:
        click.echo(json_text(document(seen, household, faults)), nl=False)
    elif seen.no_broker is None and not quiet:
        for line in status_lines(seen, household, now):
            click.echo(line)
    if faults:
        raise UnwellError("; ".join(faults))


def _request_body(wishes: dict[str, Any], file: HouseholdFile, now: datetime) -> dict[str, Any]:
    """Write the wishes of a command line as the request that says so."""
    exclusive = {"--now": "charge_now", "--skip-until": "skip_until", "--clear": "clear"}
    given = [option for option, key in exclusive.items() if wishes[key]]
    if len(given) > 1:
        raise UsageError(f"expected one of {', '.join(exclusive)} at the most, got {given}")
    if wishes["by"] and wishes["want"] is None and wishes["need"] is None:
        raise UsageError("--by: expected --want or --need beside it")
    body = {
        "want_percent": wishes["want"],
        "need_percent": wishes["need"],
        "soc_percent": wishes["soc"],
        "by": _instant("--by", wishes["by"], file, now),
        "vehicle": wishes["vehicle"],
        "charge_now": wishes["charge_now"] or None,
        "skip_until": _instant("--skip-until", wishes["skip_until"], file, now),
        "clear": wishes["clear"] or None,
    }
    body = {key: value for key, value in body.items() if value is not None}
    if not body:
        raise UsageError("expected something to ask for; `lullwatt ask --help` lists it")
    return {"v": 1, "id": token_hex(8), **body}


def _instant(option: str, text: str | None, file: HouseholdFile, now: datetime) -> str | None:
    """Read an instant, or the next time that the home's clocks show an hour and a minute."""
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
    """Tell where the request goes: as named, or the vehicle's, or the only one."""
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
