"""Compute a year of a choice a second time, without any code of the planners.

Its clock is `zoneinfo` asked tick by tick, its bands are looked up by plain comparison, its battery
is a running sum, and each night is a mixed-integer programme for HiGHS (Huangfu and Hall,
Mathematical Programming Computation 10 (2018)). Power is constant.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import highspy

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from zoneinfo import ZoneInfo

ROUNDING = 1e-9


@dataclass(frozen=True)
class Trip:
    """A day away: local clock readings, and what it takes out of the battery."""

    leaves: datetime
    returns: datetime
    kwh: float


@dataclass(frozen=True)
class Rules:
    """How a choice charges; energies of the battery in kWh, of `tick_kwh` at the meter."""

    tick_minutes: int
    tick_kwh: float
    efficiency: float
    need_kwh: float
    want_kwh: float
    max_rate: float
    start_cost: float = 0.0
    min_run: int = 1
    min_rest: int = 0


@dataclass
class Account:
    """The result of the nights."""

    kwh: defaultdict[str, float]
    cost: defaultdict[str, float]
    short_kwh: list[float]
    ends_kwh: float
    elsewhere_kwh: float = 0.0


def ticks_of(zone: ZoneInfo, since: datetime, until: datetime, minutes: int) -> list[datetime]:
    """List the beginnings of the whole ticks between two local clock readings, in UTC."""
    length = 60 * minutes
    first = math.ceil(since.replace(tzinfo=zone).timestamp() / length)
    end = math.floor(until.replace(tzinfo=zone).timestamp() / length)
    return [datetime.fromtimestamp(n * length, UTC) for n in range(first, end)]


def live(
    zone: ZoneInfo,
    trips: Sequence[Trip],
    ready: Sequence[datetime],
    band_at: Callable[[datetime], tuple[str, float]],
    rules: Rules,
) -> Account:
    """Charge after each trip until the vehicle must be ready, and add up what it costs.

    Parameters
    ----------
    zone : ZoneInfo
        Where the clock hangs.
    trips : sequence of Trip
        In order of time.
    ready : sequence of datetime
        Local time at which each night ends.
    band_at : callable
        Band and rate at a local time.
    rules : Rules
        How it charges.

    Returns
    -------
    Account
        By bands and by nights; the battery begins with what is wanted.
    """
    account = Account(defaultdict(float), defaultdict(float), [], rules.want_kwh)
    stored = rules.want_kwh
    for trip, until in zip(trips, ready, strict=True):
        account.elsewhere_kwh += max(0.0, trip.kwh - stored)
        stored = max(0.0, stored - trip.kwh)
        ticks = ticks_of(zone, trip.returns, until, rules.tick_minutes)
        bands = [band_at(tick.astimezone(zone)) for tick in ticks]
        energies = cheapest_night([rate for _, rate in bands], stored, rules)
        for (band, rate), kwh in zip(bands, energies, strict=True):
            account.kwh[band] += kwh
            account.cost[band] += kwh * rate
        stored += rules.efficiency * sum(energies)
        missing = rules.need_kwh - stored
        account.short_kwh.append(missing / rules.efficiency if missing > 1e-6 else 0.0)
    account.ends_kwh = stored
    return account


def cheapest_night(rates: Sequence[float], stored_kwh: float, rules: Rules) -> list[float]:
    """Return each tick's metered energy under the cheapest plan, to the need or to the want."""
    need = max(0.0, (rules.need_kwh - stored_kwh) / rules.efficiency)
    want = max(0.0, (rules.want_kwh - stored_kwh) / rules.efficiency)
    if _count(need, rules) > len(rates):
        # What there is does not suffice, so that all of it is used.
        return [rules.tick_kwh] * len(rates)
    plans = [_solve(rates, need, need, rules), _solve(rates, need, want, rules)]
    return min(plans, key=lambda plan: plan[0])[1]


def _count(kwh: float, rules: Rules) -> int:
    return math.ceil(kwh / rules.tick_kwh - ROUNDING)


def _solve(
    rates: Sequence[float], need: float, target: float, rules: Rules
) -> tuple[float, list[float]]:
    """Buy whole ticks, at least the need; the last one is cut where the target is reached."""
    n, tick, most, least = len(rates), rules.tick_kwh, _count(target, rules), _count(need, rules)
    if most == 0:
        return 0.0, [0.0] * n
    h = highspy.Highs()  # type: ignore[no-untyped-call]
    # All of a process must agree on this: with another number, HiGHS solves nothing.
    h.setOptionValue("threads", 1)
    h.setOptionValue("output_flag", False)  # noqa: FBT003 - its interface
    h.setOptionValue("mip_rel_gap", 0.0)
    h.setOptionValue("mip_abs_gap", 1e-9)
    on, starts, last = ([h.addBinary() for _ in range(n)] for _ in range(3))
    reached = h.addBinary()
    h.addConstr(sum(last) == reached)
    h.addConstr(sum(on) >= least)
    h.addConstr(sum(on) <= most - 1 + reached)
    h.addConstr(sum(on) >= most * reached)
    for i in range(n):
        h.addConstr(last[i] <= on[i])
        h.addConstr(starts[i] >= on[i] - (on[i - 1] if i else 0))
        if i:
            h.addConstr(on[i] + sum(last[:i]) <= 1)
        for j in range(i + 1, min(i + min(rules.min_run, most), n)):
            h.addConstr(on[j] >= on[i] - (on[i - 1] if i else 0))
        for j in range(i + 1, min(i + rules.min_rest, n) if i else 0):
            h.addConstr(on[j] <= 1 - on[i - 1] + on[i])
    spare = most * tick - target
    worth = [rate - rules.max_rate for rate in rates]
    h.minimize(
        sum(w * tick * used for w, used in zip(worth, on, strict=True))
        - sum(w * spare * used for w, used in zip(worth, last, strict=True))
        + rules.start_cost * sum(starts)
    )
    assert h.getModelStatus() == highspy.HighsModelStatus.kOptimal
    energies = [
        tick * round(h.val(a)) - spare * round(h.val(b)) for a, b in zip(on, last, strict=True)
    ]
    return float(h.getObjectiveValue()), energies
