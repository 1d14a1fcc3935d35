"""Read the metered energy of a household by the half-hours of the settlement grid.

It follows the rules of the accounts: between two readings energy flows as the commands show, else
evenly, and the half-hours add up exactly to the rise of the register.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
from typing import TYPE_CHECKING

from config.files.errors import TariffError
from config.home.generation import ROOF
from daemon.control.learning import CONNECTED
from daemon.nights.unknown_time import starts_in_force
from planners.accounts.accounts import energy_curve, energy_until
from planners.accounts.by_source import roof_share
from planners.accounts.placing import placed
from planners.accounts.register_leaps import without_leaps
from planners.local_time.departures import night_bounds
from planners.local_time.settlement import ONE_DAY, HalfHour, day_bounds, half_hours
from planners.rates.spans import RateSpan

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from datetime import date, datetime

    from adapters.ledger.reader import LedgerReader
    from adapters.ledger.rows import StoredReport
    from daemon.control.events import NightFacts
    from daemon.control.state import House
    from planners.accounts.by_source import RoofShare
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

    def wh_until(self, instant: datetime) -> int:
        """Return the energy from the first reading to an instant [Wh]."""
        return self.until(instant)[0]

    def covers(self, start: datetime, end: datetime) -> bool:
        """Whether the meter was read both before and after, so that all between is known."""
        return bool(self.readings) and self.readings[0].at <= start and end <= self.readings[-1].at


@dataclass(frozen=True, slots=True)
class NightMeters:
    """What the meters showed of a night at one charge point.

    Attributes
    ----------
    readings : sequence of RegisterReading
        The register, from the last reading before to the first after; from a day before, so that a
        register that was reset just before the night is noticed.
    charged : mapping of str to sequence of RegisterReading
        Every charge point's register since the count of usage began, if rates change with use.
    roof : RoofShare or None
        What came from the home's own generation; None if it has none.
    away : sequence of tuple of datetime
        From when until when the charge point reported that no vehicle was plugged in.
    """

    readings: Sequence[RegisterReading]
    charged: Mapping[str, Sequence[RegisterReading]] = field(default_factory=dict)
    roof: RoofShare | None = None
    away: Sequence[tuple[datetime, datetime]] = ()


def highest_kw(house: House, charge_point: str) -> float:
    """Return the highest power that can flow through a charge point's meter [kW]."""
    point = house.file.charge_points[charge_point]
    return point.max_amps * point.phases * house.file.household.nominal_volts / 1000


def roof_shares(
    house: House,
    ledger: LedgerReader,
    meters: Mapping[str, Callable[[datetime], int]],
    start: datetime,
    end: datetime,
) -> dict[str, RoofShare]:
    """Find what came from the home's own generation at each charge point.

    Parameters
    ----------
    house : House
        The household file and the rates.
    ledger : LedgerReader
        Its record.
    meters : mapping of str to callable
        For each charge point, from an instant to its energy by then [Wh].
    start, end : datetime
        UTC.

    Returns
    -------
    dict
        Empty if the home has no generation, or no grid meter was read; without charge points that
        have a meter of their own. If it is not known what export pays, it counts as 0, estimated.
    """
    export, file = house.prices.export, house.file
    if file.generation is None or export is None or start >= end:
        return {}
    grid = ledger.grid_intervals(start, end)
    if not grid:
        return {}
    try:
        spans = export.spans(start, end)
    except TariffError:
        spans = (RateSpan(start, end, Decimal(0), ROOF, "", estimated=True),)
    inside = {name: own for name, own in meters.items() if name in file.points_on_home_meter}
    others = {name: [each for n, each in inside.items() if n != name] for name in inside}
    return {name: roof_share(grid, spans, own, others[name]) for name, own in inside.items()}


def night_meters(
    house: House, ledger: LedgerReader, facts: NightFacts, since: datetime | None
) -> NightMeters:
    """Read from the ledger what the meters and the charge point showed of a night.

    Parameters
    ----------
    house : House
        The household.
    ledger : LedgerReader
        Its record.
    facts : NightFacts
        The night.
    since : datetime or None
        When the count of usage began, if rates change with use; UTC.

    Returns
    -------
    NightMeters
        Until the night was closed.
    """
    begins, ends = night_bounds(facts.night, house.file.days)
    upto = min(ends, facts.closed_at)
    bounds = begins, upto
    points = list(house.file.charge_points)
    readings = {facts.charge_point: _from_a_day_before(house, ledger, facts.charge_point, bounds)}
    if house.file.generation is not None:
        readings |= {each: _from_a_day_before(house, ledger, each, bounds) for each in points}
    untils = {
        each: energy_until(without_leaps(read, kw), kw)
        for each, read in readings.items()
        for kw in [highest_kw(house, each)]
    }
    charged = (
        {each: read_register(house, ledger, each, since, upto) for each in points} if since else {}
    )
    roof = roof_shares(house, ledger, untils, *bounds).get(facts.charge_point)
    away = tuple(_away(ledger.reports_between(facts.charge_point, *bounds), upto))
    return NightMeters(readings[facts.charge_point], charged, roof, away)


def _away(reports: Iterable[StoredReport], until: datetime) -> Iterator[tuple[datetime, datetime]]:
    """Find from when until when no vehicle was plugged in, by what the charge point reported."""
    since: datetime | None = None
    for report in reports:
        if report.pilot in CONNECTED and since is not None:
            yield since, report.at
            since = None
        elif report.pilot == "A" and since is None:
            since = report.at
    if since is not None:
        yield since, until


def _from_a_day_before(
    house: House, ledger: LedgerReader, point: str, bounds: tuple[datetime, datetime]
) -> tuple[RegisterReading, ...]:
    return read_register(house, ledger, point, bounds[0] - ONE_DAY, bounds[1])


def read_register(
    house: House, ledger: LedgerReader, charge_point: str, start: datetime, end: datetime
) -> tuple[RegisterReading, ...]:
    """Read a register, with what commands and powers show of the time between readings.

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
    if not readings:
        return ()
    if house.file.charge_points[charge_point].ocpp is not None:
        # Over OCPP it follows the plan also while no command comes: only its power shows more.
        return placed(readings, (), highest_kw(house, charge_point))
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
    house: House,
    ledger: LedgerReader,
    points: Sequence[str],
    first: date,
    last: date,
    *,
    from_grid: bool = False,
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
    from_grid : bool
        Whether to leave out what came from the home's own generation.

    Returns
    -------
    tuple of HalfHour
        48 a day; 46 or 50 when the clock changes.
    """
    start, end = day_bounds(first, last, house.file.zone)
    meters = {point: read_meter(house, ledger, point, start, end) for point in points}
    roofs: Mapping[str, RoofShare] = {}
    if from_grid:
        roofs = roof_shares(house, ledger, {n: m.wh_until for n, m in meters.items()}, start, end)
    grid = half_hours(first, last, house.file.zone)
    return tuple(_half_hour(meters, roofs, begins, ends) for begins, ends in grid)


def _half_hour(
    meters: Mapping[str, Meter], roofs: Mapping[str, RoofShare], start: datetime, end: datetime
) -> HalfHour:
    parts = [
        (meter.between(start, end), roofs[name].between(start, end) if name in roofs else 0)
        for name, meter in meters.items()
        if meter.covers(start, end)
    ]
    if not parts:
        return HalfHour(start, end, None, 0)
    wh = sum(wh - roof_wh for (wh, _), roof_wh in parts)
    return HalfHour(start, end, wh, min(wh, sum(part for (_, part), _ in parts)))
