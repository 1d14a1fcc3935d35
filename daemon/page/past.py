"""The nights and months that are over, in sentences. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, TypeAlias

from config.fields.currencies import minor_units
from config.fields.value_types import WATT_HOURS_PER_KWH
from planners.accounts.money import round_money
from planners.local_time.departures import night_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import datetime
    from decimal import Decimal

    from adapters.contract.messages import Status
    from daemon.night_log.month import Month, NightRow
    from daemon.page.words import Words


Levels: TypeAlias = "Mapping[str, float | None]"
"""The charge points at which a vehicle is there now, and its level if that is known."""

NOBODY_THERE: Final[Levels] = {}


@dataclass(frozen=True, slots=True)
class PastLine:
    """A month or a night: its name, sentences, and its date for an address."""

    name: str
    sentences: tuple[str, ...]
    of: str = ""


@dataclass(frozen=True, slots=True)
class PastView:
    """The months and the nights, the latest first."""

    months: tuple[PastLine, ...]
    nights: tuple[PastLine, ...]


def past_view(
    months: Sequence[Month], now: datetime, words: Words, levels: Levels = NOBODY_THERE
) -> PastView:
    """Return what the page says of months and their nights.

    Parameters
    ----------
    months
        The latest first.
    now
        UTC.
    words
        The reader's.
    levels
        Where a vehicle is there now, and its level.

    Returns
    -------
    PastView
        In the reader's words.
    """
    nights = [(night, month.currency) for month in months for night in reversed(month.nights)]
    return PastView(
        tuple(month_line(month, now, words) for month in months),
        tuple(night_line(night, currency, now, words, levels) for night, currency in nights),
    )


def month_line(month: Month, now: datetime, words: Words) -> PastLine:
    """Say what a month took, what it cost and saved, and whether it is still running."""
    name, of = words.month(month.year, month.month), f"{month.year}-{month.month:02}"
    this = night_of(now, words.days)
    is_running = (month.year, month.month) == (this.year, this.month)
    if not month.nights:
        nothing = words.say("Nothing was charged.")
        if is_running:
            nothing = words.say("It is still running, and no night of it is over.")
        return PastLine(name, (nothing,), of)
    amount = words.say(
        "{kwh} for {cost}.",
        kwh=words.kwh(month.energy_wh / WATT_HOURS_PER_KWH),
        cost=words.money(month.cost_rounded, month.currency),
    )
    return PastLine(
        name,
        (
            amount,
            *([words.say("It is still running.")] if is_running else ()),
            *compared(month.saved_against_at_once, month.currency, words),
            *_short(len(month.nights_short), words),
            *origins(month.estimated_wh, month.estimated_rate_wh, words),
        ),
        of,
    )


def _short(count: int, words: Words) -> Iterator[str]:
    if count:
        yield words.say("Nights with too little for the departure: {count}.", count=count)


def levels_now(statuses: Mapping[str, Status | None]) -> Levels:
    """Return the level of each vehicle that is there now, by its charge point."""
    return {
        name: status.soc_percent for name, status in statuses.items() if status and status.connected
    }


def runs(row: NightRow, now: datetime, words: Words, levels: Levels) -> bool:
    """Whether a night is in progress: its end has not come, and a vehicle is there."""
    return row.night == night_of(now, words.days) and row.charge_point in levels


def level_after(row: NightRow, now: datetime, words: Words, levels: Levels) -> float | None:
    """Return the level at the departure; in a night in progress the present one."""
    if runs(row, now, words, levels):
        return levels[row.charge_point]
    return row.soc_after_percent


def night_line(
    row: NightRow, currency: str, now: datetime, words: Words, levels: Levels = NOBODY_THERE
) -> PastLine:
    """Say what a night took, what it cost, and what it saved."""
    cost = round_money(row.cost, minor_units(currency))
    saved = None if row.at_once is None else row.at_once - cost
    return PastLine(
        words.date(row.night, now),
        (
            words.say(
                "{vehicle}: {kwh} for {cost}.",
                vehicle=", ".join(row.vehicles),
                kwh=words.kwh(row.energy_wh / WATT_HOURS_PER_KWH),
                cost=words.money(cost, currency),
            ),
            *_levels(row, now, words, levels),
            *compared(saved, currency, words),
            *_estimated(row.estimated_wh, words),
            *_estimated_rates(row.estimated_rate_wh, words),
            *([words.say("This night is not over.")] if runs(row, now, words, levels) else ()),
        ),
        row.night.isoformat(),
    )


def _levels(row: NightRow, now: datetime, words: Words, levels: Levels) -> Iterator[str]:
    before, after = row.soc_before_percent, level_after(row, now, words, levels)
    if before is not None and after is not None and len(row.vehicles) == 1:
        yield words.say(
            "From {before} to {after}.", before=words.percent(before), after=words.percent(after)
        )
    short = [stay.departure for stay in row.stays if not stay.need_met and stay.departure]
    for departure in short:
        if departure <= now:
            time = words.day_and_time(departure, now)
            yield words.say("At the departure {time} it was too little.", time=time)
    if not row.need_met and not short:
        yield words.say("That was too little for the departure.")


def compared(saved: Decimal | None, currency: str, words: Words) -> Iterator[str]:
    """Say what charging at once would have cost more, or less."""
    if not saved:
        return
    amount = words.money(abs(saved), currency)
    if saved > 0:
        yield words.say("Charging at once would have cost {amount} more.", amount=amount)
    else:
        yield words.say("Charging at once would have cost {amount} less.", amount=amount)


def origins(estimated_wh: int, estimated_rate_wh: int, words: Words) -> Iterator[str]:
    """Say where figures come from: the meter, or estimates of energy or of rates."""
    if not estimated_wh:
        yield words.say("All of it is metered.")
    yield from _estimated(estimated_wh, words)
    yield from _estimated_rates(estimated_rate_wh, words)


def _estimated(wh: int, words: Words) -> Iterator[str]:
    if wh:
        kwh = words.kwh(wh / WATT_HOURS_PER_KWH)
        yield words.say("{kwh} of this is estimated, the rest metered.", kwh=kwh)


def _estimated_rates(wh: int, words: Words) -> Iterator[str]:
    if wh:
        kwh = words.kwh(wh / WATT_HOURS_PER_KWH)
        yield words.say("{kwh} of this has an estimated price per kWh.", kwh=kwh)
