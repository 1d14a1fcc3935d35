"""The commands `lullwatt nights` and `lullwatt month`, which read the ledger."""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import click
from rich.console import Group

from adapters.clocks.clock import SystemClock
from config.choices.loading import load_choices
from config.fields.zones import known_zones, use_pinned_zones
from config.files.errors import UsageError
from daemon.bill.comparison import compare_bill
from daemon.bill.file import BillForm
from daemon.bill.show_bill import bill_section, comparison_csv, comparison_values, show_comparison
from daemon.desk.months import months_of_homes
from daemon.desk.months_view import Wanted
from daemon.month.rows import month_values
from daemon.month.show_month import show_month
from daemon.night_log.half_hour_rows import half_hour_values, half_hours_csv
from daemon.night_log.month_reading import ledger_of, read_month, records_between
from daemon.night_log.night_rows import night_row, night_values, nights_csv, rates_of_night
from daemon.night_log.shared import is_received, not_shared, only_shared, refuse_without_half_hours
from daemon.night_log.show_half_hours import show_half_hours
from daemon.night_log.show_nights import show_nights
from daemon.nights.metered import metered_half_hours
from daemon.presentation.options import (
    FILE,
    LIMIT_OPTION,
    WORKERS_OPTION,
    read_date,
    read_workers,
    refuse_without_meter,
    report_options,
)
from daemon.presentation.output import (
    needs_extra,
    rich_text,
    say,
)
from daemon.service.house_loading import load_recorded_house
from daemon.sheets.written import document_text
from planners.local_time.settlement import ONE_DAY

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from adapters.workers.in_order import Workers
    from daemon.control.state import House
    from daemon.night_log.month import Month, NightRow
    from daemon.presentation.output import ReportForm
    from planners.local_time.settlement import HalfHour

LAST_NIGHTS = 14
NOT_ALL = 3
"""Exit code: done, but some of many homes could not be read."""


def read_month_name(
    _context: click.Context, _parameter: click.Parameter, text: str
) -> tuple[int, int]:
    """Read a calendar month; refuse anything else in one line."""
    if not re.fullmatch(r"20\d\d-(0[1-9]|1[0-2])", text, re.ASCII):
        raise UsageError(f"expected a month such as 2026-10 after the files, got {text!r}")
    year, month = text.split("-")
    return int(year), int(month)


@click.command()
@FILE
@click.option("--from", "first", callback=read_date, metavar="DATE", help="First night.")
@click.option("--to", "last", callback=read_date, metavar="DATE", help="Last night.")
@click.option(
    "--last",
    "count",
    type=click.IntRange(1, 36600),
    metavar="N",
    help=f"Only the last N nights; by default {LAST_NIGHTS}, or all with --from or --to.",
)
@click.option("--vehicle", help="Only nights of this vehicle.")
@click.option("--charge-point", help="Only nights at this charge point.")
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "csv", "json", "xlsx"]),
    default="text",
    show_default=True,
    help="Print text for people, csv or json for scripts, or write xlsx, a workbook.",
)
@click.option(
    "--half-hours", is_flag=True,
    help="Print metered energy by half-hours of the settlement grid, for the days"
    " from --from to --to, or else for the days of the last nights.",
)  # fmt: skip
@report_options
def nights(file: Path, form: ReportForm, *, half_hours: bool, **choice: Any) -> None:  # noqa: ANN401 - options
    """Print the log of nights, the newest last; the daemon may keep running.

    A night is named by the date on which it begins. `cost` includes tax, and is rounded half-even
    to the currency's minor unit. Energy that was not measured is marked as estimated.
    """
    house = _recorded_house(file)
    if half_hours:
        _refuse_vehicle(choice["vehicle"])
    with ledger_of(house) as ledger:
        rows = _chosen(file, house, ledger, choice)
        if half_hours:
            text = _half_hours_text(file, house, ledger, rows, choice, form)
        else:
            text = _nights_text(file, house, rows, form)
    form.write(text)


