"""What a month's text and its pages say in words alike. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.control.alerts import (
    ENDED_SHORT,
    NO_POWER,
    NO_RATE,
    NO_READING,
    OUT_OF_REACH,
    PRICES_ENDED,
)

if TYPE_CHECKING:
    from daemon.night_log.month import Month, NightRow

ROUNDING = (
    "Each night is rounded by itself, a half to the even unit; the month is the sum of the"
    " unrounded nights, rounded once. What other rules would have cost is kept rounded by night."
)
_REASONS = {NO_POWER, ENDED_SHORT, NO_READING, OUT_OF_REACH, NO_RATE, PRICES_ENDED}
LONG_HOURS = 24


def why_short(month: Month, row: NightRow) -> str:
    """Tell why a need was not met, as far as the record tells.

    Parameters
    ----------
    month : Month
        With the alerts of its time.
    row : NightRow
        A night whose need was not met.

    Returns
    -------
    str
        Sentences: what is missing, then what people were told at the time, or else what the
        record itself shows.
    """
    told = [
        alert.message
        for alert in month.alerts
        if alert.code in _REASONS
        and alert.charge_point in {None, row.charge_point}
        and row.plugged_since <= alert.at <= row.closed_at
    ]
    return " ".join([_missing(row), *dict.fromkeys(told)] if told else [_missing(row), _seen(row)])


def _missing(row: NightRow) -> str:
    if row.soc_after_percent is None:
        return f"It needed {row.need_percent:.0f} %, and how far it came is not known."
    return f"It needed {row.need_percent:.0f} % and came to {row.soc_after_percent:.0f} %."


def _seen(row: NightRow) -> str:
    if not row.starts:
        return "Charging never started."
    if row.departure is None:
        return "No departure was known."
    hours = (row.departure - row.plugged_since).total_seconds() / 3600
    if hours < LONG_HOURS:
        return f"It was plugged in {hours:.1f} hours before it left."
    return "The record does not tell why."
