"""Write down what an appraisal assumes of money over the years: interest, growth, maintenance."""

from __future__ import annotations

from typing import TYPE_CHECKING

from config.calendar.words import listed
from planners.worth.lifetime import lifetime_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from config.choices.choices_file import ChoicesFile

WORDS = {
    "energy": "energy",
    "standing_charge": "standing charges",
    "elsewhere": "charging elsewhere",
    "maintenance": "maintenance",
}
"""What grows at a rate of its own, as people call it."""


def about_money(file: ChoicesFile, *, has_series: bool, announced: bool) -> Iterator[str]:
    """Say what was assumed of money over the years.

    Parameters
    ----------
    file : ChoicesFile
        What is declared.
    has_series, announced : bool
        Whether a tariff is a price series, or has announced days.

    Yields
    ------
    str
        Whole sentences.
    """
    lifetime = lifetime_of(file.appraisal)
    repeats = "; a price series repeats every year" if has_series else ""
    repeats += "; announced days repeat every year" if announced else ""
    years = f"{lifetime.keep_years:g} {'year' if lifetime.keep_years == 1 else 'years'}"
    growing = {part: by for part, by in lifetime.growth_percent.items() if by}
    still = [words for part, words in WORDS.items() if part not in growing]
    if not growing:
        yield f"Rates, standing charges and outlays stay the same for {years}{repeats}."
    elif not still and len(set(growing.values())) == 1:
        by = growing["energy"]
        yield f"The first year has the prices declared; then all grow by {by:g} % a year{repeats}."
    else:
        grow = listed([f"{WORDS[part]} by {by:g} % a year" for part, by in growing.items()])
        verb = "stays" if len(still) == 1 else "stay"
        stay = f"; {listed(still)} {verb} the same" if still else ""
        yield f"Prices of the first year are as declared. Then they grow: {grow}{stay}{repeats}."
    if lifetime.interest_percent:
        yield (
            f"What is paid later counts less, by {lifetime.interest_percent:g} % interest a year;"
            " each year's costs count at its end, as is usual in life-cycle costing."
        )
    else:
        yield "Interest is not counted: interest_percent under appraisal would count it."
    if growing and lifetime.interest_percent:
        yield (
            "Interest and growth belong together: either both are with inflation, or both without."
        )
    if any(choice.maintenance for choice in file.choices):
        yield (
            "Maintenance is paid at the end of each of its intervals within these years; a year's"
            " total has its mean."
        )
