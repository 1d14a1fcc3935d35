"""What a household file means, in plain words: the text of `lullwatt check`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from adapters.topics import Topics
from config.zones import zone_data_version
from daemon.show import local, money
from daemon.state import assumed_soc_percent
from planners.cautions import cautions
from planners.charging import ladder
from planners.departures import next_departure, night_bounds, night_of
from planners.electrics import charge_model

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from config import Departure, HouseholdFile
    from daemon.state import House

MINUTE_HOURS = 1 / 60
LONGEST_MINUTES = 7 * 24 * 60


def explain(house: House, now: datetime) -> Iterator[str]:
    """Explain a household, line by line.

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

    Raises
    ------
    TariffError
        If no rate is known for tonight.
    """  # noqa: DOC502 - raised by prices
    yield from _household(house.file)
    yield from _tariff(house, now)
    yield from _charge_points(house.file)
    yield from _vehicles(house.file)
    yield from _departures(house.file, now)
    yield from _bus(house.file)
    yield from _cautions(house.file)


def _household(file: HouseholdFile) -> Iterator[str]:
    home = file.household
    fuse = f", main fuse {home.main_fuse_amps:g} A" if home.main_fuse_amps else ""
    holidays = f", public holidays of {home.public_holidays}" if home.public_holidays else ""
    yield (
        f"{home.name}: {home.timezone} (time zone data {zone_data_version()}), {home.currency},"
        f" {home.nominal_volts:g} V{fuse}{holidays}."
    )


def _tariff(house: House, now: datetime) -> Iterator[str]:
    file = house.file
    zone, currency = file.zone, file.household.currency
    night = night_of(now, zone)
    start, end = night_bounds(night, zone)
    spans = house.prices.spans(start, end)
    yield ""
    yield f"Tonight, {local(start, zone, '%a %d %b')} noon to noon, tax included:"
    for span in spans:
        until = local(span.end, zone, "%H:%M")
        estimated = " (estimated: not published yet)" if span.estimated else ""
        yield (
            f"  {local(span.start, zone, '%H:%M')} to {until}  {span.band:<10}"
            f" {span.rate:.4f} {currency} per kWh  ({span.tariff}){estimated}"
        )
    standing = house.prices.standing_charge(night)
    yield f"  Standing charge: {money(float(standing), currency)} a day."
    for tariff in file.tariffs:
        if tariff.valid_from is not None and tariff.valid_from > now.astimezone(zone).date():
            yield f"  From {tariff.valid_from}: {tariff.name}."


def _charge_points(file: HouseholdFile) -> Iterator[str]:
    yield ""
    yield "Charge points:"
    for name, point in file.charge_points.items():
        kind = "fixed equipment" if point.charging_mode == 3 else "socket and in-cable box"  # noqa: PLR2004 - IEC 61851 mode 3
        how = "its current can be set" if point.switching == "current" else "switched on and off"
        kw = point.max_amps * point.phases * file.household.nominal_volts / 1000
        phases = "1 phase" if point.phases == 1 else f"{point.phases} phases"
        yield (
            f"  {name}: {kind} (mode {point.charging_mode}), up to {point.max_amps:g} A on"
            f" {phases}, {kw:.2f} kW; {how}."
        )


def _vehicles(file: HouseholdFile) -> Iterator[str]:
    yield ""
    yield "Vehicles:"
    for name, car in file.vehicles.items():
        model = charge_model(file, name)
        yield (
            f"  {name} at {car.charge_point}: {car.usable_kwh:g} kWh usable,"
            f" {car.limit_percent:g} % every day, charges at {model.amps:g} A and"
            f" {model.full_kw:.2f} kW."
        )
        yield f"    {_usual_night(file, name)}"


def _usual_night(file: HouseholdFile, name: str) -> str:
    model = charge_model(file, name)
    to_percent = file.vehicles[name].limit_percent
    from_percent = min(to_percent, assumed_soc_percent(file, name))
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


def _departures(file: HouseholdFile, now: datetime) -> Iterator[str]:
    yield ""
    yield "Departures:"
    for row in file.departures:
        yield f"  {row.vehicle}, {_when(row)}: {_what(file, row)}."
    for name in file.vehicles:
        following = next_departure(file, name, now)
        if following is None:
            yield f"  {name} has none within a year: nothing will be planned for it."
        else:
            leaves = local(following.instant, file.zone, "%a %d %b at %H:%M")
            ready = local(following.ready_by, file.zone, "%H:%M")
            yield f"  {name} leaves next on {leaves}; its charge is to be done by {ready}."


def _when(row: Departure) -> str:
    if row.date is not None:
        return f"on {row.date} at {row.at:%H:%M}"
    return f"{' '.join(row.days or ())} at {row.at:%H:%M}"


def _what(file: HouseholdFile, row: Departure) -> str:
    want = file.want_percent(row)
    if row.max_rate is None:
        return f"{max(want, row.need_percent):g} % at any price"
    return (
        f"{row.need_percent:g} % at any price, {want:g} % where a kWh costs"
        f" {row.max_rate} {file.household.currency} or less"
    )


def _bus(file: HouseholdFile) -> Iterator[str]:
    topics = Topics(file.bus.root, file.household.name)
    yield ""
    broker = "a broker inside the daemon" if file.bus.embedded else file.bus.broker
    yield f"On {broker}:"
    for name in file.charge_points:
        yield f"  {topics.command(name)} carries the commands, and"
        yield f"  {topics.reading(name)} and {topics.vehicle(name)} are listened to."
    yield f"The ledger is {file.ledger.path}."


def _cautions(file: HouseholdFile) -> Iterator[str]:
    yield ""
    yield "Cautions:"
    for name in file.charge_points:
        for caution in cautions(file, name):
            yield f"  - {name}: {caution}"
