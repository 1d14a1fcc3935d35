"""Fill the tables of a month's page, and describe its pictures in words. Pure."""

from __future__ import annotations

from decimal import Decimal
from itertools import groupby
from typing import TYPE_CHECKING, NamedTuple

from config.fields.currencies import minor_units
from daemon.month.chart import RULE_WORDS, band_stacks, cost_lines, days_of, rule_cost
from daemon.month.page_wording import KWH_PLACES, known_costs, kwh, short_date
from daemon.night_log.month import RULES
from daemon.night_log.night_rows import average_rate
from daemon.night_log.notes import ESTIMATED_RATE, OUTSIDE, UNKNOWN
from daemon.presentation.figures import rate_text, rounded_parts
from planners.accounts.accounts import exact_kwh
from planners.accounts.money import round_money

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from daemon.month.page_wording import MonthWords
    from daemon.night_log.month import BandSum, EnergyFlow, Month, NightRow, StayRow

LEAST_WH = 50
"""Half-hours with less energy are not listed: the vehicle was only awake [Wh]."""
MOST_RATES = 8
"""A band with more rates than this, such as a price series, gets a single row."""


class BandCells(NamedTuple):
    """A row of the table of bands."""

    band: str
    rate: str
    energy: str
    share: str
    cost: str


class VehicleCells(NamedTuple):
    """A row of the table of vehicles."""

    vehicle: str
    nights: str
    short: str
    energy: str
    cost: str


class NightCells(NamedTuple):
    """A row of the table of nights."""

    date: str
    where: str
    hours: list[str]
    energy: str
    estimated: str
    rate: str
    cost: str
    soc: str
    departure: str
    rules: tuple[str, ...]
    short: bool


