"""Calendars for tests."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from adapters.calendar_file.task import CalendarTask
from config.events.rules import EventRules

NOW = datetime(2026, 11, 30, 4, tzinfo=UTC)
FAMILY = EventRules(
    "family",
    words=("car",),
    names={"hatchback": ("hatchback",), "van": ("van", "bus")},
    own_words={"van": ("bus",)},
    reserve_percent=10.0,
)


def event(*lines: str, title: str = "Car hatchback", uid: str = "1") -> str:
    return "\r\n".join(["BEGIN:VEVENT", f"UID:{uid}", f"SUMMARY:{title}", *lines, "END:VEVENT", ""])


def calendar(*parts: str) -> bytes:
    return "".join(["BEGIN:VCALENDAR\r\nVERSION:2.0\r\n", *parts, "END:VCALENDAR\r\n"]).encode()


def task(*parts: str, **changes: Any) -> CalendarTask:  # noqa: ANN401 - fields of the task
    given: dict[str, Any] = {
        "raw": calendar(*parts),
        "rules": FAMILY,
        "zone": "Europe/Berlin",
        "now": NOW,
    }
    return CalendarTask(**(given | changes))
