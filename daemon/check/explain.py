"""Explain what a household file means: the command `lullwatt check`."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path
from textwrap import TextWrapper
from typing import TYPE_CHECKING

from adapters.bus.credentials import check_credentials
from adapters.clocks.clock import SystemClock
from config.calendar.words import listed
from config.fields.zones import zone_data_version
from daemon.calendar.explain import calendar_cautions, calendar_lines
from daemon.check.carbon import carbon_cautions, explain_carbon
from daemon.check.composition import explain_composition
from daemon.check.connections import connection_cautions, explain_connections
from daemon.check.dates import date_lines
from daemon.check.delays import delay_cautions
from daemon.check.fuse import explain_fuse, model_alone
from daemon.check.generation import explain_generation, generation_cautions
from daemon.check.tariff import explain_tariffs, explain_tonight
from daemon.control.state import assumed_soc_percent
from daemon.observers.metrics_output import check_metrics
from daemon.presentation.departures import buys_need_only, when_leaves
from daemon.presentation.figures import counted, local_time
from daemon.presentation.output import say
from daemon.service.house_loading import load_house
from planners.home.allotments import shares_by_plan
from planners.local_time.conversion import local_date
from planners.local_time.wished_departures import next_departure
from planners.power.cautions import cautions
from planners.power.charging import ladder
from planners.power.circuits import powered_in_words
from planners.power.vehicle_cautions import vehicle_cautions
from planners.rates.tariff_cautions import known_rates, tariff_cautions

if TYPE_CHECKING:
    from collections.abc import Iterator

    from config.doors.metrics import Metrics
    from config.household.departure import Departure
    from config.household.household_file import HouseholdFile
    from daemon.control.state import House
    from planners.local_time.departures import DepartureAt

COLUMNS = 80
_ANNOUNCED = {"page": "the page", "broker": "the broker", "ocpp": "the address for OCPP"}
MINUTE_HOURS = 1 / 60
LONGEST_MINUTES = 7 * 24 * 60


def explain(house: House, now: datetime) -> Iterator[str]:
    """Explain a household in lines of at most 80 columns.

    Parameters
    ----------
    house : House
        The household file and the rates.
    now : datetime
        UTC; decides which night is tonight.

    Yields
    ------
    str
        Lines of text.
    """
    for line in explain_unwrapped(house, now):
        yield from _wrapped(line)


def explain_unwrapped(house: House, now: datetime) -> Iterator[str]:
    """Explain a household, with one line for each fact, however long.

    Parameters
    ----------
    house : House
        The household file and the rates.
    now : datetime
        UTC; decides which night is tonight.

    Yields
    ------
    str
        Lines of text.
    """
    yield from _household(house.file)
    yield from date_lines(house.file.household, local_date(now, house.file.zone), "  ")
    yield from explain_tariffs(house, now)
    yield from explain_tonight(house, now)
    yield from explain_composition(house, now)
    yield from _charge_points(house.file)
    yield from _vehicles(house.file)
    yield from explain_fuse(house.file, now)
    yield from explain_generation(house, now)
    yield from explain_carbon(house, now)
    yield from _departures(house.file, now)
    yield from calendar_lines(house.file, now)
    yield from _bus(house.file)
    yield from _cautions(house, now)


def _wrapped(line: str) -> list[str]:
    wrapper = TextWrapper(COLUMNS, break_long_words=False, break_on_hyphens=False)
    wrapper.subsequent_indent = " " * (len(line) - len(line.lstrip()) + 2)
    return wrapper.wrap(line) or [""]


def _household(file: HouseholdFile) -> Iterator[str]:
    home = file.household
    fuse = f", main fuse {home.supply_text}" if home.main_fuse_amps else ""
    holidays = f", public holidays of {home.public_holidays}" if home.public_holidays else ""
    yield (
        f"{home.name}: {home.timezone} (time zone data {zone_data_version()}), {home.currency},"
        f" {home.nominal_volts:g} V{fuse}{holidays}."
    )
    if home.morning_line is not None and home.on_alert is not None:
        yield f"Each day at {home.morning_line:%H:%M} {home.on_alert[0]} gets a line on the night."


def _charge_points(file: HouseholdFile) -> Iterator[str]:
    yield ""
    yield "Charge points:"
    for name, point in file.charge_points.items():
        kind = "fixed equipment" if point.charging_mode == 3 else "socket and in-cable box"  # noqa: PLR2004 - IEC 61851 mode 3
        how = "its current can be set" if point.switching == "current" else "switched on and off"
        names = f" ({', '.join(point.connected_to)})" if point.connected_to else ""
        kw = point.max_amps * point.phases * file.household.nominal_volts / 1000
        yield (
            f"  {name}: {kind} (mode {point.charging_mode}), up to {point.max_amps:g} A on"
            f" {counted(point.phases, 'phase')}{names}, {kw:.2f} kW; {how}."
        )
        if point.phase_switching_seconds is not None and file.generation is None:
            yield (
                "    It always charges on all its phases: only a roof (generation) leaves a surplus"
                " that is too small for them."
            )
        if point.tariff is not None:
            yield f"    It has a meter of its own, at {listed(point.tariff)}."
        if point.powered is not None:
            yield f"    Its circuit has power only {powered_in_words(file, name)}."


def _vehicles(file: HouseholdFile) -> Iterator[str]:
    yield ""
    yield "Vehicles:"
    alone = " when it charges alone" if shares_by_plan(file) else ""
    for name, car in file.vehicles.items():
        model = model_alone(file, name)
        about = (
            f"  {name} at {car.charge_point}: {car.usable_kwh:g} kWh usable, everyday limit"
            f" {car.limit_percent:g} %,"
        )
        if not model.amps:
            yield f"{about} can't charge: the main fuse is too small for it beside the others."
            continue
        yield f"{about} charges at {model.amps:g} A and {model.full_kw:.2f} kW{alone}."
        yield f"    {_usual_night(file, name)}"


def _usual_night(file: HouseholdFile, name: str) -> str:
    model = model_alone(file, name)
    from_percent, to_percent = _usual_percents(file, name)
    if from_percent >= to_percent:
        return (
            f"A usual night buys nothing: it begins with {from_percent:.0f} %, and the usual"
            f" departure buys up to {to_percent:.0f} %."
        )
    steps = ladder(
        model,
        model.stored_kwh(from_percent),
        model.stored_kwh(to_percent),
        MINUTE_HOURS,
        LONGEST_MINUTES,
    )
    minutes = round(float(steps.share.sum()))
    if not steps.reaches_target:
        return f"From {from_percent:.0f} % it would not reach {to_percent:.0f} % in a week."
    return (
        f"A usual night, {from_percent:.0f} % to {to_percent:.0f} %, takes"
        f" {float(steps.metered_kwh.sum()):.1f} kWh at the meter and"
        f" {minutes // 60} h {minutes % 60:02d} min of charging."
    )


def _usual_percents(file: HouseholdFile, name: str) -> tuple[float, float]:
    """Return the charge on arrival, and what the departure on most days of the week buys."""
    car = file.vehicles[name]
    assumed = assumed_soc_percent(file, name)
    rows = [row for row in file.departures if row.vehicle == name and row.days]
    if not rows:
        return assumed, car.limit_percent
    row = max(rows, key=lambda each: len(each.days or ()))
    percent, used_kwh = max(row.need_percent, file.want_percent(row)), file.uses_kwh(row)
    if car.arrives_with_percent is not None or used_kwh is None:
        return assumed, percent
    return max(0.0, percent - 100 * used_kwh / car.usable_kwh), percent


def _departures(file: HouseholdFile, now: datetime) -> Iterator[str]:
    yield ""
    yield "Departures:"
    for row in file.departures:
        yield f"  {row.vehicle}, {when_leaves(row)}: {_what(file, row)}{_trip(file, row)}."
    for name in file.vehicles:
        following = next_departure(file, name, now)
        if following is None:
            yield f"  {name} has none within a year, so nothing will be planned for it."
        else:
            leaves = local_time(following.instant, file.zone, "%a %d %b at %H:%M")
            ready = local_time(following.ready_by, file.zone, "%H:%M")
            back = _back(following, file)
            yield f"  {name} next leaves on {leaves}; charging must finish by {ready}{back}."
    less = [sentence for row in file.departures if (sentence := buys_need_only(file, row))]
    if less:
        yield "Without want_percent and max_rate, a departure's need is all that is bought:"
        yield from (f"  {sentence}" for sentence in less)


def _what(file: HouseholdFile, row: Departure) -> str:
    want = file.want_percent(row)
    if row.max_rate is None:
        return f"{max(want, row.need_percent):g} % at any price"
    return (
        f"{row.need_percent:g} % at any price, {want:g} % where a kWh costs"
        f" {row.max_rate} {file.household.currency} or less"
    )


def _trip(file: HouseholdFile, row: Departure) -> str:
    """Say when it comes back and what the trip uses, as far as the file says."""
    text = ""
    if row.returns is not None:
        next_day = "" if row.returns > row.at else " the next day"
        text += f"; back at {row.returns:%H:%M}{next_day}"
    used = file.uses_kwh(row)
    if used is not None:
        percent = 100 * used / file.vehicles[row.vehicle].usable_kwh
        text += f"; the trip uses {used:.1f} kWh ({percent:.0f} %) of the battery"
    return text


def _back(departure: DepartureAt, file: HouseholdFile) -> str:
    if departure.returns is None:
        return ""
    returns = local_time(departure.returns, file.zone, "%a %d %b at %H:%M")
    return f"; it is expected back on {returns}"


def _bus(file: HouseholdFile) -> Iterator[str]:
    yield ""
    yield from explain_connections(file)
    yield f"The ledger is the file {file.ledger.path}."
    if file.metrics is not None:
        yield f"Figures for graphs {_where(file.metrics)}."
    if file.page is not None:
        yield f"`lullwatt page` serves the page for phones at {file.page.url}."
    if file.announce is not None:
        what = listed([_ANNOUNCED[each] for each in file.announce.services])
        yield f"`lullwatt announce` tells the network of {what}, at {file.announce.host}."


def _where(metrics: Metrics) -> str:
    if metrics.file is not None:
        return f"are written to {metrics.file}"
    return f"are served at http://{metrics.listen}/metrics"


def _risks_accepted(file: HouseholdFile) -> Iterator[str]:
    """Repeat what the file knowingly lets strangers do."""
    bus, metrics = file.bus, file.metrics
    if metrics is not None and metrics.in_the_clear:
        yield (
            f"Whoever reaches {metrics.listen} can read when this home charges, and so when the"
            " car is away."
        )
    if file.page is not None and file.page.in_the_clear:
        yield (
            "Whoever can read along in the network can look at the page for phones, and ask for"
            " something there as a paired phone does."
        )
    if bus.in_the_clear:
        yield "Messages to and from the broker can be read and changed on the way."
    if bus.anonymous:
        yield "Whoever reaches the broker can switch the charging."


def _program_missing(file: HouseholdFile) -> Iterator[str]:
    """Say that the program for alerts is not there, or can't be run by whoever checks."""
    if file.household.on_alert is None:
        return
    program = Path(file.household.on_alert[0])
    if not program.is_file():
        yield f"on_alert: there is no program {program}, so no alert would reach you."
    elif not os.access(program, os.X_OK):
        yield f"on_alert: {program} can't be run by this user; its file may need chmod +x."


