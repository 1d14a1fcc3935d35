"""What belongs beside an appraisal's answer: payback, years drawn, and who delivers less. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.appraise.wording import between, counted, quoted
from planners.appraisal.appraisal import LEAST_KWH

if TYPE_CHECKING:
    from collections.abc import Iterator

    from daemon.appraise.wording import AppraisalWords
    from planners.appraisal.appraisal import ChoiceYear

MARK = " *"
LESS = (
    "* It leaves more nights short, or more to be charged elsewhere, than what it is held against:"
    " part of what it costs less is energy that it does not deliver."
)


def beside(words: AppraisalWords) -> list[str]:
    """List payback, years drawn, nights short, what is charged elsewhere, and what costs less."""
    return [
        *_pays_back(words),
        *_drawn(words),
        *_short_itself(words),
        *_elsewhere(words),
        *_cheaper(words),
    ]


def marked(words: AppraisalWords, choice: ChoiceYear) -> str:
    """Give the mark of a choice that delivers less than the answer; empty where it does not."""
    return MARK if choice.delivers_less_than(words.cheapest) else ""


def marks(words: AppraisalWords) -> list[str]:
    """Tell what the mark in the table says; empty where none is there."""
    others = (words.first, words.cheapest)
    is_marked = any(
        it.delivers_less_than(other) for it in words.appraisal.choices for other in others
    )
    return [LESS] if is_marked else []


def _pays_back(words: AppraisalWords) -> Iterator[str]:
    more = words.cheapest.outlay - words.first.outlay
    if words.cheapest is words.first or more <= 0:
        return
    its = f"Its outlay, {words.money(more)} more than that of {quoted(words.first.name)},"
    years = words.cheapest.payback_years
    if years is None:
        yield f"{its} never pays back."
    else:
        yield f"{its} is paid back after {words.paid_back(years)} years."


def _drawn(words: AppraisalWords) -> Iterator[str]:
    """Tell how the answer fares in the years drawn, where that may change a mind."""
    draws = words.appraisal.draws
    if not draws or len(words.appraisal.choices) == 1:
        return
    most = max(words.appraisal.choices, key=lambda it: it.cheapest_in)
    own = words.cheapest.cheapest_in
    years = f"f {counted(draws, 'year')} drawn at random around the declared one"
    if own >= most.cheapest_in:
        yield f"O{years} it is the cheapest in {own:,}."
        return
    none = f"{own:,}" if own else "none"
    yield (
        f"But no two days are alike: o{years} it is the cheapest in {none}, and"
        f" {quoted(most.name)} in {most.cheapest_in:,}.{_short_when_drawn(words)}"
        f"{_dearer(words, most)}"
    )


def _short_when_drawn(words: AppraisalWords) -> str:
    spread = words.cheapest.spreads.get("nights_short")
    if spread is None or spread.high <= 0:
        return ""
    return f" In these years the need is not met on {between(spread)} of its nights."


def _dearer(words: AppraisalWords, other: ChoiceYear) -> str:
    """Tell what it takes to have the choice that wins the years drawn."""
    more = other.total_over_years - words.cheapest.total_over_years
    if words.amount(abs(more)) == words.amount(0):
        return f" In the declared year {quoted(other.name)} costs about the same."
    less = "more" if more > 0 else "less"
    name, amount = quoted(other.name), words.money(abs(more))
    return f" By the declared year {name} costs {amount} {less} over {words.years}."


def _short_itself(words: AppraisalWords) -> Iterator[str]:
    if words.cheapest.nights_short:
        yield f"With it the need is not met on {words.nights_short(words.cheapest)}."


def _elsewhere(words: AppraisalWords) -> Iterator[str]:
    """Tell where a price elsewhere would make another choice the cheaper one."""
    least = words.cheapest
    better = [
        it
        for it in words.as_seldom_short()
        if least.charged_elsewhere_kwh - it.charged_elsewhere_kwh > LEAST_KWH
    ]
    if better:
        price, other = min(
            ((_price_elsewhere(words, it), it) for it in better), key=lambda it: it[0]
        )
        kwh = least.charged_elsewhere_kwh - other.charged_elsewhere_kwh
        yield (
            f"With it {kwh:,.1f} kWh a year more are charged elsewhere than with"
            f" {quoted(other.name)}, and not priced here: at more than {words.rate(price)} there,"
            f" {quoted(other.name)} would cost less."
        )


def _price_elsewhere(words: AppraisalWords, other: ChoiceYear) -> float:
    """Find the price elsewhere at which both cost the same [currency per kWh in the battery]."""
    kwh = words.cheapest.charged_elsewhere_kwh - other.charged_elsewhere_kwh
    more = other.total_over_years - words.cheapest.total_over_years
    return max(0.0, more / words.appraisal.keep_years / kwh)


def _cheaper(words: AppraisalWords) -> Iterator[str]:
    for choice in words.by_total:
        if choice.total_over_years >= words.cheapest.total_over_years:
            return
        saved = words.money(words.cheapest.total_over_years - choice.total_over_years)
        yield (
            f"{quoted(choice.name)} would cost {saved} less, but the need is not met on"
            f" {words.nights_short(choice)}."
        )
