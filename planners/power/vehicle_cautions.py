"""Doubt implausible figures of a vehicle, probably in another unit; common practice, no source."""

from __future__ import annotations

from typing import TYPE_CHECKING

from config.household.vehicle import CONSUMPTION_KEYS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from config.household.vehicle import AnyVehicle

_PLAUSIBLE_USE = {
    "kwh_per_100km": (8, 60, "{:g} kWh per 100 km? Most cars take 12 to 30."),
    "km_per_kwh": (1.7, 12.5, "{:g} km per kWh? Most cars go 3 to 8."),
    "miles_per_kwh": (1.1, 7.8, "{:g} miles per kWh? Most cars go 2 to 5."),
}
_LEAST_KWH, _MOST_KWH = 3, 250


def doubt_about_use(figure: float, unit: str) -> str | None:
    """Doubt a consumption below 8 or above 60 kWh per 100 km, in one of `CONSUMPTION_KEYS`."""
    if unit not in _PLAUSIBLE_USE:
        return None
    least, most, sentence = _PLAUSIBLE_USE[unit]
    return None if least <= figure <= most else sentence.format(figure)


def doubt_about_battery(usable_kwh: float) -> str | None:
    """Doubt a battery that is much smaller or larger than those of cars."""
    if _LEAST_KWH <= usable_kwh <= _MOST_KWH:
        return None
    return f"{usable_kwh:g} kWh in the battery? Most cars hold 20 to 120."


def vehicle_cautions(vehicle: AnyVehicle) -> Iterator[str]:
    """List the implausible figures of a vehicle.

    Parameters
    ----------
    vehicle : AnyVehicle
        From the household file.

    Yields
    ------
    str
        Whole sentences.
    """
    figures = ((getattr(vehicle, unit), unit) for unit in CONSUMPTION_KEYS)
    doubts = [doubt_about_use(figure, unit) for figure, unit in figures if figure is not None]
    yield from filter(None, (doubt_about_battery(vehicle.usable_kwh), *doubts))
