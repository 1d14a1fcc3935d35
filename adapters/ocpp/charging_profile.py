"""Make an OCPP 1.6 charging profile from a command and a plan.

Opens no connection. A profile with a `duration` expires at its end, and equipment without another
profile then gives all it can. So no profile here has a duration: each ends in a limit of 0 A, which
counts until the transaction ends.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import ROUND_FLOOR, Decimal
from itertools import pairwise
from typing import Any, Final

from adapters.contract.current_period import CurrentPeriod
from adapters.contract.messages import Command
from adapters.ocpp.point import Equipment

PROFILE_ID: Final = 1
"""All profiles have this number, so that a new one replaces the last."""
STACK_LEVEL: Final = 1
MOST_PERIODS: Final = 20
"""Equipment stores few periods; later ones are cut off, and sent when their time comes."""
AHEAD: Final = timedelta(minutes=1)
"""A profile starts this long ago: on a clock that is slow, a later start is still to come."""

_TENTH: Final = Decimal("0.1")


@dataclass(frozen=True)
class Limit:
    """A limit that counts from an instant on [A per phase]."""

    at: datetime
    amps: float


def limits(
    command: Command, periods: Sequence[CurrentPeriod], now: datetime, highest_amps: float
) -> tuple[Limit, ...]:
    """Return which current is allowed when: the command now, then the plan, then 0 A.

    Parameters
    ----------
    command
        A start that has not expired, or a stop.
    periods
        The plan, in order of time; may be empty.
    now
        The present instant, in UTC.
    highest_amps
        The highest current of the equipment [A per phase].

    Returns
    -------
    tuple of Limit
        The first one at `now`; the last one is 0 A. None is above the commanded current.
    """
    if command.amps is None:
        cap, found = highest_amps, [Limit(now, 0.0)]
    else:
        cap = min(command.amps, highest_amps)
        found = [Limit(now, cap), Limit(_commanded_until(command, periods, now), 0.0)]
    for period in periods:
        if period.start > now:
            found.append(Limit(_second(period.start), min(period.amps, cap)))
            found.append(Limit(_second(period.end), 0.0))
    return _shortened(tuple(_merged(found)))


def _commanded_until(command: Command, periods: Sequence[CurrentPeriod], now: datetime) -> datetime:
    """Return when the commanded current ends: with its period, or when it expires."""
    for period in periods:
        if period.start <= now < period.end:
            return _second(period.end)
    later = [period.start for period in periods if period.start > now]
    return _second(min([command.valid_until, *later]))


def _second(instant: datetime) -> datetime:
    """Drop the fraction of a second: the standard has whole seconds."""
    return instant.replace(microsecond=0)


def _merged(found: list[Limit]) -> Iterator[Limit]:
    """Yield the limits, without those that are replaced at once or change nothing."""
    last: float | None = None
    for limit, after in pairwise([*found, None]):
        replaced = limit is None or (after is not None and after.at <= limit.at)
        if limit is not None and not replaced and limit.amps != last:
            last = limit.amps
            yield limit


def _shortened(found: tuple[Limit, ...]) -> tuple[Limit, ...]:
    if len(found) <= MOST_PERIODS:
        return found
    return (*found[: MOST_PERIODS - 1], Limit(found[MOST_PERIODS - 1].at, 0.0))


def charging_profile(
    found: Sequence[Limit], equipment: Equipment, transaction: int | None
) -> dict[str, Any]:
    """Return limits as a charging profile, its keys in snake case.

    Parameters
    ----------
    found
        In order of time; the first one counts now.
    equipment
        Gives the number of phases.
    transaction
        The transaction it is for; None for one that has not begun.

    Returns
    -------
    dict
        A `ChargingProfile` of OCPP 1.6, with limits rounded down to a tenth of an ampere.
    """
    start = (found[0].at - AHEAD).replace(microsecond=0)
    periods = [
        {
            "start_period": 0 if index == 0 else int((limit.at - start).total_seconds()),
            "limit": tenths(limit.amps),
            "number_phases": equipment.phases,
        }
        for index, limit in enumerate(found)
    ]
    profile = {
        "charging_profile_id": PROFILE_ID,
        "transaction_id": transaction,
        "stack_level": STACK_LEVEL,
        "charging_profile_purpose": "TxProfile",
        "charging_profile_kind": "Absolute",
        "charging_schedule": {
            "charging_rate_unit": "A",
            "start_schedule": start.isoformat().replace("+00:00", "Z"),
            "charging_schedule_period": periods,
        },
    }
    return {key: value for key, value in profile.items() if value is not None}


def tenths(amps: float) -> float:
    """Round a current down to the one decimal of the standard [A]."""
    return float(Decimal(repr(amps)).quantize(_TENTH, rounding=ROUND_FLOOR))
