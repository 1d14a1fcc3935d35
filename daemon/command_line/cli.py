"""The command line: all commands, their errors in one line, and their exit codes."""

from __future__ import annotations

import io
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from config.fields.zones import use_pinned_zones
from config.files.errors import LullwattError, UsageError
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
    refuse_without_meter,
)
from daemon.presentation.output import json_text, needs_extra, rich_text, say, write_output

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date, datetime
    from types import ModuleType

    from adapters.simulated.roof import Sky
    from daemon.control.state import House
    from daemon.tariff.days import Day
    from planners.plan.plan import Plan
    from planners.rates.prices import Prices, RateSpan

use_pinned_zones()

NEED_UNMET = 3
"""Exit code: done, but the charge that is needed can't be reached in time."""

UNWELL = 4
"""Exit code: the daemon does not run or is not well, or another one has taken over."""

USUAL_PACE = 5.0
USUAL_NIGHTS = 30
MOST_NIGHTS = 366
MOST_HOMES = 12
MOST_PACE = 120.0
"""How many minutes of a rehearsed night may pass in a second while its page is shown."""

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
def check(file: Path, at: datetime | None) -> None:
    """Validate a household file, and explain in plain words what it means."""
    from adapters.bus.credentials import check_credentials  # noqa: PLC0415
    from adapters.clocks.clock import SystemClock  # noqa: PLC0415 - each command loads what it needs
    from daemon.check.explain import explain  # noqa: PLC0415
    from daemon.observers.metrics_output import check_metrics  # noqa: PLC0415
    from daemon.service.house_loading import load_house  # noqa: PLC0415

    now = at or SystemClock().now()
    house = load_house(file, now)
    check_credentials(house.file.bus)
    check_metrics(house.file.metrics)
    for line in explain(house, now):
        say(line)


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
def plan(  # noqa: PLR0917 - click passes them by name
    file: Path,
    vehicle: str | None,
    socs: dict[str | None, float],
    at: datetime | None,
    nights: int,
    picture: Path | None,
    *,
    as_json: bool,
) -> None:
    """Plan from now (or --at) to the next departure, and print the plan.

    If the file has several vehicles, it plans those named with --soc together, or else all of
    them, so that they share the main fuse hour by hour, and says how good the plans are. Without
    --soc the state of charge is arrives_with_percent of the file. With --nights it plans several
    departures together, as the daemon does, so that a cheap night can replace an expensive one.
    It includes later departures as far as the rates, the returns and the energy of the trips are
    known.
    """
    from adapters.clocks.clock import SystemClock  # noqa: PLC0415
    from daemon.presentation.show_plan import show_plan  # noqa: PLC0415
    from daemon.service.house_loading import load_house  # noqa: PLC0415
    from planners.plan.horizon import PLANNED_DAYS, Situation, departures_known  # noqa: PLC0415
    from planners.plan.later_nights import why_no_more  # noqa: PLC0415
    from planners.plan.planning import make_plan  # noqa: PLC0415

    now = at or SystemClock().now()
    house = load_house(file, now)
    for trouble in house.file.events.troubles:
        say(trouble, err=True)
    if vehicle is None and len(house.file.vehicles) > 1:
        _plan_home(file, house, socs, now, nights, picture, as_json=as_json)
        return
    name = _vehicle(house, vehicle)
    departures = departures_known(house.file, house.prices, name, now, nights)
    if not departures:
        _exit_with(f"{file}: departures: {name} has none within a year of {now.isoformat()}", 2)
    if len(departures) < nights:
        say(
            f"Only {len(departures)} of {nights} departures can be planned:"
            f" {why_no_more(house.file, house.prices, now, departures)}.",
            err=True,
        )
    departure, *later = departures
    situation = Situation(
        now, _soc(house, name, socs), departure, later=tuple(later), peaks=house.peaks
    )
    made = make_plan(house.file, house.prices, situation)
    opens, prices = max(now, departure.ready_by - PLANNED_DAYS), house.prices.at(made.charge_point)
    if picture is not None:
        _pictures().draw_plan(picture, house.file, made, _spans_drawn(prices, made, opens))
    if as_json:
        write_output(json_text(made.to_json()))
    else:
        spans = prices.spans(opens, max(opens, departure.ready_by))
        write_output(rich_text(show_plan(made, spans, house.file.zone)))
    if made.shortfall is not None or any(night.is_short for night in made.later):
        sys.exit(NEED_UNMET)


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
def tariff(  # noqa: PLR0917 - click passes them by name
    file: Path,
    first: date | None,
    count: int,
    form: str | None,
    picture: Path | None,
    charge_point: str | None,
    *,
    as_json: bool,
) -> None:
    """Print the rates of some days, to check against the supplier's papers.

    Each day is a strip with a cell for every half hour; bands and rates are listed below. CSV and
    JSON hold the exact rates. All rates include tax.
    """  # noqa: DOC501 - this text is the command's help
    from dataclasses import replace  # noqa: PLC0415

    from adapters.clocks.clock import SystemClock  # noqa: PLC0415
    from daemon.service.house_loading import load_house  # noqa: PLC0415
    from daemon.tariff.days import days_of  # noqa: PLC0415
    from planners.local_time.conversion import local_date  # noqa: PLC0415

    if as_json and form:
        raise UsageError(f"expected either --json or --format {form}, got both")
    house = load_house(file)
    if charge_point is not None:
        refuse_without_meter(house.prices.own, charge_point)
        house = replace(house, prices=house.prices.at(charge_point))
    first = first or local_date(SystemClock().now(), house.file.zone)
    days = days_of(house.file, house.prices, first, count)
    if picture is not None:
        _pictures().draw_tariff(picture, house.file, days)
    if as_json:
        _print_tariff_json(house, days)
    elif form:
        _print_rows(house, days)
    else:
        _print_tariff(house, days)


