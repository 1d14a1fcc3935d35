"""Find the rates of a tariff whose rate is the sum of components, with percentages on them.

Each component is priced as a tariff of its own, without tax, as other bands and series are. Here
they are added up where they hold together: between two edges nothing changes.
"""

from __future__ import annotations

from bisect import bisect_right
from calendar import isleap, monthrange
from dataclasses import dataclass
from datetime import time, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from typing_extensions import override

from config.files.announcements import announcements_in, prices_in
from config.files.errors import TariffError
from config.tariffs.components import ENERGY, STANDING_CHARGE, TAX, Percentage
from planners.local_time.conversion import (
    DAY_MINUTES,
    date_of,
    day_number,
    instant_of,
    instant_of_local,
    local_date,
    minute_of,
)
from planners.local_time.zone_offsets import offsets_between
from planners.rates.announced_rates import AnnouncedRates, announced_rates_of
from planners.rates.band_rates import band_rates_of
from planners.rates.runs import RateRun, Rates, run_starts
from planners.rates.series_rates import BAND, SeriesRates, series_rates_of
from planners.rates.usage_tiers import UsageTiers, watt_hours

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from datetime import date
    from zoneinfo import ZoneInfo

    from config.files.announcements import RateNews
    from config.tariffs.components import Fee
    from config.tariffs.tariff import PlainComponent, Tariff

_NEVER = np.iinfo(np.int64).max


class RateLine(NamedTuple):
    """One line of a kWh's bill.

    Attributes
    ----------
    name : str
        Name of the component or of the percentage.
    amount : Decimal
        What it adds [currency per kWh].
    percent : Decimal or None
        For a percentage, how many [percent].
    band : str
        For a component of several bands, the band that holds; otherwise empty.
    estimated : bool
        Whether it is a guess from earlier days.
    """

    name: str
    amount: Decimal
    percent: Decimal | None = None
    band: str = ""
    estimated: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class ComponentRates:
    """The rates of one component, before percentages, and when it holds.

    Attributes
    ----------
    name : str
        Name of the component.
    rates : Rates
        Its rates.
    first, last : int
        UTC minutes from which and before which it holds.
    """

    name: str
    rates: Rates
    first: int
    last: int


class _Holding(NamedTuple):
    """A percentage that holds, with its tiers by the home's use if it has any."""

    name: str
    on: tuple[str, ...] | None
    percents: tuple[Decimal, ...]
    ends_wh: tuple[int, ...]

    def percent_after(self, used_wh: int) -> Decimal:
        return self.percents[bisect_right(self.ends_wh, used_wh)]


