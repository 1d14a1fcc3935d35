"""Show how a bill differs from our meters: in words, and as CSV and JSON values."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

from rich.table import Table
from rich.text import Text

from config.fields.currencies import minor_units
from daemon.night_log.notes import ESTIMATED_RATE
from daemon.presentation.csv_text import csv_text
from daemon.presentation.figures import counted, local_time
from planners.accounts.accounts import exact_kwh
from planners.accounts.money import format_amount, format_money, round_money
from planners.bill.bands import FROM_ENERGY, NO_SUCH_BAND, RATES
from planners.bill.hours import (
    CLOCK,
    ESTIMATED,
    LESS,
    METERS_DIFFER,
    MISSING,
    MORE,
    NOT_ON_BILL,
    NOT_THIS_METER,
    OTHER_LOAD,
    UNEXPLAINED,
    findings,
)
from planners.local_time.settlement import HALF_HOUR
from planners.plan.plan import instant_text

if TYPE_CHECKING:
    from collections.abc import Iterator
    from zoneinfo import ZoneInfo

    from rich.console import RenderableType

    from daemon.bill.comparison import BillComparison
    from daemon.presentation.csv_text import CsvStyle
    from planners.bill.bands import BandComparison, Purchase
    from planners.bill.hours import Finding, HalfHourComparison

FINDINGS_SHOWN = 20
HALF_HOUR_MINUTES = 30
BAND_NAMES = ("band", "our kWh", "their kWh", "our cost", "their cost")
CAUSES = {
    CLOCK: "the clocks or the hours of the bands differ: the energy is there, at another time",
    MISSING: "our meters were not read then",
    NOT_ON_BILL: "the bill does not have it",
    ESTIMATED: "ours is partly estimated, from readings far apart or across a change of rate",
    OTHER_LOAD: "the bill always has more: something else uses the supplier's meter",
    UNEXPLAINED: "no cause found",
    MORE: "more than our meter and the home's usual use at that time: something else ran, or the"
    " supplier estimated",
    LESS: "less than our meter showed: the supplier's data lack it, or it estimated",
    METERS_DIFFER: "the two meters count differently",
    NOT_THIS_METER: "the charging is not in these figures: another meter, or another month?",
    NO_SUCH_BAND: "only one side has a band of this name",
    RATES: "the rates differ: compare them, the tax, and the days from which they are valid",
    FROM_ENERGY: "the energy differs",
}
HOUR_COLUMNS = (
    "start_utc", "start_local", "ours_kwh", "estimated_kwh", "theirs_kwh", "difference_kwh",
    "cause", "cause_kwh", "cause_cost",
)  # fmt: skip
BAND_COLUMNS = (
    "band", "ours_kwh", "estimated_kwh", "theirs_kwh", "difference_kwh", "ours_cost",
    "theirs_cost", "difference_cost", "energy_cause", "cost_cause", "estimated_rate_kwh",
)  # fmt: skip


def comparison_values(comparison: BillComparison, zone: ZoneInfo, currency: str) -> dict[str, Any]:
    """Make the JSON values of a comparison; a difference is the bill's minus ours."""
    if comparison.bands:
        return {"bands": [_band(line, currency) for line in comparison.bands]}
    return {"half_hours": [_half_hour(line, zone, currency) for line in comparison.half_hours]}


def comparison_csv(
    comparison: BillComparison, zone: ZoneInfo, currency: str, style: CsvStyle | None = None
) -> str:
    """Write both sides as CSV, one row for each half-hour or band."""
    columns = BAND_COLUMNS if comparison.bands else HOUR_COLUMNS
    (rows,) = comparison_values(comparison, zone, currency).values()
    return csv_text(columns, rows, style)


def show_comparison(
    comparison: BillComparison, zone: ZoneInfo, currency: str
) -> Iterator[RenderableType]:
    """Say what differs, and the probable cause, for rich."""
    yield ""
    yield Text("The bill, midnight to midnight", style="bold")
    if comparison.bands:
        yield from _bands(comparison, currency)
    else:
        yield from map(Text, half_hour_lines(comparison, zone, currency))


def half_hour_lines(comparison: BillComparison, zone: ZoneInfo, currency: str) -> Iterator[str]:
    """Say what differs by half-hours, with causes and costs, line by line."""
    found = findings(comparison.half_hours)
    ours = exact_kwh(sum(line.ours_wh or 0 for line in comparison.half_hours))
    theirs = exact_kwh(sum(line.theirs_wh or 0 for line in comparison.half_hours))
    yield f"Ours {ours:.2f} kWh, the bill's {theirs:.2f} kWh."
    is_hourly = any(each.end - each.start > HALF_HOUR for each in comparison.half_hours)
    unit = "hour" if is_hourly else "half hour"
    if not found:
        yield f"Every {unit} agrees within 0.05 kWh."
    for finding in found[:FINDINGS_SHOWN]:
        yield f"  {_words(finding, unit, zone, currency)}"
    if len(found) > FINDINGS_SHOWN:
        yield f"  and {len(found) - FINDINGS_SHOWN} more; --format csv lists every half hour."
    causes = {each.cause for each in found}
    # Where a whole home was billed and we did not read, nobody knows how much of it was charging.
    unknown = {MISSING} & causes if OTHER_LOAD in causes else set()
    asked = [each for each in found if each.cause not in {OTHER_LOAD, *unknown}]
    costs = [each.cost for each in asked if each.cost is not None]
    if asked and len(costs) == len(asked):
        total = format_money(sum(costs, Decimal(0)), currency)
        unread = " and what we did not read" if unknown else ""
        yield f"Apart from the rest of the home{unread}, it differs by {total} at the file's rates."