def _long_trips(file: HouseholdFile) -> Iterator[str]:
    for row in file.departures:
        used, battery = file.uses_kwh(row), file.vehicles[row.vehicle].usable_kwh
        if used is not None and used > battery:
            yield (
                f"{row.vehicle}, {when_leaves(row)}: the trip uses {used:.1f} kWh, more than the"
                f" battery's {battery:g} kWh: it must charge on the way."
            )


def _cautions(house: House, now: datetime) -> Iterator[str]:
    file, prices = house.file, house.prices
    yield ""
    yield "Cautions:"
    yield from (f"  - {caution}" for caution in _risks_accepted(file))
    yield from (f"  - {caution}" for caution in _program_missing(file))
    for caution in tariff_cautions(file, known_rates(prices)):
        yield f"  - {caution}"
    yield from (f"  - {caution}" for caution in connection_cautions(file))
    yield from (f"  - {caution}" for caution in generation_cautions(house, now))
    yield from (f"  - {caution}" for caution in carbon_cautions(house))
    yield from (f"  - {caution}" for caution in delay_cautions(file))
    yield from (f"  - {caution}" for caution in calendar_cautions(file, now))
    for name, car in file.vehicles.items():
        yield from (f"  - {name}: {caution}" for caution in vehicle_cautions(car))
    yield from (f"  - {caution}" for caution in _long_trips(file))
    for name in file.charge_points:
        for caution in cautions(file, name):
            yield f"  - {name}: {caution}"


def check(file: Path, at: datetime | None) -> None:
    """Validate a household file, and print what it means."""
    now = at or SystemClock().now()
    house = load_house(file, now)
    check_credentials(house.file.bus)
    check_metrics(house.file.metrics)
    for line in explain(house, now):
        say(line)
