"""Draw an appraisal's pictures as SVG for its page.

Nothing relies on colour alone: lines also differ in dashes and markers, the answer in thickness,
bars in hatches.
"""

from __future__ import annotations

from functools import partial
from itertools import cycle
from textwrap import wrap
from typing import TYPE_CHECKING, Any, NamedTuple

from matplotlib import style
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter, MaxNLocator

from daemon.appraisal_page.chart import bars_of, curves_of, spread_out
from daemon.presentation.page_pictures import (
    INK,
    LETTERS_PER_INCH,
    NARROW_INCHES,
    POINTS,
    QUIET,
    Drawing,
    draw_twice,
    legend,
)
from daemon.tariff.picture import STYLE

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

    from daemon.appraisal_page.chart import ChartLine, ChoiceBar, Curves
    from daemon.appraise.wording import AppraisalWords

OUTLAY, RUNNING = ("#e3b04f", "////"), ("#1f5c7a", "")
"""Fill and hatch of the outlay, and of the years' cost."""
LOOKS = (
    ("#163f5c", "-", "o"),
    ("#b3541e", "--", "s"),
    ("#8f3f5f", ":", "^"),
    ("#4d6b3c", "-.", "D"),
    ("#4d4d4d", (0, (6, 1)), "v"),
    ("#7a5c00", (0, (3, 1, 1, 1)), "P"),
    ("#5a4fa3", (0, (1, 1)), "X"),
    ("#9c2f2f", (0, (8, 2, 1, 2)), "*"),
)
"""Colour, dashes and marker of each line: the first is for the answer, the others repeat."""
LINE_INCHES = 0.125
"""Height of a line of words [in]."""
LABEL_LETTERS = 25
"""Longest line of a label beside a curve."""
MARKS_EVERY = 0.25
"""Room between markers, as a share of the picture; markers of equal lines do not overlap."""
THICK, THIN = 2.4, 1.3
PALE = 0.35
"""Opacity of a line where its choice leaves more nights short than another."""


class AppraisalPictures(NamedTuple):
    """The pictures of an appraisal; the second only if it has a curve."""

    totals: Drawing
    distances: Drawing | None


def draw_appraisal(words: AppraisalWords) -> AppraisalPictures:
    """Draw the pictures as ``svg`` elements without links, each with its own ids."""
    with style.context(["default", STYLE]):
        return AppraisalPictures(
            draw_twice("totals", partial(_totals, words)),
            draw_twice("distances", partial(_distances, words)) if words.appraisal.curve else None,
        )


# --- total over the years ---------------------------------------------------------------------


def _totals(words: AppraisalWords, width: float) -> Figure:
    bars = bars_of(words)
    names = [_name_lines(bar, width) for bar in bars]
    tops = [0.0]
    for lines in names:
        tops.append(tops[-1] + len(lines) * LINE_INCHES + BAR_INCHES + GAP_INCHES)
    figure = Figure(figsize=(width, tops[-1] + 0.75), layout="constrained")
    axes = figure.subplots()
    axes.set_ylim(tops[-1], 0)
    axes.grid(visible=False, axis="y")
    axes.grid(visible=True, axis="x")
    axes.spines["left"].set_visible(False)
    axes.set_yticks([])
    for bar, lines, top in zip(bars, names, tops, strict=False):
        _bar(axes, words, bar, lines, top)
    _money_axis(axes, words, bars, width)
    legend(figure, _bar_legend(words))
    return figure


BAR_INCHES, GAP_INCHES = 0.2, 0.13
"""Height of a bar, and of the gap after it [in]."""


def _name_lines(bar: ChoiceBar, width: float) -> list[str]:
    remark = f" ({bar.remark})" if bar.remark else ""
    return wrap(bar.name + remark, int((width - 0.3) * LETTERS_PER_INCH * 0.95)) or [bar.name]


