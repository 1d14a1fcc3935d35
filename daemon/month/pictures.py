"""Draw a month's pictures as SVG for its page.

Nothing relies on colour alone: fills also differ in brightness and hatches, lines in markers and
dashes.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

from matplotlib import style
from matplotlib.collections import LineCollection
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch
from matplotlib.path import Path
from matplotlib.ticker import MaxNLocator

from daemon.month.chart import (
    RULE_WORDS,
    axis_begins,
    band_stacks,
    cost_lines,
    joined_shades,
    night_strips,
    rate_keys,
)
from daemon.presentation.page_pictures import (
    INK,
    NARROW_INCHES,
    POINTS,
    QUIET,
    Drawing,
    draw_twice,
    legend,
)
from daemon.tariff.picture import FROM_ROOF, ROOF, STYLE
from planners.accounts.money import format_money

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

    from daemon.month.chart import BandStack, Lane, NightStrip
    from daemon.night_log.month import Month

NIGHT_INCHES = 0.162
"""Height of a night in the picture of hours [in]."""
CHARGING = "#163f5c"
TONES = LinearSegmentedColormap.from_list("tones", ["#f5f1e8", "#ecd9a8", "#d69c4a"])
TONE_STEPS = 24
"""How many steps there are between the lightest and the darkest tone: more, nobody can tell."""
ROW, LANES = 0.9, 0.86
"""Shares of a night's height for its rates and for its lanes."""
FILLS = (
    ("#1f5c7a", ""),
    ("#e3b04f", "////"),
    ("#8f3f5f", "...."),
    ("#b9c8b4", "xxxx"),
    ("#4d4d4d", "----"),
    ("#f0e6d2", "oo"),
)
LINES = {
    "paid": ("#163f5c", "-", "o", 2.2),
    "at_once": ("#b3541e", "--", "s", 1.5),
    "timer": ("#8f3f5f", ":", "^", 1.7),
    "hindsight": ("#5f6f52", "-.", "D", 1.3),
}


class MonthPictures(NamedTuple):
    """The three pictures of a month."""

    hours: Drawing
    energy: Drawing
    cost: Drawing


def draw_month(month: Month) -> MonthPictures:
    """Draw the pictures as ``svg`` elements without links, each with its own ids."""
    with style.context(["default", STYLE]):
        return MonthPictures(
            *(
                draw_twice(name, partial(draw, month))
                for name, draw in (("hours", _hours), ("energy", _energy), ("cost", _cost))
            )
        )


def draw_cost(month: Month) -> Drawing:
    """Draw the picture of costs alone."""
    with style.context(["default", STYLE]):
        return draw_twice("cost", partial(_cost, month))


# --- the hours charged over the rates ---------------------------------------------------------


def _hours(month: Month, width: float) -> Figure:
    lines = night_strips(month)
    figure = Figure(figsize=(width, 1.15 + NIGHT_INCHES * len(lines)), layout="constrained")
    axes = figure.subplots()
    longest = max(line.ends for line in lines)
    axes.set_xlim(0, longest)
    axes.set_ylim(len(lines), 0)
    axes.grid(visible=False)
    axes.spines[["left", "bottom"]].set_visible(False)
    _shades(axes, lines)
    _charges(axes, lines)
    _remarks(axes, lines, longest)
    _night_axes(axes, lines, axis_begins(month), step=3 if width > NARROW_INCHES else 6)
    _hours_legend(figure, month, lines)
    return figure


def _shades(axes: Axes, lines: Sequence[NightStrip]) -> None:
    """Fill each night with its rates."""
    by_tone: dict[int, list[list[tuple[float, float]]]] = {}
    estimated = []
    for place, line in enumerate(lines):
        for shade in joined_shades(line.shades, TONE_STEPS):
            box = _box(shade.start, shade.end, place, place + ROW)
            by_tone.setdefault(round(shade.tone * TONE_STEPS), []).append(box)
            estimated += [box] if shade.estimated else []
    for tone, boxes in by_tone.items():
        _fill(axes, boxes, facecolor=TONES(tone / TONE_STEPS))
    _fill(axes, estimated, facecolor="none", edgecolor=QUIET, hatch="////")