@cli.command()
@FILE
@click.option("--json-log", is_flag=True, help="Log each event as a line of JSON, for programs.")
def run(file: Path, *, json_log: bool) -> None:
    """Run the daemon until SIGTERM or Ctrl-C; SIGHUP loads the file again.

    If two daemons run for one household, the later one stays; the other ends with exit code 4.
    """
    from daemon.presentation.logs import set_up_logs  # noqa: PLC0415
    from daemon.service.running import run_daemon  # noqa: PLC0415

    set_up_logs(as_json=json_log)
    if not run_daemon(file):
        sys.exit(UNWELL)


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
def rehearse(  # noqa: PLR0917 - click passes them by name
    file: Path | None,
    vehicle: str | None,
    socs: dict[str | None, float],
    at: datetime | None,
    home: str | None,
    sky: Sky | None,
    *,
    pace: float | None,
    with_page: bool,
    keep: Path | None,
    nights: int | None,
    homes: int | None,
    as_json: bool,
) -> None:
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
    """  # noqa: DOC501 - this text is the command's help
    from daemon.presentation.logs import set_up_logs  # noqa: PLC0415
    from daemon.rehearsal.set_up import rehearse_night  # noqa: PLC0415

    if pace is not None and not with_page:
        raise UsageError("--pace: expected --page beside it")
    if as_json and with_page:
        raise UsageError("--json: expected no --page beside it, which goes on until Ctrl-C")
    set_up_logs(quiet=True)
    if keep is not None:
        others = (file, vehicle, at, home, sky, with_page or None, as_json or None, *socs)
        if any(each is not None for each in others):
            raise UsageError("--keep: expected only --nights and --homes beside it")
        _keep_homes(keep, nights or USUAL_NIGHTS, homes or 1)
        return
    if nights is not None or homes is not None:
        raise UsageError("--nights, --homes: expected --keep FOLDER beside them")
    result = rehearse_night(
        file,
        vehicle=vehicle,
        soc_percent=socs.get(None),
        socs={name: soc for name, soc in socs.items() if name is not None},
        at=at,
        with_home=home is not None,
        sky=sky,
        pace=(pace or USUAL_PACE) if with_page else None,
        say=_discard if as_json else say,
    )
    if as_json:
        write_output(json_text(result.to_json()))
    if result.is_short and not with_page:
        sys.exit(NEED_UNMET)


def _keep_homes(folder: Path, nights: int, homes: int) -> None:
    from os import cpu_count  # noqa: PLC0415

    from daemon.rehearsal.homes import keep_homes  # noqa: PLC0415

    keep_homes(folder, nights, homes, processes=cpu_count() or 1, say=say)


@cli.group()
def schema() -> None:
    """Print a schema, the contract of the bus, or the broker's access list."""


@schema.command("household")
def schema_household() -> None:
    """Print the JSON Schema of the household file."""
    from config.schema import household_schema  # noqa: PLC0415 - as in `plan`

    write_output(json_text(household_schema()))


@schema.command("choices")
def schema_choices() -> None:
    """Print the JSON Schema of the choices file of `appraise`."""
    from config.schema import choices_schema  # noqa: PLC0415 - as in `plan`

    write_output(json_text(choices_schema()))


@schema.command("extract")
def schema_extract() -> None:
    """Print the JSON Schema of an extract, as it is signed and before it is encrypted."""
    from config.schema import extract_schema  # noqa: PLC0415 - as in `plan`

    write_output(json_text(extract_schema()))


@schema.command("letter")
def schema_letter() -> None:
    """Print the JSON Schema of the file of a letter's words."""
    from config.schema import letter_schema  # noqa: PLC0415 - as in `plan`

    write_output(json_text(letter_schema()))


@schema.command("night")
@click.option("--half-hours", is_flag=True, help="Of what `nights --half-hours` prints.")
def schema_night(*, half_hours: bool) -> None:
    """Print the JSON Schema of the log of nights, as `nights --format json` prints it."""
    _print_document_schema("half-hours" if half_hours else "night")


