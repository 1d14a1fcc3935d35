"""Read the events of a calendar that concern vehicles; forget all others.

Run by the process that `adapters.calendar_file.process` starts.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from time import monotonic
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from adapters.calendar_file.components import (
    CalendarFault,
    Component,
    components_of,
    folded_lines,
)
from adapters.calendar_file.expansion import Occurrence, SeriesFault, occurrences
from adapters.calendar_file.task import DAYS_AHEAD, OWN_UID, CalendarAnswer, CalendarTask
from config.events.found import DaysEvent, TripEvent
from config.events.rules import numbers_in, title_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from config.events.rules import EventRules

DAYS_BACK: Final = 2
"""How long after its start an event still matters [days], beyond its end."""

MOST_SERIES: Final = 300
"""Matching events and series of events, in a calendar."""

MOST_EVENTS: Final = 2000
"""Occurrences that are kept of a calendar."""

_RULES: Final = "X-LULLWATT-RULES:"
"""The property of a copy that says by which rules it was made."""

MOST_REMARKS: Final = 20
ALL_SECONDS: Final = 15.0
"""How long all series of a calendar may take [s]."""


def read_calendar(task: CalendarTask) -> CalendarAnswer:
    """Read a calendar.

    Parameters
    ----------
    task : CalendarTask
        The calendar, and what counts.

    Returns
    -------
    CalendarAnswer
        What it says of vehicles from two days ago on.
    """
    try:
        properties, parts = components_of(task.raw)
    except CalendarFault as fault:
        return CalendarAnswer(str(fault))
    zones = [each for each in parts if each.kind == "VTIMEZONE"]
    series = _matching_series(parts, task.rules)
    made_by = next((line for line in properties if line.startswith(_RULES)), None)
    reading = _Reading(task, is_copy=made_by is not None)
    ends = monotonic() + ALL_SECONDS
    for count, events in enumerate(series):
        if count >= MOST_SERIES or monotonic() > ends:
            reading.remark("more events match than can be read: the rest is left out")
            break
        reading.take(events, lambda events=events: occurrences(  # type: ignore[misc]
            events, zones, properties, reading.span, reading.zone))  # fmt: skip
    kept = folded_lines(_kept_lines(properties, zones, series, task.rules))
    return reading.answer(kept, lacks_events=made_by not in {None, _mark_of(task.rules)})


class _Reading:
    """Collects what the series say."""

    def __init__(self, task: CalendarTask, *, is_copy: bool) -> None:
        self._rules = task.rules
        self._is_copy = is_copy
        self.zone = ZoneInfo(task.zone)
        self.span = (
            task.now - dt.timedelta(days=DAYS_BACK),
            task.now + dt.timedelta(days=DAYS_AHEAD),
        )
        self._trips: list[TripEvent] = []
        self._days: list[DaysEvent] = []
        self._remarks: list[str] = []

    def remark(self, text: str) -> None:
        if text not in self._remarks and len(self._remarks) < MOST_REMARKS:
            self._remarks.append(text)

    def take(self, events: Sequence[Component], find: Callable[[], tuple[Occurrence, ...]]) -> None:
        name = self._name_of(events[0])
        try:
            found = find()
        except SeriesFault as fault:
            self.remark(f"{name}: {fault}")
            return
        for each in found:
            if self._rules.matches(each.title, each.categories):
                self._take_one(each, name)

    def _take_one(self, found: Occurrence, name: str) -> None:
        if len(self._trips) + len(self._days) >= MOST_EVENTS:
            self.remark(f"more than {MOST_EVENTS} events in a year: the rest is left out")
            return
        vehicles = self._rules.vehicles(found.title, found.categories)
        if not vehicles:
            self.remark(f"{name}: it does not say which vehicle; name one in its title")
        numbers = numbers_in(found.title)
        for doubt in (found.doubt, numbers.doubt):
            if doubt is not None:
                self.remark(f"{name}: {doubt}")
        what = {
            "title": title_of(found.title),
            "need_percent": numbers.need_percent,
            "uses_km": numbers.uses_km,
            "default_percent": self._rules.default_percent,
            "reserve_percent": self._rules.reserve_percent,
        }
        for vehicle in vehicles:
            if found.is_of_days:
                end = max(found.end, found.start + dt.timedelta(days=1))
                self._days.append(DaysEvent(vehicle, first=found.start, end=end, **what))  # type: ignore[arg-type]
            else:
                ends = found.end if found.end > found.start else None
                self._trips.append(TripEvent(vehicle, leaves=found.start, returns=ends, **what))  # type: ignore[arg-type]

    def _name_of(self, event: Component) -> str:
        """Name an event for people: its title, and where it stands; in a copy, when it is."""
        name = repr(title_of(event.text("SUMMARY")) or "an event without a title")
        if not self._is_copy:
            return f"line {event.line}: {name}"
        start = title_of(event.text("DTSTART"))
        return f"{name} ({start})" if start else name

    def answer(self, kept: bytes, *, lacks_events: bool) -> CalendarAnswer:
        trips = sorted(self._trips, key=lambda each: (each.leaves, each.vehicle, each.title))
        days = sorted(self._days, key=lambda each: (each.first, each.vehicle, each.title))
        remarks = tuple(self._remarks)
        return CalendarAnswer(None, tuple(trips), tuple(days), remarks, kept, lacks_events)


def _matching_series(
    parts: Sequence[Component], rules: EventRules
) -> tuple[tuple[Component, ...], ...]:
    """Group events by series, and keep the series of which any event matches."""
    groups: dict[object, list[Component]] = {}
    for each in parts:
        uid = each.text("UID")
        if each.kind == "VEVENT" and not uid.endswith(OWN_UID):
            groups.setdefault(uid or each.line, []).append(each)
    return tuple(
        tuple(events)
        for events in groups.values()
        if any(rules.matches(each.text("SUMMARY"), each.categories) for each in events)
    )


def _mark_of(rules: EventRules) -> str:
    """Return a line that says by which rules a copy was made, without any word of them."""
    told = f"{rules.words} {rules.vehicle} {sorted(rules.names.items())} {sorted(rules.own_words)}"
    return f"{_RULES}{hashlib.sha256(told.encode()).hexdigest()[:16]}"


def _kept_lines(
    properties: Sequence[str],
    zones: Sequence[Component],
    series: Sequence[Sequence[Component]],
    rules: EventRules,
) -> Iterator[str]:
    """Give the lines of the part of a calendar that matters here."""
    named = frozenset().union(*(each.zones for events in series for each in events))
    yield from ("BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Lullwatt//copy//EN", _mark_of(rules))
    yield from (line for line in properties if line.upper().startswith("X-WR-TIMEZONE"))
    for zone in zones:
        if zone.text("TZID") in named:
            yield from zone.lines
    for events in series:
        for each in events:
            # A single event of a series may have been renamed: its title is nobody's business.
            is_meant = rules.matches(each.text("SUMMARY"), each.categories)
            lines = each.kept_lines if is_meant else each.untitled_lines
            yield from ("BEGIN:VEVENT", *lines, "END:VEVENT")
    yield "END:VCALENDAR"
