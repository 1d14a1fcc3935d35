"""Read the metered energy of a household by the half-hours of the settlement grid.

It follows the rules of the accounts: between two readings energy flows as the commands show, else
evenly, and the half-hours add up exactly to the rise of the register.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.nights.rules import highest_kw
from daemon.nights.unknown_time import starts_in_force
from planners.accounts.accounts import energy_curve
from planners.accounts.placing import placed
from planners.accounts.register_leaps import without_leaps
from planners.local_time.settlement import ONE_DAY, HalfHour, day_bounds, half_hours

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date, datetime

    from adapters.ledger.reader import LedgerReader
    from daemon.control.state import House
    from planners.accounts.register import RegisterReading


@dataclass(frozen=True, slots=True)
class Meter:
    """One charge point's register through a span of time.

    Attributes
    ----------
    readings : tuple of RegisterReading
        In order, without impossible ones.
    until : callable
        Gives the energy from the first reading to an instant, and its estimated part [Wh].
    """

    readings: tuple[RegisterReading, ...]
    until: Callable[[datetime], tuple[int, int]]

    def between(self, start: datetime, end: datetime) -> tuple[int, int]:
        """Return the energy from one instant to another, and its estimated part [Wh]."""
        wh, estimated_wh = self.until(end)
        wh_before, estimated_before = self.until(start)
        return wh - wh_before, estimated_wh - estimated_before

    def covers(self, start: datetime, end: datetime) -> bool:
        """Whether the meter was read both before and after, so that all between is known."""
        return bool(self.readings) and self.readings[0].at <= start and end <= self.readings[-1].at


def read_register(
    house: House, ledger: LedgerReader, charge_point: str, start: datetime, end: datetime
) -> tuple[RegisterReading, ...]:
    """Read a register from the ledger, with what the commands show of the time between readings.

    Parameters
    ----------
    house : House
        The household.
    ledger : LedgerReader
        Its record.
    charge_point : str
        Its name in the file.
    start, end : datetime
        UTC.

    Returns
    -------
    tuple of RegisterReading
        From the last reading before the span to the first one after it.
    """
    readings = ledger.register_readings(charge_point, start, end)
    if not readings or house.file.charge_points[charge_point].ocpp is not None:
        return tuple(readings)  # over OCPP it follows the plan also while no command comes
    first, last = readings[0].at, readings[-1].at
    before = ledger.command_before(charge_point, first)
    during = ledger.commands_between(charge_point, first, last)
    starts = starts_in_force(during if before is None else (before, *during))
    return placed(readings, tuple(starts), highest_kw(house, charge_point))


def read_meter(
    house: House, ledger: LedgerReader, charge_point: str, start: datetime, end: datetime
) -> Meter:
    """Read one charge point's register from the ledger.

    Parameters
    ----------
    house : House
        The household.
    ledger : LedgerReader
        Its record.
    charge_point : str
        Its name in the file.
    start, end : datetime
        UTC; reading starts a day earlier, in case the register fell just before.

    Returns
    -------
    Meter
        Its readings and the energy that flowed.
    """
    max_kw = highest_kw(house, charge_point)
    readings = read_register(house, ledger, charge_point, start - ONE_DAY, end)
    kept = without_leaps(readings, max_kw)
    return Meter(kept, energy_curve(kept, max_kw))


def metered_half_hours(
    house: House, ledger: LedgerReader, points: Sequence[str], first: date, last: date
) -> tuple[HalfHour, ...]:
    """Return the half-hours of some local days, the sum over the charge points.

    Parameters
    ----------
    house : House
        The household.
    ledger : LedgerReader
        Its record.
    points : sequence of str
        Names of charge points in the file.
    first, last : date
        The first and the last local date.

    Returns
    -------
    tuple of HalfHour
        48 a day; 46 or 50 when the clock changes.
    """
    start, end = day_bounds(first, last, house.file.zone)
    meters = [read_meter(house, ledger, point, start, end) for point in points]
    grid = half_hours(first, last, house.file.zone)
    return tuple(_half_hour(meters, begins, ends) for begins, ends in grid)


def _half_hour(meters: Sequence[Meter], start: datetime, end: datetime) -> HalfHour:
    parts = [meter.between(start, end) for meter in meters if meter.covers(start, end)]
    if not parts:
        return HalfHour(start, end, None, 0)
    return HalfHour(start, end, sum(wh for wh, _ in parts), sum(part for _, part in parts))
