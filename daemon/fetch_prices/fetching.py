"""Fetch the prices of one tariff: ask, read, judge, and replace its price file."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from adapters.feeds.answers import Answer, AnswerError
from adapters.feeds.client import Reply, RequestError
from adapters.feeds.csv_prices import csv_prices
from adapters.feeds.json_prices import json_prices
from adapters.feeds.market_document import market_prices
from config.files.price_series import PricePoint, load_prices
from config.servers.source import host_of, placeholders_of
from config.tariffs.price_fetch import DAY_PLACEHOLDERS
from daemon.fetch_prices.days import FeedDay, unknown_parts, values_of
from daemon.fetch_prices.files import write_prices
from daemon.fetch_prices.judging import Merged, Task, has_price_of, merge, refuse_implausible
from daemon.fetching.last_time import (
    LastTime,
    mark_of,
    read_last_time,
    stamp_of,
    write_last_time,
)
from daemon.fetching.requests import address_of, request_for
from daemon.presentation.figures import counted, plain_number
from planners.rates.series_rates import series_rates_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from adapters.feeds.client import Request
    from config.tariffs.price_fetch import PriceFetch
    from planners.rates.series_rates import SeriesRates

_ACCEPTED = {"json": "application/json", "csv": "text/csv", "xml": "application/xml"}
_UNCHANGED = 304
_FINE = 200
_STAYS = "The price file stays as it is."


@dataclass
class Fetching:
    """One run for one tariff.

    Attributes
    ----------
    task : Task
        The tariff, its days, and now.
    fetch : PriceFetch
        Where and how.
    file : Path
        The price file.
    zone : ZoneInfo
        The household's.
    ask : callable
        Sends a request.
    say : callable
        Prints a sentence.
    writes : bool
        Whether anything may be written.
    known : tuple of PricePoint
        The prices in the file, in order.
    news : list of PricePoint
        Those that came.
    failure : str
        Why a request failed, or its answer was refused.
    """

    task: Task
    fetch: PriceFetch
    file: Path
    zone: ZoneInfo
    ask: Callable[[Request], Reply]
    say: Callable[[str], None]
    writes: bool
    known: tuple[PricePoint, ...] = ()
    news: list[PricePoint] = field(default_factory=list)
    failure: str = ""

    def run(self, *, again: bool) -> None:
        """Ask for the days that are not known, and write what comes.

        Parameters
        ----------
        again : bool
            Whether to ask for days that are known, too.

        Raises
        ------
        FileError
            If the price file, or one with a key or an address, can't be used.
        FetchError
            If the price file can't be written.
        """  # noqa: DOC502 - raised by the parts
        self.known = load_prices(self.file) if self.file.exists() else ()
        days = tuple(day for day in self.task.days if again or self._is_wanted(day))
        if not days:
            last = self.task.days[-1]
            self.say(f"{last.name} prices ({last.text}) are known already; nothing was asked.")
            return
        address = address_of(self.fetch)
        last_time = read_last_time(self.file)
        tags: dict[str, Mapping[str, str]] = {}
        for asked in [days] if _is_same_every_day(address) else [(day,) for day in days]:
            # One answer may have brought the next day, too.
            if again or any(map(self._is_wanted, asked)):
                tags |= self._fetch(replace(self.task, days=asked), address, last_time)
        if self.news and not _is_same_every_day(address):
            for day in filter(self._has_gaps, self.task.past):
                tags |= self._fetch(replace(self.task, days=(day,)), address, last_time)
        if self.writes:
            wrote_at = self.task.now if self.news else last_time.wrote_at
            note = LastTime(self.task.now, wrote_at, self.failure, tags, stamp_of(self.file))
            write_last_time(self.file, note)

    def _is_wanted(self, day: FeedDay) -> bool:
        return any(self._unknown_parts(day))

    def _has_gaps(self, day: FeedDay) -> bool:
        """Tell whether prices of a day are missing that a later start does not explain."""
        begun = bool(self.known) and self.known[0].start <= day.start
        return begun and any(unknown_parts(self._rates(self.known), day.start, day.end))

    def _unknown_parts(self, day: FeedDay) -> Iterator[tuple[datetime, datetime]]:
        """List what is not known of a day, from now on."""
        yield from unknown_parts(self._rates(self.known), max(day.start, self.task.now), day.end)

    def _rates(self, points: Sequence[PricePoint]) -> SeriesRates:
        return series_rates_of(self.task.part.tariff, self.zone, points)

    def _fetch(self, task: Task, address: str, last_time: LastTime) -> dict[str, Mapping[str, str]]:
        """Ask once, and take up the answer; return what spares the next time some work."""
        host, day = host_of(address), task.days[-1]
        mark = mark_of(self.fetch, day.date)
        # With today's prices missing, "not changed" would be no answer.
        may_be_unchanged = task.today not in task.days and last_time.stamp == stamp_of(self.file)
        known_tags = last_time.tags.get(mark, {}) if may_be_unchanged else {}
        accepts = _ACCEPTED[self.fetch.format]
        try:
            reply = self.ask(request_for(self.fetch, address, known_tags, accepts, values_of(day)))
            self._take(reply, task, host)
        except RequestError as error:
            self._fail(f"{error}.")
            return {}
        except AnswerError as error:
            self._fail(f"The answer of {host} is refused: {error}. {_STAYS}")
            return {}
        return {mark: reply.tags or known_tags}

    def _take(self, reply: Reply, task: Task, host: str) -> None:
        answer = self._read(reply.body) if reply.status == _FINE else Answer(())
        if not answer.points:
            self._say_nothing_came(reply, task, host)
            return
        refuse_implausible(answer, self.known, task)
        if not any(has_price_of(answer.points, day) for day in task.days):
            self._say_nothing_came(reply, task, host)
            return
        merged = merge(answer, self.known, task)
        if merged.news and self.writes:
            write_prices(self.file, merged.points, self.zone)
        self.known = merged.points
        self.news += merged.news
        self._say_what_came(merged, task)

    def _read(self, body: bytes) -> Answer:
        if self.fetch.format == "xml":
            return market_prices(body, self.fetch)
        try:
            text = body.decode("utf-8-sig")
        except UnicodeDecodeError:
            raise AnswerError("it is not UTF-8") from None
        if text.lstrip()[:1] == "<":
            raise AnswerError(f"it is a page or XML, and not {self.fetch.format.upper()}")
        return (json_prices if self.fetch.format == "json" else csv_prices)(text, self.fetch)

    def _say_nothing_came(self, reply: Reply, task: Task, host: str) -> None:
        """Say that prices are not published yet; of a day that has begun, that is a failure."""
        day = task.days[0]
        status = "" if reply.status in {_FINE, _UNCHANGED} else f" (status {reply.status})"
        if has_price_of(self.known, day):
            self.say(f"There is nothing new for {day.text}{status}.")
            self._say_what_is_missing(day)
        elif day in task.past:
            self.say(f"There are no prices for {day.text}{status}.")
        elif day == task.today:
            self._fail(
                f"{host} has no prices for today, {day.text}{status}. Check the address, and where"
                f" in the answer its prices are. {_STAYS}"
            )
        else:
            self.say(
                f"{day.name} prices ({day.text}) are not there yet{status}. Ask again later, as the"
                " timer does."
            )

    def _say_what_came(self, merged: Merged, task: Task) -> None:
        for day in sorted({*self.task.days, *task.days}, key=lambda each: each.date):
            came = [point for point in merged.news if day.start <= point.start < day.end]
            if came:
                does, count = "Wrote" if self.writes else "Would write", counted(len(came), "price")
                self.say(f"{does} {count} for {day.text}: {self._span(came)}.")
            elif day in task.days and has_price_of(merged.points, day):
                self.say(f"There is nothing new for {day.text}.")
            if came or day in task.days:
                self._say_what_is_missing(day)
        for remark in merged.remarks:
            self.say(remark)

    def _say_what_is_missing(self, day: FeedDay) -> None:
        for start, end in self._unknown_parts(day):
            begins, ends = start.astimezone(day.zone), end.astimezone(day.zone)
            until = "24:00" if end == day.end else f"{ends:%H:%M}"
            self.say(f"Of {day.text} there is no price yet from {begins:%H:%M} to {until}.")

    def _span(self, points: Sequence[PricePoint]) -> str:
        rates = self._rates(points).rates
        low, high = plain_number(min(rates)), plain_number(max(rates))
        part = self.task.part
        what = "with tax" if part.tariff.tax_percent else f"for {part.name} alone"
        return f"{low} to {high} {self.task.currency} per kWh {what}"

    def _fail(self, sentence: str) -> None:
        self.failure = sentence[0].upper() + sentence[1:]


def _is_same_every_day(address: str) -> bool:
    """Tell whether an address asks for no day in particular."""
    return not placeholders_of(address) & set(DAY_PLACEHOLDERS)