@dataclass(frozen=True, slots=True, eq=False)
class ComposedRates(Rates):
    """The rates of a tariff of components. Made by `rates_of`.

    Attributes
    ----------
    tariff : Tariff
        The tariff, with its percentages.
    zone : ZoneInfo
        The household's zone; components and percentages begin and end at local midnight.
    components : tuple of ComponentRates
        Its components.
    """

    tariff: Tariff
    zone: ZoneInfo
    components: tuple[ComponentRates, ...]

    @override
    def runs(self, first: int, last: int) -> list[RateRun]:
        lists = [_runs_of(component, first, last) for component in self.components]
        holding = self._holding(first, last)
        edges = {first} | {run.first for runs in lists for run in runs}
        edges |= {component.last for component in self.components if first < component.last < last}
        edges |= set(holding)
        composed: dict[object, RateRun] = {}
        found: list[RateRun] = []
        percentages: tuple[_Holding, ...] = ()
        places = [-1] * len(lists)
        for edge in sorted(edges):
            percentages = holding.get(edge, percentages)
            now: list[tuple[str, RateRun]] = []
            for number, (component, runs) in enumerate(zip(self.components, lists, strict=True)):
                while places[number] + 1 < len(runs) and runs[places[number] + 1].first <= edge:
                    places[number] += 1
                if component.first <= edge < component.last:
                    now.append((component.name, runs[places[number]]))
            key = (percentages, *((name, *run[1:]) for name, run in now))
            if key not in composed:
                composed[key] = self._composed(edge, now, percentages)
            found.append(composed[key]._replace(first=edge))
        return found

    @override
    def known_until(self, minute: int) -> int | None:
        for component in self.components:
            if minute < component.last:
                unknown = component.rates.known_until(max(minute, component.first))
                if unknown is not None and unknown < component.last:
                    return unknown
        return None

    def lines_at(self, minute: int, charged_wh: int = 0) -> tuple[RateLine, ...]:
        """List what a kWh is composed of, as a bill does.

        Parameters
        ----------
        minute : int
            UTC minute.
        charged_wh : int
            What was charged before it in its day or month, for tiers [Wh].

        Returns
        -------
        tuple of RateLine
            The components that hold, then the percentages; their sum is the rate.
        """
        runs = {
            component.name: component.rates.runs(minute, minute + 1)[0]
            for component in self.components
            if component.first <= minute < component.last
        }
        percentages = self._holding(minute, minute + 1)[minute]
        if self.tariff.tiers_per == "days_of_month":
            day = local_date(instant_of(minute), self.zone)
            charged_wh //= monthrange(day.year, day.month)[1]
        used_wh = watt_hours(self.tariff.usual_kwh or Decimal(0)) + charged_wh
        amounts = compose(_amounts(runs.items(), used_wh), _percents(percentages, used_wh))
        bands = {name: run.band for name, run in runs.items()}
        percents = {each.name: each.percent_after(used_wh) for each in percentages}
        return tuple(
            RateLine(
                name,
                amount,
                percents.get(name),
                "" if bands.get(name, name) in (name, BAND) else bands[name],
                name in runs and runs[name].estimated,
            )
            for name, amount in amounts.items()
        )

    def _composed(
        self, minute: int, now: Sequence[tuple[str, RateRun]], percentages: tuple[_Holding, ...]
    ) -> RateRun:
        if not now:
            day = local_date(instant_of(minute), self.zone)
            raise TariffError(f"no component of {self.tariff.name} holds on {day.isoformat()}")
        tiers = _tiers_of(self.tariff, now, percentages)
        return RateRun(
            minute,
            _band(now),
            _rate_at(now, percentages, 0) if tiers is None else tiers.rate_after(0),
            estimated=any(run.estimated for _, run in now),
            tiers=tiers,
        )

    def _holding(self, first: int, last: int) -> dict[int, tuple[_Holding, ...]]:
        """Find which percentages hold, by the minute from which on they do."""
        declared = self.tariff.percentages_in_order
        if not any(each.valid_from or each.valid_to or each.months for each in declared):
            return {first: tuple(_holding(each) for each in declared)}
        minutes = np.arange(first, last)
        days = offsets_between(self.zone, first, last).to_local(minutes) // DAY_MINUTES
        return {
            first + start: tuple(
                _holding(each)
                for each in declared
                if _holds_on(each, date_of(int(days[start])), self.tariff)
            )
            for start in run_starts(days).tolist()
        }


def compose(
    amounts: Mapping[str, Decimal],
    percentages: Iterable[tuple[str, tuple[str, ...] | None, Decimal]],
) -> dict[str, Decimal]:
    """Add percentages to amounts, each on those before it that it names.

    Parameters
    ----------
    amounts : mapping of str to Decimal
        The amounts by name.
    percentages : iterable of tuple
        Name, names of what it is on (None for all before it), and percent.

    Returns
    -------
    dict of str to Decimal
        The amounts, then what each percentage adds.
    """
    lines = dict(amounts)
    for name, on, percent in percentages:
        base = (lines.get(each, Decimal(0)) for each in (lines if on is None else on))
        lines[name] = lines.get(name, Decimal(0)) + sum(base, Decimal(0)) * percent / 100
    return lines