def _words(finding: Finding, unit: str, zone: ZoneInfo, currency: str) -> str:
    start, end = (local_time(each, zone, "%a %d %b %H:%M") for each in (finding.start, finding.end))
    half_hours = counted(finding.count, unit)
    cause = CAUSES[finding.cause]
    if finding.shift_minutes:
        way = "later" if finding.shift_minutes > 0 else "earlier"
        cause = f"clock: the bill has the same energy {_time(abs(finding.shift_minutes))} {way}"
    cost = "" if finding.cost is None else f", {format_money(finding.cost, currency)}"
    return (
        f"{start} to {end}, {half_hours}: ours {exact_kwh(finding.ours_wh):.2f} kWh,"
        f" the bill's {exact_kwh(finding.theirs_wh):.2f} kWh;"
        f" {exact_kwh(finding.apart_wh):+.2f} kWh{cost}; {cause}."
    )


def _time(minutes: int) -> str:
    if minutes == HALF_HOUR_MINUTES:
        return "30 min (by the end of each half-hour?)"
    return f"{minutes / 60:g} h"


def _bands(comparison: BillComparison, currency: str) -> Iterator[RenderableType]:
    table = Table(box=None, pad_edge=False, header_style="dim")
    for name in BAND_NAMES:
        table.add_column(name, justify="left" if name == "band" else "right")
    for row in _band_rows(comparison, currency):
        table.add_row(*row)
    yield table
    yield from map(Text, _band_lines(comparison, currency))


def _band_rows(comparison: BillComparison, currency: str) -> Iterator[list[str]]:
    for line in comparison.bands:
        sides = (line.ours, line.theirs)
        energies = ["" if side is None else f"{exact_kwh(side.wh):.2f}" for side in sides]
        costs = ["" if side is None else _cost(side, currency) for side in sides]
        yield [line.band, *energies, *costs]


def bill_section(comparison: BillComparison, zone: ZoneInfo, currency: str) -> dict[str, Any]:
    """Return what a month's page shows of a bill: rows of bands, and lines."""
    if comparison.bands:
        lines, rows = _band_lines(comparison, currency), _band_rows(comparison, currency)
    else:
        lines, rows = half_hour_lines(comparison, zone, currency), iter([])
    return {"names": BAND_NAMES, "rows": list(rows), "lines": [line.strip() for line in lines]}


def _band_lines(comparison: BillComparison, currency: str) -> Iterator[str]:
    estimated = sum(line.ours.estimated_rate_wh for line in comparison.bands if line.ours)
    if estimated:
        yield f"{ESTIMATED_RATE} {exact_kwh(estimated):.2f} kWh of ours are at estimated rates."
    differences = [words for line in comparison.bands for words in _band_words(line, currency)]
    yield from (f"  {words}" for words in differences)
    if not differences:
        yield "Every band agrees within 1 % or 0.1 kWh, and within 0.02 in cost."


def _cost(side: Purchase, currency: str) -> str:
    mark = ESTIMATED_RATE if side.estimated_rate_wh else ""
    return format_amount(side.cost, currency) + mark


def _band_words(line: BandComparison, currency: str) -> Iterator[str]:
    cost = ""
    if line.ours is not None and line.theirs is not None:
        more = line.theirs.cost - line.ours.cost
        cost = f" ({format_money(abs(more), currency)} {'more' if more > 0 else 'less'})"
    if line.energy_cause:
        yield f"{line.band}, energy: {CAUSES[line.energy_cause]}{cost}."
    if line.cost_cause and line.cost_cause != line.energy_cause:
        yield f"{line.band}, cost: {CAUSES[line.cost_cause]}{cost}."


def _half_hour(line: HalfHourComparison, zone: ZoneInfo, currency: str) -> dict[str, Any]:
    ours = None if line.ours_wh is None else exact_kwh(line.ours_wh)
    theirs = None if line.theirs_wh is None else exact_kwh(line.theirs_wh)
    cost = line.cost if line.cause else None
    return {
        "start_utc": instant_text(line.start),
        "start_local": line.start.astimezone(zone).isoformat(timespec="seconds"),
        "ours_kwh": ours,
        "estimated_kwh": None if ours is None else exact_kwh(line.estimated_wh),
        "theirs_kwh": theirs,
        "difference_kwh": None if ours is None or theirs is None else theirs - ours,
        "cause": line.cause or None,
        "cause_kwh": exact_kwh(line.apart_wh) if line.cause else None,
        "cause_cost": None if cost is None else round_money(cost, minor_units(currency)),
    }


def _band(line: BandComparison, currency: str) -> dict[str, Any]:
    ours, theirs = line.ours, line.theirs
    units = minor_units(currency)
    energy_difference = cost_difference = None
    if ours is not None and theirs is not None:
        energy_difference = exact_kwh(theirs.wh - ours.wh)
        cost_difference = round_money(theirs.cost - ours.cost, units)
    return {
        "band": line.band,
        "ours_kwh": None if ours is None else exact_kwh(ours.wh),
        "estimated_kwh": None if ours is None else exact_kwh(ours.estimated_wh),
        "theirs_kwh": None if theirs is None else exact_kwh(theirs.wh),
        "difference_kwh": energy_difference,
        "ours_cost": None if ours is None else round_money(ours.cost, units),
        "theirs_cost": None if theirs is None else theirs.cost,
        "difference_cost": cost_difference,
        "energy_cause": line.energy_cause or None,
        "cost_cause": line.cost_cause or None,
        "estimated_rate_kwh": None if ours is None else exact_kwh(ours.estimated_rate_wh),
    }
