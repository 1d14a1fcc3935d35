"""Write the remarks on an appraisal's answer, such as its payback. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.appraise.wording import between, quoted
from daemon.presentation.figures import counted
from planners.appraisal.appraisal import LEAST_KWH

if TYPE_CHECKING:
    from collections.abc import Iterator

    from daemon.appraise.wording import AppraisalWords
    from planners.appraisal.appraisal import ChoiceYear

MARK = " *"
LESS = (
    "* It leaves more nights short, or more to charge elsewhere, than the choice it is compared"
    " with: part of its lower cost is energy that it does not deliver."
)


def remarks(words: AppraisalWords) -> list[str]:
    """Remark on payback, years drawn, short nights and charging elsewhere."""
    return [
        *_payback(words),
        *_years_drawn(words),
        *_nights_short(words),
        *_charged_elsewhere(words),
        *_cheaper_choices(words),
    ]


def mark_of(words: AppraisalWords, choice: ChoiceYear) -> str:
    """Return the mark of a choice that delivers less than the answer; else nothing."""
    return MARK if choice.delivers_less_than(words.cheapest) else ""


def mark_note(words: AppraisalWords) -> list[str]:
    """Explain the mark, if the table has one."""
    others = (words.first, words.cheapest)
    is_marked = any(
        choice.delivers_less_than(other) for choice in words.appraisal.choices for other in others
    )
    return [LESS] if is_marked else []


def _payback(words: AppraisalWords) -> Iterator[str]:
    more = words.cheapest.outlay - words.first.outlay
    if words.cheapest is words.first or more <= 0:
        return
    its = f"Its outlay, {words.money(more)} more than that of {quoted(words.first.name)},"
    years = words.cheapest.payback_years
    if years is None:
        yield f"{its} never pays back."
    else:
        yield f"{its} is paid back after {words.paid_back(years)} years."


def _years_drawn(words: AppraisalWords) -> Iterator[str]:
    """Say in how many of the years drawn the answer is the cheapest."""
    draws = words.appraisal.draws
    if not draws or len(words.appraisal.choices) == 1:
        return
    most = max(words.appraisal.choices, key=lambda choice: choice.cheapest_in)
    own = words.cheapest.cheapest_in
    years = f"f {counted(draws, 'year')} drawn at random around the declared one"
    if own >= most.cheapest_in:
        yield f"O{years}, it is the cheapest in {own:,}."
        return
    none = f"{own:,}" if own else "none"
    yield (
        f"But no two days are alike: o{years}, it is the cheapest in {none}, and"
        f" {quoted(most.name)} in {most.cheapest_in:,}.{_short_when_drawn(words)}"
        f"{_dearer(words, most)}"
    )


def _short_when_drawn(words: AppraisalWords) -> str:
    spread = words.cheapest.spreads.get("nights_short")
    if spread is None or spread.high <= 0:
        return ""
    return f" In these years, {between(spread)} of its nights are short for the departure."


def _dearer(words: AppraisalWords, other: ChoiceYear) -> str:
    """Say how much more the choice costs that wins most of the years drawn."""
    more = other.total_over_years - words.cheapest.total_over_years
    if words.amount(abs(more)) == words.amount(0):
        return f" In the declared year {quoted(other.name)} costs about the same."
    less = "more" if more > 0 else "less"
    name, amount = quoted(other.name), words.money(abs(more))
    return f" In the declared year's figures {name} costs {amount} {less} over {words.years}."


def _nights_short(words: AppraisalWords) -> Iterator[str]:
    if words.cheapest.nights_short:
        yield f"With it, {words.nights_short(words.cheapest)} are short for the departure."


def _charged_elsewhere(words: AppraisalWords) -> Iterator[str]:
    """Say above which price elsewhere another choice would cost less."""
    least = words.cheapest
    better = [
        choice
        for choice in words.as_seldom_short()
        if least.charged_elsewhere_kwh - choice.charged_elsewhere_kwh > LEAST_KWH
    ]
    if better:
        other = min(better, key=lambda choice: _price_elsewhere(words, choice))
        price = _price_elsewhere(words, other)
        kwh = least.charged_elsewhere_kwh - other.charged_elsewhere_kwh
        yield (
            f"With it, {kwh:,.1f} kWh a year more are charged elsewhere than with"
            f" {quoted(other.name)}, and are not priced here: at more than {words.rate(price)}"
            f" there, {quoted(other.name)} would cost less."
        )


def _price_elsewhere(words: AppraisalWords, other: ChoiceYear) -> float:
    """Find the price elsewhere at which both cost the same [currency per kWh]."""
    kwh = words.cheapest.charged_elsewhere_kwh - other.charged_elsewhere_kwh
    more = other.total_over_years - words.cheapest.total_over_years
    return max(0.0, more / words.appraisal.keep_years / kwh)


def _cheaper_choices(words: AppraisalWords) -> Iterator[str]:
    for choice in words.by_total:
        if choice.total_over_years >= words.cheapest.total_over_years:
            return
        saved = words.money(words.cheapest.total_over_years - choice.total_over_years)
        yield (
            f"{quoted(choice.name)} would cost {saved} less, but {words.nights_short(choice)} would"
            " be short for the departure."
        )
