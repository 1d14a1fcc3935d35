"""Find the voltage that a vehicle really charged at, from what the meter showed of a night.

The declared voltage is nominal. A meter shows less or more, by a few percent.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from math import gcd
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from planners.accounts.register import RegisterReading
    from planners.accounts.same_energy import NightSlot
    from planners.power.charging import ChargeModel

SUPPLY_TOLERANCE = 0.1
"""A supply's voltage differs from the nominal one by this part at most (IEC 60038). Power that
differs by more has another reason, such as a lower current."""

LARGEST_STEP_WH = 100
"""No register counts in larger steps [Wh]."""


def step_of(readings: Sequence[RegisterReading]) -> int:
    """Return the last digit of a register, by what it showed [Wh]."""
    rises = (later.register_wh - earlier.register_wh for earlier, later in pairwise(readings))
    return gcd(LARGEST_STEP_WH, *rises)


def at_real_voltage(model: ChargeModel, slots: Sequence[NightSlot], step_wh: int) -> ChargeModel:
    """Take over the voltage of a vehicle from the time of a night with the highest mean power.

    Parameters
    ----------
    model : ChargeModel
        The vehicle at the nominal voltage.
    slots : sequence of NightSlot
        Its part of the night, in order of time.
    step_wh : int
        The register's last digit [Wh].

    Returns
    -------
    ChargeModel
        The same if the readings agree with the nominal voltage, if they differ from it by more
        than a supply does, and for a vehicle whose power tapers: its mean power says nothing.
    """
    wrong_wh = step_wh + 1  # both ends of a time are rounded to the last digit, and to 1 Wh
    found = None if model.taper else _strongest(slots, model.kw_per_amp, wrong_wh)
    if found is None:
        return model
    wh, nominal_wh = found
    is_nominal = abs(wh - nominal_wh) <= wrong_wh
    if is_nominal or abs(wh / nominal_wh - 1) > SUPPLY_TOLERANCE:
        return model
    return replace(model, volts=model.volts * wh / nominal_wh)


def _strongest(
    slots: Sequence[NightSlot], kw_per_amp: float, wrong_wh: int
) -> tuple[float, float] | None:
    """Return the energy of the strongest time, and what nominal power gives in it [Wh]."""
    # The share of nominal power that is certain in spite of rounding decides.
    wh = np.cumsum([0.0, *(slot.metered_wh for slot in slots)])
    nominal_wh = np.cumsum([0.0, *(1000 * slot.amps * kw_per_amp * slot.hours for slot in slots)])
    flowed, possible = np.subtract.outer(wh, wh), np.subtract.outer(nominal_wh, nominal_wh)
    certain = np.where(possible > 0, flowed - wrong_wh, 0.0) / np.where(possible > 0, possible, 1.0)
    best = np.unravel_index(int(certain.argmax()), certain.shape)
    if certain[best] <= 0:
        return None
    # Of all times the one whose rounding adds the most is found: half of that is taken off.
    return float(flowed[best]) - wrong_wh / 2, float(possible[best])
