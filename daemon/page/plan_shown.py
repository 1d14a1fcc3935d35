"""Read the plan of the bus, as far as the page shows it. Pure.

Another version of the daemon may have made it: what can't be read is no plan.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from adapters.clocks.instants import parse_instant

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

_RUNS_ON_SECONDS = 120
"""A pause that is shorter is no stop."""


MISSING_KWH = 0.05
"""Less energy than this is not worth a word [kWh]."""


@dataclass(frozen=True, slots=True)
class ShownPlan:
    """A plan, or what is left of it.

    Attributes
    ----------
    vehicle, currency : str
        Whose plan, and the money.
    departure : datetime
        UTC.
    energy_kwh, cost : float
        At the meter, tax included.
    soc_percent, need_percent, reaches_percent : float
        State of charge.
    shortfall_kwh : float
        Energy that is missing for the need.
    at_once_cost : float
        What charging at once would cost.
    rests_on_estimates : bool
        Whether a rate is estimated.
    spans : tuple of (datetime, datetime)
        When it charges; a change of rate or current does not divide a span.
    currents : tuple of (datetime, datetime, float)
        Each current of it, and when [A per phase].
    roof_kwh : float
        Part of the energy that the home's own roof is counted on for [kWh].
    roof_spans : tuple of (datetime, datetime)
        When more than half of it is to come from the roof.
    event : str or None
        Title of the calendar's event that the departure is; None if it is none.
    """

    vehicle: str
    currency: str
    departure: datetime
    energy_kwh: float
    cost: float
    soc_percent: float
    need_percent: float
    reaches_percent: float
    shortfall_kwh: float
    at_once_cost: float
    rests_on_estimates: bool
    spans: tuple[tuple[datetime, datetime], ...]
    currents: tuple[tuple[datetime, datetime, float], ...] = ()
    roof_kwh: float = 0.0
    roof_spans: tuple[tuple[datetime, datetime], ...] = ()
    event: str | None = None


def read_plan(plan: Mapping[str, Any] | None) -> ShownPlan | None:
    """Read the JSON values of a plan; None if there is none, or it can't be read."""
    if plan is None:
        return None
    try:
        return ShownPlan(
            vehicle=str(plan["vehicle"]),
            currency=str(plan["currency"]),
            departure=parse_instant(plan["departure"]),
            energy_kwh=float(plan["energy_kwh"]),
            cost=float(plan["cost"]),
            soc_percent=float(plan["soc_percent"]),
            need_percent=float(plan["need_percent"]),
            reaches_percent=float(plan["reaches_percent"]),
            shortfall_kwh=float(plan["shortfall_kwh"]),
            at_once_cost=float(plan["baselines"]["at_once"]["cost"]),
            rests_on_estimates=bool(plan["rests_on_estimates"]),
            spans=_spans(plan["periods"]),
            currents=tuple(
                (parse_instant(each["start"]), parse_instant(each["end"]), float(each["amps"]))
                for each in plan["periods"]
            ),
            roof_kwh=float(plan["by_source"]["roof"]["energy_kwh"]) if "by_source" in plan else 0.0,
            roof_spans=_spans([each for each in plan["periods"] if _is_from_roof(each)]),
            event=None if plan.get("event") is None else str(plan["event"]),
        )
    except (KeyError, TypeError, ValueError, AttributeError):
        return None


def _is_from_roof(period: Mapping[str, Any]) -> bool:
    return 2 * float(period.get("roof_kwh", 0.0)) > float(period["kwh"])


def _spans(periods: Sequence[Mapping[str, Any]]) -> tuple[tuple[datetime, datetime], ...]:
    spans: list[tuple[datetime, datetime]] = []
    for period in periods:
        start, end = parse_instant(period["start"]), parse_instant(period["end"])
        if spans and (start - spans[-1][1]).total_seconds() <= _RUNS_ON_SECONDS:
            spans[-1] = (spans[-1][0], end)
        else:
            spans.append((start, end))
    return tuple(spans)
