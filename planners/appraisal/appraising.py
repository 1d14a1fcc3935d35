"""A whole year under each of several choices, night by night, and what would change the answer."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from planners.appraisal.appraisal import Appraisal
from planners.appraisal.break_even import SCALES, break_evens
from planners.appraisal.choice_case import case_of
from planners.appraisal.choice_years import choice_years
from planners.appraisal.compared import Compared
from planners.appraisal.ranking import rank_choices
from planners.appraisal.spreads import vary
from planners.appraisal.wording import assumptions_of, cautions_of
from planners.year.driving_days import driving_of
from planners.year.trip_draws import draw_trips

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from datetime import date

    from numpy.typing import NDArray

    from config.choices.choices_file import ChoicesFile
    from config.files.series import PricePoint
    from planners.appraisal.choice_case import Case
    from planners.appraisal.spreads import Varies
    from planners.year.driving_days import Driving


def appraise(
    file: ChoicesFile,
    series: Mapping[str, Sequence[PricePoint]],
    used_wh: Mapping[date, int] | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Appraisal:
    """Live a year under each choice, and hold them against each other.

    Parameters
    ----------
    file : ChoicesFile
        What is declared.
    series : mapping of str to sequence of PricePoint
        Prices in order of time, by the name of the choice whose tariff is a price series.
    used_wh : mapping of date to int, optional
        What a ledger's nights metered for the vehicle, by the date on which each began [Wh].
    progress : callable, optional
        Told how many of all drawn years are done, over all choices.

    Returns
    -------
    Appraisal
        All that is to be shown.

    Raises
    ------
    TariffError
        Where no rate is known in a night of the year.
    UsageError
        Where there is no trip in the year, or the ledger holds too little.
    """  # noqa: DOC502 - raised further down
    driving = driving_of(file, used_wh)
    trips = np.array([trip.kwh for trip in driving.trips])
    cases = tuple(
        case_of(file, choice, driving, series.get(choice.name, ())) for choice in file.choices
    )
    scaled = [case.live(np.array(SCALES)[:, None] * trips) for case in cases]
    here = SCALES.index(1.0)
    keep = file.appraisal.keep_years
    compared = Compared(cases, tuple(years.only(here) for years in scaled), keep, trips)
    curve = rank_choices(cases, scaled, keep)
    varies = _drawn(file, cases, trips, driving, progress) if file.driving.draws else ()
    per_km = driving.kwh_per_km
    amount = float(trips.sum()) / (per_km or 1.0)
    choices = choice_years(compared, driving, varies)
    return Appraisal(
        name=file.appraisal.name,
        timezone=file.appraisal.timezone,
        currency=file.appraisal.currency,
        year=file.appraisal.year,
        keep_years=keep,
        distance_km=None if per_km is None else amount,
        distance_unit=_unit(file),
        trips_kwh=float(trips.sum()),
        trips=len(trips),
        draws=file.driving.draws,
        seed=file.driving.seed,
        spread_percent=file.driving.spread_percent,
        choices=choices,
        cheapest=choices[compared.best].name,
        break_even=break_evens(compared, curve, amount) if len(cases) > 1 else None,
        curve=tuple(
            (scale * amount, tuple(column))
            for scale, column in zip(SCALES, curve.totals.T.tolist(), strict=True)
        ),
        assumptions=assumptions_of(file, driving, cases),
        cautions=cautions_of(driving, cases, choices),
        curve_short=tuple(tuple(column) for column in curve.nights_short.T.tolist()),
    )


def _drawn(
    file: ChoicesFile,
    cases: tuple[Case, ...],
    trips: NDArray[np.float64],
    driving: Driving,
    progress: Callable[[int, int], None] | None,
) -> tuple[Varies, ...]:
    draws = file.driving.draws
    drawn = draw_trips(trips, file.driving.spread_percent, draws, file.driving.seed)
    done = 0

    def tell(years: int) -> None:
        nonlocal done
        done += years
        if progress is not None:
            progress(done, draws * len(cases))

    years = [case.live(drawn, tell) for case in cases]
    return vary(cases, years, file.appraisal.keep_years, drawn, driving.kwh_per_km)


def _unit(file: ChoicesFile) -> str:
    driving = file.driving
    if driving.distance_per_year is not None:
        return driving.distance_per_year.unit
    return driving.trips[0].distance.unit if driving.trips else "km"
