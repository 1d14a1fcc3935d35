"""Choose the sheets of each report."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Final

from config.fields.currencies import minor_units
from daemon.fields.field import Field, fields_of
from daemon.sheets.workbook import TOTAL, Sheet, Workbook
from planners.accounts.money import round_money

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

NO_NIGHTS = "No nights are recorded in that time."
ROUNDED_ONCE = (
    "Amounts include tax. Totals are the unrounded figures added up and rounded once, half-even:"
    " they may differ by one in the last decimal from the sum of the cells above."
)
CLOCKS = (
    "Cells have no time zones: times are those of the zone in their column's header. CSV and JSON"
    " have them by UTC."
)
EMPTY = "An empty cell is not known, or does not apply."


def workbook(name: str, values: Mapping[str, Any]) -> bytes:
    """Make the workbook of a report.

    Parameters
    ----------
    name : str
        One of `daemon.fields.documents.DOCUMENTS`.
    values : mapping
        The document.

    Returns
    -------
    bytes
        The file. A sheet without rows is left out, except the first.
    """
    first, *others = _SHEETS[name](values)
    sheets = [first, *(sheet for sheet in others if sheet.rows)]
    title = str(values.get("household") or values.get("name") or "Homes")
    remarks = [ROUNDED_ONCE, CLOCKS, EMPTY, *([] if first.rows else [NO_NIGHTS])]
    return Workbook(title, sheets, remarks).to_bytes()


def _plain(section: str, *, without: Sequence[str] = ()) -> list[Field]:
    """Return the fields of a section that fit in a cell."""
    fields = fields_of(section).values()
    return [
        field
        for field in fields
        if not field.section and field.kind not in _MANY and field.name not in without
    ]


_MANY = {"texts", "numbers", "ranges"}


def _night_sheets(values: Mapping[str, Any]) -> Iterator[Sheet]:
    yield _nights(values["nights"], values["timezone"])


def _nights(rows: Sequence[Mapping[str, Any]], zone: str) -> Sheet:
    currency = rows[0]["currency"] if rows else ""
    totals = [_sum_of(rows, currency)] if rows else []
    return Sheet("Nights", _plain("night"), rows, totals, currency, zone)


def _sum_of(rows: Sequence[Mapping[str, Any]], currency: str) -> dict[str, Any]:
    """Add nights up as the printed log does: unrounded, and rules only if all are known."""
    units = minor_units(currency)
    made: dict[str, Any] = {"night": TOTAL, "currency": currency}
    for key in ("energy_kwh", "metered_kwh", "estimated_kwh", "cost_exact", "estimated_rate_kwh"):
        made[key] = sum((Decimal(str(row[key])) for row in rows), Decimal(0))
    made["cost"] = round_money(made["cost_exact"], units)
    for rule in ("at_once", "timer", "hindsight"):
        known = [row[rule] for row in rows if row[rule] is not None]
        if len(known) == len(rows):
            made[rule] = round_money(sum(map(Decimal, known), Decimal(0)), units)
    return made


def _half_hour_sheets(values: Mapping[str, Any]) -> Iterator[Sheet]:
    rows = values["half_hours"]
    known = [row for row in rows if row["kwh"] is not None]
    total = {
        key: sum((Decimal(str(row[key])) for row in known), Decimal(0))
        for key in ("kwh", "estimated_kwh")
    }
    totals = [total | {"start_utc": TOTAL}] if rows else []
    yield Sheet("Half-hours", _plain("half_hour"), rows, totals, zone=values["timezone"])


def _month_sheets(values: Mapping[str, Any]) -> Iterator[Sheet]:
    currency, zone = values["currency"], values["timezone"]
    figures = [field for field in _plain("month") if field.name != "rounding"]
    alerts = values["alerts"]
    yield _list(
        "Month",
        [*figures, fields_of("sums")["alerts"]],
        {**values, "alerts": len(alerts)},
        currency,
        zone,
    )
    yield _nights(values["per_night"], zone)
    bill = values.get("bill", {})
    capacity = values["capacity"] or {"peaks": []}
    for title, section, rows in (
        ("Bands", "band", values["by_band"]),
        ("Components", "component", values["by_component"]),
        ("Vehicles", "month_vehicle", values["by_vehicle"]),
        ("Short nights", "short_night", values["short"]),
        ("Alerts", "alert", alerts),
        ("Carbon", "carbon", values["carbon"]),
        ("Minimum bills", "minimum_bill", values["minimum_bills"]),
        ("Highest powers", "peak", capacity["peaks"]),
        ("Bill by bands", "bill_band", bill.get("bands", [])),
        ("Bill by half-hours", "bill_half_hour", bill.get("half_hours", [])),
    ):
        yield Sheet(title, _plain(section), rows, (), currency, zone)
    if values["capacity"]:
        yield _list("Capacity charge", _plain("capacity"), capacity, currency, zone)


def _list(
    title: str, fields: Sequence[Field], values: Mapping[str, Any], currency: str, zone: str
) -> Sheet:
    """Lay single figures out below each other."""
    return Sheet(title, fields, [values], (), currency, zone, is_list=True)


def _home_sheets(values: Mapping[str, Any]) -> Iterator[Sheet]:
    columns = _plain("home_month")
    yield Sheet("Homes", columns, values["homes"], values["totals"], _one_currency(values["homes"]))
    home = fields_of("home_month")["household"]
    trend = [home, *_plain("trend_month")]
    rows = [
        {"household": row["household"]} | month
        for row in values["homes"]
        for month in row.get("trend", [])
    ]
    totals = [{"household": TOTAL} | month for month in values.get("trend", [])]
    yield Sheet("Twelve months", trend, rows, totals, _one_currency(values["homes"]))


def _one_currency(rows: Sequence[Mapping[str, Any]]) -> str:
    """Return the currency of all rows; empty if there are several."""
    found = {row["currency"] for row in rows if row["currency"]}
    return found.pop() if len(found) == 1 else ""


def _appraisal_sheets(values: Mapping[str, Any]) -> Iterator[Sheet]:
    currency = values["currency"]
    choices = [choice | _ends(choice["range"]) for choice in values["choices"]]
    ranged = [
        replace(
            field,
            name=f"{field.name}_{end}",
            meaning=f"{field.meaning}: {words}",
            words=f"{field.words}, {end}" if field.words else "",
        )
        for field in _plain("choice")
        for end, words in (
            ("low", "low end in nine of ten drawn years"),
            ("high", "high end in nine of ten drawn years"),
        )
        if any(f"{field.name}_{end}" in choice for choice in choices)
    ]
    yield Sheet("Choices", [*_plain("choice"), *ranged], choices, (), currency)
    yield _list("Appraisal", _plain("appraisal_document"), values, currency, values["timezone"])
    choice = replace(fields_of("choice")["name"], name="choice")
    for title, section, key in (
        ("Bands", "year_band", "by_band"),
        ("Vehicles", "year_vehicle", "vehicles"),
    ):
        rows = [{"choice": each["name"]} | row for each in choices for row in each.get(key, [])]
        yield Sheet(title, [choice, *_plain(section)], rows, (), currency)
    even = values["break_even"] or {}
    for title, section, rows in (
        ("Distance to change", "even_distance", even.get("distance_per_year", [])),
        ("Rate to change", "even_rate", [even["rate"]] if even else []),
        ("Outlay to change", "even_outlay", [even["outlay"]] if even else []),
    ):
        yield Sheet(title, _plain(section), rows, (), currency)
    hinge = fields_of("hinge")
    rows = [
        {"input": each["input"], "now": each["now"]} | point
        for each in values.get("hinges", [])
        for point in each["tried"]
    ]
    columns = [hinge["input"], hinge["now"], *_plain("hinge_point")]
    yield Sheet("What it hangs on", columns, rows, (), currency)
    for title in ("Assumptions", "Cautions"):
        field = fields_of("appraisal_document")[title.lower()]
        rows = [{field.name: text} for text in values[field.name]]
        yield Sheet(title, [replace(field, kind="text")], rows)


def _ends(ranges: Mapping[str, Sequence[float | None]]) -> dict[str, float | None]:
    return {
        f"{key}_{end}": value
        for key, values in ranges.items()
        for end, value in zip(("low", "high"), values, strict=True)
    }


def _appraised_sheets(values: Mapping[str, Any]) -> Iterator[Sheet]:
    homes = values["homes"]
    currency = _one_currency(homes)
    yield Sheet("Homes", _plain("home_appraisal"), homes, (), currency)
    yield Sheet("Totals", _plain("appraised_total"), values["totals"], (), currency)
    fields = fields_of("home_appraisal")
    columns = [fields["household"], fields["currency"], *_plain("home_choice")]
    rows = [
        {"household": home["household"], "currency": home["currency"]} | choice
        for home in homes
        for choice in home["choices"]
    ]
    yield Sheet("Choices", columns, rows, (), currency)


_SHEETS: Final[Mapping[str, Callable[[Mapping[str, Any]], Iterator[Sheet]]]] = {
    "night": _night_sheets,
    "half-hours": _half_hour_sheets,
    "month": _month_sheets,
    "months": _home_sheets,
    "appraisal": _appraisal_sheets,
    "appraisals": _appraised_sheets,
}