def _bar(
    axes: Axes, words: AppraisalWords, bar: ChoiceBar, lines: Sequence[str], top: float
) -> None:
    """Draw a bar below its name, with its total at its end."""
    weight = "bold" if bar.cheapest else "normal"
    middle = top + len(lines) * LINE_INCHES + BAR_INCHES / 2
    axes.text(0, top + LINE_INCHES * len(lines) - 0.02, "\n".join(lines), weight=weight, **_NAME)
    edge: dict[str, Any] = {"edgecolor": INK if bar.cheapest else "white", "lw": 1.5}
    # If energy earns money, its bar goes left from zero; the outlay always goes right.
    start = max(0.0, bar.running)
    for left, amount, (color, hatch) in ((0.0, bar.running, RUNNING), (start, bar.outlay, OUTLAY)):
        if amount:
            axes.barh(middle, amount, BAR_INCHES, left, color=color, hatch=hatch, **edge)
    axes.annotate(
        words.money(bar.total),
        (max(0.0, bar.outlay + start), middle),
        (4, 0),
        textcoords="offset points",
        va="center",
        fontsize=POINTS + 0.5,
        weight=weight,
        color=INK,
    )


_NAME: dict[str, Any] = {"fontsize": POINTS + 0.5, "va": "bottom", "ha": "left", "color": INK}


def _money_axis(axes: Axes, words: AppraisalWords, bars: Sequence[ChoiceBar], width: float) -> None:
    """Leave room for the total at the end of the longest bar."""
    longest = max(max(0.0, bar.running) + bar.outlay for bar in bars) or 1.0
    letters = max(len(words.money(bar.total)) for bar in bars)
    room = min(0.5, (letters / (LETTERS_PER_INCH * 0.8) + 0.1) / width)
    axes.set_xlim(min(0.0, *(bar.running for bar in bars)), longest / (1 - room))
    axes.xaxis.set_major_locator(MaxNLocator(6 if width > NARROW_INCHES else 3))
    axes.xaxis.set_major_formatter(FuncFormatter(_commas))
    axes.tick_params(labelsize=POINTS, length=2)


def _commas(value: float, _place: object = None) -> str:
    return f"{value:,.0f}" if abs(value) >= 10 or not value else f"{value:g}"  # noqa: PLR2004


def _bar_legend(words: AppraisalWords) -> list[Artist]:
    outlay = (
        "outlay, less grants"
        if any(choice.grants for choice in words.appraisal.choices)
        else "outlay, once"
    )
    fills = ((f"what {words.years} cost{words.worth}", RUNNING), (outlay, OUTLAY))
    return [
        Patch(facecolor=color, hatch=hatch, edgecolor="white", label=label)
        for label, (color, hatch) in fills
    ]


# --- total by distance ------------------------------------------------------------------------


def _distances(words: AppraisalWords, width: float) -> Figure:
    curves = curves_of(words)
    others = cycle(LOOKS[1:])
    looks = [LOOKS[0] if line.cheapest else next(others) for line in curves.lines]
    wide = width > NARROW_INCHES
    labels = [_label(number, line, wide=wide) for number, line in enumerate(curves.lines, start=1)]
    key = [] if wide else _key(curves, looks)
    plot = max(2.9, 0.9 + LINE_INCHES * sum(label.count("\n") + 1.4 for label in labels))
    below = LINE_INCHES * sum(str(artist.get_label()).count("\n") + 1.5 for artist in key)
    figure = Figure(figsize=(width, plot + below), layout="constrained")
    axes = figure.subplots()
    for place, (line, (color, dashes, marker)) in enumerate(zip(curves.lines, looks, strict=True)):
        for distances, totals, strength in _parts(line):
            axes.plot(
                distances, totals, color=color, linestyle=dashes, marker=marker, alpha=strength,
                markersize=4, markevery=(0.03 * (1 + place), MARKS_EVERY),
                lw=THICK if line.cheapest else THIN, zorder=5 if line.cheapest else 4,
            )  # fmt: skip
    _frame(axes, words, curves, wide=wide)
    _marks(axes, words, curves)
    _ends(axes, curves, labels, [color for color, *_ in looks], plot)
    if key:
        legend(figure, key)
    return figure


def _parts(line: ChartLine) -> Iterator[tuple[Sequence[float], Sequence[float], float]]:
    """Split a line where its choice begins to be short; it is pale from there on."""
    points = list(zip(line.distances, line.totals, strict=True))
    split = len(points) if line.short_from is None else 0
    while split < len(points) and points[split][0] <= (line.short_from or 0.0):
        split += 1
    for part, strength in ((points[:split], 1.0), (points[max(0, split - 1) :], PALE)):
        if len(part) > 1:
            distances, totals = zip(*part, strict=True)
            yield distances, totals, strength