def standing_lines(tariff: Tariff, day: date) -> tuple[RateLine, ...]:
    """List what a tariff costs on a local date, whatever is used, as a bill does.

    Parameters
    ----------
    tariff : Tariff
        The tariff.
    day : date
        Local date.

    Returns
    -------
    tuple of RateLine
        The standing charge, the fees that hold, and the percentages on them [currency a day].
        Percentages that depend on use are on energy alone. The fee of a month or a year is shared
        equally by its days.
    """
    fixed = {STANDING_CHARGE: tariff.standing_charge} if tariff.standing_charge else {}
    for fee in tariff.fees or ():
        if _holds_on(fee, day, tariff):
            fixed[fee.name] = fee.amount / _days_sharing(fee, day)
    percents = {
        each.name: each.percent
        for each in tariff.percentages_in_order
        if each.percent is not None and _holds_on(each, day, tariff)
    }
    on = {each.name: each.on for each in tariff.percentages_in_order}
    lines = compose(fixed, ((name, on[name], percent) for name, percent in percents.items()))
    return tuple(
        RateLine(name, amount, percents.get(name))
        for name, amount in lines.items()
        if amount or name in fixed
    )


def _days_sharing(fee: Fee, day: date) -> int:
    """Return how many days share a fee that holds on a date."""
    if fee.per == "year":
        return 366 if isleap(day.year) else 365
    return 1 if fee.per == "day" else monthrange(day.year, day.month)[1]


def standing_charge_on(tariff: Tariff, day: date) -> Decimal:
    """Return the sum of `standing_lines` [currency]."""
    return sum((line.amount for line in standing_lines(tariff, day)), Decimal(0))


def tax_factor(tariff: Tariff, day: date) -> Decimal:
    """Return what a charge before tax is multiplied by: it is taxed as the standing charge is."""
    one = tariff.model_copy(update={"standing_charge": Decimal(1), "fees": None})
    return standing_charge_on(one, day)


def rate_lines(
    tariff: Tariff, rates: Rates, minute: int, charged_wh: int = 0
) -> tuple[RateLine, ...]:
    """List what a kWh costs in a minute, line by line as a bill does.

    Parameters
    ----------
    tariff : Tariff
        The tariff in force.
    rates : Rates
        Its rates.
    minute : int
        UTC minute.
    charged_wh : int
        What was charged before it in its day or month, for tiers of a composed tariff [Wh].

    Returns
    -------
    tuple of RateLine
        Components, then percentages; their sum is the rate. A tariff that is not composed has the
        line `ENERGY`, and its tax.
    """
    if isinstance(rates, ComposedRates):
        return rates.lines_at(minute, charged_wh)
    run = rates.runs(minute, minute + 1)[0]
    before_tax = run.rate / tariff.tax_factor
    energy = RateLine(ENERGY, before_tax, None, "" if run.band == BAND else run.band, run.estimated)
    if not tariff.tax_percent:
        return (energy,)
    return energy, RateLine(TAX, run.rate - before_tax, tariff.tax_percent)


def unsure_in(rates: Rates) -> Iterator[SeriesRates | AnnouncedRates]:
    """List the parts of a tariff's rates that become known day by day."""
    if isinstance(rates, ComposedRates):
        for component in rates.components:
            yield from unsure_in(component.rates)
    elif isinstance(rates, SeriesRates | AnnouncedRates):
        yield rates


def series_in(rates: Rates) -> SeriesRates | None:
    """Return the price series among the rates of a tariff, if there is one."""
    if isinstance(rates, ComposedRates):
        return next(
            (found for component in rates.components if (found := series_in(component.rates))), None
        )
    return rates if isinstance(rates, SeriesRates) else None


def rates_of(
    tariff: Tariff, zone: ZoneInfo, holidays: str | None, points: Sequence[RateNews]
) -> Rates:
    """Prepare any tariff for looking up rates.

    Parameters
    ----------
    tariff : Tariff
        The tariff.
    zone : ZoneInfo
        The household's zone.
    holidays : str or None
        The household's code of public holidays.
    points : sequence of RateNews
        The prices of its series, and the kinds of its announced days, known so far.

    Returns
    -------
    Rates
        Taxes and percentages included.
    """

    def plain(component: Tariff) -> Rates:
        if component.by_kind:
            return announced_rates_of(component, zone, holidays, announcements_in(points))
        if component.prices is None:
            return band_rates_of(component, zone, holidays)
        return series_rates_of(component, zone, prices_in(points))

    if not tariff.is_composed:
        return plain(tariff)
    components = tuple(
        ComponentRates(component.name, plain(component.tariff), *_bounds(component, zone))
        for component in tariff.plain_components
    )
    return ComposedRates(tariff, zone, components)


