"""Write the sentences that a month's text and its page share. Pure."""

from __future__ import annotations

from datetime import timedelta
from math import inf
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

from config.fields.currencies import minor_units
from daemon.control.alerts import (
    ENDED_SHORT,
    NO_POWER,
    NO_RATE,
    NO_READING,
    OUT_OF_REACH,
)
from daemon.presentation.figures import local_time
from planners.accounts.money import format_money, round_money

if TYPE_CHECKING:
    from collections.abc import Iterator
    from decimal import Decimal

    from daemon.night_log.month import AlertRow, Month, NightRow, StayRow, TooLittleTime

ROUNDING = (
    "The costs of each night and each vehicle are rounded by themselves, a half to the even unit;"
    " the month's cost is the sum of the unrounded nights, rounded once. The costs by other rules"
    " are recorded rounded, night by night."
)
AS_OF = "%a %d %b %Y %H:%M"
_OF_NEED = {OUT_OF_REACH}
_REASONS = {NO_POWER, ENDED_SHORT, NO_READING, OUT_OF_REACH, NO_RATE}
HOUR = timedelta(hours=1)

LATE_HOURS = 6
"""A vehicle that was there for less came late."""


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
        stay = next((stay for row in month.nights if (stay := _stay_at(alert, row))), None)
        if stay is not None and alert.code in (_OF_NEED if stay.need_met else _REASONS):
            continue
        key = (alert.charge_point, alert.code, alert.message)
        before = chosen.get(key)
        chosen[key] = ShownAlert(alert, 0) if before is None else before.raised_again()
    return list(chosen.values())


def untimed_alerts(month: Month) -> str:
    """Say how many alerts there were in a month of which no times were shared."""
    counts = ", ".join(
        f"{code} ({'once' if count == 1 else f'{count} times'})"
        for code, count in month.untimed_alerts
    )
    return f"{counts}; when they came is never shared."


def _stay_at(alert: AlertRow, row: NightRow) -> StayRow | None:
    """Return the stay of a night in which an alert was raised, or after it while it was away."""
    if alert.charge_point not in {None, row.charge_point} or alert.at > row.closed_at:
        return None
    return next((stay for stay in reversed(row.stays) if stay.plugged_since <= alert.at), None)


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
    zone = ZoneInfo(month.timezone)
    short = [stay for stay in row.stays if not stay.need_met]
    # What a need out of reach lacked is in the record by now; its alert only foresaw it.
    alerts = [a for a in month.alerts if a.code in _REASONS and a.code != OUT_OF_REACH]
    sentences: list[str] = []
    for stay in short:
        of_its_time = [*_of_its_time(stay, zone)]
        raised = [a.message for a in alerts if _stay_at(a, row) is stay]
        reasons = dict.fromkeys([*of_its_time, *raised])
        who = stay.vehicle if len(row.vehicles) > 1 else ""
        which = who or "It"
        if len(row.departures) > 1:
            which = f"For {_leaves(stay, zone)} {who or 'it'}"
        sentences += [_missing(stay, which), *(reasons or [_from_record(stay)])]
    return " ".join(sentences)


def _leaves(stay: StayRow, zone: ZoneInfo) -> str:
    return local_time(stay.departure, zone, "%a %H:%M") if stay.departure else "its departure"


def _missing(stay: StayRow, which: str) -> str:
    need, soc, kwh = stay.need_percent, stay.soc_after_percent, stay.missing_kwh
    if soc is None:
        return f"{which} needed {need:.0f} %; how much it had is not known."
    had = f"{which} needed {need:.0f} % and had {soc:.0f} %"
    return f"{had}: {kwh:.1f} kWh were missing." if kwh else f"{had}."


def _of_its_time(stay: StayRow, zone: ZoneInfo) -> Iterator[str]:
    """Say what its time lacked: it came late or left early, or somebody asked for too much."""
    form, hours = "%a %H:%M", inf
    if stay.departure is not None and stay.arrived and stay.starts:
        hours = (stay.departure - stay.plugged_since) / HOUR
    came_late = hours < LATE_HOURS
    if came_late:
        at = local_time(stay.plugged_since, zone, form)
        yield f"It was plugged in only at {at}, {hours:.1f} hours before the departure."
    if stay.departure is not None and stay.left_early_at is not None:
        at, early = local_time(stay.left_early_at, zone, form), stay.departure - stay.left_early_at
        yield f"It was unplugged at {at}, {early / HOUR:.1f} hours before the departure."
    if stay.skipped_at is not None:
        since = local_time(stay.skipped_at, zone, form)
        yield f"Somebody had asked not to charge, from {since} on."
    short = stay.too_little_time
    if short is not None and (short.asked or not came_late):
        yield _too_little_time(short, zone, form)


def _too_little_time(short: TooLittleTime, zone: ZoneInfo, form: str) -> str:
    asked = f", when somebody asked for {short.need_percent:.0f} %" if short.asked else ""
    since = local_time(short.at, zone, form)
    words = f"There was too little time from {since} on{asked}, with {short.soc_percent:.0f} %"
    if short.ready is None:
        return f"{words}."
    amps = "" if short.amps is None else f" at {short.amps:g} A"
    ready = local_time(short.ready, zone, form)
    return f"{words}; without a pause{amps} it would have taken until {ready}."


def _from_record(stay: StayRow) -> str:
    if not stay.starts:
        return "Charging never started."
    if stay.departed:  # whose time is not known
        return "The reason was not shared."
    if stay.departure is None:
        return "No departure was known."
    return "The record does not show why."
