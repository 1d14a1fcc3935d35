"""Make an OCPP 1.6 charging profile from a command and a plan.

Opens no connection. A profile with a `duration` expires at its end, and equipment without another
profile then gives all it can. So a profile ends in a limit of 0 A, which counts until the
transaction ends. Only equipment that stores a single period gets a duration, and only if a default
profile is known to count afterwards.
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
from adapters.ocpp_point.abilities import MOST_PERIODS, Purpose, Unit
from adapters.ocpp_point.point import Equipment
from adapters.ocpp_point.state import TransactionId

PROFILE_IDS: Final[dict[Purpose, int]] = {
    "TxProfile": 1,
    "TxDefaultProfile": 2,
    "ChargePointMaxProfile": 3,
}
"""One number for each purpose, so that a new profile replaces the last."""
STACK_LEVEL: Final = 1
LOWEST_LEVEL: Final = 0
AHEAD: Final = timedelta(minutes=1)
"""A profile starts this long ago: on a clock that is slow, a later start is still to come."""

_TENTH: Final = Decimal("0.1")
_ONE: Final = Decimal(1)


@dataclass(frozen=True)
class Form:
    """How a schedule is written.

    Attributes
    ----------
    unit : {"A", "W"}
        The unit of its limits.
    most_periods : int
        How many limits it may have. Later ones are cut off, and sent when their time comes.
    level : int
        Its stack level.
    expires : bool
        Whether a single period that can't end in 0 A may expire instead.
    """

    unit: Unit = "A"
    most_periods: int = MOST_PERIODS
    level: int = STACK_LEVEL
    expires: bool = False


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
    return tuple(_merged(found))


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


def _shortened(found: Sequence[Limit], most: int) -> Sequence[Limit]:
    """Cut limits off; what is left ends in 0 A, unless there is room for one only."""
    if len(found) <= most or most == 1:
        return found[:most]
    return (*found[: most - 1], Limit(found[most - 1].at, 0.0))


def charging_profile(
    found: Sequence[Limit],
    equipment: Equipment,
    transaction: TransactionId | None,
    form: Form = Form(),
    purpose: Purpose = "TxProfile",
) -> dict[str, Any]:
    """Return limits as a charging profile, its keys in snake case.

    Parameters
    ----------
    found
        In order of time; the first one counts now.
    equipment
        Gives phases and volts.
    transaction
        The transaction it is for; None for one that has not begun.
    form
        How to write it.
    purpose
        TxProfile or TxDefaultProfile.

    Returns
    -------
    dict
        A `ChargingProfile` of OCPP 1.6, with limits rounded down to a tenth of an ampere or to a
        watt.
    """
    start = _schedule_start(found[0].at)
    sent = _shortened(found, form.most_periods)
    offsets = [int((limit.at - start).total_seconds()) for limit in found]
    periods = [
        _period(0 if index == 0 else offsets[index], limit.amps, equipment, form.unit)
        for index, limit in enumerate(sent)
    ]
    can_expire = form.expires and sent[-1].amps > 0 and len(found) > len(sent)
    return _profile(
        purpose,
        form,
        {
            "duration": offsets[len(sent)] if can_expire else None,
            "start_schedule": _text(start),
            "charging_schedule_period": periods,
        },
        transaction=transaction if purpose == "TxProfile" else None,
    )


def waiting_profile(equipment: Equipment, form: Form) -> dict[str, Any]:
    """Return the default profile by which a charge waits that begins without the daemon."""
    # It is Relative, to the start of a transaction, so that no clock must be right.
    period = _period(0, equipment.alone_amps, equipment, form.unit)
    schedule = {"charging_schedule_period": [period]}
    return _profile("TxDefaultProfile", form, schedule, kind="Relative")


def highest_profile(equipment: Equipment, form: Form, now: datetime) -> dict[str, Any]:
    """Return the profile that bounds all charging by the current of the household file."""
    limit = _watts(equipment.max_amps, equipment.volts, equipment.phases)
    period = _period(0, equipment.max_amps, equipment, form.unit)
    period |= {"limit": limit, "number_phases": equipment.phases} if form.unit == "W" else {}
    schedule = {
        "start_schedule": _text(_schedule_start(now)),
        "charging_schedule_period": [period],
    }
    return _profile("ChargePointMaxProfile", form, schedule)


def _profile(
    purpose: Purpose,
    form: Form,
    schedule: dict[str, Any],
    *,
    kind: str = "Absolute",
    transaction: TransactionId | None = None,
) -> dict[str, Any]:
    profile = {
        "charging_profile_id": PROFILE_IDS[purpose],
        "transaction_id": transaction,
        "stack_level": form.level,
        "charging_profile_purpose": purpose,
        "charging_profile_kind": kind,
        "charging_schedule": _said({"charging_rate_unit": form.unit} | schedule),
    }
    return _said(profile)


def _said(values: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in values.items() if value is not None}


def _period(start: int, amps: float, equipment: Equipment, unit: Unit) -> dict[str, Any]:
    """Return one period of a schedule."""
    if unit == "A":
        return {
            "start_period": start, "limit": tenths(amps), "number_phases": equipment.phases,
        }  # fmt: skip
    # A limit in watts is that of all phases together: on fewer phases than were reckoned with, more
    # current would flow. So it is reckoned with the fewest that a vehicle here charges on.
    phases = equipment.fewest_phases
    return {
        "start_period": start,
        "limit": _watts(amps, equipment.volts, phases),
        "number_phases": phases,
    }


def _schedule_start(now: datetime) -> datetime:
    return (now - AHEAD).replace(microsecond=0)


def _text(instant: datetime) -> str:
    return instant.isoformat().replace("+00:00", "Z")


def _watts(amps: float, volts: float, phases: int) -> float:
    """Turn a current of each phase into the power of all, rounded down [W]."""
    exact = Decimal(repr(amps)) * Decimal(repr(volts)) * phases
    return float(exact.quantize(_ONE, rounding=ROUND_FLOOR))


def tenths(amps: float) -> float:
    """Round a current down to the one decimal of the standard [A]."""
    return float(Decimal(repr(amps)).quantize(_TENTH, rounding=ROUND_FLOOR))
