"""Fill an appraisal's tables, for the terminal and for the page. Pure."""

from __future__ import annotations

import math
from decimal import Decimal
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

from config.home.generation import ROOF
from daemon.appraise.remarks import MARK, mark_of
from daemon.appraise.wording import HALF_WATT_HOUR, NEVER, UNKNOWN
from daemon.presentation.figures import plain_number, rounded_parts

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from daemon.appraise.wording import AppraisalWords
    from planners.appraisal.appraisal import BandYear, ChoiceYear

    Write = Callable[[float], str]

NEVER_OR_LATE = {"payback_years": NEVER, "discounted_payback_years": "not in time"}
"""What an unknown payback means."""
COMPARED = "a year, compared with the first"


class FigureCell(NamedTuple):
    """A figure, and its range over the years drawn, if it has one."""

    text: str
    range: str = ""


class FigureRow(NamedTuple):
    """One figure for every choice."""

    label: str
    cells: tuple[FigureCell, ...]
    strong: bool = False


class ChoiceBand(NamedTuple):
    """Energy and cost of one band under one choice."""

    choice: str
    band: str
    rate: str
    energy: str
    share: str
    cost: str


def figures(words: AppraisalWords) -> list[FigureRow]:
    """Write a row for each figure that is not empty for every choice."""
    return [*_money_rows(words), *_energy_rows(words), *_rare_rows(words)]


_BESIDE = {
    "capacity_charge_difference": "capacity charge",
    "minimum_bill_difference": "minimum bill",
    "home_cost_difference": "rest of the home",
}
"""Differences that are shown where a choice has one."""


def _money_rows(words: AppraisalWords) -> Iterator[FigureRow]:
    label = f"total over {words.years}{words.worth}"
    yield _row(words, label, "total_over_years", words.amount, strong=True)
    if len(words.appraisal.choices) > 1:
        label = "above the " + words.title.removeprefix("the ")
        yield FigureRow(label, tuple(_more(words)), strong=True)
    yield _row(words, "outlay, once", "outlay", words.amount)
    if _any(words, "granted"):
        yield _row(words, "grants received", "granted", words.amount)
    yield _row(words, "total a year", "year_cost", words.amount)
    yield from _year_rows(words)
    if len(words.appraisal.choices) > 1:
        yield from _compared_rows(words)


def _year_rows(words: AppraisalWords) -> Iterator[FigureRow]:
    """Write what the total of a year is made of."""
    yield _part(words, "energy, a year", "cost")
    yield from _sun_money_rows(words)
    if any(choice.elsewhere_cost for choice in words.appraisal.choices):
        yield _part(words, "charged elsewhere", "elsewhere_cost")
    if len(words.appraisal.choices) > 1:
        yield _part(words, "standing charge, difference", "standing_charge_difference")
    for key, what in _BESIDE.items():
        if _any(words, key):
            yield _part(words, f"{what}, difference", key)
    if _any(words, "maintenance_per_year"):
        yield _part(words, "maintenance, a year", "maintenance_per_year")
    if _any(words, "ageing_cost"):
        yield _part(words, "battery ageing, a year", "ageing_cost")


def _compared_rows(words: AppraisalWords) -> Iterator[FigureRow]:
    """Write how the choices compare with the first, and in the years drawn."""
    yield _saved(words)
    write = partial(_years, words)
    yield _against_first(words, "payback, years", "payback_years", write)
    if not words.appraisal.lifetime.is_plain:
        key = "discounted_payback_years"
        yield _against_first(words, "discounted payback, years", key, write)
    if words.appraisal.draws:
        draws = words.appraisal.draws
        cells = tuple(FigureCell(f"{choice.cheapest_in:,}") for choice in words.appraisal.choices)
        yield FigureRow(f"cheapest in, of {draws:,} years", cells)


def _sun_money_rows(words: AppraisalWords) -> Iterator[FigureRow]:
    if _has_sun(words):
        yield _row(words, "of it roof, export lost", "roof_cost", words.amount)
        yield _row(words, "if all from the grid", "all_grid_cost", words.amount)


def _energy_rows(words: AppraisalWords) -> Iterator[FigureRow]:
    yield _row(words, "kWh at the meter", "energy_kwh", _whole)
    if _has_sun(words):
        yield _row(words, "from the roof, kWh", "roof_kwh", _whole)
        yield _row(words, "from the grid, kWh", "grid_kwh", _whole)
    yield _row(words, "per kWh", "cost_per_kwh", words.fine)
    for unit, key in (("km", "cost_per_km"), ("mile", "cost_per_mile")):
        if any(getattr(choice, key) is not None for choice in words.appraisal.choices):
            yield _row(words, f"per {unit}", key, words.fine)
    yield _row(words, "in the cheapest band", "cheapest_band_share", _percent)
    nights = max(choice.nights for choice in words.appraisal.choices)
    yield _row(words, f"nights short, of {nights:,}", "nights_short", _whole)
    if _any(words, "nights_short"):
        yield _row(words, "short in total, kWh at the meter", "shortfall_kwh", _tenths)
    if _any(words, "nights_topped_up"):
        yield _row(words, "nights topped up elsewhere", "nights_topped_up", _whole)
    yield from _vehicle_rows(words)
    if any(choice.longest_day_km is not None for choice in words.appraisal.choices):
        label = f"longest day, {words.day_unit}"
        yield _row(words, label, "longest_day_km", words.day)


def _has_sun(words: AppraisalWords) -> bool:
    return any(choice.roof is not None for choice in words.appraisal.choices)


