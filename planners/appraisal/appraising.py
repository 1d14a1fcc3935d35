"""Simulate a year night by night under several choices, and compare them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from config.choices.restated import restated
from planners.appraisal.appraisal import Appraisal
from planners.appraisal.break_even import break_evens
from planners.appraisal.choice_years import choice_years
from planners.appraisal.comparison import SCALES, SUN_SCALES, Comparison
from planners.appraisal.home_case import cases_of
from planners.appraisal.ranking import rank_choices
from planners.appraisal.spreads import spreads_of_choices
from planners.appraisal.wording import assumptions_of, cautions_of
from planners.worth.lifetime import lifetime_of
from planners.year.driving_days import driving_of
from planners.year.trip_draws import draw_trips

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence
    from datetime import date

    from numpy.typing import NDArray

    from config.choices.choices_file import ChoicesFile
    from config.files.announcements import RateNews
    from planners.appraisal.choice_case import Case
    from planners.appraisal.ranking import Ranking
    from planners.appraisal.spreads import ChoiceSpreads
    from planners.year.driving_days import DrivingYear


class Compared(NamedTuple):
    """Choices that are simulated and compared, before their figures are collected.

    `drivings` has the trips of each vehicle; under None those of the first. `curve` ranks the
    choices at the scales of `comparison`.
    """

    drivings: Mapping[str | None, DrivingYear]
    comparison: Comparison
    curve: Ranking


def compare(
    file: ChoicesFile,
    series: Mapping[str, Sequence[RateNews]],
    used_wh: Mapping[date, int] | None = None,
    scales: Sequence[float] | None = None,
) -> Compared:
    """Simulate a year under each choice, at some multiples of its trips.

    Parameters
    ----------
    file, series, used_wh
        As for `appraise`.
    scales : sequence of float, optional
        The multiples, 1 among them; without, enough for a curve.

    Returns
    -------
    Compared
        The choices, ranked.

    Raises
    ------
    TariffError
        If no rate is known in a night of the year.
    UsageError
        If the year has no trip, or the ledger holds too few days.
    """  # noqa: DOC502 - raised further down
    drivings = {
        name: driving_of(file.of_vehicle(name), used_wh if name is None else None)
        for name in (None, *file.other_vehicles)
    }
    trips = np.array([trip.kwh for each in drivings.values() for trip in each.trips])
    cases = tuple(case.with_best_current(trips) for case in cases_of(file, drivings, series))
    if scales is None:
        scales = SCALES if file.generation is None else SUN_SCALES
    scaled = [case.simulate(np.array(scales)[:, None] * trips) for case in cases]
    here, lifetime = scales.index(1.0), lifetime_of(file.appraisal)
    declared = file.appraisal.elsewhere_rate
    elsewhere = None if declared is None else float(declared)
    years = tuple(years.only(here) for years in scaled)
    names = ("first vehicle", *file.other_vehicles)
    comparison = Comparison(cases, years, lifetime, elsewhere, trips, names, tuple(scales))
    return Compared(drivings, comparison, rank_choices(cases, scaled, lifetime, elsewhere))


def appraise(
    file: ChoicesFile,
    series: Mapping[str, Sequence[RateNews]],
    used_wh: Mapping[date, int] | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Appraisal:
    """Simulate a year under each choice, and compare the choices.

    Parameters
    ----------
    file : ChoicesFile
        What is declared.
    series : mapping of str to sequence of RateNews
        Prices in order of time, by the name of the choice whose tariff is a price series.
    used_wh : mapping of date to int, optional
        Energy that a ledger's nights metered for the vehicle, by the date on which each began [Wh].
    progress : callable, optional
        Called with the number of drawn years done so far, over all choices, and their total.

    Returns
    -------
    Appraisal
        All figures to show.

    Raises
    ------
    TariffError
        If no rate is known in a night of the year.
    UsageError
        If the year has no trip, or the ledger holds too few days.
    """  # noqa: DOC502 - raised further down
    return appraised(file, compare(file, series, used_wh), progress)


def appraised(
    file: ChoicesFile,
    compared: Compared,
    progress: Callable[[int, int], None] | None = None,
) -> Appraisal:
    """Collect the figures of choices that are compared: see `appraise`."""
    drivings, comparison, curve = compared
    cases, trips = comparison.cases, comparison.trips_kwh
    driving = drivings[None]
    if len(drivings) > 1:  # no distance is driven on the energy of all
        driving = replace(driving, kwh_per_km=None)
    spreads = _drawn(file, cases, trips, driving, progress) if file.driving.draws else ()
    distance_km = _distance_km(drivings.values())
    amount = float(trips.sum()) if distance_km is None else distance_km
    choices = choice_years(comparison, driving, spreads)
    return Appraisal(
        name=file.appraisal.name,
        timezone=file.appraisal.timezone,
        currency=file.appraisal.currency,
        year=file.appraisal.year,
        lifetime=comparison.lifetime,
        elsewhere_rate=comparison.elsewhere_rate,
        distance_km=distance_km,
        distance_unit=_unit(file),
        trips_kwh=float(trips.sum()),
        trips=len(trips),
        draws=file.driving.draws,
        seed=file.driving.seed,
        spread_percent=file.driving.spread_percent,
        choices=choices,
        cheapest=choices[comparison.best].name,
        break_even=break_evens(comparison, curve, amount) if len(cases) > 1 else None,
        curve=tuple(
            (scale * amount, tuple(column))
            for scale, column in zip(comparison.scales, curve.totals.T.tolist(), strict=True)
        ),
        assumptions=assumptions_of(file, drivings, cases, choices),
        cautions=cautions_of(driving, cases, choices),
        inputs=restated(file),
        curve_short=tuple(tuple(column) for column in curve.nights_short.T.tolist()),
    )


def _drawn(
    file: ChoicesFile,
    cases: tuple[Case, ...],
    trips: NDArray[np.float64],
    driving: DrivingYear,
    progress: Callable[[int, int], None] | None,
) -> tuple[ChoiceSpreads, ...]:
    draws, rate = file.driving.draws, file.appraisal.elsewhere_rate
    drawn = draw_trips(trips, file.driving.spread_percent, draws, file.driving.seed)
    done = 0

    def report(years: int) -> None:
        nonlocal done
        done += years
        if progress is not None:
            progress(done, draws * len(cases))

    years = [case.simulate(drawn, report) for case in cases]
    ranking = rank_choices(
        cases, years, lifetime_of(file.appraisal), None if rate is None else float(rate)
    )
    return spreads_of_choices(cases, years, ranking, drawn, driving.kwh_per_km)


def _distance_km(drivings: Iterable[DrivingYear]) -> float | None:
    """Return the distance of all vehicles [km]; None if one's consumption is not known."""
    km = 0.0
    for driving in drivings:
        if driving.kwh_per_km is None:
            return None
        km += sum(trip.kwh for trip in driving.trips) / driving.kwh_per_km
    return km


def _unit(file: ChoicesFile) -> str:
    driving = file.driving
    if driving.distance_per_year is not None:
        return driving.distance_per_year.unit
    return driving.trips[0].distance.unit if driving.trips else "km"
