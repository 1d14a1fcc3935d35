"""The pictures of an appraisal show every choice, and do not rely on colour."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.fields.distance import KM_PER_MILE
from daemon.appraisal_page.chart import bars_of, curves_of, spread_out, value_at
from daemon.appraisal_page.pictures import LOOKS, OUTLAY, PALE, RUNNING, draw_appraisal
from daemon.appraise.wording import AppraisalWords
from planners.appraisal.appraisal import BreakEven, ChoiceYear
from tests.daemon.appraise.samples import (
    KM,
    POINT,
    SOCKET,
    SOCKET_NIGHT,
    YEARS,
    appraisal,
    choice,
    evens,
    many,
    three,
    total_at,
)
from tests.daemon.month.test_chart import contrast
from tests.support.pages import HOSTILE


def words_in(svg: str) -> str:
    """Return all text of a picture, line after line."""
    texts = ET.fromstring(svg).iter("text")  # noqa: S314 - our own
    return " ".join(" ".join("".join(it.itertext()) for it in texts).split())


def test_bars_are_outlay_and_years() -> None:
    """The two parts add up to the total; words mark the answer and short nights."""
    bars = bars_of(AppraisalWords(appraisal()))
    assert [bar.total for bar in bars] == [it.total_over_years for it in three()]
    assert bars[2].outlay == 1900
    assert bars[2].running == pytest.approx(YEARS * three()[2].year_cost)
    assert [bar.remark for bar in bars] == ["", "12 nights short", "cheapest"]
    assert [bar.cheapest for bar in bars] == [False, False, True]


def test_an_answer_that_costs_more_than_a_shorter_choice_is_not_called_cheapest() -> None:
    """It is called the answer at its bar and at the end of its line."""
    words = AppraisalWords(appraisal(three()[:2], cheapest=SOCKET))
    assert [bar.remark for bar in bars_of(words)] == ["the answer", "12 nights short"]
    assert curves_of(words).lines[0].title == "the answer"


def test_curves_go_through_their_points() -> None:
    """Up to twice today's distance, with the break-even on the answer's line."""
    curves = curves_of(AppraisalWords(appraisal()))
    for line, it in zip(curves.lines, three(), strict=True):
        for km, total in zip(line.distances, line.totals, strict=True):
            assert total == pytest.approx(total_at(it, km))
        assert line.distances[-1] == 2 * KM
    (crossing,) = curves.crossings
    assert (crossing.distance, crossing.rival) == (13_498.2, SOCKET_NIGHT)
    assert crossing.total == pytest.approx(total_at(three()[2], 13_498.2))
    assert crossing.total == pytest.approx(total_at(three()[1], 13_498.2), abs=0.01)


def test_curves_reach_past_the_last_crossing() -> None:
    """But not past what was computed."""
    far = evens(distance_per_year=(BreakEven(KM, 50_000.0, SOCKET_NIGHT),))
    assert curves_of(AppraisalWords(appraisal(break_even=far))).lines[0].distances[-1] == 65_000
    far = evens(distance_per_year=(BreakEven(KM, 79_000.0, SOCKET_NIGHT),))
    assert curves_of(AppraisalWords(appraisal(break_even=far))).lines[0].distances[-1] == 4 * KM


def test_curves_are_in_the_unit_of_the_file() -> None:
    """Miles if the file has miles, energy if no distance is known."""
    assert curves_of(AppraisalWords(appraisal(distance_unit="mile"))).today == KM / KM_PER_MILE
    assert curves_of(AppraisalWords(appraisal(distance_km=None))).today == 3240.0


@given(st.floats(-1e4, 1e5))
def test_a_curve_is_straight_between_its_points(at: float) -> None:
    """And flat beyond its ends."""
    value = value_at([0.0, 10.0, 1000.0], [5.0, 25.0, -1955.0], at)
    inside = min(max(at, 0.0), 1000.0)
    assert value == pytest.approx(5 + 2 * inside if inside <= 10 else 25 - 2 * (inside - 10))


@given(
    st.lists(st.tuples(st.floats(-50, 150), st.floats(0.5, 10)), min_size=1, max_size=9),
)
def test_labels_do_not_overlap_and_stay_inside(labels: list[tuple[float, float]]) -> None:
    """If they fit, none overlaps another, and they keep their order."""
    wanted, heights = [it[0] for it in labels], [it[1] for it in labels]
    placed = spread_out(wanted, heights, 0.0, 100.0)
    spans = sorted(
        (middle - height / 2, middle + height / 2)
        for middle, height in zip(placed, heights, strict=True)
    )
    assert spans[0][0] >= -1e-9
    assert spans[-1][1] <= 100 + 1e-9
    assert all(after[0] >= before[1] - 1e-9 for before, after in pairwise(spans))
    alone = spread_out([30.0, 60.0], [10.0, 10.0], 0.0, 100.0)
    assert alone == [30.0, 60.0]


@pytest.mark.parametrize("count", [1, 8, 11])
def test_the_pictures_name_every_choice(count: int) -> None:
    """Wide and narrow, even with more choices than line styles."""
    it = many(count)
    drawn = draw_appraisal(AppraisalWords(it))
    assert drawn.distances is not None
    for svg in (*drawn.totals, *drawn.distances):
        for each in it.choices:
            assert each.name in words_in(svg)
    for svg in drawn.totals:
        for each in it.choices:
            assert f"NZD {each.total_over_years:,.0f}" in words_in(svg)


def test_the_pictures_mark_today_and_the_crossing() -> None:
    """With their distances, and the answer as the cheapest."""
    drawn = draw_appraisal(AppraisalWords(appraisal()))
    assert drawn.distances is not None
    for svg in drawn.distances:
        assert "now 20,000" in words_in(svg)
        assert "13,498 km" in words_in(svg)
    for svg in drawn.totals:
        assert f"{POINT} (cheapest)" in words_in(svg)
        assert "(12 nights short)" in words_in(svg)


@pytest.mark.parametrize(
    "choices",
    [
        (choice("A", -20, 500, 0), choice("B", 10, 0, 0)),
        (choice("A", 0, 0, 0), choice("B", 0, 0, 0)),
        (choice(HOSTILE, 10, 0, 0), choice("x" * 300, 20, 0, 0)),
    ],
)
def test_unusual_figures_and_names_are_drawn(choices: tuple[ChoiceYear, ...]) -> None:
    """Negative costs, zero costs, names of any kind and length."""
    it = appraisal()
    assert it.break_even is not None
    odd = appraisal(choices, break_even=replace(it.break_even, distance_per_year=()))
    drawn = draw_appraisal(AppraisalWords(odd))
    assert drawn.distances is not None
    for svg in (*drawn.totals, *drawn.distances):
        assert words_in(svg)


def test_without_a_curve_there_is_one_picture() -> None:
    """Only the totals."""
    assert draw_appraisal(AppraisalWords(appraisal(curve=()))).distances is None


def test_the_same_appraisal_is_drawn_the_same() -> None:
    """Byte for byte."""
    first, second = (draw_appraisal(AppraisalWords(appraisal())) for _ in range(2))
    assert first == second


def test_lines_and_fills_differ_in_more_than_colour() -> None:
    """Lines differ in dashes and markers; fills are 3:1 apart (WCAG 2.2, 1.4.11)."""
    assert len({str(look[1]) for look in LOOKS}) == len({look[2] for look in LOOKS}) == len(LOOKS)
    # The colours of the lines are those of the words beside them: 4.5:1 (1.4.3).
    assert min(contrast(look[0], "#ffffff") for look in LOOKS) >= 4.5
    assert OUTLAY[1] != RUNNING[1]
    assert contrast(OUTLAY[0], RUNNING[0]) >= 3


def test_a_line_is_pale_where_its_choice_delivers_less() -> None:
    """From where it begins to leave more nights short than the others."""
    it = appraisal()
    short = tuple((3 if km > KM else 0, 0, 0) for km, _ in it.curve)
    drawn = replace(it, curve_short=short)
    socket, *others = curves_of(AppraisalWords(drawn)).lines
    assert socket.short_from == max(km for km, _ in it.curve if km <= KM)
    assert [line.short_from for line in others] == [None, None]
    assert f"opacity:{PALE}" not in str(draw_appraisal(AppraisalWords(it)).distances)
    assert f"opacity:{PALE}" in str(draw_appraisal(AppraisalWords(drawn)).distances)
