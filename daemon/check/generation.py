"""Explain the home's own roofs, what is expected of them, and what export pays."""

from __future__ import annotations

from contextlib import suppress
from datetime import time, timedelta
from typing import TYPE_CHECKING

from adapters.contract.topics import Topics
from adapters.ledger.stored_prices import stored_ledger
from adapters.wired.grid_meter import grid_meter_topics
from config.calendar.words import listed
from config.files.errors import LedgerError
from daemon.nights.metered import read_meter
from daemon.presentation.figures import date_text, local_time
from daemon.surplus.meter_sign import STEPS, shows_wrong_way
from daemon.tariff.export import export_lines
from planners.generation.outlook import clear_sky_kw
from planners.local_time.conversion import instant_of_local, local_date, minute_of
from planners.power.home_load import is_learned, surplus_kw

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from config.home.generation import Generation, Roof
    from config.household.household_file import HouseholdFile
    from daemon.control.state import House
    from planners.generation.outlook import Outlook

DAY = timedelta(days=1)
FACES = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


def explain_generation(house: House, now: datetime) -> Iterator[str]:
    """Explain the home's own roofs.

    Parameters
    ----------
    house : House
        The household file, and what is expected of its roofs.
    now : datetime
        UTC; tomorrow is the day after its local date.

    Yields
    ------
    str
        Lines of text; none without generation.
    """
    generation, sun = house.file.generation, house.prices.sun
    if generation is None or sun is None:
        return
    yield ""
    yield f"Own roofs{_place(generation)}:"
    for roof in generation.roofs:
        yield f"  {_roof(roof)}"
    if generation.inverter_kw is not None:
        yield f"  The inverters let {generation.inverter_kw:g} kW through."
    yield from (f"  {line}" for line in _forecast(house.file, sun, now))
    yield from (f"  {line}" for line in _tomorrow(house.file, sun, now))
    yield from (f"  {line}" for line in _own_use(house.file))
    yield from (f"  {line}" for line in export_lines(house.file, house.prices, now, now + DAY))
    yield from (f"  {line}" for line in _grid_meter(house.file, generation))


def generation_cautions(house: House, now: datetime) -> Iterator[str]:
    """Warn of what plans would count on without reason, and of a meter that is the wrong way round.

    Parameters
    ----------
    house : House
        The household file, and what is expected of its roofs.
    now : datetime
        UTC; the ledger's last two days say which way round the meter at the grid is.

    Yields
    ------
    str
        Sentences.
    """
    generation, sun, home = house.file.generation, house.prices.sun, house.file.household
    if generation is None and any(tariff.export_rate for tariff in house.file.tariffs):
        yield "export_rate counts for nothing: no generation says what could be exported."
    if generation is None or sun is None:
        return
    if generation.forecast is None and not sun.shares:
        yield (
            f"Plans count on {generation.trust_percent:g} % of a clear sky every day, since nothing"
            " tells them of clouds. Add a forecast or a meter of the roofs, or lower trust_percent."
        )
    if not home.known_load:
        yield (
            "No known_load, and none learned yet: plans count on all that the roofs give, as if the"
            " home used nothing itself."
        )
    if generation.place is None:
        yield (
            "Without latitude and longitude a forecast with sun at night, such as one of another"
            " zone, is not noticed."
        )
    yield from _meter_reversed(house, now)


def _meter_reversed(house: House, now: datetime) -> Iterator[str]:
    """Say so if the meter at the grid falls as charging begins."""
    since, points = now - 2 * DAY, house.file.points_on_home_meter
    with suppress(LedgerError), stored_ledger(house.file.ledger.path) as ledger:
        if ledger is None:
            return
        meters = [read_meter(house, ledger, name, since, now) for name in points]
        wrong, seen = shows_wrong_way(
            ledger.grid_intervals(since, now), lambda at: sum(each.wh_until(at) for each in meters)
        )
        if wrong >= STEPS and 2 * wrong > seen:
            yield (
                f"The meter at the grid seems to be the wrong way round: in {wrong} of {seen} steps"
                " of the last two days what it shows fell as a vehicle drew more, or rose as it"
                " drew less. Import is positive; scale: -1 under grid_meter turns it."
            )


