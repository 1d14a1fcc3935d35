"""The figures of a month's pictures are right, also when the clock changes."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.calendar.account_days import AccountChange
from daemon.month.chart import (
    SMALLEST_BAR,
    Shade,
    axis_begins,
    band_stacks,
    cost_lines,
    days_of,
    joined_shades,
    night_strips,
    rate_keys,
    rule_cost,
)
from daemon.month.pictures import FILLS, LINES, TONES, MonthPictures, draw_month
from daemon.presentation.page_pictures import compact
from planners.rates.spans import RateSpan
from tests.daemon.month.samples import (
    ALONE,
    IDLE,
    PRUNED,
    SHORT,
    at,
    empty_month,
    full_month,
    night_row,
)

FULL = full_month()
LINES_OF_FULL = night_strips(FULL)


def test_every_day_of_the_month_has_its_line() -> None:
    """Even a day without a recorded night, and all days of an empty month."""
    assert [line.night.day for line in LINES_OF_FULL] == list(range(1, 32))
    alone = LINES_OF_FULL[ALONE - 1]
    assert (alone.kwh, alone.shades, alone.lanes) == (None, (), ())
    assert [line.kwh for line in night_strips(empty_month())] == [None] * 28


def test_a_clock_change_shortens_its_night() -> None:
    """Norfolk Island's goes forward at 02:00 on 4 October 2026 (IANA, rule AN)."""
    changes = {it.night.day: (it.hours, it.clock_change) for it in LINES_OF_FULL if it.clock_change}
    assert changes == {3: (23.0, 14.0)}
    shades = LINES_OF_FULL[2].shades
    assert [shade.end for shade in shades] == [5.0, 9.0, 18.0, 22.0, 23.0]


def test_the_repeated_hour_lengthens_its_night() -> None:
    """It goes back at 03:00 on 5 April 2026, 15 hours after noon of the 4th."""
    month = replace(FULL, month=4, nights=(), alerts=())
    strips = night_strips(month)
    changes = {it.night.day: (it.hours, it.clock_change) for it in strips if it.clock_change}
    assert changes == {4: (25.0, 15.0)}


def test_bars_are_where_energy_flowed_and_as_high_as_its_power() -> None:
    """In half-hours since noon; the van's 1.15 kWh against the car's 3.68."""
    first = LINES_OF_FULL[0]
    van, car = first.lanes
    assert [bar.start for bar in van.bars] == [8.5, 9.0, 9.5, 10.0, 10.5, 11.0]
    assert van.bars[0].height == pytest.approx(1.15 / 3.68)
    assert [bar.start for bar in car.bars] == [9.5 + place / 2 for place in range(7)]
    assert car.bars[0].height == 1.0
    assert car.plugged is not None
    assert list(car.plugged) == pytest.approx([6.5, 19 + 1 / 3])


def test_a_little_energy_is_still_visible() -> None:
    """However little flowed in the half-hour."""
    day = date(2026, 10, 1)
    rows = (
        night_row(day, "driveway", "hatchback", 21, 20_000),
        night_row(day, "z", "van", 21, 5),
    )
    small = night_strips(replace(FULL, nights=rows))[0].lanes[1]
    assert [bar.height for bar in small.bars] == [SMALLEST_BAR]


def test_faults_of_a_night_are_marked() -> None:
    """A short night; hours no longer kept, unless nothing was charged."""
    assert [line.night.day for line in LINES_OF_FULL if line.short] == [SHORT]
    assert [line.night.day for line in LINES_OF_FULL if not line.kept] == [PRUNED]
    assert LINES_OF_FULL[IDLE - 1].lanes[1].bars == ()


def test_energy_by_band_adds_up_to_the_month() -> None:
    """Band by band and night by night, the cheapest first."""
    stacks = band_stacks(FULL)
    assert [stack.band for stack in stacks] == ["night", "peak"]
    whole = {line.band: line.wh for line in FULL.by_band}
    for stack in stacks:
        assert round(sum(stack.kwh) * 1000) == whole[stack.band]
    nights = [sum(stack.kwh[place] for stack in stacks) for place in range(31)]
    for day, kwh in zip(days_of(FULL), nights, strict=True):
        wh = sum(row.energy_wh for row in FULL.nights if row.night == day)
        assert round(kwh * 1000) == wh


