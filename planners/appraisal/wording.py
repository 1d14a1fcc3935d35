"""What an appraisal rests on, and what to mind about it, in whole sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from config.choices.choices_file import POINT
from planners.appraisal.appraisal import LEAST_KWH
from planners.plan.horizon import PLANNED_DAYS
from planners.power.cautions import cautions

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from config.choices.choices_file import ChoicesFile
    from planners.appraisal.appraisal import ChoiceYear
    from planners.appraisal.choice_case import Case
    from planners.year.driving_days import DrivingYear

FEW_DAYS = 300
"""A record of fewer days misses a season [days]."""
OFFERS = (
    "Prices and offers change: ask for the rates that would really be yours, and for how long they"
    " hold."
)
INSTALLING = (
    "Installing a charge point or a circuit is a licensed electrician's work, and only on site can"
    " it be said what the supply and the wiring carry; get a written quotation."
)


def assumptions_of(
    file: ChoicesFile, driving: DrivingYear, cases: Sequence[Case]
) -> tuple[str, ...]:
    """Say what was assumed.

    Parameters
    ----------
    file : ChoicesFile
        What is declared.
    driving : DrivingYear
        The trips.
    cases : sequence of Case
        The choices.

    Returns
    -------
    tuple of str
        Whole sentences.
    """
    return tuple(_assumptions(file, driving, cases))


def _assumptions(file: ChoicesFile, driving: DrivingYear, cases: Sequence[Case]) -> Iterator[str]:
    year = file.appraisal.year
    yield (
        f"Every night of {year} is planned by itself, from plugging in to the next departure;"
        f" cheap hours are looked for in the last {PLANNED_DAYS.days} days before it at the most."
    )
    yield "The vehicle begins the year with what is wanted, and is plugged in whenever it is home."
    yield from _about_driving(file, driving)
    has_series = any(case.year.is_series for case in cases)
    if has_series:
        yield (
            "Price series are not planned with hindsight: prices of the next day are known from"
            f" {file.appraisal.prices_known_at:%H:%M} on; what lies beyond is planned with"
            " estimates, and planned again when it is known. Each hour is paid as it came."
        )
    if any(case.choice.charge_point.switching == "current" for case in cases):
        yield (
            "A charge point whose current can be set charges at its full current; the last ticks"
            " at a lower one would change the cost by a tick's energy at the most."
        )
    if any(case.year.tiers for case in cases):
        yield (
            "Rates that change with use are planned at the rate of the kWh after the home's usual"
            " use, and paid for in the tiers that the year's charging came to."
        )
    yield _about_home(file)
    series = ", a price series alike year after year" if has_series else ""
    yield (
        "Rates, standing charges and outlays stay the same for"
        f" {file.appraisal.keep_years:g} years{series}; no interest is reckoned."
    )


def _about_driving(file: ChoicesFile, driving: DrivingYear) -> Iterator[str]:
    if driving.recorded_days is not None:
        days = file.vehicle.charging_efficiency_percent
        yield (
            f"What was used each day is what the ledger says was charged that night, times the"
            f" charging efficiency of {days:g} %; {driving.recorded_days} days of the year are in"
            " it, the others are like earlier ones of the same weekday."
        )
    elif file.driving.distance_per_year is not None:
        yield f"The year's distance is spread evenly over {len(driving.trips)} days."
    if file.driving.draws:
        yield (
            "In the years drawn each trip is drawn around its distance with a standard deviation of"
            f" {file.driving.spread_percent:g} % (log-normal, seed {file.driving.seed})."
        )


def _about_home(file: ChoicesFile) -> str:
    if file.home_use:
        return "The rest of the home uses what the file says, every day alike."
    return (
        "Only the vehicle's energy is priced: a tariff with cheap nights often costs more by day,"
        " which home_use in the file would take into account."
    )


def cautions_of(
    driving: DrivingYear, cases: Sequence[Case], choices: Sequence[ChoiceYear]
) -> tuple[str, ...]:
    """Say what to mind.

    Parameters
    ----------
    driving : DrivingYear
        The trips.
    cases : sequence of Case
        The choices.
    choices : sequence of ChoiceYear
        How they came out.

    Returns
    -------
    tuple of str
        Whole sentences, each once.
    """
    said = [
        *_about_record(driving),
        *_about_choices(choices),
        OFFERS,
        INSTALLING,
        *(words for case in cases for words in cautions(case.household, POINT)),
    ]
    return tuple(dict.fromkeys(said))


def _about_record(driving: DrivingYear) -> Iterator[str]:
    days = driving.recorded_days
    if days is not None and days < FEW_DAYS:
        yield (
            f"The ledger holds {days} days of the year: other seasons may see more driving, and"
            " more energy for each distance in the cold, than these."
        )


def _about_choices(choices: Sequence[ChoiceYear]) -> Iterator[str]:
    for choice in choices:
        if choice.charged_elsewhere_kwh > LEAST_KWH:
            yield (
                f"{choice.name}: trips need {choice.charged_elsewhere_kwh:,.1f} kWh more than the"
                " battery holds by then; it is charged elsewhere, and not priced here."
            )
        if choice.ends_below_kwh > LEAST_KWH:
            yield (
                f"{choice.name}: the year ends with {choice.ends_below_kwh:,.1f} kWh less in the"
                " battery than it began with, which would still have to be bought."
            )
        if choice.estimated_kwh > LEAST_KWH:
            yield (
                f"{choice.name}: {choice.estimated_kwh:,.1f} kWh are priced by estimates, since the"
                " price series has no rate for those hours."
            )
