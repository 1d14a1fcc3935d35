"""What several commands share: options with the checks of their values, and how work is loaded."""

from __future__ import annotations

import math
import re
import sys
from datetime import date, datetime
from functools import wraps
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from config.files.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Collection

    from adapters.workers.in_order import Workers
    from daemon.presentation.csv_text import CsvStyle

USUAL_PACE = 5.0
USUAL_NIGHTS = 30
"""Of a rehearsal: minutes of a night in a second, and nights of an invented home."""

NEED_UNMET = 3
"""Exit code: done, but the charge that is needed can't be reached in time."""

FILE = click.argument("file", type=click.Path(path_type=Path))
HOMES_PER_WORKER = 4
"""Fewer homes are done sooner than another process has started."""
NIGHTS_OPTION = click.option(
    "--nights",
    type=click.IntRange(1, 7),
    default=1,
    show_default=True,
    help="Plan for up to this many departures together.",
)
JSON_OPTION = click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")


def done_by(
    place: str, *, logs: bool = False
) -> Callable[[Callable[[], None]], Callable[..., Any]]:
    """Let a command be done by a function that is loaded when the command is called.

    So its help and wrong usage load none of what the command needs, and the function's module may
    import at its top all that it needs.

    Parameters
    ----------
    place : str
        Module and function, such as ``"daemon.check.explain:check"``. The function takes what the
        command's options give, by name.
    logs : bool
        Whether the command, or the bus for it, logs.

    Returns
    -------
    callable
        A decorator of a function without a body, whose docstring is the command's help.
    """

    def decorate(declared: Callable[[], None]) -> Callable[..., Any]:
        @wraps(declared)
        def call(**given: Any) -> Any:  # noqa: ANN401 - whatever the options give
            if logs:
                load_structlog()
            module, function = place.split(":")
            return getattr(import_module(module), function)(**given)

        call.place = place  # type: ignore[attr-defined]  # for the test that looks whether it fits
        return call

    return decorate


def load_structlog() -> None:
    """Load structlog without rich, which it would load for tracebacks in colour.

    No log of ours has those: 5 MB, and a twelfth of the daemon's start. A command with tables loads
    rich by itself.
    """
    is_hidden = "rich" not in sys.modules
    if is_hidden:
        sys.modules["rich"] = None  # type: ignore[assignment]  # as if it were not installed
    try:
        import_module("structlog")
    finally:
        if is_hidden:
            del sys.modules["rich"]


def _read_instant(
    _context: click.Context, _parameter: click.Parameter, text: str | None
) -> datetime | None:
    """Read an RFC 3339 instant with its offset; refuse anything else in one line."""
    from adapters.clocks.instants import parse_instant  # noqa: PLC0415 - `--help` needs none of it

    if text is None:
        return None
    try:
        return parse_instant(text)
    except ValueError as error:
        raise UsageError(f"--at: {error}, got {text!r}") from error


def read_percent(
    _context: click.Context, parameter: click.Parameter, text: str | None
) -> float | None:
    """Read a state of charge [percent]; refuse anything else in one line."""
    if text is None:
        return None
    try:
        percent = float(text)
    except ValueError:
        percent = math.nan
    if not 0 <= percent <= 100:  # noqa: PLR2004 - percent
        raise UsageError(f"{parameter.opts[0]}: expected 0 to 100 percent, got {text!r}")
    return percent


def refuse_without_meter(own: Collection[str], charge_point: str) -> None:
    """Refuse a charge point that has no meter of its own.

    Parameters
    ----------
    own : collection of str
        Those that have one.
    charge_point : str
        The one that a person named.

    Raises
    ------
    UsageError
        If it is none of them.
    """
    if charge_point not in own:
        known = ", ".join(own) or "none"
        message = f"expected one with a meter of its own ({known}), got {charge_point!r}"
        raise UsageError(f"--charge-point: {message}")


def _read_socs(
    context: click.Context, parameter: click.Parameter, texts: tuple[str, ...]
) -> dict[str | None, float]:
    """Read states of charge [percent] by vehicle; without a name under None."""
    found: dict[str | None, float] = {}
    for text in texts:
        name, _, percent = text.rpartition("=")
        if (name or None) in found:
            raise UsageError(f"--soc: expected each vehicle once, got {text!r} after another")
        found[name or None] = read_percent(context, parameter, percent) or 0.0
    return found


def read_date(_context: click.Context, parameter: click.Parameter, text: str | None) -> date | None:
    """Read a date; refuse anything else in one line."""
    if text is None:
        return None
    option = parameter.opts[0]
    try:
        if not re.fullmatch(r"20\d\d-\d\d-\d\d", text, re.ASCII):
            raise UsageError(f"{option}: expected a date such as 2026-06-03, got {text!r}")
        return date.fromisoformat(text)
    except ValueError as error:
        raise UsageError(f"{option}: no such date: {error}, got {text!r}") from error


def _read_picture(
    _context: click.Context, _parameter: click.Parameter, path: Path | None
) -> Path | None:
    """Read the name of a picture file; refuse any other kind of file in one line."""
    if path is not None and path.suffix.lower() not in {".svg", ".png"}:
        raise UsageError(f"--picture: expected a name that ends in .svg or .png, got '{path}'")
    return path


