"""Write a calendar (RFC 5545). Loads no library."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from adapters.calendar_file.components import folded_lines

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from datetime import datetime


@dataclass(frozen=True, slots=True)
class WrittenEvent:
    """An event to write.

    Attributes
    ----------
    uid : str
        The same in each calendar that has this event.
    start : datetime
        UTC.
    end : datetime or None
        UTC; None if it has no length.
    title : str
        What it is.
    text : str
        More about it.
    """

    uid: str
    start: datetime
    end: datetime | None
    title: str
    text: str = ""


def calendar_text(name: str, events: Iterable[WrittenEvent], now: datetime) -> str:
    """Write a calendar.

    Parameters
    ----------
    name : str
        What it is called.
    events : iterable of WrittenEvent
        In any order.
    now : datetime
        UTC; when it is written.

    Returns
    -------
    str
        With CRLF after each line, and lines folded at 75 octets.
    """
    return folded_lines(_lines(name, events, now)).decode()


def _lines(name: str, events: Iterable[WrittenEvent], now: datetime) -> Iterator[str]:
    yield from ("BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Lullwatt//departures//EN")
    yield f"X-WR-CALNAME:{_escaped(name)}"
    for event in events:
        yield from ("BEGIN:VEVENT", f"UID:{event.uid}", f"DTSTAMP:{_utc(now)}")
        yield f"DTSTART:{_utc(event.start)}"
        if event.end is not None:
            yield f"DTEND:{_utc(event.end)}"
        yield f"SUMMARY:{_escaped(event.title)}"
        if event.text:
            yield f"DESCRIPTION:{_escaped(event.text)}"
        yield from ("TRANSP:TRANSPARENT", "END:VEVENT")
    yield "END:VCALENDAR"


def _utc(instant: datetime) -> str:
    return f"{instant:%Y%m%dT%H%M%SZ}"


def _escaped(text: str) -> str:
    """Escape a value of type TEXT (RFC 5545 section 3.3.11)."""
    for each in ("\\", ";", ","):
        text = text.replace(each, f"\\{each}")
    return text.replace("\r\n", "\n").replace("\r", "\n").replace("\n", "\\n")
