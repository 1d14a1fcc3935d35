"""Know a home that came as extracts: until when it may be read, and what was not shared.

The file `received.json` beside its household file says so. Its readers must not take what is
missing for zero, and must not read it after the household's consent has ended.
"""

from __future__ import annotations

import json
from datetime import date, datetime
from typing import TYPE_CHECKING, Annotated, Final

from pydantic import Field, ValidationError

from config.extract.extract_file import (
    AlertCount,
    CalendarMonth,
    Day,
    Instant,
    Label,
    Shares,
)
from config.fields.value_types import Model
from config.files.errors import SealError
from config.files.texts import read_text

if TYPE_CHECKING:
    from pathlib import Path

RECEIVED: Final = "received.json"
_STARTS: Final = (b"age-encryption.org/v1\n", b"lullwatt extract ")
_LONGEST_START: Final = max(map(len, _STARTS))
_MOST_BYTES: Final = 1024 * 1024


class ReceivedMonth(Model):
    """What is known of one month."""

    made_at: Instant
    until: Day
    purpose: Label
    shares: Shares
    alerts: Annotated[tuple[AlertCount, ...], Field(strict=False)]
    half_hours_from: Instant | None = None
    half_hours_until: Instant | None = None

    def has_half_hour(self, start: datetime, end: datetime) -> bool:
        """Whether the energy of a half-hour was shared."""
        if self.half_hours_from is None or self.half_hours_until is None:
            return False
        first, last = map(datetime.fromisoformat, (self.half_hours_from, self.half_hours_until))
        return first <= start and end <= last


class Received(Model):
    """A home that came as extracts."""

    version: Annotated[int, Field(ge=1, le=1)]
    household: Label
    fingerprint: Label
    months: dict[CalendarMonth, ReceivedMonth]

    @property
    def ends(self) -> date:
        """The last day on which all of it may be read."""
        return min(date.fromisoformat(each.until) for each in self.months.values())

    def month(self, when: tuple[int, int]) -> ReceivedMonth | None:
        """Return what is known of a month; None if it was not shared."""
        return self.months.get(month_name(when))

    def has_half_hour(self, start: datetime, end: datetime) -> bool:
        """Whether the energy of a half-hour was shared, in any month."""
        return any(each.has_half_hour(start, end) for each in self.months.values())


def is_extract(path: Path) -> bool:
    """Whether a file looks like an extract, encrypted or not."""
    try:
        with path.open("rb") as file:
            return file.read(_LONGEST_START).startswith(_STARTS)
    except (OSError, ValueError):
        return False


def month_name(when: tuple[int, int]) -> str:
    """Write a month, such as ``"2026-10"``."""
    return f"{when[0]}-{when[1]:02d}"


def received_beside(file: Path) -> Received | None:
    """Read what is known of a received home.

    Parameters
    ----------
    file : Path
        Its household file or its ledger.

    Returns
    -------
    Received or None
        None if it is no received home.

    Raises
    ------
    SealError
        If its file can't be read.
    """
    path = file.parent / RECEIVED
    if not path.exists():
        return None
    text = read_text(path, "the record of received extracts", _MOST_BYTES)
    try:
        return Received.model_validate(json.loads(text))
    except (ValidationError, ValueError, RecursionError) as error:
        raise SealError(
            f"{path}: expected what `lullwatt desk receive` wrote, got something else;"
            " receive the extracts again"
        ) from error


def refuse_ended(received: Received | None, folder: Path, today: date) -> None:
    """Refuse to read a received home after a consent has ended.

    Parameters
    ----------
    received : Received or None
        What is known of it; None for a home of one's own, which may always be read.
    folder : Path
        Its folder.
    today : date
        Local date.

    Raises
    ------
    SealError
        With the remedy.
    """
    if received is None or today <= received.ends:
        return
    ended = [
        name
        for name, each in sorted(received.months.items())
        if date.fromisoformat(each.until) < today
    ]
    raise SealError(
        f"{folder}: {received.household} consented to the use of {', '.join(ended)} until"
        f" {received.ends.isoformat()}, which is over; `lullwatt desk tidy {folder.parent}` deletes"
        " what may no longer be read, or ask for a new extract"
    )
