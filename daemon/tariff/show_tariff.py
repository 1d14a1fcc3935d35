"""Show the rates of some days in a terminal: a strip for each, and a legend."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from itertools import groupby
from typing import TYPE_CHECKING

from rich.console import Group
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from config.fields.currencies import minor_units
from daemon.presentation.capacity_words import capacity_sentences, minimum_sentences
from daemon.presentation.figures import local_time
from daemon.presentation.strips import hour_marks, level
from daemon.tariff.days import HOUR, clock_change, unknown_in
from daemon.tariff.export import export_lines
from daemon.tariff.rows import exact
from planners.local_time.conversion import MINUTE
from planners.power.circuits import powered_in_words
from planners.rates.composed_rates import standing_charge_on
from planners.rates.usage_tiers import band_rate, usage_tiers_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import datetime

    from rich.console import ConsoleRenderable, RenderableType

    from config.household.household_file import HouseholdFile
    from config.tariffs.band import Band
    from config.tariffs.tariff import Tariff
    from daemon.tariff.days import Day
    from planners.rates.prices import Prices, RateSpan

CELL = timedelta(minutes=30)
ESTIMATED = "░░▒▒▒▓▓▓"
UNKNOWN = "?"
INDENT = " " * 12
LONG = "%a %d %b %Y"
DECIMALS = 4, 6
"""Fewest and most decimals of a rate."""


def show_tariff(file: HouseholdFile, prices: Prices, days: Sequence[Day]) -> RenderableType:
    """Lay out the rates of some days for a terminal.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    prices : Prices
        Its rates.
    days : sequence of Day
        In order; at least one has known rates.

    Returns
    -------
    RenderableType
        For rich to print; strips are at most 80 columns wide.
    """
    return Group(
        Text(f"{file.household.name}: {_range(days)}, {file.household.timezone}", style="bold"),
        *_strips(file, days),
        *_signs(file, days),
        *(part for tariff in _tariffs(days) for part in _legend(file, prices, days, tariff)),
        *_export(file, prices, days),
        *(Text(line) for line in _circuits(file, prices)),
        *_other_meters(prices),
    )


def _export(file: HouseholdFile, prices: Prices, days: Sequence[Day]) -> Iterator[RenderableType]:
    lines = list(export_lines(file, prices, days[0].start, days[-1].end))
    if lines:
        yield ""
    yield from (Text(line) for line in lines)


def _circuits(file: HouseholdFile, prices: Prices) -> Iterator[str]:
    """Say when the circuits of charge points on this meter have power, if not always."""
    for name in file.charge_points:
        if file.tariffs_at(name) == prices.tariffs and (hours := powered_in_words(file, name)):
            yield f"The circuit of {name} has power only {hours}."


def _other_meters(prices: Prices) -> Iterator[RenderableType]:
    """Say which charge points have a meter of their own, and how to see its rates."""
    if prices.own:
        yield ""
    for name, own in prices.own.items():
        at = ", then ".join(tariff.name for tariff in own.tariffs)
        yield Text(f"{name} has a meter of its own, at {at}: see --charge-point {name}.")


def _range(days: Sequence[Day]) -> str:
    first, last = (f"{day.date:{LONG}}" for day in (days[0], days[-1]))
    return first if first == last else f"{first} to {last}"


# --- the strips -------------------------------------------------------------------------------


def _strips(file: HouseholdFile, days: Sequence[Day]) -> Iterator[RenderableType]:
    """Draw the days in blocks of one tariff, one month and one row of hours."""
    spans = [span for day in days for span in day.spans]
    low, high = min(span.rate for span in spans), max(span.rate for span in spans)
    before = days[0].tariff

    def kind(day: Day) -> tuple[object, ...]:
        marks = hour_marks(_cells(day), file.zone)
        return marks, day.tariff.name if day.tariff else None, day.date.month

    for (marks, _name, _month), block in groupby(days, kind):
        first, *rest = block
        yield ""
        if first.tariff is not before and first.tariff is not None:
            yield Text(f"From {first.date:{LONG}}: {first.tariff.name}")
        before = first.tariff
        yield Text(f"{INDENT}{marks}", style="dim")
        for day in (first, *rest):
            yield _strip(day, low, high)
            if change := clock_change(day, file.zone):
                yield Text(f"{INDENT}{change}")


def _strip(day: Day, low: Decimal, high: Decimal) -> Text:
    cells = "".join(_cell(day, instant, low, high) for instant in _cells(day))
    note = f"  {day.special}" if day.special else ""
    return Text(f"{day.date:%a %d %b}  ").append(cells, "yellow").append(note)


def _cells(day: Day) -> list[datetime]:
    return [day.start + place * CELL for place in range(-(-(day.end - day.start) // CELL))]


def _cell(day: Day, instant: datetime, low: Decimal, high: Decimal) -> str:
    span = next((span for span in day.spans if span.start <= instant < span.end), None)
    return UNKNOWN if span is None else _height(span, low, high)


def _height(span: RateSpan, low: Decimal, high: Decimal) -> str:
    if span.estimated:
        return level(span.rate, low, high, ESTIMATED)
    return level(span.rate, low, high)


def _signs(file: HouseholdFile, days: Sequence[Day]) -> Iterator[RenderableType]:
    """Explain every sign that is not a plain height."""
    spans = [span for day in days for span in day.spans]
    signs = []
    if any(span.estimated for span in spans):
        signs.append(f"{''.join(dict.fromkeys(ESTIMATED))} estimated, from low to high.")
    if any((span.start - day.start) % CELL for day in days for span in day.spans):
        signs.append("Each cell shows the rate at the start of its half hour.")
    for gap in unknown_in(days):
        start, end = (local_time(each, file.zone, f"{LONG} %H:%M") for each in (gap.start, gap.end))
        signs.append(f"{UNKNOWN} not known from {start} to {end}: {gap.why}.")
    if signs:
        yield ""
    yield from (Text(sign) for sign in signs)


# --- the legend -------------------------------------------------------------------------------


def _tariffs(days: Sequence[Day]) -> list[Tariff]:
    return list({day.tariff.name: day.tariff for day in days if day.tariff}.values())


def _legend(
    file: HouseholdFile, prices: Prices, days: Sequence[Day], tariff: Tariff
) -> Iterator[RenderableType]:
    since = f", valid from {tariff.valid_from:{LONG}}" if tariff.valid_from else ""
    tax = f"tax of {exact(tariff.tax_percent)} % included" if tariff.tax_percent else "no tax added"
    if tariff.percentages is not None:
        tax = "percentages included"
    yield ""
    yield Text(f"{tariff.name}{since}", style="bold")
    yield Text(f"{file.household.currency} per kWh, {tax}.")
    spans = [span for day in days for span in day.spans if span.tariff == tariff.name]
    lines: list[ConsoleRenderable] = [Text(line) for line in _components(tariff)]
    if tariff.series is not None:
        lines += [Text(line) for line in _series(file, prices, tariff, spans)]
    elif tariff.is_composed:
        lines += [_composed_bands(spans, days), *_usual_use(tariff)]
    else:
        lines += [_bands(tariff, days), *_usual_use(tariff)]
    yield from (Padding(line, (0, 0, 0, 2), expand=False) for line in lines)
    yield Text(_standing_charge(file, tariff, days))
    yield from (Text(line) for line in minimum_sentences(tariff, file.household.currency))
    yield from (Text(line) for line in capacity_sentences(tariff, file.household.currency))


def _components(tariff: Tariff) -> Iterator[str]:
    """List what a composed rate is the sum of, before percentages, and the percentages."""
    if not tariff.is_composed:
        return
    for component in tariff.plain_components:
        first, last = component.valid_from, component.valid_to
        when = f", from {first:{LONG}}" if first else ""
        when += f", until {last:{LONG}}" if last else ""
        yield f"{component.name}{when}: {_component_rates(component.tariff)}"
    for each in tariff.percentages_in_order:
        steps = [tier.percent for tier in each.tiers or ()]
        percents = steps if each.percent is None else [each.percent]
        yield f"{each.name}: {' to '.join(exact(percent) for percent in percents)} %"


def _component_rates(tariff: Tariff) -> str:
    if tariff.prices is not None:
        return _formula(tariff)
    bands = tariff.bands or ()
    if len(bands) == 1:
        return exact(band_rate(tariff, bands[0]))
    rates = dict.fromkeys((band.name, band_rate(tariff, band)) for band in bands)
    return ", ".join(f"{name} {exact(rate)}" for name, rate in rates)


def _composed_bands(spans: Sequence[RateSpan], days: Sequence[Day]) -> Table:
    """List the sums that hold in these days."""
    shown = [span for day in days for span in day.spans]
    low, high = min(span.rate for span in shown), max(span.rate for span in shown)
    table = Table(box=None, pad_edge=False, header_style="dim")
    for title in ("", "band", "rate"):
        table.add_column(title, justify="right" if title == "rate" else "left")
    for (band, rate), span in {(span.band, span.rate): span for span in spans}.items():
        table.add_row(_height(span, low, high), band, _rate(rate))
    return table


def _bands(tariff: Tariff, days: Sequence[Day]) -> Table:
    """List every band with its rates, also bands of other months and days."""
    spans = [span for day in days for span in day.spans]
    low, high = min(span.rate for span in spans), max(span.rate for span in spans)
    shown = {span.band: _height(span, low, high) for span in spans if span.tariff == tariff.name}
    table = Table(box=None, pad_edge=False, header_style="dim")
    table.add_column("")
    table.add_column("band")
    table.add_column("rate", justify="right")
    if tariff.tax_percent:
        table.add_column("before tax", justify="right")
    rows = []
    for band in tariff.bands or ():
        sign = shown.get(band.name, "")
        for name, taxed, untaxed in _rates(tariff, band):
            # Of several tiers, mark the one that the strips show.
            shown_here = sign if taxed == band_rate(tariff, band) else ""
            rows.append((shown_here, name, _rate(taxed), _rate(untaxed)))
    for row in dict.fromkeys(rows):  # a band may have several entries, for different days
        table.add_row(*row[: len(table.columns)])
    return table


def _rates(tariff: Tariff, band: Band) -> Iterator[tuple[str, Decimal, Decimal]]:
    """List a band's rates with tax and before tax, one for each tier."""
    tiers = usage_tiers_of(tariff, band)
    if band.rate is not None:
        yield band.name, band_rate(tariff, band), band.rate
    if tiers is None:
        return
    for tier, taxed in zip(band.tiers or (), tiers.rates, strict=True):
        end = tier.up_to_kwh
        until = "beyond that" if end is None else f"up to {exact(end)} kWh a {tiers.unit}"
        yield f"{band.name}, {until}", taxed, tier.rate


