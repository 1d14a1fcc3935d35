"""Compute the figures of an appraisal's pictures, before anything is drawn. Pure."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Sequence

    from daemon.appraise.wording import AppraisalWords
    from planners.appraisal.appraisal import ChoiceYear

LEAST_SPAN, BEYOND = 2.0, 1.3
"""The picture of distances goes to twice today's, or 1.3 times the last crossing."""


class ChoiceBar(NamedTuple):
    """One choice: its outlay less grants, and the cost of its years together [currency]."""

    name: str
    remark: str
    outlay: float
    running: float
    cheapest: bool

    @property
    def total(self) -> float:
        """The sum of both [currency]."""
        return self.outlay + self.running


class ChartLine(NamedTuple):
    """One choice's total over the years [currency] by distance [unit of words].

    From `short_from` on it leaves more nights short than another, so that it delivers less. `title`
    is what the answer is called.
    """

    name: str
    cheapest: bool
    distances: tuple[float, ...]
    totals: tuple[float, ...]
    short_from: float | None = None
    title: str = ""


class Crossing(NamedTuple):
    """Where a rival takes the answer's place: the distance and the answer's total."""

    distance: float
    total: float
    rival: str


class Curves(NamedTuple):
    """Total by distance, or by energy if no distance is known."""

    lines: tuple[ChartLine, ...]
    crossings: tuple[Crossing, ...]
    today: float


def bars_of(words: AppraisalWords) -> tuple[ChoiceBar, ...]:
    """Lay out the total of each choice, in the file's order."""
    return tuple(
        ChoiceBar(
            choice.name,
            ", ".join(_remarks(words, choice)),
            max(0.0, choice.outlay_left),
            choice.total_over_years - max(0.0, choice.outlay_left),
            choice is words.cheapest,
        )
        for choice in words.appraisal.choices
    )


def _remarks(words: AppraisalWords, choice: ChoiceYear) -> list[str]:
    alone = len(words.appraisal.choices) == 1
    remarks = [words.title] if choice is words.cheapest and not alone else []
    if choice.roof is not None:
        roof, grid = f"{choice.roof_kwh:,.0f} kWh", f"{choice.grid_kwh:,.0f}"
        remarks.append(f"{roof} a year from the roof, {grid} from the grid")
    return [*remarks, *([f"{choice.nights_short} nights short"] if choice.nights_short else [])]


def curves_of(words: AppraisalWords) -> Curves:
    """Lay out total by distance, as far as the picture goes.

    Parameters
    ----------
    words : AppraisalWords
        Of an appraisal that has a curve.

    Returns
    -------
    Curves
        Distances in the file's unit [km or miles], or energies [kWh] if no distance is known.
    """
    appraisal = words.appraisal
    even = appraisal.break_even
    found = [each for each in even.distance_per_year if each.at is not None] if even else []
    today = appraisal.trips_kwh if appraisal.distance_km is None else appraisal.distance_km
    last = max([LEAST_SPAN * today, *(BEYOND * (each.at or 0.0) for each in found)])
    places, totals = [at for at, _ in appraisal.curve], [total for _, total in appraisal.curve]
    lines = []
    for number, choice in enumerate(appraisal.choices):
        own = [total[number] for total in totals]
        kept = [*(at for at in places if at < last), min(last, places[-1])]
        lines.append(
            ChartLine(
                choice.name,
                choice is words.cheapest,
                tuple(words.in_unit(at) for at in kept),
                tuple(value_at(places, own, at) for at in kept),
                _short_from(words, places, number),
                words.title,
            )
        )
    answer = [total[appraisal.choices.index(words.cheapest)] for total in totals]
    crossings = tuple(
        Crossing(words.in_unit(at), value_at(places, answer, at), each.rival or "")
        for each in found
        for at in [each.at or 0.0]
    )
    return Curves(tuple(lines), crossings, words.in_unit(today))


def _short_from(words: AppraisalWords, places: Sequence[float], number: int) -> float | None:
    """Find the distance from which a choice leaves more nights short than others."""
    short = words.appraisal.curve_short
    for at, (before, after) in zip(places, pairwise(short), strict=False):
        if before[number] == min(before) and after[number] > min(after):
            return words.in_unit(at)
    return None


def value_at(places: Sequence[float], values: Sequence[float], at: float) -> float:
    """Read a curve between its points; beyond its ends it is flat.

    Parameters
    ----------
    places, values : sequence of float
        The points, places rising.
    at : float
        Where.

    Returns
    -------
    float
        The value on the straight line between the two points beside it.
    """
    if at <= places[0]:
        return values[0]
    for (left, low), (right, high) in pairwise(zip(places, values, strict=True)):
        if at <= right:
            return low + (high - low) * (at - left) / (right - left)
    return values[-1]


def spread_out(
    wanted: Sequence[float], heights: Sequence[float], least: float, most: float
) -> list[float]:
    """Move labels apart, as little as possible, so that none overlaps another.

    Parameters
    ----------
    wanted : sequence of float
        The best position for the middle of each label.
    heights : sequence of float
        The height of each, in the same unit.
    least, most : float
        The ends of the available room.

    Returns
    -------
    list of float
        The middle of each, in the order given; within the room if they fit in it.
    """
    order = sorted(range(len(wanted)), key=lambda place: wanted[place])
    placed = [0.0] * len(wanted)
    free = least
    for place in order:
        half = heights[place] / 2
        placed[place] = max(wanted[place], free + half)
        free = placed[place] + half
    free = most
    for place in reversed(order):
        half = heights[place] / 2
        placed[place] = min(placed[place], free - half)
        free = placed[place] - half
    return placed
