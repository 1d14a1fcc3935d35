"""Read when a price starts: RFC 3339, seconds of the epoch, or a local time without an offset."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from adapters.clocks.instants import parse_instant
from adapters.feeds.answers import AnswerError
from config.files.texts import printable

if TYPE_CHECKING:
    from collections.abc import Sequence

    from config.tariffs.price_fetch import Times

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_YEARS = range(2000, 2100)
_MOST_SHOWN = 30
_WITHOUT_SECONDS = re.compile(r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d)([Zz]|[+-]\d\d:?\d\d)", re.ASCII)
_COMPACT_OFFSET = re.compile(r"(.*[+-]\d\d)(\d\d)", re.ASCII)
_LOCAL = re.compile(r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d)(:00(?:\.0+)?)?", re.ASCII)
_SECONDS = re.compile(r"-?\d{1,15}(\.0+)?", re.ASCII)


def starts_of(values: Sequence[object], times: Times, timezone: str | None) -> tuple[datetime, ...]:
    """Read the starts of all prices of an answer.

    Parameters
    ----------
    values
        As the answer gives them, in its order.
    times
        How they are written.
    timezone
        Whose clock shows local times. Of an hour that occurs twice, the first one is meant until
        its times begin to repeat.

    Returns
    -------
    tuple of datetime
        UTC, on whole minutes, in the same order.

    Raises
    ------
    AnswerError
        If one can't be read.
    """  # noqa: DOC502 - raised by the parts
    if times == "local":
        return _local_starts([_local(value) for value in values], ZoneInfo(timezone or "UTC"))
    if times == "rfc3339":
        return tuple(_checked(_rfc3339(value), value) for value in values)
    per_second = 1 if times == "epoch_seconds" else 1000
    return tuple(_checked(_epoch(value, per_second), value) for value in values)


def instant_of_text(text: str) -> datetime:
    """Read an RFC 3339 instant, with or without seconds; `AnswerError` if it is none."""
    return _checked(_rfc3339(text), text)


def _rfc3339(value: object) -> datetime:
    text = value if isinstance(value, str) else ""
    if parts := _WITHOUT_SECONDS.fullmatch(text):
        text = f"{parts[1]}T{parts[2]}:00{parts[3]}"
    if parts := _COMPACT_OFFSET.fullmatch(text):
        text = f"{parts[1]}:{parts[2]}"
    try:
        return parse_instant(text.replace(" ", "T", 1))
    except ValueError:
        hint = ""
        if isinstance(value, str) and _LOCAL.fullmatch(value):
            hint = "; if it is a local time, say times: local and timezone"
        elif isinstance(value, int | Decimal):
            hint = "; say times: epoch_seconds or epoch_milliseconds, if that is what it is"
        raise AnswerError(
            f"a start in it is {_shown(value)}, and not an instant such as"
            f" 2026-06-03T18:30:00+12:00{hint}"
        ) from None


def _epoch(value: object, per_second: int) -> datetime:
    text = "" if isinstance(value, bool) else str(value)
    if not _SECONDS.fullmatch(text):
        raise AnswerError(f"a start in it is {_shown(value)}, and not a number of seconds")
    try:
        return _EPOCH + timedelta(seconds=int(Decimal(text))) / per_second
    except OverflowError:
        raise AnswerError(f"a start in it is {_shown(value)}, and not in this century") from None


def _checked(start: datetime, value: object) -> datetime:
    if start.year not in _YEARS:
        raise AnswerError(
            f"a start in it is {_shown(value)}, which lies in the year {start.year}: check times"
        )
    if start.second or start.microsecond:
        raise AnswerError(f"a start in it is {_shown(value)}, and not on a whole minute")
    return start


def _local(value: object) -> datetime:
    parts = _LOCAL.fullmatch(value) if isinstance(value, str) else None
    try:
        if parts is not None:
            return datetime.fromisoformat(f"{parts[1]}T{parts[2]}")
    except ValueError:
        pass
    raise AnswerError(
        f"a start in it is {_shown(value)}, and not a local time such as 2026-06-03T18:30"
    )


def _local_starts(shown: Sequence[datetime], zone: ZoneInfo) -> tuple[datetime, ...]:
    is_newest_first = any(later < earlier for earlier, later in pairwise(shown[:2]))
    found: list[datetime] = []
    for local in reversed(shown) if is_newest_first else shown:
        instants = _instants(local, zone)
        if not instants:
            raise AnswerError(
                f"a start in it is {local:%Y-%m-%dT%H:%M}, which the clock of {zone.key} skips"
            )
        later = [each for each in instants if not found or each > found[-1]]
        found.append(later[0] if later else instants[-1])
    return tuple(reversed(found) if is_newest_first else found)


def _instants(local: datetime, zone: ZoneInfo) -> list[datetime]:
    """List when the clock of a zone shows a time: once, twice, or never."""
    each = {local.replace(fold=fold, tzinfo=zone).astimezone(UTC) for fold in (0, 1)}
    return sorted(at for at in each if at.astimezone(zone).replace(tzinfo=None) == local)


def _shown(value: object) -> str:
    if value is None or value == "":
        return "missing"
    return printable(f"{value!s:.{_MOST_SHOWN}}")