def _usual_use(tariff: Tariff) -> Iterator[Text]:
    if tariff.usual_kwh is not None:
        yield Text(
            f"The strips show the rates after the home's usual {exact(tariff.usual_kwh)} kWh"
            f" a {tariff.tiers_unit}."
        )


def _series(
    file: HouseholdFile, prices: Prices, tariff: Tariff, spans: Sequence[RateSpan]
) -> Iterator[str]:
    """Give the range of a price series, its mean, and until when it is known."""
    if not tariff.is_composed:
        yield f"Before tax: {_formula(tariff)}."
    if not spans:
        return
    low, high = (_rate(pick(span.rate for span in spans)) for pick in (min, max))
    minutes = [(span.end - span.start) // MINUTE for span in spans]
    cost = sum((span.rate * each for span, each in zip(spans, minutes, strict=True)), Decimal(0))
    yield f"{low} to {high}, mean {_rate(cost / sum(minutes))} over {_hours(spans)}."
    yield f"Below zero: {_hours([span for span in spans if span.rate < 0])}."
    estimated = [span for span in spans if span.estimated]
    if estimated:
        yield f"Estimated: {_hours(estimated)}."
    known = next((span.start for span in spans if not span.estimated), None)
    until = None if known is None else prices.known_until(known)
    if until is not None:
        yield f"Known without a gap until {local_time(until, file.zone, f'{LONG} %H:%M')}."


def _formula(tariff: Tariff) -> str:
    """Say how a price becomes a rate before tax."""
    prices = tariff.prices
    if prices is None:
        return ""
    limits = {"at least": prices.at_least, "at most": prices.at_most}
    limited = "".join(
        f", {name} {exact(limit)}" for name, limit in limits.items() if limit is not None
    )
    contract = prices.cheapest_hours
    cheapest = f", other rates in the {contract.hours} cheapest hours of a day" if contract else ""
    return f"{exact(prices.multiply)} x price + {exact(prices.add)}{limited}{cheapest}"


def _hours(spans: Sequence[RateSpan]) -> str:
    return f"{sum((span.end - span.start for span in spans), timedelta(0)) / HOUR:g} hours"


def _standing_charge(file: HouseholdFile, tariff: Tariff, days: Sequence[Day]) -> str:
    charges = dict.fromkeys(
        standing_charge_on(tariff, day.date) for day in days if day.tariff == tariff
    )
    if not any(charges):
        return "No standing charge."
    currency = file.household.currency
    least = minor_units(currency)
    taxed = ", then ".join(_padded(charge, least) for charge in charges)
    if tariff.fees:
        return f"Standing charge and fees: {currency} {taxed} a day."
    before = f" ({_padded(tariff.standing_charge, least)} before tax)" if tariff.tax_percent else ""
    return f"Standing charge: {currency} {taxed} a day{before}."


def _rate(rate: Decimal) -> str:
    """Write a rate as exactly as papers do: a band's in full, a mean rounded."""
    least, most = DECIMALS
    return _padded(round(rate, most), least)


def _padded(amount: Decimal, least: int) -> str:
    """Write an amount in full, with at least some decimals."""
    text = exact(amount)
    missing = least - len(text.partition(".")[2])
    if missing <= 0:
        return text
    return f"{amount:.{least}f}"