def _fill(axes: Axes, boxes: Sequence[list[tuple[float, float]]], **looks: Any) -> None:  # noqa: ANN401 - as matplotlib takes them
    """Fill boxes that look the same, as one path: a page holds hundreds of them."""
    if boxes:
        paths = [Path([*box, box[0]], closed=True) for box in boxes]
        axes.add_patch(PathPatch(Path.make_compound_path(*paths), linewidth=0, **looks))


def _charges(axes: Axes, lines: Sequence[NightStrip]) -> None:
    """Draw when a vehicle was plugged in, and the half-hours in which energy flowed."""
    lanes = [lane for place, line in enumerate(lines) for lane in _place_lanes(place, line)]
    bars = [
        _box(bar.start, bar.end, bottom - bar.height * height, bottom)
        for bottom, height, lane in lanes
        for bar in lane.bars
    ]
    _fill(axes, bars, facecolor=CHARGING, zorder=3)
    roof = [
        _box(bar.start, bar.end, bottom - bar.height * bar.roof_share * height, bottom)
        for bottom, height, lane in lanes
        for bar in lane.bars
        if bar.roof_share
    ]
    _fill(axes, roof, facecolor="none", edgecolor="white", hatch=FROM_ROOF, zorder=3)
    plugged = [(lane.plugged, bottom) for bottom, _, lane in lanes if lane.plugged]
    axes.add_collection(
        LineCollection(
            [[(first, bottom), (last, bottom)] for (first, last), bottom in plugged],
            colors=INK,
            linewidths=0.9,
            zorder=4,
        )
    )


def _place_lanes(place: int, line: NightStrip) -> Iterable[tuple[float, float, Lane]]:
    """Divide a night's height among its lanes; yield the bottom and height of each."""
    height = LANES / max(1, len(line.lanes))
    for number, lane in enumerate(line.lanes, start=1):
        yield place + 0.02 + number * height, height * 0.92, lane


def _box(left: float, right: float, top: float, bottom: float) -> list[tuple[float, float]]:
    return [(left, top), (right, top), (right, bottom), (left, bottom)]


def _remarks(axes: Axes, lines: Sequence[NightStrip], longest: float) -> None:
    """Write each night's energy beside it, and note what is missing."""
    for place, line in enumerate(lines):
        middle = place + ROW / 2
        energy = "" if line.kwh is None else f"{line.kwh:.1f}"
        energy += " short" if line.short else ""
        axes.text(longest + 0.3, middle, energy, fontsize=POINTS, va="center")
        note = _note(line)
        if note:
            axes.text(0.3, middle, note, fontsize=POINTS, va="center", color=INK, style="italic")
        if line.clock_change is not None:
            axes.plot([line.clock_change] * 2, [place, place + ROW], color=INK, lw=1.6, zorder=5)
            change = f"{line.hours - 24:+.0f} h" if line.hours != 24 else "clock"  # noqa: PLR2004
            axes.text(line.clock_change + 0.2, middle, change.replace("-", "\u2212"), **_ON_RATES)


_ON_RATES: dict[str, Any] = {"fontsize": POINTS, "va": "center", "color": INK, "zorder": 5}


def _note(line: NightStrip) -> str:
    if line.kwh is None:
        return "no night recorded"
    return "" if line.kept else "hours not known"


def _night_axes(axes: Axes, lines: Sequence[NightStrip], first_hour: int, step: int) -> None:
    """Name the nights, and the hours of a night without a clock change."""
    names = [f"{line.night:%a} {line.night.day}" for line in lines]
    axes.set_yticks([place + ROW / 2 for place in range(len(lines))], names, fontsize=POINTS)
    hours = range(0, round(max(line.ends for line in lines if not line.clock_change)) + 1, step)
    names = [f"{(first_hour + hour) % 24:02}:00" for hour in hours]
    axes.set_xticks(hours, names, fontsize=POINTS)
    axes.tick_params(length=0)
    axes.xaxis.tick_top()
    axes.text(1.0, -0.004, "kWh", transform=axes.transAxes, fontsize=POINTS, va="top", ha="left")


