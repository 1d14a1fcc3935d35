"""Explain in `lullwatt check` what the main fuse carries, and how it is shared and guarded."""

from __future__ import annotations

from calendar import month_abbr
from datetime import timedelta
from typing import TYPE_CHECKING

from adapters.contract.topics import Topics
from config.calendar.words import listed
from daemon.presentation.figures import local_time
from planners.home.allotments import all_that_is_left, shares_by_plan
from planners.home.learned_load import WEEKS
from planners.local_time.departures import coming_night, night_bounds
from planners.power.allowed_currents import amps_allowed, charge_model, fixed_parts, own_amps
from planners.power.home_load import is_learned
from planners.power.live_load import LOWER_FOR, SILENCE
from planners.power.phases import limits_of, most_amps_alone

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from config.home.known_load import KnownLoad
    from config.household.household_file import HouseholdFile
    from planners.power.charging import ChargeModel


def explain_fuse(file: HouseholdFile, now: datetime) -> Iterator[str]:
    """Explain the main fuse.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    now : datetime
        UTC; decides which night is tonight.

    Yields
    ------
    str
        Lines of text; none if no main fuse is declared.
    """
    if file.household.main_fuse_amps is None:
        return
    yield from _shared_fuse(file)
    yield from _known_load(file, now)
    yield from _live_load(file)


def _live_load(file: HouseholdFile) -> Iterator[str]:
    """Say which meter reads the home's load, and what a reading does."""
    home, meter = file.household, file.household.load_meter
    yield ""
    yield f"Live load of the home (main fuse: {home.supply_text}):"
    own_topic = Topics.of_file(file).load
    at_point = file.home_meter_at
    if at_point is not None:
        yield f"  The equipment of {at_point} reports it over OCPP, from the grid connection."
    elif meter is None:
        yield f"  No load_meter is wired. It is read if a meter publishes it at {own_topic}."
    else:
        what = "one current, the highest," if len(meter.phases) == 1 else "L1, L2 and L3"
        own = "with" if meter.includes_charge_points else "without"
        topics = listed(list(dict.fromkeys(each.topic for each in meter.phases)))
        yield f"  load_meter reads {what} at {topics}, {own} the charge points' own current."
    reserve = (
        f", and {home.reserve_amps:g} A are kept free (reserve_amps)" if home.reserve_amps else ""
    )
    power = "" if home.max_power_kw is None else f", at most {home.max_power_kw:g} kW"
    yield (
        "  A reading lowers or stops charging at once, so that the fuse carries"
        f" all{power}{reserve}."
    )
    silence, steady = SILENCE.total_seconds(), LOWER_FOR // timedelta(minutes=1)
    if shares_by_plan(file):
        yield (
            f"  After {silence:.0f} s without a reading each charge point keeps to its fixed part"
            f" of the fuse, until readings have come at least every {silence:.0f} s for {steady}"
            " minutes. Without a meter the plan holds alone."
        )
    else:
        yield f"  After {silence:.0f} s without a reading the plan holds alone."


def _shared_fuse(file: HouseholdFile) -> Iterator[str]:
    """Say how several charge points share the main fuse, if it does not carry them all."""
    points = file.charge_points
    silent = [name for name, each in points.items() if each.wiring and each.wiring.hear is None]
    endless = [
        name
        for name, each in points.items()
        if name not in silent and each.wiring and each.wiring.tell
        if not each.wiring.tell.is_start_limited
    ]
    is_planned = shares_by_plan(file)
    is_divided = any(
        limit.taken({name: point.max_amps for name, point in points.items()}) > limit.amps
        for limit in limits_of(file)
    )
    if len(points) == 1 or not (is_planned or (is_divided and silent + endless)):
        return
    yield ""
    yield f"{listed(list(points))} share the main fuse of {file.household.supply_text}."
    if is_planned:
        yield "  Their vehicles are planned together. One that charges alone may take all of it."
        yield "  None takes more before another is seen to take less, or its command has expired."
        parts = fixed_parts(file)
        nothing = [name for name, amps in parts.items() if not amps]
        if nothing:
            yield (
                f"  The lowest currents of all do not fit together, so they take turns:"
                f" {listed(nothing)} can charge only while another does not."
            )
        amps = listed([f"{name} {amps:g} A" for name, amps in parts.items()])
        yield f"  While no joint plan holds, each has a fixed part: {amps}."
    else:
        reasons = [f"{listed(silent)} reports nothing"] if silent else []
        reasons += [f"no start of {listed(endless)} has a time limit"] if endless else []
        yield f"  Each has a fixed part of it, because {' and '.join(reasons)}."


def _known_load(file: HouseholdFile, now: datetime) -> Iterator[str]:
    home = file.household
    if not home.known_load:
        return
    yield ""
    if is_learned(file):
        yield f"Learned load of the rest of the home (main fuse: {home.supply_text}):"
        yield from _learned(file)
    else:
        yield f"Known load of the rest of the home (main fuse: {home.supply_text}):"
        yield from (_item(each) for each in home.known_load)
    for name in file.vehicles:
        yield from _left_tonight(file, name, now)


def _learned(file: HouseholdFile) -> Iterator[str]:
    """Say how a load was learned, and when it is the highest."""
    yield (
        f"  No known_load is declared, so plans expect what the meter has shown in the last {WEEKS}"
        " weeks: for each hour of the week, a load that 9 of 10 such hours never went above."
    )
    most = max(file.household.known_load, key=lambda item: item.amps)
    yield f"  The most is {_item(most).strip()}"


def _item(item: KnownLoad) -> str:
    on = f" on {' and '.join(item.connected_to)}" if item.connected_to else ""
    return f"  {item.amps:g} A{on} from {_hours(item)}{_days(item)}."


def _hours(item: KnownLoad) -> str:
    return " and ".join(str(hours).replace("-", " to ") for hours in item.hours)


def _days(item: KnownLoad) -> str:
    days = f" on {' '.join(item.days)}" if item.days else " every day"
    if item.months is None:
        return days
    months = (each if isinstance(each, str) else month_abbr[each] for each in item.months)
    return f"{days} in {' '.join(months)}"


def _left_tonight(file: HouseholdFile, name: str, now: datetime) -> Iterator[str]:
    point = file.vehicles[name].charge_point
    ceiling = model_alone(file, name).amps
    start, end = night_bounds(coming_night(now, file.days), file.days)
    left = all_that_is_left(file, start, end, name) if shares_by_plan(file) else ()
    spans = amps_allowed(file, point, name, start, end, allotted=left)
    lowered = [span for span in spans if span.amps < ceiling]
    for span in lowered:
        starts, ends = (local_time(each, file.zone, "%H:%M") for each in (span.start, span.end))
        rate = f"can charge at {span.amps:g} A at most" if span.amps else "can't charge"
        yield f"  Tonight {name} {rate} from {starts} to {ends}."
    if not lowered:
        yield f"  Tonight it leaves {name} its full {ceiling:g} A."


def model_alone(file: HouseholdFile, name: str) -> ChargeModel:
    """Return the charge model of a vehicle while no other one charges.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    name : str
        Of the vehicle.

    Returns
    -------
    ChargeModel
        At the highest current that it may draw alone.
    """
    if not shares_by_plan(file):
        return charge_model(file, name)
    own = own_amps(file, file.vehicles[name].charge_point, name)
    return charge_model(file, name, amps=min(own, most_amps_alone(file, name)))
