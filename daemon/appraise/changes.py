"""Say what would make another choice the answer of an appraisal. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from config.home.generation import ROOF
from daemon.appraise.wording import quoted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from daemon.appraise.wording import AppraisalWords
    from planners.appraisal.appraisal import BreakEven

ELSE = (
    "Each change alone, with all else as it is. A choice also loses its place if it leaves more"
    " nights short than another, or more to charge elsewhere without a price."
)


def changes(words: AppraisalWords) -> list[str]:
    """List the changes that would make another choice the answer, each on its own."""
    even = words.appraisal.break_even
    if even is None:
        return ["Nothing: there is no other choice."]
    return [*_distance_changes(words), _rate_change(words), _outlay_change(words, even.outlay)]


def all_else(words: AppraisalWords) -> list[str]:
    """Say what applies to every change; nothing if there is no other choice."""
    return [ELSE] if words.appraisal.break_even else []


def _distance_changes(words: AppraisalWords) -> Iterator[str]:
    even = words.appraisal.break_even
    found = [change for change in even.distance_per_year if change.at is not None] if even else []
    what = " used for driving" if words.unit == "kWh" else ""
    for change in found:
        yield (
            f"{_side(change).capitalize()} {words.driven(change.at or 0.0)}{what} a year"
            f" ({words.driven(change.now)} now), {quoted(change.rival)} would take its place"
            f"{_by_shortage(words, change)}."
        )
    sides = {_side(change) for change in found}
    if words.appraisal.curve and len(sides) <= 1:
        yield f"{_other_distances(words, sides)} would not change it."


def _by_shortage(words: AppraisalWords, change: BreakEven) -> str:
    name = quoted(words.cheapest.name)
    if change.by_shortage:
        return f", since {name} would leave more nights short"
    return f", since {name} would leave more to be charged elsewhere" if change.by_elsewhere else ""


def _other_distances(words: AppraisalWords, sides: set[str]) -> str:
    """Name the range of distances that changes nothing."""
    least, most = (words.driven(words.appraisal.curve[place][0]) for place in (0, -1))
    if not sides:
        return f"Driving more or less, from {least} to {most} a year,"
    return (
        f"Driving more, up to {most} a year,"
        if sides == {"below"}
        else f"Driving less, down to {least} a year,"
    )


def _rate_change(words: AppraisalWords) -> str:
    even = words.appraisal.break_even
    if even is None:
        return ""
    change, tariff = even.rate, words.cheapest.tariff
    if _by_series(words):
        return _price_change(words, change)
    what = f"the rate of {quoted(even.rate_band)} in {quoted(tariff)}"
    if change.at is None:
        return f"No change of {what} would change it ({words.rate(change.now)} now){_alone(words)}."
    tiers = ", its other tiers changed alike" if _by_tiers(words, even.rate_band) else ""
    return (
        f"With {what} {_side(change)} {words.rate(change.at)}"
        f" ({words.fine(change.now)} now{tiers}),"
        f" {quoted(change.rival)} would cost less{_odd(change.at)}."
    )


def _alone(words: AppraisalWords) -> str:
    """Say why nothing would change it, if every other choice delivers less."""
    others = [choice for choice in words.appraisal.choices if choice is not words.cheapest]
    if any(not other.delivers_less_than(words.cheapest) for other in others):
        return ""
    if all(other.nights_short > words.cheapest.nights_short for other in others):
        return ", since every other choice leaves more nights short"
    return ", since every other choice delivers less"


def _by_tiers(words: AppraisalWords, band: str) -> bool:
    return sum(each.band == band for each in words.cheapest.by_band) > 1


def _by_series(words: AppraisalWords) -> bool:
    """Whether the answer's tariff is a price series."""
    bought = [band for band in words.cheapest.by_band if band.band != ROOF]
    return bool(bought) and all(band.rate is None for band in bought)


def _price_change(words: AppraisalWords, change: BreakEven) -> str:
    """Say which change of every price of a series would change it."""
    tariff = words.cheapest.tariff
    if change.at is None:
        return f"No change of all prices of {quoted(tariff)} alike would change it{_alone(words)}."
    way = "dearer" if change.at > change.now else "cheaper"
    by = words.rate(abs(change.at - change.now))
    return (
        f"With every price of {quoted(tariff)} {way} by more than {by},"
        f" {quoted(change.rival)} would cost less."
    )


def _outlay_change(words: AppraisalWords, change: BreakEven) -> str:
    name, now = quoted(words.cheapest.name), words.money(change.now)
    if change.at is None:
        return f"No outlay for {name} would change it ({now} now){_alone(words)}."
    if change.at >= change.now:
        return (
            f"With an outlay of more than {words.money(change.at)} for {name}"
            f" ({words.amount(change.now)} now), {quoted(change.rival)} would cost less."
        )
    if change.at < 0:
        return f"Even without any outlay it would cost more than {quoted(change.rival)}."
    return (
        f"Its outlay ({now} now) would have to come down to {words.money(change.at)} for it to cost"
        f" no more than {quoted(change.rival)}."
    )


def in_short(words: AppraisalWords) -> str:
    """Say in one sentence at which figures the answer changes; empty if at none."""
    even = words.appraisal.break_even
    if even is None:
        return ""
    parts = [
        f"{_side(change)} {words.driven(change.at)} a year"
        for change in even.distance_per_year
        if change.at is not None
    ]
    if even.rate.at is not None and not _by_series(words):
        parts.append(
            f"with the rate of {even.rate_band} {_side(even.rate)} {words.rate(even.rate.at)}"
        )
    if even.outlay.at is not None and even.outlay.at >= even.outlay.now:
        parts.append(f"with an outlay above {words.money(even.outlay.at)}")
    return f"It would lose its place {', or '.join(parts)}." if parts else ""


def _side(change: BreakEven) -> str:
    return "below" if change.at is not None and change.at < change.now else "above"


def _odd(rate: float) -> str:
    return "; that is a rate below zero" if rate < 0 else ""