def _hours_legend(figure: Figure, month: Month, lines: Sequence[NightStrip]) -> None:
    handles: list[Artist] = [
        Patch(facecolor=CHARGING, label="energy flowed"),
        Line2D([], [], color=INK, linewidth=0.9, label="plugged in"),
    ]
    if any(bar.roof_share for line in lines for lane in line.lanes for bar in lane.bars):
        handles.insert(1, ROOF)
    for key in rate_keys(month):
        label = f"{key.band} {key.rate:.4f}".strip()
        handles.append(Patch(facecolor=TONES(key.tone), edgecolor="#c9bfa8", label=label))
    if any(shade.estimated for line in lines for shade in line.shades):
        handles.append(
            Patch(facecolor="white", edgecolor=QUIET, hatch="////", label="rate estimated")
        )
    legend(figure, handles)


# --- energy by band, cost added up -----------------------------------------------------------


def _energy(month: Month, width: float) -> Figure:
    stacks = band_stacks(month)
    lines = night_strips(month)
    figure, axes = _month_frame(len(lines), width, "kWh")
    bottom = [0.0] * len(lines)
    handles: list[Artist] = []
    for stack, (color, hatch) in zip(stacks, _fills(stacks), strict=False):
        days = range(1, len(lines) + 1)
        axes.bar(days, stack.kwh, 0.78, bottom, color=color, hatch=hatch, edgecolor="white", lw=0.4)
        bottom = [under + kwh for under, kwh in zip(bottom, stack.kwh, strict=True)]
        label = f"{stack.band} {sum(stack.kwh):.1f} kWh"
        handles.append(Patch(facecolor=color, hatch=hatch, edgecolor="white", label=label))
    handles += _mark_nights(axes, month, bottom)
    axes.set_ylim(0, max(bottom, default=0.0) * 1.15 or 1.0)
    legend(figure, handles)
    return figure


def _fills(stacks: Sequence[BandStack]) -> list[tuple[str, str]]:
    """Choose a fill for each band; with many bands, fills repeat with closer hatches."""
    return [
        (color, hatch * (1 + place // len(FILLS)))
        for place in range(len(stacks))
        for color, hatch in [FILLS[place % len(FILLS)]]
    ]


def _mark_nights(axes: Axes, month: Month, tops: Sequence[float]) -> list[Artist]:
    """Mark the nights that were partly estimated, and those that were short."""
    marks = (
        ("v", "short for the departure", month.nights_short, 5.0),
        ("*", "partly estimated", month.nights_estimated, 12.0),
    )
    handles: list[Artist] = []
    for marker, label, rows, lift in marks:
        days = sorted({row.night.day for row in rows})
        if days:
            looks: dict[str, Any] = {"linestyle": "none", "marker": marker, "color": INK}
            room = max(tops, default=0.0) * lift / 150
            axes.plot(days, [tops[day - 1] + room for day in days], markersize=5, **looks)
            handles.append(Line2D([], [], label=label, markersize=5, **looks))
    return handles


def _cost(month: Month, width: float) -> Figure:
    lines = cost_lines(month)
    count = len(lines[0].costs)
    figure, axes = _month_frame(count, width, month.currency)
    handles: list[Artist] = []
    # What was paid is drawn on top, because other lines may be the same.
    for place, line in enumerate(lines):
        color, dashes, marker, thickness = LINES[line.rule]
        looks: dict[str, Any] = {"color": color, "linestyle": dashes, "marker": marker}
        days, costs = range(1, count + 1), [float(cost) for cost in line.costs]
        every = (place, 4)  # so that the markers of equal lines are side by side
        axes.plot(
            days, costs, markersize=4, markevery=every, zorder=9 - place, lw=thickness, **looks
        )
        label = f"{RULE_WORDS[line.rule]} {format_money(line.costs[-1], month.currency)}"
        handles.append(Line2D([], [], markersize=4, lw=thickness, label=label, **looks))
    legend(figure, handles)
    return figure


def _month_frame(days: int, width: float, unit: str) -> tuple[Figure, Axes]:
    """Make axes with the days of a month and a unit."""
    figure = Figure(figsize=(width, 2.7 if width > NARROW_INCHES else 2.5), layout="constrained")
    axes = figure.subplots()
    axes.set_xlim(0.3, days + 0.7)
    axes.set_ylabel(unit, fontsize=POINTS + 0.5)
    step = 2 if width > NARROW_INCHES else 5
    axes.set_xticks(range(1, days + 1, step))
    axes.tick_params(labelsize=POINTS)
    axes.tick_params(axis="x", length=2)
    axes.yaxis.set_major_locator(MaxNLocator(6))
    return figure, axes
