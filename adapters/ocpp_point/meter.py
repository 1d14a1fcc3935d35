"""Turn the meter values of OCPP into readings and reports.

Opens no connection. Equipment differs in what it samples, so a value that can't be used is skipped,
and the register beside it is still read.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal, InvalidOperation
from typing import Any, Final

from pydantic import ValidationError

from adapters.clocks.instants import parse_instant
from adapters.contract.messages import (
    PHASES_OF_A_LOAD,
    GridPower,
    HomeLoad,
    Reading,
    VehicleReport,
)

REGISTER: Final = "Energy.Active.Import.Register"
POWER: Final = "Power.Active.Import"
CURRENT: Final = "Current.Import"
SOC: Final = "SoC"
EXPORT: Final = "Power.Active.Export"
MEASURANDS: Final = (REGISTER, POWER, CURRENT, SOC)
SAMPLES: Final = (*MEASURANDS, EXPORT)

_DEFAULT_UNITS: Final = {REGISTER: "Wh", POWER: "W", CURRENT: "A", SOC: "Percent", EXPORT: "W"}
_SCALES: Final[dict[tuple[str, str], Decimal]] = {
    (REGISTER, "Wh"): Decimal("0.001"),
    (REGISTER, "kWh"): Decimal(1),
    (POWER, "W"): Decimal(1),
    (POWER, "kW"): Decimal(1000),
    (EXPORT, "W"): Decimal(1),
    (EXPORT, "kW"): Decimal(1000),
    (CURRENT, "A"): Decimal(1),
    (SOC, "Percent"): Decimal(1),
}
"""To kWh, W, A and percent."""

_PHASES: Final = {"L1": "L1", "L2": "L2", "L3": "L3", "L1-N": "L1", "L2-N": "L2", "L3-N": "L3"}
SUPPLY: Final = ("L1", "L2", "L3")
_LOCATIONS: Final = ("Outlet", "Inlet", "EV", "Cable", "Body")
"""If a measurand is sampled at several places, the first of these counts. Outlet is the standard's
default."""

MOST_TIMES: Final = 4
"""A current or power beyond so many times the charge point's own is no measurement: its breaker
would have opened. Less may be equipment that does not obey, which must be noticed."""

_MOST_DIGITS: Final = 20
"""A number with more digits before or after the point is no measurement."""

MOST_AHEAD: Final = timedelta(minutes=10)
"""An instant further in the future comes from a wrong clock."""
MOST_AGO: Final = timedelta(days=30)
"""An instant further in the past comes from a clock that was never set: no connection is lost for
so long."""


def instant_of(text: object, now: datetime) -> datetime:
    """Return an instant that equipment reports, or `now` if its clock is wrong.

    Parameters
    ----------
    text
        RFC 3339; without an offset it counts as UTC, as the standard recommends.
    now
        The daemon's clock, in UTC.

    Returns
    -------
    datetime
        The instant in UTC; `now` if the text is no instant, or can't be right.
    """
    if not isinstance(text, str):
        return now
    for written in (text, f"{text}Z"):
        with suppress(ValueError):
            instant = parse_instant(written)
            return instant if now - MOST_AGO <= instant <= now + MOST_AHEAD else now
    return now


INLET: Final = "Inlet"
"""The location of a meter at the grid connection."""


@dataclass(frozen=True)
class _Sample:
    measurand: str
    location: str
    phase: str | None
    value: Decimal  # in kWh, W, A or percent


def meter_messages(
    meter_values: object,
    now: datetime,
    *,
    phases: int,
    volts: float,
    max_amps: float,
    inlet_is_home: bool = False,
) -> Iterator[Reading | VehicleReport]:
    """Yield the readings and reports in a MeterValues or StopTransaction message.

    Parameters
    ----------
    meter_values
        The list, its keys in snake case.
    now
        The daemon's clock, in UTC.
    phases
        Phases the charge point is connected to.
    volts
        Line to neutral [V]; turns a current into power if no power is given.
    max_amps
        The highest current that it may give [A per phase].
    inlet_is_home
        Whether samples of the location Inlet are those of the whole home; they are skipped then.

    Yields
    ------
    Reading or VehicleReport
        With the instants of the samples, oldest first.
    """
    for at, samples in _dated(meter_values, now):
        possible = [
            each
            for each in samples
            if _is_possible(each, phases, volts, max_amps)
            and not (inlet_is_home and each.location == INLET)
        ]
        yield from _messages(at, possible, phases=phases, volts=volts)


def home_loads(
    meter_values: object, now: datetime, *, phases: int, volts: float
) -> Iterator[HomeLoad]:
    """Yield what the home draws, by a meter at its grid connection (location Inlet).

    Parameters
    ----------
    meter_values
        The list of a MeterValues message, its keys in snake case.
    now
        The daemon's clock, in UTC.
    phases
        Phases of the home's supply.
    volts
        Line to neutral [V]; turns a power into a current if no current is given.

    Yields
    ------
    HomeLoad
        With the instants of the samples, oldest first. A power of all phases together says nothing
        about any of them, unless there is only one.
    """
    for at, samples in _dated(meter_values, now):
        inlet = [each for each in samples if each.location == INLET]
        amps = _by_phase(_parts(inlet, CURRENT), phases)
        if amps is None:
            watts = _parts(inlet, POWER)
            watts = {} if None in watts and phases > 1 else watts
            amps = _by_phase({name: each / Decimal(volts) for name, each in watts.items()}, phases)
        if amps is not None:
            with suppress(ValidationError):
                yield HomeLoad(at=at, amps=amps, includes_charge_points=True)


def grid_powers(meter_values: object, now: datetime, *, phases: int) -> Iterator[GridPower]:
    """Yield the power between the home and the grid, by a meter there (location Inlet).

    Parameters
    ----------
    meter_values
        The list of a MeterValues message, its keys in snake case.
    now
        The daemon's clock, in UTC.
    phases
        Phases of the home's supply.

    Yields
    ------
    GridPower
        With the instants of the samples, oldest first: Power.Active.Import less
        Power.Active.Export, of each phase if the meter tells them apart.
    """
    for at, samples in _dated(meter_values, now):
        inlet = [each for each in samples if each.location == INLET]
        taken, given = _parts(inlet, POWER), _parts(inlet, EXPORT)
        names = SUPPLY[:phases]
        if not taken:
            continue
        if len(names) in PHASES_OF_A_LOAD and all(name in taken for name in names):
            by_phase = given if None not in given else {}
            watts = [taken[name] - by_phase.get(name, Decimal(0)) for name in names]
            if by_phase is not given:
                watts = [sum(watts, Decimal(0)) - given[None]]
        else:
            watts = [_sum(taken) - _sum(given)]
        with suppress(ValidationError):
            yield GridPower(at=at, watts=tuple(map(float, watts)))


def _by_phase(parts: dict[str | None, Decimal], phases: int) -> tuple[float, ...] | None:
    """Return a current for each phase, or one for all; None if one is missing."""
    if None in parts:
        return (float(parts[None]),)
    wanted = SUPPLY[:phases]
    if not parts or any(name not in parts for name in wanted):
        return None
    found = tuple(float(parts[name]) for name in wanted)
    return found if len(found) in PHASES_OF_A_LOAD else (max(found),)


def _dated(meter_values: object, now: datetime) -> list[tuple[datetime, list[_Sample]]]:
    """Return the samples of each instant, oldest first."""
    if not isinstance(meter_values, list):
        return []
    dated = [
        (instant_of(each.get("timestamp"), now), list(_samples(each.get("sampled_value"))))
        for each in meter_values
        if isinstance(each, Mapping)
    ]
    return sorted(dated, key=lambda pair: pair[0])


def register_reading(at: datetime, watt_hours: float) -> Reading | None:
    """Return a reading of the register at the start or end of a transaction [Wh]."""
    fields = _fit({"register_kwh": watt_hours / 1000}, at)
    return Reading.model_validate({"at": at, **fields}) if fields else None


def _messages(
    at: datetime, samples: list[_Sample], *, phases: int, volts: float
) -> Iterator[Reading | VehicleReport]:
    found = {name: parts for name in MEASURANDS if (parts := _parts(samples, name))}
    fields: dict[str, float] = {}
    if REGISTER in found:
        fields["register_kwh"] = float(_sum(found[REGISTER]))
    if CURRENT in found:
        # A limit is per phase: compare it with the phase that carries most.
        fields["amps"] = float(_highest(found[CURRENT]))
        fields["watts"] = volts * float(_sum(found[CURRENT], phases))
    if POWER in found:
        fields["watts"] = float(_sum(found[POWER]))
    if fields := _fit(fields, at):
        yield Reading.model_validate({"at": at, **fields})
    if SOC in found:
        with suppress(ValidationError):
            yield VehicleReport(at=at, soc_percent=float(_highest(found[SOC])))


def _is_possible(sample: _Sample, phases: int, volts: float, max_amps: float) -> bool:
    """Whether so much current or power can have flowed."""
    most = {CURRENT: max_amps, POWER: max_amps * phases * volts}.get(sample.measurand)
    return most is None or sample.value <= MOST_TIMES * most


def _parts(samples: list[_Sample], measurand: str) -> dict[str | None, Decimal]:
    """Return a measurand by phase, at the place that counts; of two, the later one."""
    for location in _LOCATIONS:
        parts = {
            each.phase: each.value
            for each in samples
            if (each.measurand, each.location) == (measurand, location)
        }
        if parts:
            return parts
    return {}


def _sum(parts: dict[str | None, Decimal], phases: int = 1) -> Decimal:
    """Return the total: the sum of the phases, or `phases` times one value for each."""
    return phases * parts[None] if None in parts else sum(parts.values(), Decimal(0))


def _highest(parts: dict[str | None, Decimal]) -> Decimal:
    return parts[None] if None in parts else max(parts.values())


def _fit(fields: dict[str, float], at: datetime) -> dict[str, float]:
    """Keep the values that a reading allows: a register below 0, say, is an error."""
    fit = {}
    for key, value in fields.items():
        with suppress(ValidationError):
            Reading.model_validate({"at": at, key: value})
            fit[key] = value
    return fit


def _samples(sampled: object) -> Iterator[_Sample]:
    if isinstance(sampled, Iterable) and not isinstance(sampled, str | Mapping):
        for each in sampled:
            if isinstance(each, Mapping) and (sample := _sample(each)) is not None:
                yield sample


def _sample(given: Mapping[str, Any]) -> _Sample | None:
    measurand = given.get("measurand", REGISTER)
    if measurand not in SAMPLES or given.get("format", "Raw") != "Raw":
        return None
    scale, value, phase = _scale(given, measurand), _number(given.get("value")), given.get("phase")
    if scale is None or value is None or not (phase is None or str(phase) in _PHASES):
        return None
    location = given.get("location", "EV" if measurand == SOC else "Outlet")
    named = None if phase is None else _PHASES[str(phase)]
    return _Sample(measurand, str(location), named, value * scale)


def _scale(given: Mapping[str, Any], measurand: str) -> Decimal | None:
    """Return what a value is multiplied by; OCPP 2 has its unit apart, with a power of ten."""
    unit = given.get("unit_of_measure", given)
    if not isinstance(unit, Mapping):
        return None
    scale = _SCALES.get((measurand, str(unit.get("unit", _DEFAULT_UNITS[measurand]))))
    power = unit.get("multiplier", 0)
    if scale is None or type(power) is not int or abs(power) > _MOST_DIGITS:
        return None
    return scale.scaleb(power)


def _number(text: object) -> Decimal | None:
    """Read a value: the standard says text, some equipment sends numbers."""
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        return None
    try:
        # Python also reads the digits of other scripts, which no standard allows here.
        value = Decimal(str(text).encode("ascii").decode())
    except (InvalidOperation, ValueError):
        return None
    plausible = value.is_finite() and abs(value.adjusted()) <= _MOST_DIGITS
    return value if plausible else None
