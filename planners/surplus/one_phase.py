"""Tell where a vehicle may charge on one of its phases, so that a small surplus is enough. Pure.

A charge point that switches phases offers two ranges of power: with 6 to 16 A at 230 V, 1.38 to
3.68 kW on one phase and 4.14 to 11.04 kW on three. Plans count a current on one phase as a part of
it on each: 12 A on one of three phases as 4 A. So one number still gives the power.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from planners.power.allowed_currents import charge_model, own_amps
from planners.power.rest import SWITCHES_APART

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import datetime

    from numpy.typing import NDArray

    from config.household.equipment import ChargePoint
    from config.household.household_file import HouseholdFile
    from planners.power.allowed_currents import AmpsSpan

PhasesPlanned = Literal["all", "one", "either"]
"""On which phases a plan charges: all that the vehicle has, one, or whichever suits a tick."""

ROUNDING_AMPS: Final = 1e-6
"""Currents that differ by less are the same [A]."""


def most_amps_on_one(file: HouseholdFile, vehicle: str) -> float | None:
    """Return the highest current on one phase.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    vehicle : str
        Its name in the file.

    Returns
    -------
    float or None
        At most what the file allows one phase to carry more than another [A]. None if its charge
        point does not switch phases, or if it has one phase only.
    """
    name = file.vehicles[vehicle].charge_point
    switches = file.charge_points[name].phase_switching_seconds is not None
    if not switches or charge_model(file, vehicle).phases == 1:
        return None
    own, most = own_amps(file, name, vehicle), file.household.max_unbalance_amps
    return own if most is None else min(own, most)


def on_one_phase(spans: Iterable[AmpsSpan], most_amps: float, phases: int) -> tuple[AmpsSpan, ...]:
    """Return allowed currents as one phase may carry them.

    Parameters
    ----------
    spans : iterable of AmpsSpan
        What is allowed on each phase.
    most_amps : float
        The highest current on one phase [A].
    phases : int
        How many the vehicle has.

    Returns
    -------
    tuple of AmpsSpan
        Each current as a part of it on each phase.
    """
    return tuple(replace(span, amps=min(span.amps, most_amps) / phases) for span in spans)


def between_the_ranges(
    amps: NDArray[np.float64],
    highest_amps: NDArray[np.float64],
    most_amps: float,
    phases: int,
    least_amps: float,
) -> NDArray[np.bool_]:
    """Tell which ticks charge with a power that is too much for one phase and too little for all.

    Parameters
    ----------
    amps, highest_amps : ndarray of float, shape (ticks,)
        The current of each tick, and the highest that is allowed [A per phase].
    most_amps : float
        The highest current on one phase [A].
    phases : int
        How many the vehicle has.
    least_amps : float
        The least current on each of them [A].

    Returns
    -------
    ndarray of bool, shape (ticks,)
        False where a tick does not charge.
    """
    on_one = np.minimum(highest_amps, most_amps) / phases
    return (amps > on_one + ROUNDING_AMPS) & (amps < least_amps - ROUNDING_AMPS)


def switches_well(runs: Sequence[tuple[datetime, datetime, bool]], point: ChargePoint) -> bool:
    """Tell whether charging on one phase and on all by turns spares the contactors.

    Parameters
    ----------
    runs : sequence of (datetime, datetime, bool)
        When each stretch begins and ends, in order of time, and whether one phase carries it.
        Neighbours differ in their phases, or there is a pause between them.
    point : ChargePoint
        The charge point.

    Returns
    -------
    bool
        Whether `SWITCHES_APART` passes between switches, and each stretch before or after one
        lasts as long as a run must; where a pause must last as well, there is one.
    """
    shortest = timedelta(minutes=point.min_run_minutes)
    rest, last = timedelta(minutes=point.rest_minutes), None
    for (start, end, one), (next_start, next_end, next_one) in pairwise(runs):
        if one == next_one:
            continue
        if last is not None and next_start - last < SWITCHES_APART:
            return False
        if min(end - start, next_end - next_start) < shortest or next_start - end < rest:
            return False
        last = next_start
    return True
