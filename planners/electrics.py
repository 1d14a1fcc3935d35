"""The currents a household file allows, and the charge model they make."""

from __future__ import annotations

from math import floor
from typing import TYPE_CHECKING

from config.consistency import lowest_amps
from planners.charging import ChargeModel

if TYPE_CHECKING:
    from config import HouseholdFile


def highest_amps(file: HouseholdFile, charge_point: str, vehicle: str) -> float:
    """Return the lowest of what the charge point, the vehicle and the main fuse allow [A].

    Parameters
    ----------
    file : HouseholdFile
        The household.
    charge_point, vehicle : str
        Their names in the file.

    Returns
    -------
    float
        Current per phase. Charge points that together could draw more than the main fuse share
        it, so that no two of them ever exceed it, whatever each of them does.
    """
    limits = [_share_of_fuse(file, charge_point), file.vehicles[vehicle].max_amps]
    return float(min(limit for limit in limits if limit is not None))


def _share_of_fuse(file: HouseholdFile, charge_point: str) -> float:
    points = file.charge_points
    own, fuse = points[charge_point], file.household.main_fuse_amps
    if fuse is None or sum(point.max_amps for point in points.values()) <= fuse:
        return own.max_amps
    if own.switching == "on_off":
        return own.max_amps
    # Relays draw what they draw; the others get their lowest current each, and equal parts of
    # the way from there to their highest.
    lowest = {name: lowest_amps(point) for name, point in points.items()}
    wished = sum(point.max_amps - lowest[name] for name, point in points.items())
    part = (fuse - sum(lowest.values())) / wished
    return max(own.min_amps, floor(lowest[charge_point] + part * (own.max_amps - own.min_amps)))


def charge_model(file: HouseholdFile, vehicle: str, *, amps: float | None = None) -> ChargeModel:
    """Return the charge model of a vehicle at its own charge point.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    vehicle : str
        Its name in the file.
    amps : float, optional
        A current [A] in place of the highest allowed one, to ask what it would change.

    Returns
    -------
    ChargeModel
        With the phases that both the charge point and the vehicle have.
    """
    car = file.vehicles[vehicle]
    point = file.charge_points[car.charge_point]
    return ChargeModel(
        amps=highest_amps(file, car.charge_point, vehicle) if amps is None else amps,
        phases=min(point.phases, car.phases),
        volts=file.household.nominal_volts,
        usable_kwh=car.usable_kwh,
        efficiency=car.charging_efficiency_percent / 100,
        standby_kw=car.standby_watts / 1000,
        taper=tuple((soc, share) for soc, share in car.taper or ()),
    )
