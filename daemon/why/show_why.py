"""A night's answer and story: as people read them in a terminal, and as JSON values."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from rich.console import Group
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from daemon.why.explanation import explain_night
from daemon.why.story import story_of
from daemon.why.wording import history_of, kwh
from planners.plan.plan import instant_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from rich.console import RenderableType

    from daemon.control.state import House
    from daemon.why.explanation import Explanation
    from daemon.why.records import Night
    from daemon.why.story_lines import Entry
    from daemon.why.wording import NightHistory

INDENT = 2
RULES = {"at_once": "Charging at once", "timer": "Charging on a timer"}


@dataclass(frozen=True, slots=True)
class Why:
    """One charge point's night, answered and told."""

    history: NightHistory
    explanation: Explanation
    story: tuple[Entry, ...]


def why_of(house: House, night: Night) -> Why:
    """Answer for a night and tell it."""
    history = history_of(house, night)
    return Why(history, explain_night(history), story_of(history))


# --- for people -------------------------------------------------------------------------------


def show_why(house: House, whys: Sequence[Why]) -> RenderableType:
    """Lay a night out for people.

    Parameters
    ----------
    house : House
        The household.
    whys : sequence of Why
        One for each charge point.

    Returns
    -------
    RenderableType
        To be printed by rich, at most 80 columns wide.
    """
    night = whys[0].history.night
    next_day = night.night + timedelta(days=1)
    title = (
        f"{house.file.household.name}: the night from {night.night:%a %d %b %Y}, noon, to"
        f" {next_day:%a %d %b}, noon"
    )
    parts: list[RenderableType] = [Text(title, style="bold")]
    for why in whys:
        parts += ["", *_one(why)]
    if not night.is_over:
        before = night.night - timedelta(days=1)
        parts += ["", Text(f"This night is not over. The one before it: --night {before}")]
    return Group(*parts)


def _one(why: Why) -> Iterator[RenderableType]:
    night = why.history.night
    yield Text(f"{night.charge_point}: {night.vehicle}" if night.vehicle else night.charge_point)
    yield Padding(Text(why.explanation.text), (0, 0, 0, INDENT))
    if why.story:
        yield ""
        yield _table(why)
    account = list(_account(why.history))
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
        local = entry.at.astimezone(zone)
        if local.date() != day:
            day = local.date()
            table.add_row("", "", Text(f"{day:%A %d %B}", style="bold"))
        # An alert's own words may begin with a name.
        first = entry.text[:1] if entry.kind == "alert" else entry.text[:1].upper()
        text = Text(f"{first}{entry.text[1:]}")
        text.append("" if text.plain.endswith(".") else ".")
        if entry.more:
            text.append("\n" + " ".join(entry.more), style="dim")
        table.add_row(f"{local:%H:%M}", entry.kind, text)
    return table


def _account(history: NightHistory) -> Iterator[str]:
    """Give what was charged, by band, beside plain rules; where nothing was, nothing."""
    record, night = history.night.record, history.night
    if record is None:
        if night.energy_wh:
            yield f"{kwh(night.energy_wh, 2)} at the meter; no rate is known to price it with."
        return
    if not record["by_band"]:
        return
    cost = history.money(record["cost"])
    yield f"{kwh(night.energy_wh, 2)} at the meter for {cost}, tax included:"
    for line in record["by_band"]:
        amount = kwh(1000 * float(line["kwh"]), 2)
        cost = history.money(line["cost"])
        yield f"  {line['band']}: {amount} at {_rate(line['rate'])} per kWh, {cost}"
    if record["estimated_kwh"]:
        yield f"{kwh(1000 * float(record['estimated_kwh']), 2)} of it are estimated, not measured."
    rules = [
        f"{words} would have cost {history.money(record['baselines'][name]['cost'])}"
        for name, words in RULES.items()
        if name in record["baselines"]
    ]
    if rules and night.closed:
        yield "; ".join([rules[0], *(rule[:1].lower() + rule[1:] for rule in rules[1:])]) + "."


def _rate(rate: Decimal | float) -> str:
    return f"{float(rate):.4f}"


# --- for scripts ------------------------------------------------------------------------------


def why_values(house: House, whys: Sequence[Why]) -> dict[str, Any]:
    """Give a night as JSON values: instants by RFC 3339 in UTC, money exact.

    Parameters
    ----------
    house : House
        The household.
    whys : sequence of Why
        One for each charge point.

    Returns
    -------
    dict
        One document.
    """
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
