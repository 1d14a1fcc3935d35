"""Work out when a series of events takes place, by its rules and exceptions (RFC 5545, 3.8.5).

Times are counted on the clock of the series: its local time stays when summer time begins.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from dateutil.rrule import rrulestr

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from zoneinfo import ZoneInfo

_DAY: Final = dt.timedelta(days=1)


@dataclass(frozen=True)
class ReadEvent:
    """One event as it stands in a calendar.

    Attributes
    ----------
    values : mapping
        Its properties, as icalendar reads them.
    home : ZoneInfo
        Whose clock a time without a zone is of.
    sequence : int
        Which revision of the event it is.
    is_cancelled : bool
        Whether it does not take place.
    title : str
        Its title as it stands in the calendar.
    categories : tuple of str
        Its categories.
    """

    values: Mapping[str, Any]
    home: ZoneInfo
    sequence: int
    is_cancelled: bool
    title: str
    categories: tuple[str, ...]

    @property
    def is_of_days(self) -> bool:
        """Whether it is of whole days."""
        return not isinstance(self.values["DTSTART"].dt, dt.datetime)

    @property
    def zone(self) -> dt.tzinfo:
        """Whose clock its start is of."""
        start = self.values["DTSTART"].dt
        return (start.tzinfo if isinstance(start, dt.datetime) else None) or self.home

    @property
    def start(self) -> dt.datetime:
        """Its start on its own clock, without a zone; midnight of a day."""
        return self.on_clock(self.values["DTSTART"].dt)

    def on_clock(self, when: dt.date) -> dt.datetime:
        """Return a time of any form on the event's clock, without a zone."""
        if not isinstance(when, dt.datetime):
            return dt.datetime(when.year, when.month, when.day)  # noqa: DTZ001 - on its clock
        return (when if when.tzinfo is None else when.astimezone(self.zone)).replace(tzinfo=None)

    def placed(self, start: dt.datetime) -> tuple[dt.date, dt.date]:
        """Return when it starts and ends if it begins at a time on its clock: UTC, or days."""
        given = self.values["DURATION"].dt if "DURATION" in self.values else dt.timedelta()
        if self.is_of_days:
            end = self.on_clock(self.values["DTEND"].dt) if "DTEND" in self.values else None
            length = given or _DAY if end is None else end - self.start
            return start.date(), (start + length).date()
        if "DTEND" in self.values:
            end = self.on_clock(self.values["DTEND"].dt)
            # The same exact duration for all (RFC 5545, section 3.8.5.3).
            return self._utc(start), self._utc(start) + (self._utc(end) - self._utc(self.start))
        # Days of a duration are days of the clock, its hours are exact (RFC 5545, section 3.3.6).
        days = dt.timedelta(days=given.days)
        return self._utc(start), self._utc(start + days) + (given - days)

    def _utc(self, time: dt.datetime) -> dt.datetime:
        return time.replace(tzinfo=self.zone).astimezone(dt.UTC)


def times_of(
    series: Sequence[ReadEvent], span: tuple[dt.datetime, dt.datetime]
) -> Iterator[tuple[ReadEvent, dt.datetime]]:
    """Give the times at which the events of a series begin, on the clock of each event.

    Parameters
    ----------
    series : sequence of ReadEvent
        The event, with those that change single ones of it, or all from one on.
    span : tuple of datetime
        From when, and until when, roughly.

    Yields
    ------
    tuple of ReadEvent and datetime
        The event that counts then, and its start on its clock. Some may be outside the span.
    """
    changing = [each for each in series if "RECURRENCE-ID" in each.values]
    whole = [each for each in series if "RECURRENCE-ID" not in each.values]
    newest = max((each.sequence for each in whole), default=0)
    masters = [each for each in whole if each.sequence == newest]
    clock = masters[0] if masters else None
    changed: dict[dt.datetime, ReadEvent] = {}
    for each in sorted(changing, key=lambda event: event.sequence):
        changed[(clock or each).on_clock(each.values["RECURRENCE-ID"].dt)] = each
    left_out: set[dt.datetime] = set()
    for master in masters:
        without = _left_out(master)
        left_out |= without
        for time in sorted(_all_times(master, _widened(span, changed)) - without - changed.keys()):
            yield _counting(master, time, changed)
    for time, each in changed.items():
        if time not in left_out:
            yield each, each.start


def _counting(
    master: ReadEvent, time: dt.datetime, changed: Mapping[dt.datetime, ReadEvent]
) -> tuple[ReadEvent, dt.datetime]:
    """Return the event that counts at a time of a series: the last that changes all from then."""
    begun = [at for at, each in changed.items() if _changes_all_later(each) and at <= time]
    if not begun:
        return master, time
    latest = max(begun)
    return changed[latest], time + (changed[latest].start - latest)


def _changes_all_later(event: ReadEvent) -> bool:
    parameters = event.values["RECURRENCE-ID"].params
    return str(parameters.get("RANGE", "")).upper() == "THISANDFUTURE"


def _widened(
    span: tuple[dt.datetime, dt.datetime], changed: Mapping[dt.datetime, ReadEvent]
) -> tuple[dt.datetime, dt.datetime]:
    """Return a span in which all times lie that may count, on any clock."""
    moves = [abs(each.start - at) for at, each in changed.items() if _changes_all_later(each)]
    spare = max(moves, default=dt.timedelta()) + 2 * _DAY
    return span[0].replace(tzinfo=None) - spare, span[1].replace(tzinfo=None) + spare


def _all_times(event: ReadEvent, span: tuple[dt.datetime, dt.datetime]) -> set[dt.datetime]:
    begins, ends = event.placed(event.start)
    first = span[0] - (ends - begins)
    added = (
        event.on_clock(each[0] if isinstance(each, tuple) else each)  # a tuple is a period
        for each in _listed(event.values, "RDATE")
    )
    found = {event.start, *added}
    rules = event.values.get("RRULE", [])
    for rule in rules if isinstance(rules, list) else [rules]:
        found.update(_repeated(event, rule, first, span[1]))
    return {each for each in found if first <= each <= span[1]}


def _repeated(
    event: ReadEvent, rule: Mapping[str, Any], first: dt.datetime, last: dt.datetime
) -> Iterator[dt.datetime]:
    """Give what a rule gives within two times."""
    until = next(iter(rule.get("UNTIL", ())), None)
    text = ";".join(
        part
        for part in rule.to_ical().decode().split(";")  # type: ignore[attr-defined]
        if not part.upper().startswith("UNTIL=")
    )
    if until is not None:
        is_day = not isinstance(until, dt.datetime)
        last = min(last, event.on_clock(until) + (_DAY - dt.timedelta(seconds=1)) * is_day)
    for time in rrulestr(text, dtstart=event.start):
        if time > last:
            return
        if time >= first:
            yield time


def _left_out(event: ReadEvent) -> set[dt.datetime]:
    return {event.on_clock(each) for each in _listed(event.values, "EXDATE")}


def _listed(values: Mapping[str, Any], name: str) -> Iterable[Any]:
    """Give the times of a property that lists some, and may stand there more than once."""
    found = values.get(name, [])
    for each in found if isinstance(found, list) else [found]:
        yield from (one.dt for one in each.dts)
