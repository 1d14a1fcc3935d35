"""What the meters of a household showed, by the half-hours of the settlement grid.

Read from the ledger's register readings by the rules of the accounts: what lies between two
readings flowed evenly, and the half-hours add up to the rise of the register to the watt-hour.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.nights.account import highest_kw
from planners.accounts.accounts import energy_curve
from planners.accounts.leaps import without_leaps
from planners.local_time.settlement import ONE_DAY, HalfHour, day_bounds, half_hours

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date, datetime

    from adapters.ledger.reader import LedgerReader
    from daemon.control.state import House
    from planners.accounts.accounts import RegisterReading


@dataclass(frozen=True, slots=True)
class Meter:
    """One charge point's register through a span of time.

    Attributes
    ----------
    readings : tuple of RegisterReading
        In order, without those that no meter can have shown.
    until : callable
        From an instant to the energy since the first reading, and its estimated part [Wh].
    """

    readings: tuple[RegisterReading, ...]
    until: Callable[[datetime], tuple[int, int]]

    def between(self, start: datetime, end: datetime) -> tuple[int, int]:
        """Energy from one instant to another, and its estimated part [Wh]."""
        wh, estimated_wh = self.until(end)
        wh_before, estimated_before = self.until(start)
        return wh - wh_before, estimated_wh - estimated_before

    def covers(self, start: datetime, end: datetime) -> bool:
        """Whether it was read both before and after, so that all in between is known."""
        return bool(self.readings) and self.readings[0].at <= start and end <= self.readings[-1].at


def read_meter(
    house: House, ledger: LedgerReader, charge_point: str, start: datetime, end: datetime
) -> Meter:
    """Read one charge point's register.

    Parameters
    ----------
    house : House
        The household.
    ledger : LedgerReader
        Its record.
    charge_point : str
        Its name in the file.
    start, end : datetime
        UTC; it is read from a day before on, since a register that fell still counts from there.

    Returns
    -------
    Meter
        Its readings, and what flowed.
    """
    max_kw = highest_kw(house, charge_point)
    readings = ledger.register_readings(charge_point, start - ONE_DAY, end)
    kept = without_leaps(readings, max_kw)
    return Meter(kept, energy_curve(kept, max_kw))


def metered_half_hours(
    house: House, ledger: LedgerReader, points: Sequence[str], first: date, last: date
) -> tuple[HalfHour, ...]:
    """Give the half-hours of some local days, all named charge points together.

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
        46, 48 or 50 a day, as the clock has it.
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