def test_cost_lines_end_apart_by_the_savings() -> None:
    """Each line ends at the month's cost plus what the rule would have added."""
    ends = {line.rule: line.costs[-1] for line in cost_lines(FULL)}
    assert ends["paid"] == FULL.cost
    assert ends["at_once"] - ends["paid"] == FULL.saved_against_at_once
    assert ends["timer"] - ends["paid"] == FULL.saved_against_timer
    assert FULL.hindsight_would_save == ends["paid"] - ends["hindsight"]
    assert [len(line.costs) for line in cost_lines(FULL)] == [31] * 4


def test_a_rule_that_is_never_known_has_no_line() -> None:
    """Nothing is drawn for it."""
    rows = tuple(replace(row, timer=None) for row in FULL.nights)
    lines = cost_lines(replace(FULL, nights=rows))
    assert [line.rule for line in lines] == ["paid", "at_once", "hindsight"]


@given(st.lists(st.decimals(-5, 50, places=4), min_size=1, max_size=31))
def test_costs_are_running_sums(costs: list[Decimal]) -> None:
    """The step on each day is that day's cost, exactly."""
    start = date(2026, 10, 1)
    row = FULL.nights[0]
    rows = [
        replace(row, night=start + timedelta(days=place), cost=cost)
        for place, cost in enumerate(costs)
    ]
    paid = cost_lines(replace(FULL, nights=tuple(rows)))[0].costs
    steps = [after - before for before, after in zip((Decimal(0), *paid), paid, strict=False)]
    assert steps == costs + [Decimal(0)] * (31 - len(costs))
    assert all(rule_cost(each, "paid") == each.cost for each in rows)


def test_tones_go_from_the_lowest_to_the_highest_rate() -> None:
    """Each band at its rate; for a price series the lowest, middle and highest."""
    keys = rate_keys(FULL)
    assert [(key.band, str(key.rate)) for key in keys] == [
        ("night", "0.1932"),
        ("day", "0.35075"),
        ("peak", "0.4738"),
    ]
    assert [key.tone for key in keys] == [0.0, pytest.approx(0.15755 / 0.2806), 1.0]
    day = date(2026, 10, 1)
    spans = tuple(
        RateSpan(at(day, 12 + hour), at(day, 13 + hour), Decimal(hour - 4), "price", "T", hour > 9)
        for hour in range(24)
    )
    series = replace(FULL, nights=(replace(FULL.nights[0], rates=spans),))
    assert [(key.band, key.rate, key.tone) for key in rate_keys(series)] == [
        ("", Decimal(-4), 0.0),
        ("", Decimal("7.5"), 0.5),
        ("", Decimal(19), 1.0),
    ]
    assert [shade.estimated for shade in night_strips(series)[0].shades].count(True) == 14


# --- what is drawn of it ----------------------------------------------------------------------


def test_the_axis_begins_at_midnight_where_a_day_of_the_account_does() -> None:
    """In the month of a change, each instant still stands over its hour of the clock."""
    changed = replace(FULL, account_changes=(AccountChange(date(2026, 10, 10), "midnight"),))
    assert (axis_begins(FULL), axis_begins(changed)) == (12, 0)
    before, on, after = (night_strips(changed)[day] for day in (8, 9, 10))
    assert (before.hours, before.ends) == (24, 36)
    assert (on.hours, on.ends) == (12, 24)
    assert (after.hours, after.ends) == (24, 24)
    off_by_the_clock = [line.night.day for line in night_strips(changed) if line.clock_change]
    assert off_by_the_clock == [3, 4], "the axis of the fourth begins before the change"
    noon_based, shifted = LINES_OF_FULL[0].shades[0], night_strips(changed)[0].shades[0]
    assert shifted.start - noon_based.start == 12
    assert "00:00" in draw_month(changed).hours.wide