@schema.command("month")
@click.option("--homes", is_flag=True, help="Of what `month` prints of many homes.")
def schema_month(*, homes: bool) -> None:
    """Print the JSON Schema of a month, as `month --format json` prints it."""
    _print_document_schema("months" if homes else "month")


@schema.command("appraisal")
@click.option("--homes", is_flag=True, help="Of what `appraise --homes` prints.")
def schema_appraisal(*, homes: bool) -> None:
    """Print the JSON Schema of an appraisal, as `appraise --json` prints it."""
    _print_document_schema("appraisals" if homes else "appraisal")


def _print_document_schema(name: str) -> None:
    from daemon.fields.documents import document_schema  # noqa: PLC0415 - as in `plan`

    write_output(json_text(document_schema(name)))


@schema.command("bus")
@click.argument("file", type=click.Path(path_type=Path), required=False)
def schema_bus(file: Path | None) -> None:
    """Print the contract of the bus, an AsyncAPI 3.0 document.

    With FILE it shows the topics of that household.
    """
    from adapters.contract.asyncapi import contract  # noqa: PLC0415
    from config.household.loading import load_household  # noqa: PLC0415

    write_output(json_text(contract(load_household(file) if file else None)))


@schema.command("acl")
@FILE
def schema_acl(file: Path) -> None:
    """Print an access list for Mosquitto: who may publish and read which topics."""
    from adapters.wired.access_list import access_list  # noqa: PLC0415
    from config.household.loading import load_household  # noqa: PLC0415

    write_output(access_list(load_household(file)))


def main() -> NoReturn:
    """Run the command line, and print errors in one line on standard error."""
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


def _vehicle(house: House, name: str | None) -> str:
    names = list(house.file.vehicles)
    if name is None:
        return names[0]
    if name not in names:
        raise UsageError(f"--vehicle: expected one of {', '.join(names)}, got {name!r}")
    return name


def _plan_home(  # noqa: PLR0917 - each is another option
    file: Path,
    house: House,
    socs: Mapping[str | None, float],
    now: datetime,
    nights: int,
    picture: Path | None,
    *,
    as_json: bool,
) -> None:
    from daemon.command_line.plan_home import (  # noqa: PLC0415 - each command loads what it needs
        plan_home,
        plugged_in,
        show_home_plans,
    )

    if picture is not None:
        raise UsageError("--picture: expected --vehicle beside it: a picture shows one plan")
    found = plan_home(house, plugged_in(house, socs), now, nights)
    if found is None:
        _exit_with(f"{file}: departures: no vehicle has one", 2)
    if as_json:
        write_output(json_text(found.to_json(house.file.household.name)))
    else:
        write_output(rich_text(show_home_plans(house, found, now)))
    if found.is_short:
        sys.exit(NEED_UNMET)


def _soc(house: House, vehicle: str, socs: Mapping[str | None, float]) -> float:
    for name in socs:
        if name not in {None, vehicle}:
            raise UsageError(f"--soc: expected one of {vehicle}, got {name!r}")
    soc = socs.get(vehicle, socs.get(None))
    assumed = house.file.vehicles[vehicle].arrives_with_percent
    if soc is None and assumed is None:
        raise UsageError(
            f"--soc: expected the state of charge in percent: {vehicle} has no"
            " arrives_with_percent in the file"
        )
    return float(soc if soc is not None else assumed or 0.0)


def _spans_drawn(prices: Prices, made: Plan, opens: datetime) -> tuple[RateSpan, ...]:
    """Return the rates until the last departure of a plan."""
    last = made.later[-1].departure if made.later else made.departure
    return prices.spans(opens, max(opens, last))


def _pictures() -> ModuleType:
    """Import the module that draws; its extra may not be installed."""
    with needs_extra("--picture"):
        from daemon.tariff import picture  # noqa: PLC0415
    return picture


def _print_tariff(house: House, days: Sequence[Day]) -> None:
    from daemon.tariff.show_tariff import show_tariff  # noqa: PLC0415

    write_output(rich_text(show_tariff(house.file, house.prices, days)))


def _print_tariff_json(house: House, days: Sequence[Day]) -> None:
    from daemon.tariff.rows import document  # noqa: PLC0415

    write_output(json_text(document(house.file, house.prices, days)))


def _print_rows(house: House, days: Sequence[Day]) -> None:
    from daemon.tariff.days import unknown_in  # noqa: PLC0415
    from daemon.tariff.rows import tariff_csv  # noqa: PLC0415
    from planners.plan.plan import instant_text  # noqa: PLC0415

    for gap in unknown_in(days):
        start, end = instant_text(gap.start), instant_text(gap.end)
        say(f"not known from {start} to {end}: {gap.why}", err=True)
    write_output(tariff_csv(days, house.file.zone))


def _discard(_line: str) -> None:
    """Print nothing."""