PICTURE_OPTION = click.option(
    "--picture",
    type=click.Path(path_type=Path),
    callback=_read_picture,
    metavar="PATH",
    help="Also draw a picture into this file, which ends in .svg or .png.",
)
WORKERS_OPTION = click.option(
    "--workers",
    type=click.IntRange(1, 64),
    metavar="N",
    help="Read many homes with this many processes; by default with as many as there are cores, and"
    " a few homes with one. The result is the same.",
)
LIMIT_OPTION = click.option(
    "--limit",
    type=click.FloatRange(0, min_open=True),
    default=15.0,
    show_default=True,
    metavar="MINUTES",
    help="A home that takes longer is a row that says so; only with several workers.",
)


def read_workers(count: int | None, limit_minutes: float, homes: int) -> Workers:
    """Decide how the work for many homes is shared."""
    from adapters.workers.in_order import Workers, own_cores  # noqa: PLC0415 - as above

    own = min(own_cores(), max(1, homes // HOMES_PER_WORKER))
    return Workers(own if count is None else count, 60 * limit_minutes)


AT_OPTION = click.option(
    "--at",
    callback=_read_instant,
    metavar="INSTANT",
    help="Use this instant instead of now, such as 2026-06-03T18:30:00+12:00.",
)
SOC_OPTION = click.option(
    "--soc", callback=read_percent, metavar="PERCENT", help="State of charge, 0 to 100 percent."
)
SOCS_OPTION = click.option(
    "--soc",
    "socs",
    multiple=True,
    callback=_read_socs,
    metavar="[VEHICLE=]PERCENT",
    help="State of charge, 0 to 100 percent; of several vehicles such as hatchback=35, each with"
    " its own --soc.",
)
VEHICLE_OPTION = click.option(
    "--vehicle", help="Name of a vehicle in the file; by default the first one."
)
CHARGE_POINT_OPTION = click.option(
    "--charge-point", help="Name of a charge point; optional if the file has only one."
)
FROM_OPTION = click.option(
    "--from",
    "first",
    callback=read_date,
    metavar="DATE",
    help="First day, such as 2026-06-03; by default today.",
)
DAYS_OPTION = click.option(
    "--days",
    "count",
    type=click.IntRange(1, 366),
    default=7,
    show_default=True,
    help="Number of days.",
)
FORMAT_OPTION = click.option(
    "--format",
    "form",
    type=click.Choice(["csv"]),
    help="Print CSV, with a row for each span of time that has one rate.",
)
_REPORT_OPTIONS = (
    click.option(
        "--output",
        type=click.Path(path_type=Path),
        metavar="PATH",
        help="Write to this file instead of printing; a file that is there is replaced.",
    ),
    click.option(
        "--csv-separator",
        type=click.Choice(["comma", "semicolon", "tab"]),
        help="With csv: what stands between cells; a comma unless decimals have one.",
    ),
    click.option(
        "--csv-decimal",
        type=click.Choice(["point", "comma"]),
        help="With csv: what stands before decimals; a point by default.",
    ),
    click.option(
        "--csv-bom",
        is_flag=True,
        help="With csv: begin with a byte order mark, by which spreadsheets know UTF-8.",
    ),
)
_MARKS = {"comma": ",", "semicolon": ";", "tab": "\t", "point": "."}


def report_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the options that say how a report is written; the command gets a `ReportForm` of them."""

    @wraps(command)
    def with_form(*, form: str | None, output: Path | None, **options: Any) -> None:  # noqa: ANN401
        from daemon.presentation.output import ReportForm  # noqa: PLC0415

        if options.pop("as_json", False):
            if form is not None:
                raise UsageError(f"expected either --json or --format {form}, got both")
            form = "json"
        if form == "xlsx" and output is None:
            raise UsageError("--format xlsx: expected --output with a file such as month.xlsx")
        names = ("csv_separator", "csv_decimal", "csv_bom")
        style = csv_style(form, *(options.pop(name) for name in names))
        command(form=ReportForm(form or "text", style, output), **options)

    for option in reversed(_REPORT_OPTIONS):
        option(with_form)
    return with_form


def csv_style(
    form: str | None,
    separator: str | None,
    decimal: str | None,
    has_mark: bool,  # noqa: FBT001 - a flag of the command line
) -> CsvStyle:
    """Read how CSV is to be written.

    Parameters
    ----------
    form : str or None
        What the report is written as.
    separator, decimal : str or None
        The values of the options; None where they are left out.
    has_mark : bool
        Whether a byte order mark is asked for.

    Returns
    -------
    CsvStyle
        A decimal comma alone makes the separator a semicolon, as spreadsheets expect.

    Raises
    ------
    UsageError
        If the options are given for another form, or if both marks are a comma.
    """
    from daemon.presentation.csv_text import CsvStyle  # noqa: PLC0415 - `--help` needs none of it

    given = {"--csv-separator": separator, "--csv-decimal": decimal, "--csv-bom": has_mark}
    for option, value in given.items():
        if value and form != "csv":
            raise UsageError(f"{option}: expected --format csv beside it")
    if separator == decimal == "comma":
        raise UsageError("--csv-separator comma: expected semicolon or tab beside decimal commas")
    between = separator or ("semicolon" if decimal == "comma" else "comma")
    return CsvStyle(_MARKS[between], _MARKS[decimal or "point"], has_mark)