def test_the_picture_of_hours_tells_roof_and_grid_apart() -> None:
    """By a hatch over the share of the bar that came from the roof, and a word in the legend."""
    first, *others = FULL.nights
    flows = tuple(replace(flow, roof_wh=flow.wh // 4) for flow in first.flows)
    month = replace(FULL, nights=(replace(first, flows=flows), *others))
    bars = [bar for lane in night_strips(month)[first.night.day - 1].lanes for bar in lane.bars]
    assert {round(bar.roof_share, 2) for bar in bars} >= {0.25}
    assert "from the roof" in draw_month(month).hours.wide


@pytest.fixture(scope="module")
def pictures() -> MonthPictures:
    return draw_month(FULL)


def boxes(svg: str, fill: str) -> int:
    """Count the boxes filled with a colour, which may share a path."""
    paths = ET.fromstring(svg).iter("path")  # noqa: S314 - our own
    return sum(path.get("d", "").count("M") for path in paths if fill in path.get("style", ""))


def test_the_pictures_draw_every_number(pictures: MonthPictures) -> None:
    """A bar for each half-hour and each band with energy, at both widths."""
    bars = sum(len(lane.bars) for line in LINES_OF_FULL for lane in line.lanes)
    assert bars > 200
    for svg in pictures.hours:
        assert boxes(svg, "#163f5c") in {bars, bars + 1}  # and perhaps one in the legend
    words = "".join(ET.fromstring(pictures.hours.wide).itertext())  # noqa: S314 - our own
    for line in LINES_OF_FULL:
        assert "no night recorded" in words if line.kwh is None else f"{line.kwh:.1f}" in words
    for svg in pictures.cost:
        assert f"paid NZD {FULL.cost_rounded}" in svg


def test_compact_pictures_draw_the_same() -> None:
    """Numbers to a hundredth, of boxes to a tenth; what is no box keeps its corners."""
    box = "M 1.000001 2.5 \nL 4 2.5 \nL 4 3.76 \nL 1.000001 3.76 \nz\n"
    line = "M -0.001 2.004 \nL 4.25 3 \n"
    svg = f'<g id="a">\n <path d="{box}" style="fill: #163f5c"/>\n</g>\n<g id="b"/>\n'
    short = '<g><path d="M1 2.5h3v1.3h-3z" style="fill:#163f5c"/></g>'
    assert compact(svg).strip() == short
    assert compact(f'<path id="c" d="{line}"/><use href="#c"/>') == (
        '<path id="c" d="M0 2L4.25 3"/><use href="#c"/>'
    )


def test_neighbours_of_one_tone_are_drawn_as_one() -> None:
    """They cover the same hours; another tone, a gap or an estimate begins another."""
    tones = [(0, 1, 0.50, False), (1, 2, 0.51, False), (2, 3, 0.8, False), (3, 4, 0.8, True)]
    shades = [Shade(*each) for each in (*tones, (5, 6, 0.8, True))]
    joined = joined_shades(shades, 24)
    assert [each[:2] for each in joined] == [(0, 2), (2, 3), (3, 4), (5, 6)]


def test_the_same_month_is_drawn_the_same(pictures: MonthPictures) -> None:
    """Byte for byte."""
    assert draw_month(FULL) == pictures


def luminance(color: str) -> float:
    """Relative luminance (W3C, Web Content Accessibility Guidelines 2.2, section 8)."""
    parts = [int(color[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [it / 12.92 if it <= 0.04045 else ((it + 0.055) / 1.055) ** 2.4 for it in parts]
    return sum(weight * it for weight, it in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(one: str, other: str) -> float:
    """Contrast ratio by the same section."""
    low, high = sorted([luminance(one), luminance(other)])
    return (high + 0.05) / (low + 0.05)


def test_energy_stands_out_from_every_rate() -> None:
    """By 3:1 at least in brightness (WCAG 2.2, 1.4.11), so also in grey."""
    for tone in (0.0, 0.25, 0.5, 0.75, 1.0):
        red, green, blue, _ = TONES(tone, bytes=True)
        assert contrast("#163f5c", f"#{red:02x}{green:02x}{blue:02x}") >= 3


def test_lines_and_fills_differ_in_more_than_colour() -> None:
    """Lines differ in markers and dashes, fills in hatches; lines are 3:1 on white."""
    looks = list(LINES.values())
    assert len({look[1] for look in looks}) == len({look[2] for look in looks}) == len(looks)
    assert len({hatch for _, hatch in FILLS}) == len(FILLS)
    assert min(contrast(look[0], "#ffffff") for look in looks) >= 3