def _recorded_house(file: Path) -> House:
    """Load a household file to show its record; say which of its price files are missing."""
    house, faults = load_recorded_house(file)
    for fault in faults:
        say(f"{fault}; nights are priced in the ledger, the rates of hours are left out", err=True)
    return house


def _refuse_vehicle(vehicle: str | None) -> None:
    if vehicle is not None:
        raise UsageError("--half-hours: a meter does not know vehicles; leave --vehicle out")


def _chosen(file: Path, house: House, ledger: Any, choice: Mapping[str, Any]) -> list[NightRow]:  # noqa: ANN401

    records = records_between(file, house, ledger, choice["first"], choice["last"])
    for option, names in (
        ("vehicle", house.file.vehicles),
        ("charge_point", house.file.charge_points),
    ):
        wanted = choice[option]
        _refuse_unknown(option, wanted, [*names, *(record[option] for record in records)])
        records = tuple(record for record in records if wanted in {None, record[option]})
    count = choice["count"]
    if count is None and choice["first"] is choice["last"] is None:
        count = LAST_NIGHTS
    if count is not None:
        dates = sorted({record["night"] for record in records})[-count:]
        records = tuple(record for record in records if record["night"] in dates)
    rows = [night_row(record) for record in records]
    return [replace(row, rates=rates_of_night(house, row.charge_point, row.night)) for row in rows]


def _refuse_unknown(option: str, wanted: str | None, names: Sequence[str]) -> None:
    if wanted is not None and wanted not in names:
        known = ", ".join(dict.fromkeys(names))
        dashed = option.replace("_", "-")
        raise UsageError(f"--{dashed}: expected one of {known}, got {wanted!r}")


def _nights_text(
    file: Path, house: House, rows: Sequence[NightRow], form: ReportForm
) -> str | bytes:

    home = house.file.household
    if form.name == "csv":
        return nights_csv(rows, home.currency, form.style)
    if form.name == "text":
        remark = not_shared(file, (row.night for row in rows))
        shown = show_nights(home.name, home.currency, rows, house.file.days, remark)
        return rich_text(shown, form.width)
    values = [night_values(row, home.currency) for row in rows]
    document = {"household": home.name, "timezone": home.timezone, "nights": values}
    return document_text("night", document, form)


def _half_hours_text(  # noqa: PLR0917
    file: Path,
    house: House,
    ledger: Any,  # noqa: ANN401 - a ledger's reader
    rows: Sequence[NightRow],
    choice: Mapping[str, Any],
    form: ReportForm,
) -> str | bytes:

    days = _days(rows, choice["first"], choice["last"])
    wanted = choice["charge_point"]
    known = [point for point in house.file.charge_points if wanted in {None, point}]
    made: tuple[HalfHour, ...] = (
        metered_half_hours(house, ledger, known, *days) if days is not None else ()
    )
    made = only_shared(file, made, "--half-hours") if made else made
    zone = house.file.zone
    if form.name == "text":
        now = SystemClock().now()
        shown = show_half_hours(
            house.file.household.name, made, zone, now, may_be_withheld=is_received(file)
        )
        return rich_text(shown, form.width)
    if form.name == "csv":
        return half_hours_csv(made, zone, form.style)
    document = {
        "household": house.file.household.name,
        "timezone": house.file.household.timezone,
        "charge_points": known,
        "half_hours": half_hour_values(made, zone),
    }
    return document_text("half-hours", document, form)


def _days(
    rows: Sequence[NightRow], first: date | None, last: date | None
) -> tuple[date, date] | None:
    """Return the days asked for, or else the days of the nights."""
    if first is not None and last is not None:
        return first, last
    if not rows:
        return None
    return first or rows[0].night, last or rows[-1].night + ONE_DAY


