"""Show a night's explanation and story in a terminal, or as JSON values."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from rich.console import Group
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from config.fields.currencies import minor_units
from daemon.night_log.carbon import carbon_words, night_carbon
from daemon.night_log.month import RULES
from daemon.night_log.notes import of_the_roof
from daemon.nights.recount import compared_by_older_version
from daemon.nights.stays import vehicles_of_record
from daemon.presentation.figures import day_edge, kwh_text, rounded_parts
from daemon.why.explanation import explain_night
from daemon.why.story import story_of
from daemon.why.wording import history_of
from planners.local_time.conversion import clock_text, nearest_minute
from planners.plan.plan import instant_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from rich.console import RenderableType

    from daemon.control.state import House
    from daemon.why.explanation import Explanation
    from daemon.why.records import Night
    from daemon.why.story_lines import Entry
    from daemon.why.wording import NightHistory

INDENT = 2
RULES_SHOWN = ("at_once", "timer")


@dataclass(frozen=True, slots=True)
class Why:
    """One charge point's night with its explanation and its story."""

    history: NightHistory
    explanation: Explanation
    story: tuple[Entry, ...]


def why_of(house: House, night: Night) -> Why:
    """Explain a night and tell its story."""
    history = history_of(house, night)
    return Why(history, explain_night(history), story_of(history))


# --- for people -------------------------------------------------------------------------------


def show_why(house: House, whys: Sequence[Why]) -> RenderableType:
    """Lay out a night at each charge point for rich, at most 80 columns wide."""
    night, zone = whys[0].history.night, house.file.zone
    what = "night" if house.file.days.end_of(night.night) == "noon" else "day"
    begins = day_edge(night.begins, zone, "%a %d %b %Y")
    title = (
        f"{house.file.household.name}: the {what} from {begins}, to {day_edge(night.ends, zone)}"
    )
    parts: list[RenderableType] = [Text(title, style="bold")]
    for why in whys:
        parts += ["", *_one(why)]
    if not night.is_over:
        before = night.night - timedelta(days=1)
        parts += ["", Text(f"This {what} is not over. The one before it: --night {before}")]
    return Group(*parts)


def _one(why: Why) -> Iterator[RenderableType]:
    night = why.history.night
    vehicles = ", ".join(vehicles_of_record(night.record)) or night.vehicle
    yield Text(f"{night.charge_point}: {vehicles}" if vehicles else night.charge_point)
    yield Padding(Text(why.explanation.text), (0, 0, 0, INDENT))
    if why.story:
        yield ""
        yield _table(why)
    account = list(account_lines(why.history))
    if account:
        yield ""
        yield from (Padding(Text(line), (0, 0, 0, INDENT)) for line in account)


def _table(why: Why) -> Table:
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("when", no_wrap=True)
    table.add_column("what", no_wrap=True, style="dim")
    table.add_column("text")
    zone = why.history.house.file.zone
    day = None
    for entry in why.story:
        local = nearest_minute(entry.at, zone)
        if local.date() != day:
            day = local.date()
            table.add_row("", "", Text(f"{day:%A %d %B}", style="bold"))
        # An alert's own words may begin with a name.
        first = entry.text[:1] if entry.kind == "alert" else entry.text[:1].upper()
        text = Text(f"{first}{entry.text[1:]}")
        text.append("" if text.plain.endswith(".") else ".")
        if entry.more:
            text.append("\n" + " ".join(entry.more), style="dim")
        table.add_row(clock_text(entry.at, zone, "%H:%M"), entry.kind, text)
    return table


def account_lines(history: NightHistory) -> Iterator[str]:
    """Write the account by band, with other rules; nothing if nothing was charged."""
    record, night = history.night.record, history.night
    if record is None:
        if night.energy_wh:
            yield f"{kwh_text(night.energy_wh, 2)} at the meter; no rate is known to price it with."
        return
    if not record["by_band"]:
        return
    cost = history.money(record["cost"])
    yield f"{kwh_text(night.energy_wh, 2)} at the meter for {cost}, tax included:"
    lines = _printed_lines(record["by_band"])
    currency = history.house.file.household.currency
    energies = rounded_parts([kwh for kwh, _ in lines.values()], 2)
    costs = rounded_parts([part for _, part in lines.values()], minor_units(currency))
    for (band, rate), kwh, part in zip(lines, energies, costs, strict=True):
        yield f"  {band}: {kwh} kWh at {rate} per kWh, {history.money(part)}"
    yield from _remarks(record, currency)
    baselines = record["baselines"]
    rules = [
        f"charging {RULES[rule]} would have cost {history.money(baselines[rule]['cost'])}"
        for rule in RULES_SHOWN
        if rule in baselines and not compared_by_older_version(record)
    ]
    if rules and night.closed:
        sentence = "; ".join(rules)
        yield f"{sentence[:1].upper()}{sentence[1:]}."


def _remarks(record: Mapping[str, Any], currency: str) -> Iterator[str]:
    """Say which part of the energy is from the roof, and which is not certain."""
    if record.get("roof_kwh"):
        roof_wh = round(1000 * Decimal(record["roof_kwh"]))
        yield f"{of_the_roof(roof_wh, Decimal(record['all_grid_cost']), currency)}."
    if carbon := night_carbon(record):
        yield f"Its carbon: {carbon_words(carbon)}."
    if record["estimated_kwh"]:
        estimated = kwh_text(1000 * float(record["estimated_kwh"]), 2)
        yield f"{estimated} of it are estimated, not measured."
    if record.get("estimated_rate_kwh"):
        estimated = kwh_text(1000 * float(record["estimated_rate_kwh"]), 2)
        yield f"{estimated} of it are priced at estimated rates."


def _printed_lines(
    by_band: Sequence[Mapping[str, Any]],
) -> dict[tuple[str, str], tuple[Decimal, Decimal]]:
    """Add up the energy and cost of lines whose band and rate print alike."""
    found: dict[tuple[str, str], tuple[Decimal, Decimal]] = {}
    for line in by_band:
        kwh, cost = found.get(key := (line["band"], _rate(line["rate"])), (Decimal(0), Decimal(0)))
        found[key] = kwh + Decimal(line["kwh"]), cost + Decimal(line["cost"])
    return found


def _rate(rate: Decimal | float) -> str:
    return f"{float(rate):.4f}"


# --- for scripts ------------------------------------------------------------------------------


def why_values(house: House, whys: Sequence[Why]) -> dict[str, Any]:
    """Make the JSON values of a night: instants by RFC 3339 in UTC, money exact."""
    night, home = whys[0].history.night, house.file.household
    return {
        "household": home.name,
        "timezone": home.timezone,
        "currency": home.currency,
        "night": night.night.isoformat(),
        "begins": instant_text(night.begins),
        "ends": instant_text(night.ends),
        "over": night.is_over,
        "charge_points": [_values(why) for why in whys],
    }


def _values(why: Why) -> dict[str, Any]:
    night = why.history.night
    return {
        "charge_point": night.charge_point,
        "vehicle": night.vehicle or None,
        "answer": why.explanation.text,
        "causes": list(why.explanation.causes),
        "charged": [
            {
                "start": instant_text(flow.start),
                "end": instant_text(flow.end),
                "kwh": Decimal(flow.wh).scaleb(-3),
                "measured": flow.is_measured,
            }
            for flow in why.history.flows
        ],
        "closed": night.closed,
        "account": night.record,
        "story": [
            {
                "at": instant_text(entry.at),
                "kind": entry.kind,
                "text": entry.text,
                "more": list(entry.more),
                "commands": list(entry.serials),
            }
            for entry in why.story
        ],
    }
