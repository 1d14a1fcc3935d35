"""Show a plan in a terminal: a strip, a table of periods, totals, reasons."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

from rich.console import Group
from rich.table import Table
from rich.text import Text

from config.fields.currencies import minor_units
from daemon.presentation.figures import counted, local_time, rounded_parts
from daemon.presentation.strips import day_marks, hour_marks, level
from planners.accounts.money import format_amount, format_money
from planners.plan.plan import NOTICED_KWH, NOTICED_PERCENT

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from rich.console import RenderableType

    from planners.plan.plan import LaterNight, Outcome, Period, Plan
    from planners.rates.prices import RateSpan

CELLS = 68
"""Greatest width of the strip [characters]."""

INDENT = 10
"""Width of what is written before a strip, unless a name is longer [characters]."""

CELL_MINUTES = (15, 30, 60, 120, 240, 480)
LONGEST_HOURLY = timedelta(minutes=60)
"""Strips with longer cells are marked with days instead of hours."""

AHEAD_PERCENT = 0.5
"""Less than this beyond the target is not bought ahead, but rounding."""

CHARGING, FROM_ROOF, PARTLY, IDLE, GUESSED = "█", "▓", "▄", "·", "~"


def show_plan(plan: Plan, spans: Sequence[RateSpan], zone: ZoneInfo) -> RenderableType:
    """Lay out a plan for a terminal.

    Parameters
    ----------
    plan : Plan
        The plan.
    spans : sequence of RateSpan
        The rates from now to the departure.
    zone : ZoneInfo
        The household's zone.

    Returns
    -------
    RenderableType
        For rich to print.
    """
    return Group(
        *_title(plan, zone),
        *strip(plan, spans, zone),
        "",
        *_body(plan, zone),
        *_section("Cautions", plan.cautions),
    )


def show_home(
    plans: Sequence[Plan],
    spans: Sequence[RateSpan],
    zone: ZoneInfo,
    gap: str,
    left: Sequence[Headroom],
) -> RenderableType:
    """Lay out the plans of several vehicles for a terminal.

    Parameters
    ----------
    plans : sequence of Plan
        One for each vehicle.
    spans : sequence of RateSpan
        The rates from now to the last departure.
    zone : ZoneInfo
        The household's zone.
    gap : str
        A sentence about how good the plans are together.
    left : sequence of Headroom
        See `strips`.

    Returns
    -------
    RenderableType
        The strips one below the other, and then each plan; each caution once.
    """
    charging = {
        plan.vehicle: [
            *plan.periods,
            *(period for night in plan.later for period in night.periods),
        ]
        for plan in plans
    }
    currency = plans[0].currency
    cost = format_money(sum(plan.cost for plan in plans), currency)
    energy = sum(plan.energy_kwh for plan in plans)
    parts: list[RenderableType] = [*strips(charging, spans, zone, currency, left), ""]
    parts += [f"Together {energy:.2f} kWh at the meter for {cost}: {gap}", ""]
    for plan in plans:
        parts += [*_title(plan, zone), *_body(plan, zone)]
    cautions = dict.fromkeys(sentence for plan in plans for sentence in plan.cautions)
    return Group(*parts, *_section("Cautions", cautions))


def _title(plan: Plan, zone: ZoneInfo) -> list[RenderableType]:
    departure = local_time(plan.departure, zone, "%a %d %b %H:%M")
    title = (
        f"{plan.vehicle} on {plan.charge_point}: {plan.soc_percent:.0f} % now,"
        f" {plan.reaches_percent:.0f} % by {departure}"
    )
    return [Text(title, style="bold"), Text(f"{_targets(plan)}{_by_event(plan.event)}"), ""]


def _body(plan: Plan, zone: ZoneInfo) -> list[RenderableType]:
    parts: list[RenderableType] = []
    if plan.periods:
        # Within a week, the name of a weekday says which day it is.
        far = plan.departure - plan.made_at >= timedelta(days=6)
        parts += [_periods(plan.periods, plan.currency, zone, far=far), ""]
    parts += [_totals(plan), ""]
    for night in plan.later:
        parts += [*_later(night, plan.currency, zone), ""]
    return [*parts, *_section("Why", plan.why)]


def _by_event(title: str | None) -> str:
    return "" if title is None else f" The departure is from the calendar: {title!r}."


def _targets(plan: Plan) -> str:
    is_ahead = plan.periods and plan.reaches_percent >= plan.want_percent + AHEAD_PERCENT
    ahead = ". What is charged beyond that is for later departures" if is_ahead else ""
    if plan.want_percent > plan.need_percent:
        return f"Needs {plan.need_percent:.0f} %, wants {plan.want_percent:.0f} %{ahead}."
    return f"Needs {plan.need_percent:.0f} %{ahead or ', and wants no more'}."


def strip(plan: Plan, spans: Sequence[RateSpan], zone: ZoneInfo) -> list[Text]:
    """Draw the time until the departure: hours, rates as heights, charging.

    Parameters
    ----------
    plan : Plan
        The plan.
    spans : sequence of RateSpan
        The rates from now to the departure.
    zone : ZoneInfo
        The household's zone.

    Returns
    -------
    list of Text
        Three lines, one more if rates are estimated, and a legend.
    """
    return strips({"charging": plan.periods}, spans, zone, plan.currency)


@dataclass(frozen=True, slots=True)
class Headroom:
    """What plans leave of something that they share.

    Attributes
    ----------
    name, words, unit : str
        To call its line; for the legend.
    digits : int
        Decimal places in the legend.
    least : callable
        Returns the least that is left from one instant to another.
    """

    name: str
    words: str
    unit: str
    digits: int
    least: Callable[[datetime, datetime], float]


def strips(
    charging: Mapping[str, Sequence[Period]],
    spans: Sequence[RateSpan],
    zone: ZoneInfo,
    currency: str,
    left: Sequence[Headroom] = (),
) -> list[Text]:
    """Draw some time with several vehicles: hours, rates as heights, and each one's charging.

    Parameters
    ----------
    charging : mapping of str to sequence of Period
        The periods of each vehicle, by what to call its line.
    spans : sequence of RateSpan
        The rates in that time.
    zone : ZoneInfo
        The household's zone.
    currency : str
        ISO 4217 code.
    left : sequence of Headroom
        What the plans leave.

    Returns
    -------
    list of Text
        A line for each, and a legend.
    """
    if not spans:
        return []
    width = max(INDENT, *(len(name) + 1 for name in (*charging, *(each.name for each in left))))
    start, end = spans[0].start, spans[-1].end
    cell = _cell(end - start, CELLS + INDENT - width)
    offset = start.astimezone(zone).utcoffset() or timedelta(0)
    first = (
        start - ((start - start.replace(hour=0, minute=0, second=0, microsecond=0)) + offset) % cell
    )
    instants = [first + i * cell for i in range(-(-(end - first) // cell))]
    held = [_span_at(spans, max(start, instant)) for instant in instants]
    low, high = min(span.rate for span in spans), max(span.rate for span in spans)
    marks = hour_marks(instants, zone) if cell <= LONGEST_HOURLY else day_marks(instants, zone)
    lines = [
        Text(" " * width + marks, style="dim"),
        Text("rate".ljust(width)).append(
            "".join(level(span.rate, low, high) for span in held), "yellow"
        ),
    ]
    if any(span.estimated for span in held):
        marked = "".join(GUESSED if span.estimated else " " for span in held)
        lines.append(Text(f"{'estimated'.ljust(width)}{marked.rstrip()}", style="dim"))
    lines += [
        Text(name.ljust(width)).append(
            "".join(_charging(periods, instant, instant + cell) for instant in instants), "green"
        )
        for name, periods in charging.items()
    ]
    legend = [_rates_legend(spans, low, high, currency)]
    if any(_is_from_roof(period) for periods in charging.values() for period in periods):
        legend.append(f"{FROM_ROOF} mostly from the roof, {CHARGING} from the grid")
    for each in left:
        found = [
            Decimal(each.least(max(start, instant), min(end, instant + cell)))
            for instant in instants
        ]
        most, digits = max(found), each.digits
        lines.append(
            Text(each.name.ljust(width)).append("".join(level(a, Decimal(0), most) for a in found))
        )
        legend.append(f"{each.words}: {min(found):.{digits}f} to {most:.{digits}f} {each.unit}")
    lines += [Text(" " * width + line, style="dim") for line in legend]
    return lines


def _rates_legend(spans: Sequence[RateSpan], low: Decimal, high: Decimal, currency: str) -> str:
    legend = " ".join(
        f"{name} {rate:.4f}" for name, rate in dict.fromkeys((s.band, s.rate) for s in spans)
    )
    legend += f" {currency} per kWh"
    return legend if len(legend) <= CELLS else f"{low:.4f} to {high:.4f} {currency} per kWh"


def _span_at(spans: Sequence[RateSpan], instant: datetime) -> RateSpan:
    return next(span for span in spans if span.start <= instant < span.end)


def _charging(periods: Sequence[Period], start: datetime, end: datetime) -> str:
    """Mark whether a cell has charging in at least half of it, in less, or in none, and of what."""
    overlap = from_roof = timedelta(0)
    for period in periods:
        part = max(timedelta(0), min(end, period.end) - max(start, period.start))
        overlap += part
        from_roof += part if _is_from_roof(period) else timedelta(0)
    if not overlap:
        return IDLE
    if overlap * 2 < end - start:
        return PARTLY
    return FROM_ROOF if from_roof * 2 >= overlap else CHARGING


def _is_from_roof(period: Period) -> bool:
    return period.roof_kwh * 2 > period.kwh


def _cell(length: timedelta, cells: int) -> timedelta:
    """Choose how much time a character stands for, so that the whole strip fits."""
    fits = (
        timedelta(minutes=m) for m in CELL_MINUTES if length <= (cells - 1) * timedelta(minutes=m)
    )
    return next(fits, timedelta(days=-(-length // (timedelta(days=1) * (cells - 1)))))


def _later(night: LaterNight, currency: str, zone: ZoneInfo) -> list[RenderableType]:
    form = "%a %d %b %H:%M"
    lines: list[RenderableType] = [
        Text(
            f"Then: back {local_time(night.returns, zone, form)} with {night.soc_percent:.0f} %,"
            f" {night.reaches_percent:.0f} % by {local_time(night.departure, zone, form)}",
            style="bold",
        )
    ]
    if night.event is not None:
        lines.append(Text(_by_event(night.event).strip()))
    if not night.periods and night.want_percent - night.reaches_percent < NOTICED_PERCENT:
        return [*lines, "Nothing to charge."]
    if not night.periods:
        wanted = (
            f"{night.want_percent:.0f} % is wanted, but not at what it would cost in this night"
        )
        return [*lines, Text(f"Nothing is charged: {wanted}.")]
    far = night.departure - night.returns >= timedelta(days=6)
    return [
        *lines,
        _periods(night.periods, currency, zone, far=far),
        f"{night.energy_kwh:.2f} kWh at the meter for {format_money(night.cost, currency)}.",
    ]


def _periods(
    periods: Sequence[Period], currency: str, zone: ZoneInfo, *, far: bool
) -> RenderableType:
    table = Table(box=None, pad_edge=False, header_style="dim")
    has_roof = any(period.roof_kwh > NOTICED_KWH for period in periods)
    names = ("period", "current", "energy", *(("of it roof",) if has_roof else ()), "band", "cost")
    for name in names:
        table.add_column(name, justify="left" if name in {"period", "band"} else "right")
    form = "%d %b %H:%M" if far else "%a %H:%M"
    energies = rounded_parts([Decimal(period.kwh) for period in periods], 2)
    total = Decimal(format_amount(sum(period.cost for period in periods), currency))
    costs = rounded_parts(
        [Decimal(period.cost) for period in periods], minor_units(currency), total
    )
    for period, kwh, cost in zip(periods, energies, costs, strict=True):
        start, end = (local_time(each, zone, form) for each in (period.start, period.end))
        if start == end:  # less than a minute
            start, end = (
                local_time(each, zone, f"{form}:%S") for each in (period.start, period.end)
            )
        if start == end and not kwh and not cost:
            continue
        table.add_row(
            f"{start} to {end}",
            period.current_text,
            f"{kwh} kWh",
            *((f"{period.roof_kwh:.2f} kWh",) if has_roof else ()),
            period.band + (" (estimated)" if period.estimated else ""),
            format_money(cost, currency),
        )
    return table


def _totals(plan: Plan) -> Text:
    cost = format_money(plan.cost, plan.currency)
    return Text(
        f"{plan.energy_kwh:.2f} kWh at the meter for {cost}, {counted(plan.starts, 'start')}.\n"
        f"{_by_source(plan)}"
        f"At once: {_baseline(plan.at_once, plan)}; on a timer: {_baseline(plan.timer, plan)}."
    )


def _by_source(plan: Plan) -> str:
    """Say what of a plan the home's own roofs are counted on for, in a line; empty without."""
    if plan.roof_kwh <= NOTICED_KWH:
        return ""
    grid_kwh, grid_cost = plan.energy_kwh - plan.roof_kwh, plan.cost - plan.roof_cost
    roof, grid = (format_money(each, plan.currency) for each in (plan.roof_cost, grid_cost))
    return (
        f"From the roof {plan.roof_kwh:.2f} kWh, for which export would pay {roof}; from the grid"
        f" {max(0.0, grid_kwh):.2f} kWh for {grid}.\n"
    )


def _baseline(outcome: Outcome, plan: Plan) -> str:
    """Write what a baseline would cost, and for how much energy if that differs."""
    cost = format_money(outcome.cost, plan.currency)
    same = f"{outcome.energy_kwh:.2f}" == f"{plan.energy_kwh:.2f}"
    return cost if same else f"{cost} for {outcome.energy_kwh:.2f} kWh"


def _section(title: str, sentences: Iterable[str]) -> list[RenderableType]:
    if not (rows := list(sentences)):
        return []
    lines = Table.grid(padding=(0, 1, 0, 0))
    for sentence in rows:
        lines.add_row("  -", Text(sentence))
    return [Text(title, style="bold"), lines, ""]