def _bounds(component: PlainComponent, zone: ZoneInfo) -> tuple[int, int]:
    """Return the UTC minutes from which and before which a component holds."""
    first, last = component.valid_from, component.valid_to
    day = timedelta(days=1)
    return (
        0 if first is None else minute_of(instant_of_local(first, time.min, zone)),
        _NEVER if last is None else minute_of(instant_of_local(last + day, time.min, zone)),
    )


def _runs_of(component: ComponentRates, first: int, last: int) -> list[RateRun]:
    """List a component's runs in the time in which it holds."""
    begins, ends = max(first, component.first), min(last, component.last)
    return component.rates.runs(begins, ends) if begins < ends else []


def _holding(percentage: Percentage) -> _Holding:
    tiers = percentage.tiers or ()
    percents = (tier.percent for tier in tiers)
    ends = (tier.up_to_kwh for tier in tiers)
    return _Holding(
        percentage.name,
        percentage.on,
        (percentage.percent,) if percentage.percent is not None else tuple(percents),
        tuple(watt_hours(end) for end in ends if end is not None),
    )


def _holds_on(entry: Fee | Percentage, day: date, tariff: Tariff) -> bool:
    first, last = entry.valid_from, entry.valid_to
    months = entry.months if isinstance(entry, Percentage) else None
    return (
        (first is None or first <= day)
        and (last is None or day <= last)
        and (months is None or day.month in months or _in_a_season(tariff, months, day))
    )


def _in_a_season(tariff: Tariff, names: Iterable[int | str], day: date) -> bool:
    days = np.array([day_number(day)])
    return any(each.holds(days)[0] for each in tariff.seasons or () if each.name in names)


def _percents(
    percentages: Iterable[_Holding], used_wh: int
) -> Iterator[tuple[str, tuple[str, ...] | None, Decimal]]:
    return ((each.name, each.on, each.percent_after(used_wh)) for each in percentages)


def _tiers_of(
    tariff: Tariff, now: Sequence[tuple[str, RateRun]], percentages: tuple[_Holding, ...]
) -> UsageTiers | None:
    """Add up tiers: each end of one of them is an end of the sum."""
    ends = {end for _, run in now if run.tiers for end in run.tiers.ends_wh}
    ends |= {end for each in percentages for end in each.ends_wh}
    if not ends or tariff.tiers_per is None or tariff.usual_kwh is None:
        return None
    rising = sorted(ends)
    return UsageTiers(
        per=tariff.tiers_per,
        usual_wh=watt_hours(tariff.usual_kwh),
        ends_wh=tuple(rising),
        rates=tuple(_rate_at(now, percentages, used_wh) for used_wh in (0, *rising)),
    )


def _rate_at(
    now: Sequence[tuple[str, RateRun]], percentages: Iterable[_Holding], used_wh: int
) -> Decimal:
    """Return the sum for a kWh after some use of the home."""
    amounts = compose(_amounts(now, used_wh), _percents(percentages, used_wh))
    return sum(amounts.values(), Decimal(0))


def _amounts(now: Iterable[tuple[str, RateRun]], used_wh: int) -> dict[str, Decimal]:
    """Return what each component costs for a kWh after some use of the home."""
    return {
        name: run.rate if run.tiers is None else run.tiers.rate_at(used_wh) for name, run in now
    }


def _band(now: Sequence[tuple[str, RateRun]]) -> str:
    """Name the bands that hold together; a component without bands has its own name."""
    if any(run.band == BAND for _, run in now):
        return BAND
    bands = [run.band for name, run in now if run.band != name]
    return ", ".join(dict.fromkeys(bands)) or now[0][0]