def _read_columns(
    _context: click.Context, _parameter: click.Parameter, text: str | None
) -> dict[str, str]:
    """Read what the columns of a bill are called."""
    known, columns = ("start", "kwh", "band", "cost"), {}
    for pair in text.split(",") if text is not None else ():
        name, is_given, theirs = (part.strip() for part in pair.partition("="))
        if name not in known or name in columns or not is_given or not theirs:
            what = f"expected pairs such as start=Time,kwh=Usage with {', '.join(known)}"
            raise UsageError(f"--columns: {what}, got {text!r}")
        columns[name] = theirs
    return columns


def _read_zone(
    _context: click.Context, _parameter: click.Parameter, text: str | None
) -> ZoneInfo | None:

    if text is None:
        return None
    use_pinned_zones()
    if text not in known_zones():
        raise UsageError(f"--bill-zone: expected a zone such as Europe/London, got {text!r}")
    return ZoneInfo(text)


@click.command()
@click.argument("files", type=click.Path(path_type=Path), nargs=-1, required=True, metavar="FILE…")
@click.argument("month", callback=read_month_name, metavar="MONTH")
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "csv", "json", "html", "xlsx"]),
    default="text",
    show_default=True,
    help="Print text for people, csv or json for scripts, html, a page to print or keep, or write"
    " xlsx, a workbook.",
)
@report_options
@click.option(
    "--bill", type=click.Path(path_type=Path), metavar="PATH",
    help="Compare with the figures of a bill: CSV rows of start,kwh by quarter-hours, half-hours or"
    " hours (RFC 3339), ESPI (NAESB REQ.21, XML), or CSV rows of band,kwh,cost with tax and"
    " optional rows standing_charge,,67.74 and minimum_bill,,2.50.",
)  # fmt: skip
@click.option(
    "--columns", callback=_read_columns, metavar="OURS=THEIRS,…",
    help="With --bill: what its columns are called, such as start=Time,kwh=Usage.",
)  # fmt: skip
@click.option(
    "--bill-zone", callback=_read_zone, metavar="ZONE",
    help="With --bill: the zone of its times, if they have no offset, such as Europe/London.",
)  # fmt: skip
@click.option(
    "--charge-point", metavar="NAME",
    help="With --bill: the bill is for the meter of this charge point's own, not for the home's.",
)  # fmt: skip
@click.option(
    "--sort", "sort_by",
    type=click.Choice(["name", "possible", "short", "estimated", "cost", "energy", "worth"]),
    help="Order of homes: by name, or the most first: what the cheapest possible hours would still"
    " have saved, nights short, estimated share, cost, energy, worth of the best of --choices."
    " Without: as given.",
)  # fmt: skip
@click.option(
    "--only", multiple=True,
    type=click.Choice(["possible", "short", "estimated", "wrong-tariff", "failed"]),
    help="Only homes with a saving still possible, with nights short, with estimated energy, or for"
    " which another tariff of --choices would cost less; may be repeated."
    " Homes that can't be read stay.",
)  # fmt: skip
@click.option("--year-to-date", is_flag=True, help="Add up the months from January to this one.")
@click.option(
    "--choices", type=click.Path(path_type=Path), metavar="YAML",
    help="Also say which tariff of this choices file would cost each home the least in a year.",
)  # fmt: skip
@click.option("--trend", is_flag=True, help="Also show the twelve months up to this one.")
@WORKERS_OPTION
@LIMIT_OPTION
def month(  # noqa: PLR0917 - click passes them by name
    files: tuple[Path, ...],
    month: tuple[int, int],
    form: ReportForm,
    bill: Path | None,
    charge_point: str | None,
    columns: dict[str, str],
    bill_zone: ZoneInfo | None,
    workers: int | None,
    limit: float,
    **choice: Any,  # noqa: ANN401 - options
) -> None:
    """Print a month such as 2026-10: totals, bands, savings, and every night.

    A night belongs to the month of its date. The cost of each night is rounded half-even to the
    currency's minor unit; the month adds the unrounded nights, and is rounded once. With --bill,
    csv holds the rows of the comparison.

    Several FILEs give a row for each home, and a total for each currency. A home that can't be
    read is a row with its reason, and the exit code is then 3. A file, a ledger or a home that is
    given twice counts once. --sort, --only, --year-to-date, --trend and --choices give such rows
    for one FILE as well.
    """
    as_rows = len(files) > 1 or any(choice.values())
    _refuse_together(files, form.name, bill, as_rows=as_rows)
    declared = (columns, bill_zone, charge_point)
    if bill is None:
        _refuse_without_bill(
            dict(zip(("--columns", "--bill-zone", "--charge-point"), declared, strict=True))
        )
    whole = True
    if as_rows:
        shared = read_workers(workers, limit, len(files))
        text, whole = _many_homes(files, month, form, shared, choice)
    else:
        text = _one_home(files[0], month, form, (bill, declared))
    form.write(text)
    if not whole:
        sys.exit(NOT_ALL)


