"""Write the morning line: whether all is well, the battery, the energy and the cost. Pure."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

from daemon.control.alerts import ALERTS
from daemon.nights.stays import has_enough, recorded_stays
from daemon.presentation.figures import kwh_text, local_time, noon_or_midnight
from planners.accounts.money import format_money
from planners.local_time.conversion import instant_of_local
from planners.local_time.departures import night_bounds, night_of
from planners.power.charging import NEED_TOLERANCE_PERCENT

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from daemon.control.state import PointState
    from planners.plan.plan import Period, Plan

STILL_MORNING = timedelta(hours=1)
"""A line that is late by more is left out: nobody would take it for this morning's."""

LEAST_TO_COME_WH = 100


def next_morning(file: HouseholdFile, after: datetime) -> datetime | None:
    """Return the first instant after another at which a line is due; None if none is wanted."""
    at = file.household.morning_line
    if at is None:
        return None
    today = after.astimezone(file.zone).date()
    days = (today, today + timedelta(days=1))
    return next(due for day in days if (due := instant_of_local(day, at, file.zone)) > after)


def morning_line(
    state: PointState, record: Mapping[str, Any] | None, now: datetime, file: HouseholdFile
) -> str:
    """Write the line of one charge point.

    Parameters
    ----------
    state : PointState
        What is known of it.
    record : mapping or None
        The account of the night so far (`daemon.nights.account.night_record`); None if there is no
        night, or none that can be priced.
    now : datetime
        UTC.
    file : HouseholdFile
        The household.

    Returns
    -------
    str
        Such as "All well: 80 %, 26.0 kWh, NZD 5.02."
    """
    ahead = _ahead(state.plan, now)
    problems = [f"alert {code}" for code in ALERTS if code in state.alerts]
    problems += [*_missed(record, file), *([] if ahead else _missing(state, record, file))]
    lead = f"Not well ({', '.join(problems)})" if problems else "All well"
    if state.night is None:
        begun = night_bounds(night_of(now, file.days), file.days)[0]
        since = noon_or_midnight(begun, file.zone)
        return f"{lead}: no vehicle has been plugged in since {since}."
    facts = [*_battery(record), *_account(record), *_to_come(ahead, now, file)]
    return f"{lead}: {', '.join(facts) or 'nothing more is known'}."


def _missed(record: Mapping[str, Any] | None, file: HouseholdFile) -> Iterator[str]:
    """Say what was missing at a departure that has passed."""
    for stay in recorded_stays(record) if record is not None else ():
        if stay.departure and stay.soc_after_percent is not None and not has_enough(stay):
            left = local_time(stay.left_at or stay.departure, file.zone, "%H:%M")
            yield (
                f"at {left} the battery held {stay.soc_after_percent:.0f} % of the"
                f" {stay.need_percent:.0f} % needed"
            )


def _missing(
    state: PointState, record: Mapping[str, Any] | None, file: HouseholdFile
) -> Iterator[str]:
    """Say what is missing for the departure to come, if no charge is ahead."""
    plan = state.plan
    soc = _soc(record)
    if plan is None or soc is None or state.wishes.skip_until is not None:
        return
    if soc < plan.need_percent - NEED_TOLERANCE_PERCENT:
        leaves = local_time(plan.departure, file.zone, "%H:%M")
        yield f"{plan.need_percent:.0f} % are needed at {leaves}, and no charge is planned"


def _soc(record: Mapping[str, Any] | None) -> float | None:
    """Return the state of charge now, or when the vehicle last left."""
    return None if record is None else recorded_stays(record)[-1].soc_after_percent


def _battery(record: Mapping[str, Any] | None) -> Iterator[str]:
    soc = _soc(record)
    if soc is not None:
        yield f"{soc:.0f} %"


def _account(record: Mapping[str, Any] | None) -> Iterator[str]:
    if record is not None:
        yield kwh_text(1000 * float(record["energy_kwh"]))
        yield format_money(record["cost"], record["currency"])


def _ahead(plan: Plan | None, now: datetime) -> list[Period]:
    return [] if plan is None else [each for each in plan.periods if each.end > now]


def _to_come(ahead: list[Period], now: datetime, file: HouseholdFile) -> Iterator[str]:
    wh = sum(
        1000 * each.kwh * ((each.end - max(now, each.start)) / (each.end - each.start))
        for each in ahead
    )
    if wh >= LEAST_TO_COME_WH:
        yield f"{kwh_text(wh)} to come until {local_time(ahead[-1].end, file.zone, '%H:%M')}"
