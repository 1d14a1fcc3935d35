"""How a night's story says instants, amounts, alerts and sources. Pure."""

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

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from daemon.control.state import House
    from daemon.why.records import Night

_INSTANT = re.compile(
    r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00|\d{4}-\d\d-\d\d \d\d:\d\d UTC", re.ASCII
)
"""How messages write an instant in UTC."""

PILOTS = {
    "A": "no vehicle is connected",
    "B": "a vehicle is connected and draws nothing",
    "C": "a vehicle is connected and ready to charge",
    "D": "a vehicle is connected and ready to charge, with ventilation",
    "E": "no pilot signal: the charge point has no power",
    "F": "the charge point reports a fault",
}
"""Pilot states of IEC 61851-1."""


@dataclass(frozen=True, slots=True)
class NightHistory:
    """A night with all that is drawn out of it, and the household's clock and currency."""

    house: House
    night: Night
    command_spans: tuple[CommandSpan, ...]
    stays: tuple[TimeSpan, ...]
    flows: tuple[Flow, ...]
    outages: tuple[Outage, ...]

    def at(self, instant: datetime) -> str:
        """Say an instant by the household's clock; with its date where it is not of this night."""
        local = instant.astimezone(self.house.file.zone)
        if self.night.begins <= instant <= self.night.ends:
            return f"{local:%H:%M}"
        return f"{local:%a %d %b %H:%M}"

    def span(self, span: TimeSpan) -> str:
        """Say a stretch of time as "from 02:00 to 05:00"."""
        return f"from {self.at(span.start)} to {self.at(span.end)}"

    def in_local_time(self, words: str) -> str:
        """Say the instants that a message holds in UTC by the household's clock."""
        return _INSTANT.sub(lambda found: self.at(parse_instant(_rfc_3339(found[0]))), words)

    def money(self, amount: Decimal | float) -> str:
        """Say an amount in the household's currency."""
        return format_money(Decimal(str(amount)), self.house.file.household.currency)


def _rfc_3339(text: str) -> str:
    return text.replace(" UTC", ":00Z").replace(" ", "T")


def history_of(house: House, night: Night) -> NightHistory:
    """Draw out of a night what its answer and its story are made of."""
    return NightHistory(
        house, night, in_force(night), stays_of(night), flows_of(night), outages_of(night)
    )


def listed(words: Sequence[str]) -> str:
    """Join words as "a, b and c"."""
    return " and ".join([*([", ".join(words[:-1])] if words[:-1] else []), *words[-1:]])


def kwh(wh: float, decimals: int = 1) -> str:
    """Say an energy given in watt-hours."""
    return f"{wh / 1000:.{decimals}f} kWh"
