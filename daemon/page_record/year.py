"""A year of months as bars, and this month beside the one before. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Final

from config.fields.currencies import minor_units
from config.fields.value_types import WATT_HOURS_PER_KWH
from daemon.page.past import compared, origins
from planners.accounts.money import round_money

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from daemon.night_log.month import NightRow
    from daemon.page.words import Words

MONTHS_SHOWN: Final = 12
_WHOLE: Final = Decimal(100)


@dataclass(frozen=True, slots=True)
class MonthSum:
    """What a calendar month took and cost.

    Attributes
    ----------
    year, month : int
        The month; a night belongs to the month of its date.
    nights : int
        How many were recorded.
    wh, estimated_wh, estimated_rate_wh : int
        Energy, what of it was not measured, and what of it has an estimated rate [Wh].
    cost : Decimal
        Its cost, unrounded [currency].
    more_at_once : Decimal or None
        What charging at once would have cost more, as far as known.
    """

    year: int
    month: int
    nights: int = 0
    wh: int = 0
    estimated_wh: int = 0
    estimated_rate_wh: int = 0
    cost: Decimal = Decimal(0)
    more_at_once: Decimal | None = None

    @property
    def rate(self) -> Decimal | None:
        """What a kWh cost on average; None without energy."""
        return self.cost * WATT_HOURS_PER_KWH / self.wh if self.wh else None


def months_before(year: int, month: int, count: int = MONTHS_SHOWN) -> tuple[tuple[int, int], ...]:
    """Return months up to one, the latest first."""
    last = year * 12 + month - 1
    return tuple((each // 12, each % 12 + 1) for each in range(last, last - count, -1))


def month_sums(rows: Iterable[NightRow], months: Sequence[tuple[int, int]]) -> tuple[MonthSum, ...]:
    """Add up the nights of each month."""
    nights: dict[tuple[int, int], list[NightRow]] = {each: [] for each in months}
    for row in rows:
        nights.get((row.night.year, row.night.month), []).append(row)
    return tuple(_sum(year, month, own) for (year, month), own in nights.items())


def _sum(year: int, month: int, rows: Sequence[NightRow]) -> MonthSum:
    more = [row.at_once - row.cost for row in rows if row.at_once is not None]
    return MonthSum(
        year, month,
        nights=len(rows),
        wh=sum(row.energy_wh for row in rows),
        estimated_wh=sum(row.estimated_wh for row in rows),
        estimated_rate_wh=sum(row.estimated_rate_wh for row in rows),
        cost=sum((row.cost for row in rows), Decimal(0)),
        more_at_once=sum(more, Decimal(0)) if more else None,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class YearRow:
    """A month as bars and as figures.

    Attributes
    ----------
    of : str
        The month, such as ``2026-06``.
    short, name : str
        Its name, short and whole.
    paid_width, at_once_width : Decimal
        How long its bars are [percent].
    cost, kwh, rate, saved : str
        Figures in words; empty without a recorded night, or if not known.
    """

    of: str
    short: str
    name: str
    paid_width: Decimal
    at_once_width: Decimal
    cost: str
    kwh: str
    rate: str
    saved: str


@dataclass(frozen=True, slots=True)
class YearView:
    """The rows of a year, the latest month first, and what they come to."""

    rows: tuple[YearRow, ...]
    sentences: tuple[str, ...]


def year_view(sums: Sequence[MonthSum], currency: str, words: Words) -> YearView:
    """Return what the page shows of a year; no rows if no night was recorded in it.

    Parameters
    ----------
    sums
        Of each month, the latest first.
    currency
        The household's.
    words
        The reader's.

    Returns
    -------
    YearView
        In the reader's words.
    """
    if not any(each.nights for each in sums):
        return YearView((), (words.say("No night of these months is over."),))
    longest = max(max(each.cost, _at_once(each)) for each in sums)
    return YearView(
        tuple(_row(each, longest, currency, words) for each in sums),
        tuple(_together(sums, currency, words)),
    )


def _at_once(month: MonthSum) -> Decimal:
    return month.cost + (month.more_at_once or 0)


def _width(amount: Decimal, longest: Decimal) -> Decimal:
    if longest <= 0:
        return Decimal(0)
    return round(max(Decimal(0), amount) / longest * _WHOLE, 1)


def _row(month: MonthSum, longest: Decimal, currency: str, words: Words) -> YearRow:
    has = bool(month.nights)
    rate, more = month.rate, month.more_at_once
    return YearRow(
        of=f"{month.year}-{month.month:02}",
        short=words.short_month(month.year, month.month),
        name=words.month(month.year, month.month),
        paid_width=_width(month.cost, longest),
        at_once_width=_width(_at_once(month), longest),
        cost=words.money(_money(month.cost, currency), currency) if has else "",
        kwh=words.kwh(month.wh / WATT_HOURS_PER_KWH) if has else "",
        rate="" if rate is None else words.rate(_fine(rate, currency), currency),
        saved="" if more is None else words.money(_money(more, currency), currency),
    )


def _together(sums: Sequence[MonthSum], currency: str, words: Words) -> Iterator[str]:
    known = [each.more_at_once for each in sums if each.more_at_once is not None]
    yield words.say(
        "{kwh} for {cost}.",
        kwh=words.kwh(sum(each.wh for each in sums) / WATT_HOURS_PER_KWH),
        cost=words.money(_money(sum((each.cost for each in sums), Decimal(0)), currency), currency),
    )
    yield from compared(
        _money(sum(known, Decimal(0)), currency) if known else None, currency, words
    )
    yield from origins(
        sum(each.estimated_wh for each in sums),
        sum(each.estimated_rate_wh for each in sums),
        words,
    )


def _money(amount: Decimal, currency: str) -> Decimal:
    return round_money(amount, minor_units(currency))


def _fine(rate: Decimal, currency: str) -> Decimal:
    return round_money(rate, minor_units(currency) + 2)


def beside_month_before(
    this: MonthSum, before: MonthSum, currency: str, words: Words
) -> Iterator[str]:
    """Say which of two months was cheaper for each kWh; nothing if one of them has none.

    Parameters
    ----------
    this, before
        This month, and the one before it.
    currency
        The household's.
    words
        The reader's.

    Yields
    ------
    str
        One sentence.
    """
    if this.rate is None or before.rate is None:
        return
    here, there = (_fine(each, currency) for each in (this.rate, before.rate))
    names = {
        "this": words.month(this.year, this.month),
        "other": words.month(before.year, before.month),
        "rate": words.rate(here, currency),
        "before": words.rate(there, currency),
    }
    if here == there:
        yield words.say("{this} costs the same per kWh so far as {other}: {rate}.", **names)
    elif here < there:
        yield words.say(
            "{this} is cheaper so far than {other}: {rate} per kWh instead of {before}.", **names
        )
    else:
        yield words.say(
            "{other} was cheaper than {this} so far: {before} per kWh instead of {rate}.", **names
        )
