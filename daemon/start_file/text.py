"""Write a household as commented YAML, in the order and words of the example."""

from __future__ import annotations

import json
import re
import textwrap
from decimal import Decimal
from typing import TYPE_CHECKING

from config.files.yaml_scalars import plain_value
from config.household.vehicle import CONSUMPTION_KEYS
from daemon.start_file.questions import FIXED_CAUTION, SOCKET_CAUTION, WIRING_CAUTION

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from config.household.household_file import (
        Band,
        Bus,
        ChargePoint,
        Household,
        HouseholdFile,
        PriceFile,
        Tariff,
        Vehicle,
    )

_PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9_/+-]*( [A-Za-z0-9_/+-]+)*", re.ASCII)
_COMMENT_COLUMN = 36
_WIDTH = 96
_MOST_DIGITS = 20
_MODE_2 = 2
_POWER_EXAMPLE = ("highest-hours.yaml", "a fee by steps for the highest power of a month")
_OWN_METER_EXAMPLE = ("controlled-circuit.yaml", "a meter and hours of the charge point's own")
_BAND_EXAMPLES = (
    ("two-rates.yaml", "cheap hours by a meter that ignores daylight saving"),
    ("seasons-and-weekends.yaml", "other hours by season, on weekends and on certain dates"),
    ("free-noon.yaml", "free hours by day"),
    ("announced-days.yaml", "days whose kind is announced, or hours that the supplier picks"),
    ("market-and-network.yaml", "a network fee, levies and taxes of their own"),
    _POWER_EXAMPLE,
    _OWN_METER_EXAMPLE,
)
"""What the tariffs of examples have beyond the answers, for a tariff of bands."""
_SERIES_EXAMPLES = (
    ("market-and-network.yaml", "a network fee by the clock, levies and taxes of their own"),
    ("fetched-day-ahead.yaml", "prices that are fetched each day"),
    _POWER_EXAMPLE,
)


def household_text(file: HouseholdFile) -> str:
    """Write a household that `start-file` made from answers.

    Parameters
    ----------
    file : HouseholdFile
        With one tariff, one charge point, one vehicle and one departure.

    Returns
    -------
    str
        YAML that reads back as the same household.
    """
    return "\n".join(_lines(file)) + "\n"


def text_scalar(text: str) -> str:
    """Write a text as YAML, in quotes if it could be read as something else."""
    if _PLAIN.fullmatch(text) and plain_value(text) == text:
        return text
    return json.dumps(text, ensure_ascii=False)


def number_scalar(number: Decimal | float) -> str:
    """Write a number as YAML that reads back as exactly the same number."""
    if isinstance(number, Decimal):
        text = f"{number:f}"
        return text if len(text) <= _MOST_DIGITS else str(number)
    return str(int(number)) if float(number).is_integer() else repr(number)


def _lines(file: HouseholdFile) -> Iterator[str]:
    yield from _comment(
        "Written by lullwatt start-file. Change it as you like: lullwatt check explains it and"
        " reports every fault with its line; lullwatt schema household lists all keys."
    )
    yield ""
    yield from _home_lines(file.household)
    yield from _tariff_lines(file.tariffs[0])
    for name, point in file.charge_points.items():
        yield from _point_lines(name, point)
    for name, vehicle in file.vehicles.items():
        yield from _vehicle_lines(name, vehicle)
    yield from _departure_lines(file)
    yield from _bus_lines(file.bus)
    yield f"ledger: {{path: {file.ledger.path}}}"


def _home_lines(home: Household) -> Iterator[str]:
    yield "household:"
    yield _line(f"  name: {text_scalar(home.name)}", "appears in reports")
    if home.topic is not None:
        yield _line(f"  topic: {text_scalar(home.topic)}", "the home's level in topics")
    yield _line(f"  timezone: {text_scalar(home.timezone)}", "IANA name")
    yield _line(f"  currency: {home.currency}", "ISO 4217")
    yield _line(f"  nominal_volts: {number_scalar(home.nominal_volts)}", "line to neutral")
    yield _line("  # main_fuse_amps: 63", "per phase; if given, it is never exceeded")
    yield _line("  # public_holidays: NZ", "ISO 3166-1 or 3166-2 code, if rates depend on them")
    yield ""


def _comment(text: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent="# ", subsequent_indent="# ")


def _line(text: str, comment: str) -> str:
    return f"{text:<{_COMMENT_COLUMN - 1}} # {comment}"


def _example_lines(tariff: Tariff) -> Iterator[str]:
    """Name the examples that have what no question asks for."""
    yield "# Does the bill have more? Take over what it has from one of these, in config/examples:"
    for name, has in _SERIES_EXAMPLES if tariff.prices is not None else _BAND_EXAMPLES:
        yield f"#   {name:<27}{has}"


def _tariff_lines(tariff: Tariff) -> Iterator[str]:
    yield from _example_lines(tariff)
    yield _line("tariffs:", "rates per kWh, as on the bill")
    yield f"  - name: {text_scalar(tariff.name)}"
    yield _line("    # valid_from: 2026-04-01", "a later tariff says from when it applies")
    yield _line(f"    standing_charge: {number_scalar(tariff.standing_charge)}", "per local day")
    tax = number_scalar(tariff.tax_percent)
    yield _line(f"    tax_percent: {tax}", "added to the rates; 0 if they include it")
    yield _line("    clock: wall", "standard: for meters that ignore daylight saving")
    if tariff.prices is not None:
        yield from _price_lines(tariff.prices)
    else:
        yield "    bands:"
        for band in tariff.bands or ():
            yield from _band_lines(band)
    yield ""


