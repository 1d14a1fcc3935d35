"""Give the facts of nights that are accounted for again, or without the controller. Pure.

A meter that was silent when a night ended reports later what flowed before: each night of its
silence is then accounted for again. So is a night in which energy flowed while no vehicle was known
to be there.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from daemon.control.events import LoweredByLoad, NightFacts, Stay
from daemon.nights.stays import recorded_stays
from planners.local_time.departures import night_bounds, night_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import datetime

    from config.calendar.account_days import AccountDays
    from config.household.household_file import HouseholdFile

MOST_NIGHTS = 400
"""The most nights of silence that are accounted for; beyond, the meter's clock is wrong."""

_ACCOUNT = ("energy_kwh", "estimated_kwh", "by_band", "vehicle", "unknown_hours")


def nights_between(first: datetime, last: datetime, days: AccountDays) -> Iterator[date]:
    """List the nights from one instant to another, at most the latest `MOST_NIGHTS`.

    Parameters
    ----------
    first, last : datetime
        UTC.
    days : AccountDays
        The days of the home's account.

    Yields
    ------
    date
        In order.
    """
    end = night_of(last, days)
    night = max(night_of(first, days), end - timedelta(days=MOST_NIGHTS))
    while night <= end:
        yield night
        night += timedelta(days=1)


def facts_unseen(night: date, charge_point: str, vehicle: str, file: HouseholdFile) -> NightFacts:
    """Give the facts of a night that was never opened: nothing is known of it.

    Parameters
    ----------
    night : date
        The night.
    charge_point, vehicle : str
        Their names in the file.
    file : HouseholdFile
        The household.

    Returns
    -------
    NightFacts
        Without departure, need or state of charge.
    """
    start, end = night_bounds(night, file.days)
    return NightFacts(
        night=night,
        charge_point=charge_point,
        stays=(Stay(vehicle, start),),
        closed_at=end,
    )


def facts_again(record: Mapping[str, Any], file: HouseholdFile) -> NightFacts:
    """Give the facts of a night from its record, to account for it again.

    Parameters
    ----------
    record : mapping
        As `daemon.nights.account.night_record` made it.
    file : HouseholdFile
        The household.

    Returns
    -------
    NightFacts
        Closed at the end of the night.
    """
    night = date.fromisoformat(record["night"])
    return NightFacts(
        night=night,
        charge_point=record["charge_point"],
        stays=recorded_stays(record),
        closed_at=night_bounds(night, file.days)[1],
        lowered=_lowered(record.get("lowered_by_load")),
    )


def _lowered(found: Mapping[str, Any] | None) -> LoweredByLoad | None:
    if found is None:
        return None
    seconds = 60.0 * float(found["minutes"])
    return LoweredByLoad(seconds, float(found["least_amps"]), float(found["load_amps"]))


def same_account(old: Mapping[str, Any], new: Mapping[str, Any]) -> bool:
    """Whether two records of a night agree on the energy, its bands and its vehicle."""
    return all(old.get(key) == new.get(key) for key in _ACCOUNT)


def has_estimated_rates(record: Mapping[str, Any]) -> bool:
    """Whether some of a night's energy is priced at estimated rates."""
    return bool(record.get("estimated_rate_kwh"))


def has_estimated_carbon(record: Mapping[str, Any]) -> bool:
    """Whether the carbon of some of a night's energy is estimated, or not known at all."""
    carbon = record.get("carbon", {"kg": 0, "estimated_kwh": 0})
    return bool(carbon["estimated_kwh"]) or carbon["kg"] is None


def compared_by_older_version(record: Mapping[str, Any]) -> bool:
    """Whether an earlier version compared a night with other rules, perhaps for less energy."""
    return any("energy_kwh" not in baseline for baseline in record["baselines"].values())
