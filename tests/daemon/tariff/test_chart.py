"""The figures of a picture against the spans and periods that they come from."""

from __future__ import annotations

from datetime import UTC, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.tariff.chart import (
    Run,
    band_labels,
    clock_marks,
    during,
    estimated_of,
    runs_of,
    steps_of,
    vertical_range,
)
from planners.plan.plan import Period
from planners.rates.spans import RateSpan
from tests.daemon.tariff.weeks import week_of
from tests.planners.planned import utc

START = utc("2026-06-03T06:30:00")
HALF = timedelta(minutes=30)


@st.composite
def contiguous(draw: st.DrawFn) -> list[RateSpan]:
    """Spans of whole minutes, one after the other."""
    spans: list[RateSpan] = []
    for _ in range(draw(st.integers(1, 12))):
        start = spans[-1].end if spans else START
        end = start + timedelta(minutes=draw(st.integers(1, 300)))
        rate = draw(st.decimals("-0.5", "1", places=4))
        spans.append(RateSpan(start, end, rate, "band", "Tariff", draw(st.booleans())))
    return spans


@given(spans=contiguous())
def test_the_line_has_exactly_the_values_of_the_spans(spans: list[RateSpan]) -> None:
    """One step for each span, at its rate, from its start to its end."""
    line = steps_of(spans, START)
    assert [Decimal(str(rate)) for rate in line.rates] == [span.rate for span in spans]
    minutes = [round(60 * edge, 6) for edge in line.edges]
    edges = [*(span.start for span in spans), spans[-1].end]
    assert minutes == [(edge - START) / timedelta(minutes=1) for edge in edges]


@given(spans=contiguous())
def test_estimates_are_the_same_line_where_it_is_estimated(spans: list[RateSpan]) -> None:
    """Each estimated step of the line once, and no known step."""
    line = steps_of(spans, START)
    steps = zip(line.edges, line.edges[1:], line.rates, strict=False)
    estimated_steps = [step for step, span in zip(steps, spans, strict=True) if span.estimated]
    found = [
        step
        for part in estimated_of(spans, START)
        for step in zip(part.edges, part.edges[1:], part.rates, strict=False)
    ]
    assert found == estimated_steps


@given(spans=contiguous(), data=st.data())
def test_a_period_is_filled_at_its_rates(spans: list[RateSpan], data: st.DataObject) -> None:
    """All spans between two instants, cut at both ends, each at its own rate."""
    minutes = (spans[-1].end - START) // timedelta(minutes=1)
    first = data.draw(st.integers(0, minutes - 1))
    last = data.draw(st.integers(first + 1, minutes))
    start, end = (START + timedelta(minutes=each) for each in (first, last))
    parts = during(spans, start, end)
    assert [part.start for part in parts] == [start, *(part.end for part in parts[:-1])]
    assert parts[-1].end == end
    for part in parts:
        (span,) = [span for span in spans if span.start <= part.start < span.end]
        assert (part.rate, part.estimated) == (span.rate, span.estimated)
        assert part.end <= span.end


def test_periods_at_one_current_are_one_run() -> None:
    """A change of rate does not split a run; another current, or a rest, does."""
    places = [(0, 1, 16.0), (1, 3, 16.0), (3, 4, 10.0), (5, 6, 10.0)]
    periods = [
        Period(START + first * HALF, START + last * HALF, amps, 1.0, 0.1, "band")
        for first, last, amps in places
    ]
    assert runs_of(periods) == [
        Run(START, START + 3 * HALF, 16.0),
        Run(START + 3 * HALF, START + 4 * HALF, 10.0),
        Run(START + 5 * HALF, START + 6 * HALF, 10.0),
    ]
    assert runs_of([]) == []


def test_a_band_is_named_at_its_longest_span() -> None:
    """Wed 3 June 2026: night before 07:00, day, and the first of two equal peaks."""
    (day,) = week_of("2026-06-03", 1).days
    labels = band_labels(day.spans, day.start)
    assert [(label.band, label.start, label.end) for label in labels] == [
        ("night", 0.0, 7.0),
        ("peak", 7.0, 11.0),
        ("day", 11.0, 17.0),
    ]
    assert [label.rate for label in labels] == [0.1932, 0.4738, 0.35075]


@pytest.mark.parametrize(
    ("zone", "first", "most", "hours"),
    [
        ("Pacific/Auckland", "2026-06-03", 10, [0, 3, 6, 9, 12, 15, 18, 21, 0]),
        ("Pacific/Auckland", "2026-04-05", 40, [0, 1, 2, 2, *range(3, 24), 0]),
        ("Pacific/Auckland", "2026-09-27", 40, [0, 1, *range(3, 24), 0]),
        ("Asia/Kathmandu", "2026-06-03", 5, [0, 6, 12, 18, 0]),
        ("Australia/Lord_Howe", "2026-10-04", 5, [0, 6, 12, 18, 0]),
        ("Pacific/Auckland", "2026-06-03", 1, [0, 0]),
    ],
)
def test_full_hours_are_marked_where_the_clock_shows_them(
    zone: str, first: str, most: int, hours: list[int]
) -> None:
    """Each at the place of its instant; a skipped hour has none, a repeated hour two."""
    (day,) = week_of(first, 1, zone=zone).days
    marks = clock_marks(day.start, day.end, ZoneInfo(zone), most)
    assert [mark.instant.hour for mark in marks] == hours
    for mark in marks:
        assert mark.instant.minute == 0
        assert day.start + mark.place * timedelta(hours=1) == mark.instant.astimezone(UTC)


@given(spans=contiguous())
def test_the_axis_holds_zero_and_all_rates(spans: list[RateSpan]) -> None:
    """The axis begins at zero or below it, and ends above the highest rate."""
    low, high = vertical_range(spans, headroom=0.3)
    assert low <= 0 < high
    assert all(low <= span.rate < high or span.rate == high == 0 for span in spans)


def test_free_energy_has_an_axis_too() -> None:
    """Where all rates are zero, the axis still has a height."""
    span = RateSpan(START, START + HALF, Decimal(0), "band", "Tariff", estimated=False)
    assert vertical_range([span], headroom=0.3) == (0.0, 0.3)