def _refuse_without_bill(options: Mapping[str, Any]) -> None:
    for option, value in options.items():
        if value:
            raise UsageError(f"{option}: expected --bill beside it")


def _refuse_together(files: Sequence[Path], form: str, bill: Path | None, *, as_rows: bool) -> None:
    if as_rows and (form == "html" or bill is not None):
        what = "--bill" if bill is not None else "--format html"
        if len(files) > 1:
            raise UsageError(f"{what}: expected one household file, got {len(files)}")
        raise UsageError(f"{what}: expected no option for rows of homes, such as --sort")


def _one_home(
    file: Path,
    when: tuple[int, int],
    form: ReportForm,
    bill_of: tuple[Path | None, tuple[Any, ...]],
) -> str | bytes:

    house, (bill, declared) = _recorded_house(file), bill_of
    if bill is not None:
        refuse_without_half_hours(file, when, "--bill")
    of_bill = BillForm(*declared)
    if of_bill.charge_point is not None:
        refuse_without_meter(house.prices.own, of_bill.charge_point)
    with ledger_of(house) as ledger:
        read = read_month(file, house, ledger, when, SystemClock().now())
        comparison = None if bill is None else compare_bill(house, ledger, when, bill, of_bill)
    if form.name == "html":
        return _page(house, read, comparison)
    if form.name == "text":
        return _month_text(house, read, comparison, form.width)
    return _month_values(house, read, comparison, form)


def _month_text(house: House, month: Month, comparison: Any, width: int | None) -> str:  # noqa: ANN401

    parts = [show_month(month)]
    if comparison is not None:
        parts += show_comparison(comparison, house.file.zone, month.currency)
    return rich_text(Group(*parts), width)


def _month_values(house: House, month: Month, comparison: Any, form: ReportForm) -> str | bytes:  # noqa: ANN401

    zone, currency = house.file.zone, month.currency
    if form.name == "csv":
        return (
            nights_csv(month.nights, currency, form.style)
            if comparison is None
            else comparison_csv(comparison, zone, currency, form.style)
        )
    values = month_values(month)
    if comparison is not None:
        values["bill"] = comparison_values(comparison, zone, currency)
    return document_text("month", values, form)


def _page(house: House, month: Month, comparison: Any) -> str:  # noqa: ANN401

    with needs_extra("--format html"):
        from daemon.month.page import render_page  # noqa: PLC0415
    if comparison is None:
        return render_page(month)
    return render_page(month, bill_section(comparison, house.file.zone, month.currency))


def _many_homes(
    files: Sequence[Path],
    when: tuple[int, int],
    form: ReportForm,
    workers: Workers,
    choice: Mapping[str, Any],
) -> tuple[str | bytes, bool]:

    if choice["choices"] is None and (
        choice["sort_by"] == "worth" or "wrong-tariff" in choice["only"]
    ):
        raise UsageError("--sort worth and --only wrong-tariff: expected --choices beside them")
    choices = None if choice["choices"] is None else load_choices(choice["choices"])
    wanted = Wanted(
        when,
        choice["sort_by"],
        frozenset(choice["only"]),
        year_to_date=choice["year_to_date"],
        trend=choice["trend"],
        compares_tariffs=choices is not None,
    )
    return months_of_homes(files, wanted, form, workers, choices)