def _label(number: int, line: ChartLine, *, wide: bool) -> str:
    """Name a line at its end: in full, or by its number in the key."""
    if not wide:
        return str(number)
    return "\n".join(wrap(line.name + (f" ({line.title})" if line.cheapest else ""), LABEL_LETTERS))


def _key(curves: Curves, looks: Sequence[Any]) -> list[Artist]:
    letters = int(NARROW_INCHES * LETTERS_PER_INCH * 0.8)
    return [
        Line2D(
            [], [], color=color, linestyle=dashes, marker=marker, markersize=4,
            lw=THICK if line.cheapest else THIN,
            label="\n".join(wrap(f"{number} {line.name}", letters)),
        )
        for number, (line, (color, dashes, marker)) in enumerate(
            zip(curves.lines, looks, strict=True), start=1
        )
    ]  # fmt: skip


def _frame(axes: Axes, words: AppraisalWords, curves: Curves, *, wide: bool) -> None:
    axes.set_xlim(0, curves.lines[0].distances[-1])
    totals = [total for line in curves.lines for total in line.totals]
    axes.set_ylim(min(0.0, *totals), max(totals) * 1.1 or 1.0)
    axes.set_xlabel(f"{words.unit} a year", fontsize=POINTS + 0.5)
    axes.set_ylabel(
        f"{words.appraisal.currency} over {words.years}{words.worth}", fontsize=POINTS + 0.5
    )
    axes.tick_params(labelsize=POINTS, length=2)
    axes.xaxis.set_major_locator(MaxNLocator(6 if wide else 4))
    axes.xaxis.set_major_formatter(FuncFormatter(_commas))
    axes.yaxis.set_major_formatter(FuncFormatter(_commas))


def _marks(axes: Axes, words: AppraisalWords, curves: Curves) -> None:
    """Mark today's distance, and where a rival takes the answer's place."""
    axes.axvline(curves.today, color=QUIET, linestyle=(0, (2, 2)), lw=1, zorder=2)
    top = axes.get_ylim()[1]
    now = f"now {curves.today:,.0f}"
    axes.annotate(now, (curves.today, top), (3, -2), **_BESIDE, va="top", color=QUIET)
    for crossing in curves.crossings:
        where = (crossing.distance, crossing.total)
        axes.plot(*where, "o", markersize=9, mfc="none", mec=INK, mew=1.5, zorder=7)
        distance = f"{crossing.distance:,.0f} {words.unit}"
        lower = crossing.total > top * LOW
        offset, side = ((4, -7), "top") if lower else ((4, 9), "bottom")
        axes.annotate(distance, where, offset, **_BESIDE, va=side, color=INK, bbox=_PAPER, zorder=6)


LOW = 0.15
"""Below this share of the picture's height there is no room for words under a ring."""
_PAPER = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.8}
_BESIDE: dict[str, Any] = {"textcoords": "offset points", "fontsize": POINTS, "ha": "left"}


_LEADER: dict[str, Any] = {
    "arrowstyle": "-", "lw": 0.6, "shrinkA": 0, "shrinkB": 0, "relpos": (0, 0.5),
}  # fmt: skip


def _ends(
    axes: Axes, curves: Curves, labels: Sequence[str], colors: Sequence[str], height: float
) -> None:
    """Write each label at the end of its line, and keep labels apart."""
    low, high = axes.get_ylim()
    per_inch = (high - low) / (height - 0.6)
    heights = [(label.count("\n") + 1.4) * LINE_INCHES * per_inch for label in labels]
    ends = [line.totals[-1] for line in curves.lines]
    right = axes.get_xlim()[1]
    for line, label, color, end, place in zip(
        curves.lines, labels, colors, ends, spread_out(ends, heights, low, high), strict=True
    ):
        axes.annotate(
            label, (right, end), ((1.03, place)), xycoords="data",
            textcoords=axes.get_yaxis_transform(), fontsize=POINTS, va="center", ha="left",
            color=color, weight="bold" if line.cheapest else "normal",
            arrowprops=_LEADER | {"color": color},
            annotation_clip=False,
        )  # fmt: skip
