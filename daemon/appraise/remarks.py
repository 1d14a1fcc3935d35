"""Write the remarks on an appraisal's answer, such as its payback. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.appraise.wording import between, quoted
from daemon.presentation.figures import counted
from planners.appraisal.ranking import LEAST_KWH

if TYPE_CHECKING:
    from collections.abc import Iterator

    from daemon.appraise.wording import AppraisalWords
    from planners.appraisal.appraisal import ChoiceYear
    from planners.worth.lifetime import Lifetime

MARK = " *"
LESS = (
    "* It leaves more nights short, or more to charge elsewhere without a price, than the choice it"
    " is compared with: part of its lower cost is energy that it does not deliver."
)

BELOW_ZERO = (
    "A total below 0 is what the roof saves and earns beyond all that the choice costs more than"
    " the first one."
)

LEAST_SUN_KWH = 0.5
"""Less than this from the roof in a year is called nothing [kWh]."""

ROUNDED = (
    "Parts are rounded so that they add up to their total as it is shown, and differences are"
    " between totals as they are shown. CSV and JSON are not rounded so."
)


def remarks(words: AppraisalWords) -> list[str]:
    """Remark on payback, interest, sun, years drawn, nights short, and choices that cost less."""
    return [
        *_payback(words),
        *_worth_today(words),
        *_sun(words),
        *_years_drawn(words),
        *_nights_short(words),
        *_cheaper_choices(words),
        *_price_missing(words),
    ]


def mark_of(words: AppraisalWords, choice: ChoiceYear) -> str:
    """Return the mark of a choice that delivers less than the answer; else nothing."""
    return MARK if choice.delivers_less_than(words.cheapest) else ""


def notes(words: AppraisalWords) -> list[str]:
    """Explain the table of figures: what totals count, rounding, ranges, and the mark."""
    below = any(choice.roof and choice.year_cost < 0 for choice in words.appraisal.choices)
    explained = (
        words.counted_in_totals(),
        *words.differences(),
        BELOW_ZERO if below else "",
        ROUNDED,
        words.ranges(),
        *mark_note(words),
    )
    return [note for note in explained if note]


def mark_note(words: AppraisalWords) -> list[str]:
    """Explain the mark, if the table has one."""
    others = (words.first, words.cheapest)
    is_marked = any(
        choice.delivers_less_than(other) for choice in words.appraisal.choices for other in others
    )
    return [LESS] if is_marked else []


def _payback(words: AppraisalWords) -> Iterator[str]:
    more = words.cheapest.outlay_left - words.first.outlay_left
    if words.cheapest is words.first or more <= 0:
        return
    granted = any(choice.grants for choice in (words.cheapest, words.first))
    its = (
        f"Its outlay, {words.money(more)} more than that of {quoted(words.first.name)}"
        f"{' after grants' if granted else ''},"
    )
    years, lifetime = words.cheapest.payback_years, words.appraisal.lifetime
    if years is None:
        yield f"{its} never pays back."
        return
    said = f"{its} is paid back after {words.paid_back(years)} years"
    if lifetime.is_plain:
        yield f"{said}."
        return
    within = words.cheapest.discounted_payback_years
    counting = _counting(lifetime)
    if within is None:
        then = f"but not within {words.years}"
    else:
        then = f"and after {words.paid_back(within)} years"
    yield f"{said} at the first year's saving, {then} counting {counting}."


def _counting(lifetime: Lifetime) -> str:
    counted_in = ["interest"] if lifetime.interest_percent else []
    if any(lifetime.growth_percent.values()):
        counted_in.append("the growth of prices")
    return " and ".join(counted_in)


def _worth_today(words: AppraisalWords) -> Iterator[str]:
    """Explain what interest does to the totals."""
    lifetime = words.appraisal.lifetime
    if not lifetime.interest_percent:
        return
    last = f", and after {words.years} as {100 * lifetime.discount(lifetime.keep_years):.2f}"
    last = "" if lifetime.keep_years == 1 else last
    yield (
        f"Totals are what the payments of {words.years} are worth today (their present value): at"
        f" {lifetime.interest_percent:g} % interest a year, {words.appraisal.currency} 100 paid"
        f" after one year counts as {100 * lifetime.discount(1):.2f}{last}."
    )


def _sun(words: AppraisalWords) -> Iterator[str]:
    """Say of each choice with a roof what the sun charges, and what that costs."""
    for choice in words.by_total:
        roof = choice.roof
        if roof is None:
            continue
        if roof.kwh < LEAST_SUN_KWH:
            yield f"With {quoted(choice.name)}, nothing is charged from the roof."
            continue
        yield (
            f"With {quoted(choice.name)}, {roof.kwh:,.0f} kWh are from the roof, whose export would"
            f" have earned {words.money(roof.cost)}, and {choice.grid_kwh:,.0f} kWh from the grid,"
            f" for {words.money(roof.grid_cost)}. All from the grid in the same hours would have"
            f" cost {words.money(roof.all_grid_cost)}."
        )


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
    more = words.between(other.total_over_years, words.cheapest.total_over_years)
    if not more:
        return f" In the declared year {quoted(other.name)} costs about the same."
    less = "more" if more > 0 else "less"
    name, amount = quoted(other.name), words.money(abs(more))
    return f" In the declared year's figures {name} costs {amount} {less} over {words.years}."


def _nights_short(words: AppraisalWords) -> Iterator[str]:
    if words.cheapest.nights_short:
        yield f"With it, {words.nights_short(words.cheapest)} are short for the departure."


def _cheaper_choices(words: AppraisalWords) -> Iterator[str]:
    """Say what speaks against each choice that costs less."""
    for choice in words.by_total:
        saved = words.cheapest.total_over_years - choice.total_over_years
        less = words.between(words.cheapest.total_over_years, choice.total_over_years)
        amount, more_kwh = words.money(less), choice.unpriced_above(words.cheapest)
        if less <= 0:
            return
        if choice.nights_short > words.cheapest.nights_short:
            yield (
                f"{quoted(choice.name)} would cost {amount} less, but {words.nights_short(choice)}"
                " would be short for the departure."
            )
        elif more_kwh:
            price = words.rate(saved / words.appraisal.lifetime.factor("elsewhere") / more_kwh)
            shown = round(choice.elsewhere_kwh, 1) - round(words.cheapest.elsewhere_kwh, 1)
            yield (
                f"{quoted(choice.name)} would cost {amount} less, but with it {shown:,.1f} kWh a"
                f" year more go into the battery elsewhere. At less than {price} there it would"
                " cost less all the same."
            )


def _price_missing(words: AppraisalWords) -> Iterator[str]:
    """Ask for the price elsewhere, if a choice needs it and the file gives none."""
    most = max(words.appraisal.choices, key=lambda choice: choice.elsewhere_kwh)
    if words.appraisal.elsewhere_rate is not None or most.elsewhere_kwh <= LEAST_KWH:
        return
    yield (
        f"What a kWh costs elsewhere is not known, and with {quoted(most.name)}"
        f" {most.elsewhere_kwh:,.1f} kWh a year go into the battery there. Add elsewhere_rate to"
        " the section appraisal of the file: then all choices are compared for the same energy."
        " Without it, only those that leave the least to be charged elsewhere can win."
    )
