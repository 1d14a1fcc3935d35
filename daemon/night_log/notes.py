"""Say which figures of nights need a remark, for the text and for the page. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.presentation.figures import counted, day_edge, local_time, lowered_words
from planners.accounts.accounts import exact_kwh
from planners.accounts.money import format_money
from planners.local_time.departures import DAY, night_bounds

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from decimal import Decimal
    from zoneinfo import ZoneInfo

    from config.calendar.account_days import AccountDays
    from daemon.night_log.month import NightRow, StayRow

OUTSIDE = "+"
"""Marks the cost by a rule whose own hours are too few."""

ESTIMATED_RATE = "~"
"""Marks a cost at estimated rates."""

UNKNOWN = "?"
"""Marks an energy that may be more: nothing shows what flowed in a part of the time."""

OUTSIDE_WORDS = {
    "at_once": "At once, the time until the departure was too short",
    "timer": "On a timer, the cheapest hours were too few",
}


def at_estimated_rates(wh: int) -> str:
    """Say how much of an energy is priced at estimated rates, such as ``"0.61 kWh of it ..."``."""
    return f"{exact_kwh(wh):.2f} kWh of it at estimated rates"


def of_the_roof(roof_wh: int, all_grid_cost: Decimal, currency: str) -> str:
    """Say how much of an energy the home's own roof gave, and what the grid would have cost."""
    from_grid = format_money(all_grid_cost, currency)
    return (
        f"{exact_kwh(roof_wh):.2f} kWh of it from the roof, at what export would have paid;"
        f" all of it from the grid would have cost {from_grid}"
    )


def departure_notes(rows: Sequence[NightRow], zone: ZoneInfo) -> Iterator[str]:
    """Say what each departure of a night had, where there were several.

    Parameters
    ----------
    rows : sequence of NightRow
        The nights.
    zone : ZoneInfo
        The household's.

    Yields
    ------
    str
        A sentence for each such night.
    """
    for row in rows:
        if len(row.departures) > 1:
            had = "; ".join(_departure(stay, zone) for stay in row.departures)
            yield f"{row.night:%a %d %b}, {len(row.departures)} departures: {had}."


def _departure(stay: StayRow, zone: ZoneInfo) -> str:
    leaves = local_time(stay.departure, zone, "%a %H:%M") if stay.departure else ""
    soc = stay.soc_after_percent
    had = "how much it had is not known" if soc is None else f"it had {soc:.0f} %"
    missing = f", {stay.missing_kwh:.1f} kWh short" if stay.missing_kwh else ""
    return f"for {leaves} it needed {stay.need_percent:.0f} %, {had}{missing}"


def account_notes(rows: Sequence[NightRow], days: AccountDays) -> Iterator[str]:
    """Say which days of the account are longer or shorter, since `account_day` was changed.

    Parameters
    ----------
    rows : sequence of NightRow
        The nights.
    days : AccountDays
        The days of the account.

    Yields
    ------
    str
        A sentence for each such day.
    """
    for night in sorted({row.night for row in rows}):
        before, after = days.end_of(night - DAY), days.end_of(night)
        if before != after:
            begins, ends = night_bounds(night, days)
            yield (
                f"{night:%a %d %b} has {24 * ((ends - begins) / DAY):g} hours, from"
                f" {day_edge(begins, days.zone)}, to {day_edge(ends, days.zone)}:"
                f" account_day was changed from {before} to {after}."
            )


def rule_notes(rows: Sequence[NightRow]) -> Iterator[str]:
    """Say where an energy, or a comparison with another rule, needs a remark.

    Parameters
    ----------
    rows : sequence of NightRow
        The nights.

    Yields
    ------
    str
        A sentence.
    """
    unknown = [row.unknown_hours for row in rows if row.unknown_hours]
    if unknown:
        yield (
            f"{UNKNOWN} It is unknown what flowed in {sum(unknown):.1f} h of the charging"
            f" ({counted(len(unknown), 'night')}): the meter was silent, and no register shows it."
        )
    for rule, words in OUTSIDE_WORDS.items():
        of_rule = [outside for row in rows if (outside := getattr(row, f"{rule}_outside_wh"))]
        if of_rule:
            yield (
                f"{OUTSIDE} {words} for {exact_kwh(sum(of_rule)):.2f} kWh"
                f" ({counted(len(of_rule), 'night')}): priced at the next cheapest hours."
            )
    for row in rows:
        if row.lowered_minutes:
            words = lowered_words(
                row.lowered_minutes, row.lowered_to_amps or 0.0, row.home_load_amps
            )
            yield f"{row.night:%a %d %b}: {words}."
    older = sum(row.compared_by_older_version for row in rows)
    if older:
        yield (
            f"On {counted(older, 'night')} an earlier version compared other rules for another"
            " amount of energy; their costs are left out. While the readings are kept, the daemon"
            " of this version compares them again."
        )
