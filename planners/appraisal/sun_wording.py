"""Write down what an appraisal assumes of the home's own roofs and of the weather."""

from __future__ import annotations

from typing import TYPE_CHECKING

from config.calendar.words import listed
from planners.power.home_load import SUN_STEP

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from config.choices.choices_file import ChoicesFile
    from config.choices.own_roof import AppraisedGeneration
    from planners.appraisal.appraisal import ChoiceYear
    from planners.appraisal.choice_case import Case


def about_sun(
    file: ChoicesFile, cases: Sequence[Case], choices: Sequence[ChoiceYear]
) -> Iterator[str]:
    """Say what was assumed of roofs and weather; nothing without a roof.

    Parameters
    ----------
    file : ChoicesFile
        What is declared.
    cases : sequence of Case
        The choices.
    choices : sequence of ChoiceYear
        Their figures.

    Yields
    ------
    str
        Whole sentences.
    """
    generation = file.generation
    with_roof = [each for each in choices if each.roof is not None]
    if generation is None or not with_roof:
        return
    yield _weather(generation, with_roof[0])
    yield (
        "Dull and clear days follow how often each occurs, and how long such days last, as"
        f" published for many places, in a random order (seed {generation.weather.seed}). Within a"
        " day the sky is even. Real clouds come and go, so that charging gets somewhat less of the"
        " sun than this says."
    )
    yield (
        "Plans know the weather of the days ahead, and count on"
        f" {generation.trust_percent:g} % of what the roofs leave then; what was charged is divided"
        " by what they really left. No need waits for the sun past the last cheap hours that would"
        " meet it."
    )
    yield _home_first(file, with_roof[0])
    yield _export(cases)
    own = [each.choice.name for each in cases if each.roof and not each.is_on_home_meter]
    if own:
        yield (
            f"{listed(own)}: the charge points are on a meter of their own, behind which there is"
            " no roof: the sun charges nothing."
        )
    yield (
        f"Nights are planned one by one, in steps of {_step(file)} minutes. Distances between those"
        " that were simulated are taken for a straight line, and the rate at which another choice"
        " would win is found with the plans as they are."
    )


def _weather(generation: AppraisedGeneration, choice: ChoiceYear) -> str:
    weather, roof = generation.weather, choice.roof
    source = f" ({weather.source})" if weather.source else ""
    if weather.yearly_kwh_per_kwp is not None:
        of_what = (
            f"the yield of a year that the file declares{source}, with the seasons of a clear sky"
        )
    else:
        of_what = f"the sun of each month that the file declares{source}"
    gives = "" if roof is None else f"{roof.gives_kwh:,.0f} kWh"
    per_kwp = 0.0 if roof is None else roof.per_kwp_kwh
    return (
        f"The roofs give {gives} in the year, {per_kwp:,.0f} for each kW of peak power: a clear-sky"
        f" model for latitude {generation.latitude:g}, longitude {generation.longitude:g}, dimmed"
        f" to {of_what}. It is a typical year, not a forecast."
    )


def _home_first(file: ChoicesFile, choice: ChoiceYear) -> str:
    left = 0.0 if choice.roof is None else choice.roof.surplus_kwh
    if file.home_use:
        return f"The rest of the home uses the roofs' energy first, which leaves {left:,.0f} kWh."
    return (
        "No home_use is declared, so all that the roofs give counts as left for charging. A real"
        " home uses a good part of it first: declare home_use to take that into account."
    )


def _export(cases: Sequence[Case]) -> str:
    sentence = (
        "A kWh from the roof costs what its export would have earned. What the roofs save and earn"
        " without the vehicle is counted as a difference of the rest of the home."
    )
    paid = [each for each in cases if each.roof is not None]
    unpaid = [each.choice.name for each in paid if each.choice.tariff.export_rate is None]
    if unpaid:
        sentence += f" {listed(unpaid)}: no export_rate is declared, so export earns nothing."
    return sentence


def _step(file: ChoicesFile) -> int:
    return max(file.appraisal.tick_minutes, SUN_STEP)
