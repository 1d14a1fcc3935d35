"""The command `lullwatt plan`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from adapters.clocks.clock import SystemClock
from config.files.errors import UsageError
from daemon.command_line.plan_home import plan_home, plugged_in, show_home_plans
from daemon.presentation.options import (
    NEED_UNMET,
)
from daemon.presentation.output import json_text, needs_extra, rich_text, say, write_output
from daemon.presentation.show_plan import show_plan
from daemon.service.house_loading import load_house
from planners.plan.horizon import PLANNED_DAYS, Situation, departures_known
from planners.plan.later_nights import why_no_more
from planners.plan.planning import make_plan

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from types import ModuleType

    from daemon.control.state import House
    from planners.plan.plan import Plan
    from planners.rates.prices import Prices, RateSpan


def plan(  # noqa: PLR0917 - click passes them by name
    file: Path,
    vehicle: str | None,
    socs: dict[str | None, float],
    at: datetime | None,
    nights: int,
    picture: Path | None,
    *,
    as_json: bool,
) -> None:
    """Plan from now, or from an instant, to the next departure, and print the plan."""
    now = at or SystemClock().now()
    house = load_house(file, now)
    for trouble in house.file.events.troubles:
        say(trouble, err=True)
    if vehicle is None and len(house.file.vehicles) > 1:
        _plan_home(file, house, socs, now, nights, picture, as_json=as_json)
        return
    name = _vehicle(house, vehicle)
    departures = departures_known(house.file, house.prices, name, now, nights)
    if not departures:
        raise UsageError(f"{file}: departures: {name} has none within a year of {now.isoformat()}")
    if len(departures) < nights:
        say(
            f"Only {len(departures)} of {nights} departures can be planned:"
            f" {why_no_more(house.file, house.prices, now, departures)}.",
            err=True,
        )
    departure, *later = departures
    situation = Situation(
        now, _soc(house, name, socs), departure, later=tuple(later), peaks=house.peaks
    )
    made = make_plan(house.file, house.prices, situation)
    opens, prices = max(now, departure.ready_by - PLANNED_DAYS), house.prices.at(made.charge_point)
    if picture is not None:
        _pictures().draw_plan(picture, house.file, made, _spans_drawn(prices, made, opens))
    if as_json:
        write_output(json_text(made.to_json()))
    else:
        spans = prices.spans(opens, max(opens, departure.ready_by))
        write_output(rich_text(show_plan(made, spans, house.file.zone)))
    if made.shortfall is not None or any(night.is_short for night in made.later):
        sys.exit(NEED_UNMET)


def _vehicle(house: House, name: str | None) -> str:
    names = list(house.file.vehicles)
    if name is None:
        return names[0]
    if name not in names:
        raise UsageError(f"--vehicle: expected one of {', '.join(names)}, got {name!r}")
    return name


def _plan_home(  # noqa: PLR0917 - each is another option
    file: Path,
    house: House,
    socs: Mapping[str | None, float],
    now: datetime,
    nights: int,
    picture: Path | None,
    *,
    as_json: bool,
) -> None:
    if picture is not None:
        raise UsageError("--picture: expected --vehicle beside it: a picture shows one plan")
    found = plan_home(house, plugged_in(house, socs), now, nights)
    if found is None:
        raise UsageError(f"{file}: departures: no vehicle has one")
    if as_json:
        write_output(json_text(found.to_json(house.file.household.name)))
    else:
        write_output(rich_text(show_home_plans(house, found, now)))
    if found.is_short:
        sys.exit(NEED_UNMET)


def _soc(house: House, vehicle: str, socs: Mapping[str | None, float]) -> float:
    for name in socs:
        if name not in {None, vehicle}:
            raise UsageError(f"--soc: expected one of {vehicle}, got {name!r}")
    soc = socs.get(vehicle, socs.get(None))
    assumed = house.file.vehicles[vehicle].arrives_with_percent
    if soc is None and assumed is None:
        raise UsageError(
            f"--soc: expected the state of charge in percent: {vehicle} has no"
            " arrives_with_percent in the file"
        )
    return float(soc if soc is not None else assumed or 0.0)


def _spans_drawn(prices: Prices, made: Plan, opens: datetime) -> tuple[RateSpan, ...]:
    """Return the rates until the last departure of a plan."""
    last = made.later[-1].departure if made.later else made.departure
    return prices.spans(opens, max(opens, last))


def _pictures() -> ModuleType:
    """Import the module that draws; its extra may not be installed."""
    with needs_extra("--picture"):
        from daemon.tariff import picture  # noqa: PLC0415
    return picture