def _price_lines(prices: PriceFile) -> Iterator[str]:
    yield _line("    prices:", "config/examples/day-ahead.yaml shows another")
    if prices.file is None:
        yield _line("      # file: prices.csv", "without: the prices come over MQTT")
    else:
        yield _line(
            f"      file: {text_scalar(str(prices.file))}", "columns start and rate, such as"
        )
        yield _line("", "2026-09-30T00:00:00+13:00,0.0961")
    yield _line(f"      multiply: {number_scalar(prices.multiply)}", "0.001 for prices per MWh")
    yield _line(f"      add: {number_scalar(prices.add)}", "per kWh, before tax")


def _band_lines(band: Band) -> list[str]:
    parts = [f"name: {text_scalar(band.name)}", f"rate: {number_scalar(band.rate or Decimal(0))}"]
    if band.hours is None:
        line = f"      - {{{', '.join(parts)}}}"
        return [f"{line}  # no hours: every hour that no other band names"]
    parts.append(f"hours: [{_quoted(band.hours)}]")
    for key, items in (("days", band.days), ("months", band.months)):
        if items is not None:
            parts.append(f"{key}: [{', '.join(map(str, items))}]")
    line, *more = parts
    lines = [f"      - {{{line}"]
    for part in more:
        if len(f"{lines[-1]}, {part},") > _WIDTH:
            lines[-1] += ","
            lines.append(f"         {part}")
        else:
            lines[-1] += f", {part}"
    return [*lines[:-1], f"{lines[-1]}}}"]


def _quoted(items: Iterable[object]) -> str:
    return ", ".join(f'"{item}"' for item in items)


def _point_lines(name: str, point: ChargePoint) -> Iterator[str]:
    socket = point.charging_mode == _MODE_2
    yield from _comment(f"{SOCKET_CAUTION if socket else FIXED_CAUTION} {WIRING_CAUTION}")
    yield "charge_points:"
    yield f"  {name}:"
    mode = "a household socket and a box in the cable" if socket else "fixed equipment"
    yield _line(f"    charging_mode: {point.charging_mode}", mode)
    yield _line(f"    max_amps: {number_scalar(point.max_amps)}", "it never draws more")
    if point.switching == "current":
        yield _line(f"    min_amps: {number_scalar(point.min_amps)}", "its lowest current")
    yield _line(f"    phases: {point.phases}", "phases it is connected to")
    yield _line(
        f"    switching: {point.switching}", "on_off (a plug or relay) or current (it can be set)"
    )
    if point.switching == "on_off":
        run, rest = point.min_run_minutes, point.rest_minutes
        yield _line(f"    min_run_minutes: {run}", "at least so many minutes on before it stops")
        yield _line(
            f"    min_rest_minutes: {rest}",
            "at least so many minutes off before it starts",
        )
    if point.plugged_in is not None:
        comment = "when a vehicle is assumed to be there"
        yield _line(f'    plugged_in: "{point.plugged_in}"', comment)
    yield _line("    # wiring:", "if the hardware has its own topics and formats")
    yield ""


def _vehicle_lines(name: str, car: Vehicle) -> Iterator[str]:
    yield "vehicles:"
    yield f"  {name}:"
    yield f"    charge_point: {car.charge_point}"
    yield _line(f"    usable_kwh: {number_scalar(car.usable_kwh)}", "usable battery energy")
    yield _line(f"    chemistry: {car.chemistry}", "everyday limit: nmc 80 %, lfp 100 %")
    efficiency = number_scalar(car.charging_efficiency_percent)
    comment = "of the metered energy reaches the battery"
    yield _line(f"    charging_efficiency_percent: {efficiency}", comment)
    yield _line("    # max_amps: 16", "if the vehicle draws less than the outlet gives")
    yield _line(f"    phases: {car.phases}", "phases it charges on")
    for key in CONSUMPTION_KEYS:
        if (figure := getattr(car, key)) is not None:
            yield _line(f"    {key}: {number_scalar(figure)}", "from the battery")
    for key, comment in (
        ("daily_distance_km", "used if a departure says nothing else"),
        ("arrives_with_percent", "used if nothing better is known"),
    ):
        yield _line(f"    {key}: {number_scalar(getattr(car, key))}", comment)
    yield ""


def _departure_lines(file: HouseholdFile) -> Iterator[str]:
    yield _line("departures:", "need_percent is charged at any price; what is wanted")
    yield _line("", "beyond it, at max_rate or less, tax included")
    for it in file.departures:
        days = ", ".join(it.days or ())
        at = f'"{it.at:%H:%M}"'
        numbers = {
            "need_percent": it.need_percent,
            "want_percent": it.want_percent,
            "max_rate": it.max_rate,
        }
        target = ", ".join(
            f"{key}: {number_scalar(number)}"
            for key, number in numbers.items()
            if number is not None
        )
        yield f"  - {{vehicle: {it.vehicle}, days: [{days}], at: {at}, {target}}}"
    yield '  # - {vehicle: car, date: 2026-12-24, at: "05:30", need_percent: 100}  # a single trip'
    yield ""


def _bus_lines(bus: Bus) -> Iterator[str]:
    yield "bus:"
    yield _line(f"  broker: {text_scalar(bus.broker)}", "mqtt:// this machine, mqtts:// elsewhere")
    if bus.username is not None:
        yield f"  username: {text_scalar(bus.username)}"
    if bus.password_file is not None:
        path = text_scalar(str(bus.password_file))
        yield _line(f"  password_file: {path}", "one line, chmod 600")
    for key in ("in_the_clear", "anonymous"):
        if getattr(bus, key):
            yield f"  {key}: true"
    yield _line(f"  root: {text_scalar(bus.root)}", "the first level of every topic")
    yield ""
