"""Write a night's instants, amounts and pilot states in words. Pure."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from adapters.clocks.instants import parse_instant
from daemon.why.history import (
    CommandSpan,
    Flow,
    Outage,
    TimeSpan,
    flows_of,
    in_force,
    outages_of,
    stays_of,
)
from planners.accounts.money import format_money
from planners.local_time.conversion import clock_text, nearest_minute

if TYPE_CHECKING:
    from datetime import datetime

    from adapters.ledger.rows import StoredCommand
    from daemon.control.state import House
    from daemon.why.records import Night

_INSTANT = re.compile(
    r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00|\d{4}-\d\d-\d\d \d\d:\d\d UTC", re.ASCII
)
"""An instant in UTC, as messages write it."""

PILOTS = {
    "A": "no vehicle is connected",
    "B": "a vehicle is connected",
    "C": "a vehicle is connected and ready to charge",
    "D": "a vehicle is connected and ready to charge, with ventilation",
    "E": "the charge point has no power",
    "F": "the charge point reports a fault",
}
"""Pilot states of IEC 61851-1 in words."""

DATED = "%a %d %b %H:%M"

_PILOT_STATE = re.compile(r" \(pilot state [A-F]\)", re.ASCII)


@dataclass(frozen=True, slots=True)
class NightHistory:
    """A night with its spans; writes by the household's clock and currency."""

    house: House
    night: Night
    command_spans: tuple[CommandSpan, ...]
    stays: tuple[TimeSpan, ...]
    flows: tuple[Flow, ...]
    outages: tuple[Outage, ...]

    def at(self, instant: datetime) -> str:
        """Write an instant by the household's clock; with its date, if on another night."""
        is_within = self.night.begins <= instant <= self.night.ends
        return clock_text(instant, self.house.file.zone, "%H:%M" if is_within else DATED)

    def span(self, span: TimeSpan) -> str:
        """Write a span of time, such as "from 02:00 to 05:00"."""
        start, end = self.ends_of(span)
        return f"from {start} to {end}"

    def ends_of(self, span: TimeSpan) -> tuple[str, str]:
        """Write the start and the end of a span, both with their dates if they need any."""
        night = TimeSpan(self.night.begins, self.night.ends)
        is_clear = night.start <= span.start and span.end <= night.end
        # A whole night begins and ends at the same time of day.
        form = "%H:%M" if is_clear and span != night else DATED
        zone = self.house.file.zone
        dates = {nearest_minute(each, zone).date() for each in (span.start, span.end)}
        end_form = "%H:%M" if len(dates) == 1 else form
        return clock_text(span.start, zone, form), clock_text(span.end, zone, end_form)

    def in_local_time(self, words: str) -> str:
        """Rewrite a message's instants in UTC by the household's clock."""
        return _INSTANT.sub(lambda match: self.at(parse_instant(_rfc_3339(match[0]))), words)

    def money(self, amount: Decimal | float) -> str:
        """Write an amount in the household's currency."""
        return format_money(amount, self.house.file.household.currency)


def _rfc_3339(text: str) -> str:
    return text.replace(" UTC", ":00Z").replace(" ", "T")


def history_of(house: House, night: Night) -> NightHistory:
    """Derive the spans of a night."""
    return NightHistory(
        house, night, in_force(night), stays_of(night), flows_of(night), outages_of(night)
    )


def reason(command: StoredCommand) -> str:
    """Return a command's reason, without the pilot state."""
    return _PILOT_STATE.sub("", command.why)
