"""Write the sentences that a month's text and its page share. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from config.fields.currencies import minor_units
from daemon.control.alerts import (
    ENDED_SHORT,
    NO_POWER,
    NO_RATE,
    NO_READING,
    OUT_OF_REACH,
    PRICES_ENDED,
)
from planners.accounts.money import format_money, round_money

if TYPE_CHECKING:
    from decimal import Decimal

    from daemon.night_log.month import AlertRow, Month, NightRow

ROUNDING = (
    "Each night's cost is rounded by itself, a half to the even unit; the month's cost is the sum"
    " of the unrounded nights, rounded once. The costs by other rules are recorded rounded, night"
    " by night."
)
AS_OF = "%a %d %b %Y %H:%M"
_OF_NEED = {OUT_OF_REACH}
_REASONS = {NO_POWER, ENDED_SHORT, NO_READING, OUT_OF_REACH, NO_RATE, PRICES_ENDED}
LONG_HOURS = 24


def difference_words(extra: Decimal, currency: str) -> str:
    """Write how much more or less something costs, such as ``"NZD 3.98 less"``."""
    if not round_money(extra, minor_units(currency)):
        return "the same"
    return f"{format_money(abs(extra), currency)} {'more' if extra > 0 else 'less'}"


class ShownAlert(NamedTuple):
    """An alert, and how often it was raised again with the same words."""

    alert: AlertRow
    times_again: int

    def raised_again(self) -> ShownAlert:
        """Count one more."""
        return self._replace(times_again=self.times_again + 1)

    @property
    def again(self) -> str:
        """Say how often it was raised again."""
        times = self.times_again
        return f" (and {'once' if times == 1 else f'{times} times'} more)" if times else ""


def alerts_shown(month: Month) -> list[ShownAlert]:
    """Choose the alerts of a month for people.

    Parameters
    ----------
    month : Month
        The month.

    Returns
    -------
    list of ShownAlert
        Each once, in the order in which they were first raised. Left out are those that `why_short`
        says, and those about a need that was met after all.
    """
    chosen: dict[object, ShownAlert] = {}
    for alert in month.alerts:
        row = next((row for row in month.nights if _is_during(alert, row)), None)
        if row is not None and alert.code in (_OF_NEED if row.need_met else _REASONS):
            continue
        key = (alert.charge_point, alert.code, alert.message)
        before = chosen.get(key)
        chosen[key] = ShownAlert(alert, 0) if before is None else before.raised_again()
    return list(chosen.values())


def _is_during(alert: AlertRow, row: NightRow) -> bool:
    of_point = alert.charge_point in {None, row.charge_point}
    return of_point and row.plugged_since <= alert.at <= row.closed_at


def why_short(month: Month, row: NightRow) -> str:
    """Say why a vehicle had less than it needed, as far as the ledger shows.

    Parameters
    ----------
    month : Month
        The month, with its alerts.
    row : NightRow
        A night with less than the vehicle needed.

    Returns
    -------
    str
        Sentences: what was missing, then the other alerts of that time, or else what the night's
        record shows.
    """
    alerts = [a for a in month.alerts if a.code in _REASONS and _is_during(a, row)]
    # What a need out of reach lacked is in the record by now; its alert only foresaw it.
    reasons = dict.fromkeys(alert.message for alert in alerts if alert.code != OUT_OF_REACH)
    return " ".join([_missing(row), *(reasons or [_from_record(row)])])


def _missing(row: NightRow) -> str:
    if row.soc_after_percent is None:
        return f"It needed {row.need_percent:.0f} %; how much it had is not known."
    had = f"It needed {row.need_percent:.0f} % and had {row.soc_after_percent:.0f} %"
    kwh = row.missing_kwh
    return f"{had}." if kwh is None else f"{had}: {kwh:.1f} kWh were missing."


def _from_record(row: NightRow) -> str:
    if not row.starts:
        return "Charging never started."
    if row.departure is None:
        return "No departure was known."
    hours = (row.departure - row.plugged_since).total_seconds() / 3600
    if hours < LONG_HOURS:
        return f"It was plugged in {hours:.1f} hours before it left."
    return "The record does not show why."
