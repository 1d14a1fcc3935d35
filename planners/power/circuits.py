"""Find when the circuit of a charge point has power, if the supplier or a timer switches it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from config.calendar.tables import Calendar, calendar_mask, calendar_of
from config.calendar.words import parts_in_words
from planners.local_time.conversion import DAY_MINUTES, minute_of
from planners.local_time.day_kinds import minutes_of_days
from planners.local_time.remembering import remembered
from planners.local_time.standard_time import standard_offsets_between
from planners.local_time.zone_offsets import offsets_between
from planners.rates.in_force import TariffsInForce

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from numpy.typing import NDArray

    from config.household.household_file import HouseholdFile
    from config.tariffs.tariff import Tariff


def powered_minutes(
    file: HouseholdFile, charge_point: str, first: int, last: int
) -> NDArray[np.bool_] | None:
    """Tell in which minutes the circuit of a charge point has power.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    charge_point : str
        Its name in the file.
    first, last : int
        UTC minutes; `last` is the first one outside.

    Returns
    -------
    ndarray of bool, shape (last - first,), or None
        None if the file does not say: it always has power.
    """
    if file.charge_points[charge_point].powered is None:
        return None
    calendar, mask = _powered(file, charge_point)
    holidays = file.household.public_holidays if calendar.holidays else None
    found = np.zeros(max(0, last - first), np.bool_)
    for start, end, standard in _clocks(file, charge_point, first, last):
        offsets = (standard_offsets_between if standard else offsets_between)(file.zone, start, end)
        local = offsets.to_local(np.arange(start, end))
        days = int(local.min()) // DAY_MINUTES, int(local.max()) // DAY_MINUTES
        table = minutes_of_days(mask, *days, holidays, calendar)
        found[start - first : end - first] = table[local - days[0] * DAY_MINUTES]
    return found


def has_power(file: HouseholdFile, charge_point: str, instant: datetime) -> bool:
    """Whether the circuit of a charge point has power at an instant, as far as the file says."""
    minute = minute_of(instant)
    powered = powered_minutes(file, charge_point, minute, minute + 1)
    return powered is None or bool(powered[0])


def powered_in_words(file: HouseholdFile, charge_point: str) -> str:
    """Say when the circuit of a charge point has power; empty if the file does not say."""
    if file.charge_points[charge_point].powered is None:
        return ""
    calendar, mask = _powered(file, charge_point)
    is_standard = any(each.clock == "standard" for each in _own_tariffs(file, charge_point))
    return "; ".join(parts_in_words(mask, calendar)) + " by standard time" * is_standard


@remembered
def _powered(file: HouseholdFile, charge_point: str) -> tuple[Calendar, NDArray[np.bool_]]:
    parts = file.charge_points[charge_point].powered or ()
    home = file.household
    calendar = calendar_of(parts, home.seasons or (), home.special_days or ())
    mask = np.zeros(calendar.shape, np.bool_)
    for each in parts:
        mask |= calendar_mask(each, calendar)
    return calendar, mask


def _own_tariffs(file: HouseholdFile, charge_point: str) -> tuple[Tariff, ...]:
    return file.tariffs_at(charge_point) if file.charge_points[charge_point].tariff else ()


def _clocks(
    file: HouseholdFile, charge_point: str, first: int, last: int
) -> Iterator[tuple[int, int, bool]]:
    """List the times in which the circuit's clock ignores daylight saving, or does not."""
    if last <= first:
        return
    tariffs = _own_tariffs(file, charge_point)
    standard = [each.clock == "standard" for each in tariffs]
    if len(set(standard)) <= 1:
        yield first, last, any(standard)
        return
    # Before its first tariff a meter is taken to follow the clock of that one.
    chain = TariffsInForce.of(file.zone, [None, *(each.valid_from for each in tariffs[1:])])
    for place, start, end in chain.periods(first, last):
        yield start, end, standard[place]
