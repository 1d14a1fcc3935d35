"""Do what the commands `lullwatt ask` and `lullwatt status` ask for."""

from __future__ import annotations

from pathlib import Path
from secrets import token_hex
from typing import TYPE_CHECKING, Any

from adapters.clocks.clock import SystemClock
from adapters.contract.messages import Request, decode
from adapters.ledger.exact_json import dump_exact
from config.files.errors import UnwellError, UsageError
from config.files.texts import printable
from config.household.loading import load_household
from daemon.calendar.saved import load_with_kept
from daemon.control.state import vehicles_of
from daemon.presentation.output import json_text, say, write_output
from daemon.remote import asking
from daemon.remote.health import document, faults_of, read_report
from daemon.remote.show_status import status_lines
from daemon.remote.time_options import TimeOptions

if TYPE_CHECKING:
    from config.household.household_file import HouseholdFile


def ask(file: Path, *, as_json: bool, wait: float, **options: Any) -> None:  # noqa: ANN401 - options
    """Send a request to a running daemon, and print its answer."""
    household = load_with_kept(file)
    clock = SystemClock()
    point = _charge_point(household, options["charge_point"], options["vehicle"])
    vehicle = options["vehicle"] or next(iter(vehicles_of(household, point)), None)
    times = TimeOptions(household, vehicle, clock.now())
    body = _request_body(options, times)
    for remark in times.remarks:
        say(remark, err=True)
    request = decode(Request, dump_exact(body).encode())
    answer = asking.ask(household, point, request, clock, wait)
    if as_json:
        write_output(json_text(answer.model_dump(mode="json", exclude_none=True)))
    elif answer.understood:
        say(printable(f"{point}: {answer.message}"))
    if not answer.understood:
        raise UsageError(printable(f"{point}: {answer.message}"))


def status(file: Path, *, alive: bool, quiet: bool, as_json: bool, wait: float) -> None:
    """Print the state of a running daemon."""
    if quiet and as_json:
        raise UsageError("expected either --quiet or --json, got both")

    household = load_household(file)
    report = read_report(household, wait)
    now = SystemClock().now()
    faults = faults_of(report, household, now, only_alive=alive)
    if as_json:
        write_output(json_text(document(report, household, faults)))
    elif report.no_broker is None and not quiet:
        for line in status_lines(report, household, now):
            say(printable(line))  # one line stays one line, whatever another home sends
    if faults:
        raise UnwellError("; ".join(faults))


def _request_body(options: dict[str, Any], times: TimeOptions) -> dict[str, Any]:
    """Turn options into the body of a request."""
    _refuse_contradictions(options)
    body = {
        "want_percent": options["want"],
        "need_percent": options["need"],
        "soc_percent": options["soc"],
        "by": times.instant("--by", options["by"]) or times.after("--in", options["within"]),
        "vehicle": options["vehicle"],
        "charge_now": options["charge_now"] or None,
        "skip_until": times.instant("--skip-until", options["skip_until"]),
        "stop": options["stop"] or None,
        "away_until": times.instant("--away", options["away"]),
        "clear": options["clear"] or None,
        "remove": options["remove"],
        "equipment_checked": options["equipment_checked"] or None,
    }
    body = {key: value for key, value in body.items() if value is not None}
    if not body:
        raise UsageError("expected something to ask for; `lullwatt ask --help` lists the options")
    if options["preview"]:
        body["preview"] = True
    return {"v": 1, "id": token_hex(8), **body}


def _refuse_contradictions(options: dict[str, Any]) -> None:
    exclusive = {
        "--now": "charge_now",
        "--skip-until": "skip_until",
        "--stop": "stop",
        "--clear": "clear",
    }
    given = [option for option, key in exclusive.items() if options[key]]
    if len(given) > 1:
        raise UsageError(f"expected at most one of {', '.join(exclusive)}, got {', '.join(given)}")
    if options["by"] and options["within"]:
        raise UsageError("expected at most one of --by, --in, got both")
    if options["want"] is None and options["need"] is None:
        for option, key in (("--by", "by"), ("--in", "within")):
            if options[key]:
                raise UsageError(f"{option}: expected --want or --need beside it")
    want, need = options["want"], options["need"]
    if want is not None and need is not None and want < need:
        raise UsageError(f"--want: expected at least the {need:g} of --need, got {want:g}")


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
