"""Judge an answer before it replaces anything, and merge it with what is known. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING

from adapters.feeds.answers import AnswerError
from daemon.presentation.figures import plain_number
from planners.local_time.conversion import wall_time
from planners.rates.tariff_cautions import doubt_about_rate

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from datetime import datetime

    from adapters.feeds.answers import Answer
    from config.files.price_series import PricePoint
    from config.tariffs.price_file import PriceFile
    from config.tariffs.tariff import PlainComponent
    from daemon.fetch_prices.days import FeedDay

KEPT_DAYS = 400
"""Known prices of so many past days stay in the file: every night of the months before, and of the
same month a year ago."""
DAYS_AHEAD = 7
_SHORTEST_STEP = timedelta(minutes=5)
_MINUTE = timedelta(minutes=1)
_UNITS = {"MWH": Decimal("0.001"), "KWH": Decimal(1), "WH": Decimal(1000)}
_NEAR = 2
"""`multiply` may hold a loss or a margin too: it may be so many times what the unit asks for."""


@dataclass(frozen=True)
class Task:
    """What an answer is for.

    Attributes
    ----------
    part : PlainComponent
        The tariff whose prices are fetched, or the component of it that has them.
    prices : PriceFile
        Its series.
    currency : str
        The household's.
    days : tuple of FeedDay
        The days that were asked for, the earliest first.
    past : tuple of FeedDay
        Days of the week before, whose gaps are filled if need be.
    today : FeedDay
        The day that has begun.
    now : datetime
        UTC.
    """

    part: PlainComponent
    prices: PriceFile
    currency: str
    days: tuple[FeedDay, ...]
    past: tuple[FeedDay, ...]
    today: FeedDay
    now: datetime


@dataclass(frozen=True)
class Merged:
    """Known prices with those of an answer.

    Attributes
    ----------
    points : tuple of PricePoint
        All of them, in order.
    news : tuple of PricePoint
        Those that are new or differ from what was known.
    remarks : tuple of str
        What a person should know about it, in whole sentences.
    """

    points: tuple[PricePoint, ...]
    news: tuple[PricePoint, ...]
    remarks: tuple[str, ...]


def refuse_implausible(answer: Answer, known: Sequence[PricePoint], task: Task) -> None:
    """Refuse an answer that is probably wrong.

    Parameters
    ----------
    answer : Answer
        At least one price.
    known : sequence of PricePoint
        The prices in the file.
    task : Task
        What it is for.

    Raises
    ------
    AnswerError
        What is wrong with it, and what to do.
    """
    for check in _CHECKS:
        if problem := check(answer, known, task):
            raise AnswerError(problem)


def has_price_of(points: Sequence[PricePoint], day: FeedDay) -> bool:
    """Tell whether a price starts within a day."""
    return any(_within(points, day))


def merge(answer: Answer, known: Sequence[PricePoint], task: Task) -> Merged:
    """Add the prices of an answer to those that are known.

    Parameters
    ----------
    answer : Answer
        A plausible answer.
    known : sequence of PricePoint
        The prices in the file.
    task : Task
        What it is for.

    Returns
    -------
    Merged
        What is known of hours that are over stays, whatever the answer says of it.
    """
    before = {point.start: point for point in known}
    differing = [
        point
        for point in answer.points
        if point.start in before and before[point.start].rate != point.rate
    ]
    past = [point for point in differing if point.start < task.now]
    oldest = task.now - timedelta(days=KEPT_DAYS)
    merged = before | {point.start: point for point in answer.points}
    merged |= {point.start: before[point.start] for point in past}
    points = tuple(sorted(point for point in merged.values() if point.start >= oldest))
    news = tuple(point for point in points if before.get(point.start) != point)
    return Merged(points, news, tuple(_remarks(past, len(differing) - len(past), answer, task)))


def _remarks(past: Sequence[PricePoint], changed: int, answer: Answer, task: Task) -> Iterator[str]:
    if past:
        first = past[0].start.astimezone(task.today.zone)
        yield (
            f"The answer has other prices for hours that are over ({len(past)}, the first of"
            f" {first:%a %d %b %H:%M}). What was known stays; to take up the new ones, delete those"
            f" lines from {task.prices.file} and run this again with --again."
        )
    if changed:
        yield f"{changed} of the prices that were known have changed."
    highest = max(answer.points, key=lambda point: abs(point.rate))
    if doubt_about_rate(rate := _energy_rate(highest, task), task.currency):
        at = highest.start.astimezone(task.today.zone)
        yield (
            f"The price of {at:%a %d %b %H:%M} is far from usual: {plain_number(rate)}"
            f" {task.currency} per kWh, without add. Those around it are usual, so it counts."
        )


def _unit_problem(answer: Answer, _known: Sequence[PricePoint], task: Task) -> str | None:
    if answer.currency is not None and answer.currency != task.currency:
        return (
            f"its prices are in {answer.currency}, and the household's currency is {task.currency}"
        )
    if answer.unit is None:
        return None
    wanted, got = _UNITS.get(answer.unit.upper()), task.prices.multiply
    if wanted is None:
        return f"its prices are per {answer.unit}, and only prices per MWH, KWH or WH are read"
    if not wanted / _NEAR <= got <= wanted * _NEAR:
        return f"its prices are per {answer.unit}: expected multiply: {wanted}, got {got}"
    return None


def _day_problem(answer: Answer, _known: Sequence[PricePoint], task: Task) -> str | None:
    first, last = answer.points[0].start, answer.points[-1].start
    if not any(has_price_of(answer.points, day) for day in (*task.days, task.today)):
        wanted = " or ".join(day.text for day in task.days)
        return f"it has prices {_from_to(first, last, task)}, and none for {wanted}"
    oldest, newest = timedelta(days=KEPT_DAYS), timedelta(days=DAYS_AHEAD)
    if first < task.now - oldest or last >= task.days[-1].end + newest:
        span = _from_to(first, last, task)
        return f"it has prices {span}, which is too far from {task.days[-1].text}"
    return None


def _from_to(first: datetime, last: datetime, task: Task) -> str:
    begins, ends = (at.astimezone(task.today.zone) for at in (first, last))
    return f"from {begins:%d %b %Y %H:%M} to {ends:%d %b %Y %H:%M}"


def _step_problem(answer: Answer, _known: Sequence[PricePoint], task: Task) -> str | None:
    gaps = [later.start - earlier.start for earlier, later in pairwise(answer.points)]
    step = min(gaps, default=_SHORTEST_STEP)
    if step < _SHORTEST_STEP or any(gap % step for gap in gaps):
        return "its prices do not start in even steps of five minutes or more"
    declared = task.prices.step_minutes
    if declared is not None and gaps and step > declared * _MINUTE:
        minutes = step // _MINUTE
        return (
            f"it has a price every {minutes} minutes, and by step_minutes each holds for {declared}"
            f" only: expected step_minutes: {minutes}, or none"
        )
    return None


def _range_problem(answer: Answer, _known: Sequence[PricePoint], task: Task) -> str | None:
    """Doubt the unit if a usual price of the answer and its highest are both implausible."""
    rates = sorted(abs(_energy_rate(point, task)) for point in answer.points)
    if not doubt_about_rate(rates[-1], task.currency):
        return None
    doubt = doubt_about_rate(rates[len(rates) // 2], task.currency)
    return doubt and f"its prices are implausible, without add: {doubt} Check multiply"


def _energy_rate(point: PricePoint, task: Task) -> Decimal:
    """Return a rate with tax, without `add`, which would hide a wrong unit."""
    return task.prices.multiply * point.rate * task.part.tariff.tax_factor


def _repeat_problem(answer: Answer, known: Sequence[PricePoint], task: Task) -> str | None:
    fetch = task.prices.fetch
    if fetch is not None and fetch.days_may_repeat:
        return None
    for day in task.days:
        prices = _by_clock(_within(answer.points, day), day)
        earlier = [point for point in (*known, *answer.points) if point.start < day.start]
        before = _by_clock((point for point in earlier if _is_day_before(point, day)), day)
        if prices and prices == before:
            return (
                f"its prices for {day.text} are exactly those of the day before, so it is probably"
                " stale; if that is meant, say days_may_repeat: true"
            )
    return None


def _is_day_before(point: PricePoint, day: FeedDay) -> bool:
    return wall_time(point.start, day.zone).date() == day.date - timedelta(days=1)


def _by_clock(points: Iterator[PricePoint], day: FeedDay) -> dict[str, Decimal]:
    return {f"{wall_time(point.start, day.zone):%H:%M}": point.rate for point in points}


def _shrinking_problem(answer: Answer, known: Sequence[PricePoint], task: Task) -> str | None:
    for day in task.days:
        starts = [point.start for point in _within(answer.points, day)]
        if not starts:
            continue
        had = [point for point in known if starts[0] <= point.start < day.end]
        if len(starts) < len(had):
            return f"it has {len(starts)} prices for {day.text}, where {len(had)} are known"
    return None


def _within(points: Sequence[PricePoint], day: FeedDay) -> Iterator[PricePoint]:
    start, end = day.start, day.end
    return (point for point in points if start <= point.start < end)


_CHECKS: tuple[Callable[[Answer, Sequence[PricePoint], Task], str | None], ...] = (
    _unit_problem,
    _day_problem,
    _step_problem,
    _range_problem,
    _repeat_problem,
    _shrinking_problem,
)
