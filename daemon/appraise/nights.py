"""Write what an appraisal says about short nights and the longest day. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.appraise.wording import between

if TYPE_CHECKING:
    from collections.abc import Iterator

    from daemon.appraise.wording import AppraisalWords
    from planners.appraisal.appraisal import ChoiceYear


def longest_days(words: AppraisalWords) -> list[str]:
    """Write for each choice the longest day's drive that one usual night recharges."""
    return [
        f"{choice.name}: {_longest(words, choice)}"
        for choice in words.appraisal.choices
        if choice.longest_day_km is not None
    ]


def _longest(words: AppraisalWords, choice: ChoiceYear) -> str:
    whole = f"{words.day(choice.longest_day_km or 0.0)} {words.day_unit}"
    cheap = choice.cheap_hours_km
    if cheap is None or words.day(cheap) == words.day(choice.longest_day_km or 0.0):
        return f"{whole}."
    if words.day(cheap) == "0":
        return f"{whole}, none of it in the cheapest band: a usual night has no hour of it."
    return f"{whole}, of which {words.day(cheap)} {words.day_unit} in the cheapest band alone."


def nights_short(words: AppraisalWords) -> list[str]:
    """Write for each choice that leaves nights short: how many, and by how much."""
    lines = [line for choice in words.appraisal.choices for line in _short_of(words, choice)]
    return lines or ["With every choice, each night has enough for the departure."]


def _short_of(words: AppraisalWords, choice: ChoiceYear) -> Iterator[str]:
    spread = choice.spreads.get("nights_short")
    drawn = spread is not None and spread.high > 0
    if choice.nights_short:
        yield (
            f"{choice.name}: {words.nights_short(choice)} are short for the departure:"
            f" {choice.shortfall_kwh:,.1f} kWh at the meter in all,"
            f" {choice.worst_shortfall_kwh:.1f} kWh on the worst night."
        )
    elif drawn:
        yield f"{choice.name}: in the declared year every night has enough for the departure."
    if spread is not None and drawn:
        nights = between(spread)
        yield f"{choice.name}: in the years drawn, {nights} nights a year are short."
