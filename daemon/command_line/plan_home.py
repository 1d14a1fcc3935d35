"""Plan the vehicles of a home together for `lullwatt plan`."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from math import isfinite
from typing import TYPE_CHECKING, Any

from adapters.clocks.clock import SystemClock
from config.files.errors import UsageError
from config.household.household_file import WATTS_PER_KW
from daemon.presentation.output import say
from daemon.presentation.show_plan import Headroom, show_home
from planners.home.allotments import amps_unused
from planners.home.together import gap_sentence, plan_together
from planners.plan.horizon import Situation, departures_known
from planners.plan.planning import make_plan

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from rich.console import RenderableType

    from daemon.control.state import House
    from planners.home.capacity_together import KeptTogether
    from planners.plan.plan import Plan

LONGEST = timedelta(seconds=10)
"""How long to look for something better."""


@dataclass(frozen=True, slots=True)
class HomePlans:
    """The plans of all vehicles that are plugged in.

    Attributes
    ----------
    plans : tuple of Plan
        In the order of the file; at least one.
    gap, gap_share, kept : float and KeptTogether or None
        See `planners.home.together.HomePlan`.
    """

    plans: tuple[Plan, ...]
    gap: float
    gap_share: float
    kept: KeptTogether | None = None

    @property
    def is_short(self) -> bool:
        """Whether a need can't be met."""
        return any(
            plan.shortfall is not None or any(night.is_short for night in plan.later)
            for plan in self.plans
        )

    def to_json(self, household: str) -> dict[str, Any]:
        """Return the JSON document: a gap that is not known is null."""
        known = isfinite(self.gap_share)
        return {
            "household": household,
            "currency": self.plans[0].currency,
            "plans": [plan.to_json() for plan in self.plans],
            "gap": round(self.gap, 6) if known else None,
            "gap_percent": round(100 * self.gap_share, 4) if known else None,
            "capacity_cap_kw": None if self.kept is None else round(self.kept.cap_kw, 3),
        }


def plugged_in(house: House, socs: Mapping[str | None, float]) -> dict[str, float]:
    """Find which vehicles are plugged in, with their states of charge [percent].

    Parameters
    ----------
    house : House
        The household.
    socs : mapping of str to float
        The states of charge that were given; under None one without a name [percent].

    Returns
    -------
    dict of str to float
        Those that are given; without any, all vehicles of the file.

    Raises
    ------
    UsageError
        If it is not clear which are there, or what they hold.
    """
    cars = house.file.vehicles
    if None in socs:
        example = " ".join(f"--soc {name}=35" for name in cars)
        raise UsageError(f"--soc: expected a vehicle for each, such as {example}, or --vehicle")
    for name in socs:
        if name not in cars:
            raise UsageError(f"--soc: expected one of {', '.join(cars)}, got {name!r}")
    there = {
        name: socs.get(name, car.arrives_with_percent)
        for name, car in cars.items()
        if name in socs or not socs
    }
    points: dict[str, str] = {}
    for name in there:
        other = points.setdefault(cars[name].charge_point, name)
        if other != name:
            raise UsageError(
                f"--soc: expected one vehicle at {cars[name].charge_point}, got {other} and {name};"
                " name those that are plugged in, each with its --soc"
            )
    unknown = [name for name, soc in there.items() if soc is None]
    if unknown:
        raise UsageError(
            f"--soc: expected --soc {unknown[0]}=PERCENT: {unknown[0]} has no arrives_with_percent"
            " in the file"
        )
    return {name: soc for name, soc in there.items() if soc is not None}


def plan_home(
    house: House, socs: Mapping[str, float], now: datetime, nights: int
) -> HomePlans | None:
    """Plan vehicles together.

    Parameters
    ----------
    house : House
        The household.
    socs : mapping of str to float
        From `plugged_in`.
    now : datetime
        UTC.
    nights : int
        The most departures of a vehicle to plan for.

    Returns
    -------
    HomePlans or None
        The best of `LONGEST`; None if no vehicle has a departure.
    """
    file, prices, clock = house.file, house.prices, SystemClock()
    situations = []
    for name, soc in socs.items():
        found = departures_known(file, prices, name, now, nights)
        if found:
            situations.append(Situation(now, soc, found[0], later=found[1:]))
        else:
            say(f"departures: {name} has none within a year of {now.isoformat()}", err=True)
    if not situations:
        return None
    allotted, gap, gap_share, kept, begun = {}, 0.0, 0.0, None, clock.now()
    for better in plan_together(file, prices, situations):
        allotted, gap, gap_share, kept = better.allotted, better.gap, better.gap_share, better.kept
        if clock.now() - begun > LONGEST:
            break
    plans = tuple(
        make_plan(
            file, prices, replace(each, allotted=allotted.get(point, ()), is_joint=bool(allotted))
        )
        for each in situations
        for point in [file.vehicles[each.departure.vehicle].charge_point]
    )
    return HomePlans(plans, gap, gap_share, kept)


def show_home_plans(house: House, found: HomePlans, now: datetime) -> RenderableType:
    """Lay out plans for a terminal, with what they leave of the main fuse and the home's power."""
    end = max(plan.departure for plan in found.plans)
    kept = [] if found.kept is None else [found.kept.sentence(found.plans[0].currency)]
    left: list[Headroom] = []
    if amps := amps_unused(house.file, found.plans):
        left.append(Headroom("left", "left under the main fuse", "A", 0, amps))
    if in_sum := amps_unused(house.file, found.plans, "power"):
        home = house.file.household
        kw = home.nominal_volts / WATTS_PER_KW
        of = f"left of the home's {home.max_power_kw:g} kW"
        left.append(Headroom("left kW", of, "kW", 1, lambda *when: kw * in_sum(*when)))
    meters = {house.prices.at(plan.charge_point) for plan in found.plans}
    prices = meters.pop() if len(meters) == 1 else house.prices
    good = gap_sentence(found.gap_share, prices.carbon, is_short=found.is_short)
    return show_home(
        found.plans,
        prices.spans(now, end),
        house.file.zone,
        " ".join([good, *kept]),
        left,
    )
