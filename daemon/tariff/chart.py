"""Compute what a picture shows: steps, runs of charging, labels, hours. Pure."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from itertools import groupby
from typing import TYPE_CHECKING, NamedTuple

from planners.rates.series_rates import BAND

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from planners.plan.plan import Period
    from planners.rates.prices import RateSpan

HOUR = timedelta(hours=1)
QUARTER = timedelta(minutes=15)
MARK_HOURS = (1, 2, 3, 6, 12, 24)


class Steps(NamedTuple):
    """Rates over time, as a line with steps.

    Attributes
    ----------
    edges : tuple of float
        Start of each rate, and end of the last one [hours since an origin].
    rates : tuple of float
        Tax included [currency per kWh]; one fewer than the edges.
    """

    edges: tuple[float, ...]
    rates: tuple[float, ...]


class Run(NamedTuple):
    """A time of charging at one current [A]; the rate may change in it."""

    start: datetime
    end: datetime
    amps: float


class Label(NamedTuple):
    """The place of a band's name, from `start` to `end` [hours since an origin]."""

    start: float
    end: float
    rate: float
    band: str


class Mark(NamedTuple):
    """A full hour of the local clock, and its place [hours since an origin]."""

    place: float
    instant: datetime


def hours_since(origin: datetime, instant: datetime) -> float:
    """Return the time from `origin` to `instant`, across clock changes too [hours]."""
    return (instant - origin) / HOUR


def steps_of(spans: Sequence[RateSpan], origin: datetime) -> Steps:
    """Turn contiguous spans into a line with steps.

    Parameters
    ----------
    spans : sequence of RateSpan
        Contiguous, at least one.
    origin : datetime
        Instant from which the hours are counted.

    Returns
    -------
    Steps
        One step for each span.
    """
    instants = [*(span.start for span in spans), spans[-1].end]
    return Steps(
        tuple(hours_since(origin, instant) for instant in instants),
        tuple(float(span.rate) for span in spans),
    )


def estimated_of(spans: Sequence[RateSpan], origin: datetime) -> list[Steps]:
    """List the times with estimated rates, each as a line with steps."""
    groups = groupby(spans, lambda span: span.estimated)
    return [steps_of(list(group), origin) for estimated, group in groups if estimated]


def during(spans: Sequence[RateSpan], start: datetime, end: datetime) -> list[RateSpan]:
    """Cut spans to what lies between two instants.

    Parameters
    ----------
    spans : sequence of RateSpan
        In order of time.
    start, end : datetime
        Aware, in order.

    Returns
    -------
    list of RateSpan
        In order of time.
    """
    return [
        replace(span, start=max(start, span.start), end=min(end, span.end))
        for span in spans
        if span.start < end and start < span.end
    ]


def runs_of(periods: Sequence[Period]) -> list[Run]:
    """Join adjacent periods that have the same current.

    Parameters
    ----------
    periods : sequence of Period
        In order of time.

    Returns
    -------
    list of Run
        In order of time.
    """
    runs: list[Run] = []
    for period in periods:
        start = period.start
        if runs and (runs[-1].end, runs[-1].amps) == (start, period.amps):
            start = runs.pop().start
        runs.append(Run(start, period.end, period.amps))
    return runs


def band_labels(spans: Sequence[RateSpan], origin: datetime) -> list[Label]:
    """Find the longest span of each band at each of its rates.

    Parameters
    ----------
    spans : sequence of RateSpan
        In order of time.
    origin : datetime
        Instant from which the hours are counted.

    Returns
    -------
    list of Label
        One for each band and rate, in order of their first span; none for a price series.
    """
    longest: dict[tuple[str, object], RateSpan] = {}
    for span in spans:
        best = longest.setdefault((span.band, span.rate), span)
        if span.end - span.start > best.end - best.start:
            longest[span.band, span.rate] = span
    return [
        Label(
            hours_since(origin, span.start),
            hours_since(origin, span.end),
            float(span.rate),
            span.band,
        )
        for span in longest.values()
        if span.band != BAND
    ]


def clock_marks(start: datetime, end: datetime, zone: ZoneInfo, most: int) -> list[Mark]:
    """Choose the full hours of the local clock to mark on an axis.

    Parameters
    ----------
    start, end : datetime
        UTC, in order; places are counted from `start`.
    zone : ZoneInfo
        The household's zone. A skipped hour has no mark, a repeated hour has two.
    most : int
        Greatest number of marks, unless one a day already exceeds it.

    Returns
    -------
    list of Mark
        In order, at even steps of the clock.
    """
    # In every zone, full hours fall on quarters of an hour in UTC.
    first = start + (start.replace(minute=0, second=0, microsecond=0) - start) % QUARTER
    instants = [first + place * QUARTER for place in range((end - first) // QUARTER + 1)]
    local = [instant.astimezone(zone) for instant in instants]
    full = [each for each in local if each.minute == 0]
    choices = [[each for each in full if each.hour % hours == 0] for hours in MARK_HOURS]
    chosen = next((choice for choice in choices if len(choice) <= most), choices[-1])
    return [Mark(hours_since(start, each), each) for each in chosen]


def vertical_range(spans: Sequence[RateSpan], headroom: float) -> tuple[float, float]:
    """Choose where the axis of rates begins and ends; it always includes zero.

    Parameters
    ----------
    spans : sequence of RateSpan
        Every span that is drawn, at least one.
    headroom : float
        Room for labels above the highest rate, as a share of the range.

    Returns
    -------
    tuple of float
        Lowest and highest value of the axis [currency per kWh].
    """
    rates = [0.0, *(float(span.rate) for span in spans)]
    low, high = min(rates), max(rates)
    height = high - low or 1.0
    return low - (0.06 * height if low < 0 else 0.0), high + headroom * height