def _vehicle_rows(words: AppraisalWords) -> Iterator[FigureRow]:
    """Write what each of several vehicles gets."""
    by_choice = [choice.vehicles for choice in words.appraisal.choices]
    for vehicles in zip(*by_choice, strict=True):
        name = vehicles[0].vehicle
        kwh = (FigureCell(_whole(each.energy_kwh)) for each in vehicles)
        yield FigureRow(f"{name}: kWh at the meter", tuple(kwh))
        if any(each.nights_short for each in vehicles):
            cells = (FigureCell(_whole(each.nights_short)) for each in vehicles)
            yield FigureRow(f"{name}: nights short", tuple(cells))


def _rare_rows(words: AppraisalWords) -> Iterator[FigureRow]:
    for label, key in (
        ("charged elsewhere, kWh in the battery", "charged_elsewhere_kwh"),
        ("of it in place of nights short, kWh", "topped_up_kwh"),
        ("of it whatever the choice, kWh", "shared_elsewhere_kwh"),
        ("ends the year lower, kWh in the battery", "ends_below_kwh"),
        ("at estimated rates, kWh at the meter", "estimated_kwh"),
    ):
        if _any(words, key):
            yield _row(words, label, key, _tenths)


def _row(
    words: AppraisalWords, label: str, key: str, write: Write, *, strong: bool = False
) -> FigureRow:
    cells = (_cell(choice, key, write) for choice in words.appraisal.choices)
    return FigureRow(label, tuple(cells), strong)


def _part(words: AppraisalWords, label: str, key: str) -> FigureRow:
    """Write one of the parts that the total a year is made of."""
    cells = (
        _cell(choice, key, words.amount)._replace(text=f"{words.parts_of_year(choice)[key]:,f}")
        for choice in words.appraisal.choices
    )
    return FigureRow(label, tuple(cells))


def _cell(choice: ChoiceYear, key: str, write: Write) -> FigureCell:
    value: float | None = getattr(choice, key)
    unknown = NEVER_OR_LATE.get(key, UNKNOWN)
    text = unknown if value is None else write(value)
    return FigureCell(text, _range(choice, key, write, text))


def _range(choice: ChoiceYear, key: str, write: Write, text: str) -> str:
    """Write a range, unless it looks the same as the figure."""
    spread = choice.spreads.get(key)
    if spread is None:
        return ""
    low, high = write(spread.low), write(spread.high)
    if low == high:
        return "" if low == text else f"({low})"
    return f"({low} to {high})"


def _against_first(words: AppraisalWords, label: str, key: str, write: Write) -> FigureRow:
    """Leave the first choice's cell empty: the others are compared with it."""
    others = words.appraisal.choices[1:]
    rest = (_marked(words, choice, _cell(choice, key, write)) for choice in others)
    return FigureRow(label, (FigureCell(""), *rest))


def _saved(words: AppraisalWords) -> FigureRow:
    """Write how much less each costs a year than the first, by the totals as written."""
    row = _against_first(words, COMPARED, "saves_per_year", partial(_difference, words))
    first = words.first.year_cost
    cells = (
        _marked(words, choice, cell._replace(text=_difference(words, saved)))
        for choice, cell in zip(words.appraisal.choices[1:], row.cells[1:], strict=True)
        for saved in [words.between(first, choice.year_cost)]
    )
    return row._replace(cells=(row.cells[0], *cells))


def _marked(words: AppraisalWords, choice: ChoiceYear, cell: FigureCell) -> FigureCell:
    is_less = choice.delivers_less_than(words.first)
    return cell._replace(text=cell.text + MARK) if is_less else cell


def _more(words: AppraisalWords) -> Iterator[FigureCell]:
    least = words.cheapest.total_over_years
    for choice in words.appraisal.choices:
        more = (
            words.title
            if choice is words.cheapest
            else words.amount(words.between(choice.total_over_years, least))
            + mark_of(words, choice)
        )
        yield FigureCell(more)


def _any(words: AppraisalWords, key: str) -> bool:
    return any(abs(getattr(choice, key)) >= HALF_WATT_HOUR for choice in words.appraisal.choices)


def _difference(words: AppraisalWords, saved: float | Decimal) -> str:
    amount = words.amount(saved if saved > 0 else -saved)
    if amount == words.amount(0):
        return "the same"
    return f"{amount} {'less' if saved > 0 else 'more'}"


def _years(words: AppraisalWords, years: float) -> str:
    if not math.isfinite(years):
        return NEVER
    return words.paid_back(years) if years else "at once"


def _whole(value: float) -> str:
    return f"{value:,.0f}"


def _tenths(value: float) -> str:
    return f"{value:,.1f}"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def bands(words: AppraisalWords) -> list[ChoiceBand]:
    """Write each choice's energy and cost by band, in the order of the file; they add up."""
    return [
        ChoiceBand(
            choice.name,
            band.band,
            _rate(band),
            f"{kwh:,f}",
            _percent(band.kwh / choice.energy_kwh) if choice.energy_kwh else "",
            f"{cost:,f}",
        )
        for choice in words.appraisal.choices
        for band, kwh, cost in zip(
            choice.by_band, _band_kwh(choice), words.band_costs(choice), strict=True
        )
    ]


def _rate(band: BandYear) -> str:
    if band.band == ROOF:
        return "export lost"
    return "by the hour" if band.rate is None else plain_number(band.rate)


def _band_kwh(choice: ChoiceYear) -> list[Decimal]:
    return rounded_parts([Decimal(repr(round(band.kwh, 6))) for band in choice.by_band], 0)