def _place(generation: Generation) -> str:
    if generation.place is None:
        return ""
    latitude, longitude = generation.place
    north, east = "N" if latitude >= 0 else "S", "E" if longitude >= 0 else "W"
    return f" at {abs(latitude):g} {north}, {abs(longitude):g} {east}"


def _roof(roof: Roof) -> str:
    towards = FACES[round(roof.azimuth_degrees / 45) % 8]
    how = "level" if not roof.tilt_degrees else f"tilted by {roof.tilt_degrees:g} degrees to the"
    facing = f" {towards} ({roof.azimuth_degrees:g} degrees)" if roof.tilt_degrees else ""
    return f"{roof.peak_kw:g} kW, {how}{facing}, {roof.losses_percent:g} % lost on the way."


def _forecast(file: HouseholdFile, sun: Outlook, now: datetime) -> Iterator[str]:
    generation = sun.generation
    if generation.forecast is not None:
        topic = Topics.of_file(file).forecast
        source = f"the file {generation.forecast.file} and " if generation.forecast.file else ""
        yield f"Forecasts come from {source}the topic {topic}."
        until = sun.known_until
        if until is None:
            yield "None is known."
        else:
            ends = local_time(until, file.zone, "%a %d %b %H:%M")
            made = max((each.issued for each in sun.points if each.issued), default=None)
            when = "" if made is None else local_time(made, file.zone, "%a %d %b %H:%M")
            newest = f"; the newest was made on {when}" if when else ""
            yield f"They reach until {ends}{newest}." if until > now else f"They ended on {ends}."
    if sun.shares:
        where = "Beyond the forecasts" if generation.forecast is not None else "For every hour"
        yield f"{where} a clear sky counts, lowered to what the roofs have given of late."
    elif generation.roofs and generation.forecast is None:
        yield "Nothing but a clear sky is known of the sun."


def _tomorrow(file: HouseholdFile, sun: Outlook, now: datetime) -> Iterator[str]:
    day = local_date(now, file.zone) + DAY
    first, last = (
        minute_of(instant_of_local(each, time(), file.zone)) for each in (day, day + DAY)
    )
    expected = sun.expected_kw(first, last)
    clear = clear_sky_kw(sun.generation, first, last)
    of_clear = f" (a clear sky: {clear.sum() / 60:.1f} kWh)" if clear.any() else ""
    left = surplus_kw(file, sun, first, last)
    yield (
        f"Tomorrow, {date_text(day)}, {expected.sum() / 60:.1f} kWh are expected{of_clear}. Plans"
        f" count on {sun.generation.trust_percent:g} % of that (trust_percent), and of this"
        f" {left.sum() / 60:.1f} kWh are left over for charging."
    )


def _grid_meter(file: HouseholdFile, generation: Generation) -> Iterator[str]:
    meter = file.household.grid_meter
    topics = [Topics.of_file(file).grid] if meter is None else list(grid_meter_topics(meter))
    at_point = file.home_meter_at if meter is None else None
    if at_point is not None:
        topics = [f"the meter of {at_point} (OCPP, location Inlet)", *topics]
    yield f"What flows between the home and the grid is read at {listed(topics)}."
    too_little = (
        "charging pauses where that is less than min_amps"
        if generation.when_too_little == "pause"
        else "where that is less than min_amps, the grid gives the rest (when_too_little)"
    )
    yield (
        "While it is read, a current that can be set follows what the roofs leave over in the hours"
        f" that a plan counts on them; {too_little}."
    )
    for name, point in file.charge_points.items():
        if point.phase_switching_seconds is not None:
            yield (
                f"{name} follows a small surplus on one phase: it is stopped for"
                f" {point.phase_switching_seconds} s to switch, at most four times an hour, once"
                " its meter shows that no power flows."
            )
    yield "The account of a night tells roof and grid apart by it; unread time counts as grid."


def _own_use(file: HouseholdFile) -> Iterator[str]:
    if not file.household.known_load:
        return
    what = "what the home was seen to draw" if is_learned(file) else "known_load"
    phases = len(file.household.phases)
    on = "one phase" if phases == 1 else f"each of {phases} phases"
    yield f"The home itself uses the sun first: {what}, on {on}."