class MonthTables:
    """Writes the cells of one month's tables."""

    def __init__(self, month: Month, words: MonthWords) -> None:
        self.month = month
        self._words = words

    def bands(self) -> list[BandCells]:
        """Write energy and cost by band and rate; a band with many rates gets one row.

        Returns
        -------
        list of BandCells
            Energies and costs add up to those of the month, as shown.
        """
        order = [stack.band for stack in band_stacks(self.month)]
        lines = sorted(self.month.by_band, key=lambda line: (order.index(line.band), line.rate))
        groups: list[list[BandSum]] = []
        for _, group in groupby(lines, lambda line: line.band):
            of_band = list(group)
            groups += [of_band] if len(of_band) > MOST_RATES else [[line] for line in of_band]
        wh = [sum(line.wh for line in group) for group in groups]
        costs = [sum((line.cost for line in group), Decimal(0)) for group in groups]
        energies = rounded_parts([exact_kwh(each) for each in wh], KWH_PLACES)
        costs = rounded_parts(costs, minor_units(self.month.currency))
        return [self._band(groups[i], wh[i], energies[i], costs[i]) for i in range(len(groups))]

    def _band(self, lines: Sequence[BandSum], wh: int, kwh: Decimal, cost: Decimal) -> BandCells:
        lowest, highest = rate_text(lines[0].rate), rate_text(lines[-1].rate)
        return BandCells(
            lines[0].band,
            lowest if lowest == highest else f"{lowest} to {highest}",
            f"{kwh}",
            f"{100 * wh / self.month.energy_wh:.1f} %" if self.month.energy_wh else "",
            f"{cost}",
        )

    def vehicles(self) -> list[VehicleCells]:
        """Write the nights, energy and cost of each vehicle; empty if there is only one.

        Returns
        -------
        list of VehicleCells
            Each rounded by itself, as the vehicle's own nights are.
        """
        sums = self.month.by_vehicle
        if len(sums) <= 1:
            return []
        units = minor_units(self.month.currency)
        return [
            VehicleCells(
                each.vehicle,
                f"{each.nights}",
                f"{each.nights_short}",
                f"{exact_kwh(each.wh):.{KWH_PLACES}f}",
                f"{round_money(each.cost, units)}",
            )
            for each in sums
        ]

    def nights(self) -> list[NightCells]:
        """Write a row for each night."""
        return [self._night(row) for row in self.month.nights]

    def _night(self, row: NightRow) -> NightCells:
        return NightCells(
            date=short_date(row.night),
            where=self._words.where(row),
            hours=self._hours(row),
            energy=kwh(row.energy_wh) + (UNKNOWN if row.unknown_hours else ""),
            estimated=kwh(row.estimated_wh) if row.estimated_wh else "",
            rate=self._words.fine(average_rate(row)) if row.energy_wh else "",
            cost=self._words.amount(row.cost) + (ESTIMATED_RATE if row.estimated_rate_wh else ""),
            soc=_soc(row),
            departure=", ".join(map(_departure, row.departures)) or "none",
            rules=tuple(self._rule(row, rule) for rule in RULES),
            short=not row.need_met,
        )

    def _rule(self, row: NightRow, rule: str) -> str:
        mark = OUTSIDE if getattr(row, f"{rule}_outside_wh", 0) else ""
        return f"{self._words.amount(rule_cost(row, rule))}{mark}"

    def _hours(self, row: NightRow) -> list[str]:
        if not row.flows:
            return ["not known" if row.energy_wh else "none"]
        runs = runs_of([flow for flow in row.flows if flow.wh >= LEAST_WH])
        return [
            f"{self._words.clock(start)} to {self._words.clock(end)}" for start, end in runs
        ] or ["none"]

    def rule_sums(self) -> list[str]:
        """Write each rule's total, if its cost is known for every night."""
        return [
            self._words.amount(sum(costs, Decimal(0)))
            if len(costs) == len(self.month.nights)
            else ""
            for rule in RULES
            for costs in [known_costs(self.month, rule)]
        ]

    # --- the pictures in words --------------------------------------------------------------

    def describe_hours(self) -> str:
        """Describe the picture of hours."""
        parts = [f"{band.band} at {band.rate}: {band.energy} kWh" for band in self.bands()]
        nights = [f"{night.date} {', '.join(night.hours)}" for night in self.nights()]
        return f"By band: {'; '.join(parts)}. Hours in which energy flowed: {'; '.join(nights)}."

    def describe_energy(self) -> str:
        """Describe the picture of energy."""
        whole = [f"{stack.band} {sum(stack.kwh):.2f} kWh" for stack in band_stacks(self.month)]
        most = max(self.month.nights, key=lambda row: row.energy_wh)
        return (
            f"The month by band: {'; '.join(whole)}. Most in one night: {kwh(most.energy_wh)} kWh"
            f" on {short_date(most.night)}."
        )

    def describe_costs(self) -> str:
        """Describe the picture of costs."""
        ends = [
            f"{RULE_WORDS[line.rule]} {self._words.money(line.costs[-1])}"
            for line in cost_lines(self.month)
        ]
        return f"By the end of the month: {'; '.join(ends)}."

    # --- the numbers of the pictures --------------------------------------------------------

    def energy_of_days(self) -> list[tuple[str, tuple[str, ...]]]:
        """List the energy of each band on each day, as in the picture."""
        stacks = band_stacks(self.month)
        return [
            (short_date(day), tuple(f"{stack.kwh[place]:.2f}" for stack in stacks))
            for place, day in enumerate(days_of(self.month))
        ]

    def costs_of_days(self) -> list[tuple[str, tuple[str, ...]]]:
        """List the cost by each rule up to each day, as in the picture."""
        lines = cost_lines(self.month)
        return [
            (short_date(day), tuple(self._words.amount(line.costs[place]) for line in lines))
            for place, day in enumerate(days_of(self.month))
        ]


def runs_of(flows: Sequence[EnergyFlow]) -> list[tuple[datetime, datetime]]:
    """Join flows that follow each other without a gap.

    Parameters
    ----------
    flows : sequence of EnergyFlow
        In order of time.

    Returns
    -------
    list of (datetime, datetime)
        Start and end of each run.
    """
    runs: list[tuple[datetime, datetime]] = []
    for flow in flows:
        start = runs.pop()[0] if runs and runs[-1][1] == flow.start else flow.start
        runs.append((start, flow.end))
    return runs


def _soc(row: NightRow) -> str:
    return ", ".join(
        f"{_percent(stay.soc_before_percent)} to {_percent(stay.soc_after_percent)}"
        for stay in row.shown_stays
    )


def _percent(percent: float | None) -> str:
    return "?" if percent is None else f"{percent:.0f} %"


def _departure(stay: StayRow) -> str:
    return f"{stay.need_percent:.0f} %: {'enough' if stay.need_met else 'short'}"
