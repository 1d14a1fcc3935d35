"""Write the assumptions and cautions of an appraisal in whole sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from config.calendar.words import MONTHS, listed
from config.choices.choices_file import POINT
from planners.appraisal.ranking import LEAST_KWH
from planners.appraisal.sun_wording import about_sun
from planners.plan.horizon import PLANNED_DAYS
from planners.power.cautions import cautions
from planners.vehicle.temperature import times_at
from planners.worth.wording import about_money

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from config.choices.choices_file import ChoicesFile
    from planners.appraisal.appraisal import ChoiceYear
    from planners.appraisal.choice_case import Case
    from planners.year.driving_days import DrivingYear

FEW_DAYS = 300
"""A record of fewer days lacks a season [days]."""
OFFERS = "Prices and offers change: ask which rates you would pay, and for how long they are fixed."
INSTALLING = (
    "Installing a charge point or a circuit is a licensed electrician's work, and only a visit"
    " shows what the supply and the wiring can carry; get a written quotation."
)


def assumptions_of(
    file: ChoicesFile,
    drivings: Mapping[str | None, DrivingYear],
    cases: Sequence[Case],
    choices: Sequence[ChoiceYear],
) -> tuple[str, ...]:
    """Write down what was assumed.

    Parameters
    ----------
    file : ChoicesFile
        What is declared.
    drivings : mapping of str or None to DrivingYear
        The trips of each vehicle; under None those of the first.
    cases : sequence of Case
        The choices.
    choices : sequence of ChoiceYear
        Their figures.

    Returns
    -------
    tuple of str
        Whole sentences.
    """
    return (*_assumptions(file, drivings, cases, choices), *_about_elsewhere(file, choices))


def _about_elsewhere(file: ChoicesFile, choices: Sequence[ChoiceYear]) -> Iterator[str]:
    rate, currency = file.appraisal.elsewhere_rate, file.appraisal.currency
    share = file.appraisal.elsewhere_share_percent
    if share:
        yield (
            f"{share:g} % of the energy of every trip is charged elsewhere, whatever the choice,"
            f" for {rate} {currency} per kWh in the battery."
        )
    if file.appraisal.elsewhere_when_short:
        yield (
            "What is missing from the need at a departure is charged elsewhere before the drive,"
            f" for {rate} {currency} per kWh in the battery; such a night does not count as short."
        )
    if rate is not None and any(choice.elsewhere_kwh > LEAST_KWH for choice in choices):
        yield (
            f"What a choice does not deliver is charged elsewhere, for {rate} {currency} per kWh:"
            " all choices are compared for the same energy."
        )


def _assumptions(
    file: ChoicesFile,
    drivings: Mapping[str | None, DrivingYear],
    cases: Sequence[Case],
    choices: Sequence[ChoiceYear],
) -> Iterator[str]:
    year = file.appraisal.year
    yield (
        f"Every night of {year} is planned on its own, from plugging in to the next departure;"
        f" charging is planned no earlier than {PLANNED_DAYS.days} days before it."
    )
    yield (
        "The vehicle begins the year with the charge that is wanted, and is plugged in whenever it"
        " is home."
    )
    yield from _about_hours(cases)
    yield from _about_several(file)
    yield from _about_temperature(file)
    for name, driving in drivings.items():
        whose = f"{name}: " if name else ""
        for sentence in _about_driving(file.of_vehicle(name), driving):
            yield whose + sentence
    has_series = any(case.year.is_series for case in cases)
    if has_series:
        yield (
            "With a price series, no plan knows prices before they are published: those of the next"
            f" day are known from {file.appraisal.prices_known_at:%H:%M} on. Later hours are"
            " planned with estimates, and planned again when their prices are known. Each hour's"
            " energy costs that hour's actual price."
        )
    announced = any(case.choice.bought_at.announced for case in cases)
    if announced:
        yield (
            "With announced days, no plan knows the kind of a day before it is announced: that of"
            f" the next day is known from {file.appraisal.prices_known_at:%H:%M} on. Until then a"
            " day is taken for what the tariff says under until_announced."
        )
    parts = [part for case in cases for part in case.parts]
    if any(
        part.choice.charge_point.switching == "current" and part.year.sun is None for part in parts
    ):
        yield (
            "A charge point whose current can be set charges at its full current; a lower current"
            " in the last time step would change the cost by that step's energy at most."
        )
    if any(case.year.tiers for case in cases):
        yield (
            "Rates that change with use are planned at the rate of the next kWh after the home's"
            " usual use, and paid at the tiers that the year's charging reaches."
        )
    own = [case.choice.name for case in cases if case.choice.charging_tariff is not None]
    if own:
        yield (
            f"{listed(own)}: charging has a meter of its own, whose standing charge is paid as"
            " well; the rest of the home is on its own tariff."
        )
    yield from _about_capacity(cases)
    yield from about_sun(file, cases, choices)
    yield _about_home(file)
    yield from about_money(file, has_series=has_series, announced=announced)


def _about_hours(cases: Sequence[Case]) -> Iterator[str]:
    plugged = [
        f"{case.choice.name} ({case.choice.charge_point.plugged_in})"
        for case in cases
        if case.choice.charge_point.plugged_in is not None
    ]
    if plugged:
        yield f"It is plugged in only in the plugged_in hours in {listed(plugged)}."
    for case in cases:
        times = {"leaves": case.choice.leaves, "returns": case.choice.returns}
        said = [f"{what} at {at:%H:%M}" for what, at in times.items() if at is not None]
        if said:
            yield f"{case.choice.name}: the vehicle {listed(said)}, as this choice says."


def _about_capacity(cases: Sequence[Case]) -> Iterator[str]:
    charged = [case for case in cases if case.year.capacity is not None]
    if not charged:
        return
    yield (
        "A capacity charge is reckoned with the home's use as declared under home_use, spread"
        " evenly over its hours."
    )
    for case in charged:
        if case.kept_amps is not None:
            yield (
                f"{case.choice.name}: charging keeps to {case.kept_amps:g} A all year, which is the"
                " cheapest with its capacity charge."
            )


def _about_several(file: ChoicesFile) -> Iterator[str]:
    if not file.other_vehicles:
        return
    yield (
        f"{listed(['The first vehicle', *file.other_vehicles])} each have a charge point of their"
        " own, and the same need and want. One without a charge point is charged elsewhere."
    )
    keys = [
        key
        for key in ("amps_for_charging", "kw_for_charging")
        if any(getattr(choice, key) is not None for choice in file.choices)
    ]
    if keys:
        yield (
            f"Where charge points could draw more than {' or '.join(keys)} together, they take"
            " turns or have fixed parts of it, whichever serves the year best. The daemon shares"
            " hour by hour, and can do better: a larger supply is worth at most what is shown here."
        )


def _about_driving(file: ChoicesFile, driving: DrivingYear) -> Iterator[str]:
    if driving.recorded_days is not None:
        efficiency = file.vehicle.charging_efficiency_percent
        yield (
            "Each day's use is the energy that the ledger says was charged that night, times the"
            f" charging efficiency of {efficiency:g} %. The ledger holds {driving.recorded_days}"
            " days of the year; the others repeat earlier days of the same weekday."
        )
    elif file.driving.distance_per_year is not None:
        yield f"The year's distance is spread evenly over {len(driving.trips)} days."
    if file.driving.draws:
        yield (
            "In the drawn years each trip varies at random around its distance, with a standard"
            f" deviation of {file.driving.spread_percent:g} % (log-normal, seed"
            f" {file.driving.seed})."
        )


def _about_temperature(file: ChoicesFile) -> Iterator[str]:
    """Say what the months do to consumption, by which fit."""
    year = file.appraisal.temperature
    if year is None:
        return
    times = [times_at(each, year.declared_at_celsius) for each in year.monthly_mean_celsius]
    low, high = (times.index(pick(times)) for pick in (min, max))
    source = f" ({year.source})" if year.source else ""
    yield (
        f"Consumption changes with the declared mean temperature of each month{source}: from"
        f" {times[low]:.2f} times what is declared in {MONTHS[low]} to {times[high]:.2f} times in"
        f" {MONTHS[high]}. The fit is of one model's trips (Yuksel and Michalek, Environmental"
        " Science and Technology 49, 2015); other vehicles, heat pumps and short trips differ."
    )


def _about_home(file: ChoicesFile) -> str:
    if file.home_use:
        return "The rest of the home uses what the file says, the same every day."
    return (
        "Only the vehicle's energy is priced: a tariff with cheap nights often costs more by day."
        " Declare home_use in the file to take that into account."
    )


def cautions_of(
    driving: DrivingYear, cases: Sequence[Case], choices: Sequence[ChoiceYear]
) -> tuple[str, ...]:
    """Write down what to be careful about.

    Parameters
    ----------
    driving : DrivingYear
        The trips.
    cases : sequence of Case
        The choices.
    choices : sequence of ChoiceYear
        Their figures.

    Returns
    -------
    tuple of str
        Whole sentences, each once.
    """
    sentences = [
        *_about_record(driving),
        *_about_choices(choices, {case.choice.name: _remedy(case) for case in cases}),
        *_about_battery(cases, choices),
        OFFERS,
        INSTALLING,
        *(
            words
            for case in cases
            for part in case.parts
            for words in cautions(part.household, POINT)
        ),
    ]
    return tuple(dict.fromkeys(sentences))


def _about_battery(cases: Sequence[Case], choices: Sequence[ChoiceYear]) -> Iterator[str]:
    """Say what a published model says of the battery, and how little is sure of it."""
    said = [
        f"“{each.name}” {it.loss_percent:.1f} % (on average {it.mean_percent:.0f} % full;"
        f" {it.by_time_percent:.1f} % by time, {it.by_use_percent:.1f} % by use)"
        for each in choices
        for it in [each.battery]
        if it is not None
    ]
    if not said:
        return
    celsius = cases[0].battery.celsius if cases[0].battery is not None else ()
    where = f" at {celsius[0]:g} °C" if len(celsius) == 1 else " at the months' temperatures"
    yield (
        "A published model of one NMC cell (Schmalstieg and others, Journal of Power Sources 257,"
        f" 2014) has the battery lose in the years kept{where}: {listed(said)}. Today's cells"
        " mostly last longer, and fast charging counts too: take the difference between choices for"
        " a hint, and the loss itself for no forecast."
    )


def _about_record(driving: DrivingYear) -> Iterator[str]:
    days = driving.recorded_days
    if days is not None and days < FEW_DAYS:
        yield (
            f"The ledger holds {days} days of the year: other seasons may bring more driving, and"
            " cold weather takes more energy for the same distance."
        )


def _remedy(case: Case) -> str:
    """Say where the missing prices of a series belong."""
    series = case.choice.bought_at.series
    return f"; add them to {series.file.name}" if series is not None and series.file else ""


def _about_choices(choices: Sequence[ChoiceYear], files: Mapping[str, str]) -> Iterator[str]:
    for choice in choices:
        away = [each for each in choice.vehicles if not each.nights]
        for each in away:
            yield (
                f"{choice.name}: {each.vehicle} has no charge point, and charges"
                f" {each.charged_elsewhere_kwh:,.1f} kWh elsewhere."
            )
        known_kwh = sum(each.charged_elsewhere_kwh for each in away)
        known_kwh += choice.topped_up_kwh + choice.shared_elsewhere_kwh
        beyond_kwh = choice.charged_elsewhere_kwh - known_kwh
        if beyond_kwh > LEAST_KWH:
            yield (
                f"{choice.name}: trips need {beyond_kwh:,.1f} kWh more than the"
                " battery holds when they begin; that energy is charged elsewhere"
                f"{'' if choice.elsewhere_cost is not None else ' and is not priced here'}."
            )
        if choice.ends_below_kwh > LEAST_KWH:
            yield (
                f"{choice.name}: the battery ends the year with {choice.ends_below_kwh:,.1f} kWh"
                " less than it began with, which would still have to be bought."
            )
        if choice.estimated_kwh > LEAST_KWH:
            yield (
                f"{choice.name}: {choice.estimated_kwh:,.1f} kWh are priced with estimates, because"
                f" no rate is known for those hours{files.get(choice.name, '')}."
            )
