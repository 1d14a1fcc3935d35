"""Prepare a choice for a year of several vehicles that share the current for charging."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

import numpy as np
from typing_extensions import override

from config.choices.choices_file import VEHICLE
from config.files.announcements import prices_in
from config.files.errors import TariffError
from planners.appraisal.choice_case import Case, case_of, span_of
from planners.power.allowed_currents import charge_model
from planners.power.main_fuse import CurrentRange, share_of_fuse
from planners.year.driving_days import driving_of
from planners.year.sharing import HomeResults, SharingVehicle, simulate_sharing

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from datetime import datetime

    from numpy.typing import NDArray

    from config.choices.choices_file import Choice, ChoicesFile
    from config.files.announcements import RateNews
    from planners.year.driving_days import DrivingYear
    from planners.year.night_rules import ChargingRule
    from planners.year.results import YearResults


@dataclass(frozen=True, slots=True, eq=False)
class HomeCase(Case):
    """A choice with several vehicles; what `Case` says is that of the first.

    Attributes
    ----------
    members : tuple of Case or None
        The vehicles in their order, the first one too; None for one without a charge point.
    nights : tuple of int
        How many trips each vehicle has, the first one too.
    """

    members: tuple[Case | None, ...] = ()
    nights: tuple[int, ...] = ()

    @property
    @override
    def parts(self) -> tuple[Case, ...]:
        """The cases of the vehicles that have a charge point."""
        return tuple(each for each in self.members if each is not None)

    @override
    def with_added(self, more: float) -> HomeCase:
        """Return the choice with a dearer cheapest band or series [currency per kWh]."""
        year = self.year.with_added(more)
        members = tuple(each and each.with_added(more) for each in self.members)
        home_year = year if self.is_on_home_meter else self.home_year
        groups = self.windows.groups(year, more)
        return replace(self, year=year, home_year=home_year, groups=groups, members=members)

    @override
    def missing_at_end_kwh(self, years: YearResults) -> NDArray[np.float64]:
        """Return the battery energy missing from the needs after the last nights, by year [kWh]."""
        pairs = self._with_results(years)
        return np.asarray(np.sum([case.missing_at_end_kwh(each) for case, each in pairs], axis=0))

    @override
    def ends_below_kwh(self, years: YearResults) -> float:
        """Return how much less the batteries hold after the first year than before it [kWh]."""
        return sum(case.ends_below_kwh(each) for case, each in self._with_results(years))

    @override
    def with_best_current(self, trips_kwh: NDArray[np.float64]) -> HomeCase:
        """Return the same: no one current is kept to by several vehicles."""
        del trips_kwh
        return self

    @override
    def simulate(
        self, trips_kwh: NDArray[np.float64], report: Callable[[int], None] = lambda _years: None
    ) -> HomeResults:
        """Simulate years of trips, given in shape (years, nights of all vehicles)."""
        edges = np.cumsum(self.nights)[:-1]
        away = np.split(self.elsewhere_share * trips_kwh, edges, axis=1)
        trips = np.split(trips_kwh, edges, axis=1)
        shared = [
            np.zeros(len(trips_kwh)) if each is None else part.sum(axis=1)
            for each, part in zip(self.members, away, strict=True)
        ]
        at_home = [
            one if each is None else one - part
            for each, one, part in zip(self.members, trips, away, strict=True)
        ]
        vehicles = [None if each is None else self._sharing(each) for each in self.members]
        years = simulate_sharing(self.year, vehicles, self._most, at_home, report)
        each_one = [one.with_shared(kwh) for one, kwh in zip(years.vehicles, shared, strict=True)]
        return replace(years.with_shared(np.sum(shared, axis=0)), vehicles=tuple(each_one))

    @property
    def _most(self) -> float | None:
        """Return what all may draw together, as `choice` limits it [A per phase, or kW]."""
        kw = self.choice.kw_for_charging
        return self.choice.amps_for_charging if kw is None else kw

    def _with_results(self, years: YearResults) -> list[tuple[Case, YearResults]]:
        results = years.vehicles if isinstance(years, HomeResults) else ()
        pairs = zip(self.members, results, strict=True)
        return [(case, each) for case, each in pairs if case is not None]

    def _sharing(self, case: Case) -> SharingVehicle:
        most, amps = self._most, case.rule.model.amps
        if most is None:
            return SharingVehicle(case.groups, case.rule, amps, case.rule)
        members = {str(place): each for place, each in enumerate(self.members) if each}
        weights = {place: self._weight(each) for place, each in members.items()}
        ranges = {place: _range(each) for place, each in members.items()}
        at = next(place for place, each in members.items() if each is case)
        part = share_of_fuse(ranges, at, most, weights)
        alone = min(amps, most / weights[at])
        return SharingVehicle(
            case.groups,
            _at_amps(case, alone),
            alone * weights[at],
            _at_amps(case, part) if part > 0 else None,
        )

    def _weight(self, case: Case) -> float:
        """Return what an ampere of a vehicle takes of the limit [A, or kW]."""
        return 1.0 if self.choice.kw_for_charging is None else case.rule.model.kw_per_amp


def _at_amps(case: Case, amps: float) -> ChargingRule:
    model = charge_model(case.household, VEHICLE, amps=amps)
    return replace(case.rule, model=model)


def _range(case: Case) -> CurrentRange:
    amps, point = case.rule.model.amps, case.choice.charge_point
    return CurrentRange(amps if point.switching == "on_off" else min(point.min_amps, amps), amps)


def cases_of(
    file: ChoicesFile,
    drivings: Mapping[str | None, DrivingYear],
    series: Mapping[str, Sequence[RateNews]],
) -> tuple[Case, ...]:
    """Prepare all choices.

    Parameters
    ----------
    file : ChoicesFile
        What is declared.
    drivings : mapping of str or None to DrivingYear
        The trips of each vehicle; under None those of the first.
    series : mapping of str to sequence of RateNews
        Prices in order of time, by the name of the choice.

    Returns
    -------
    tuple of Case
        Ready to simulate.

    Raises
    ------
    ValueError
        If the first vehicle has no charge point; no choices file is so.
    TariffError
        If no rate is known in a night.
    """  # noqa: DOC502 - raised by prices
    by_choice = {each.name: _at_its_times(file, each, drivings) for each in file.choices}
    everything = [driving for found in by_choice.values() for driving in found.values()]
    span = span_of(file, everything)

    def alone(choice: Choice, name: str | None) -> Case | None:
        seen = file.of_vehicle(name)
        own = next((each for each in seen.choices if each.name == choice.name), None)
        points, driving = series.get(choice.name, ()), by_choice[choice.name][name]
        try:
            return None if own is None else case_of(seen, own, driving, points, span)
        except TariffError as error:
            raise TariffError(_named(error, choice, points, span)) from error

    cases: list[Case] = []
    for choice in file.choices:
        first, *others = (alone(choice, name) for name in drivings)
        if first is None:
            raise ValueError(f"{choice.name} has no charge point")
        if others:
            own = {each.name: getattr(first, each.name) for each in fields(Case)}
            nights = tuple(len(each.trips) for each in drivings.values())
            own["choice"] = choice
            cases.append(HomeCase(**own, members=(first, *others), nights=nights))
        else:
            cases.append(first)
    return tuple(cases)


def _named(
    error: TariffError, choice: Choice, points: Sequence[RateNews], span: tuple[datetime, datetime]
) -> str:
    """Say which choice and which file lack prices, from when to when, and what to do."""
    prices, source = prices_in(points), choice.bought_at.series
    if not prices or source is None:
        return f"“{choice.name}”: {error}"
    file = "its prices" if source.file is None else str(source.file)
    (first, last), (begins, ends) = (prices[0].start, prices[-1].start), span
    return (
        f"{file}: “{choice.name}”: expected prices from {begins:%Y-%m-%d} to {ends:%Y-%m-%d}, got"
        f" {first:%Y-%m-%d} to {last:%Y-%m-%d}, with no price in the 28 days before some night; add"
        " those that are missing, or set appraisal.year to a year that they cover"
    )


def _at_its_times(
    file: ChoicesFile, choice: Choice, drivings: Mapping[str | None, DrivingYear]
) -> Mapping[str | None, DrivingYear]:
    """Let the first vehicle leave and return at the times of a choice, if it has its own."""
    if choice.leaves is None and choice.returns is None:
        return drivings
    moved = file.model_copy(update={"driving": file.driving_in(choice)})
    return {**drivings, None: driving_of(moved)}
