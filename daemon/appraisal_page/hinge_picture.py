"""Draw what the answer of an appraisal hangs on: a bar for each input, the longest first."""

from __future__ import annotations

from functools import partial
from textwrap import wrap
from typing import TYPE_CHECKING, Any, NamedTuple

from matplotlib import style
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter, MaxNLocator

from daemon.appraise.hinges import name_of, points_of, value_text
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
    from daemon.appraise.wording import AppraisalWords

LOWER, HIGHER = ("#e3b04f", "////"), ("#1f5c7a", "")
"""Fill and hatch of the part towards the lower value of an input, and towards the higher one."""
LINE_INCHES, BAR_INCHES, GAP_INCHES = 0.125, 0.17, 0.12
"""Height of a line of words, of a bar, and of the gap after it [in]."""

LEAST_SHARE = 0.02
"""An input that moves the answer by less than this share of the most is not drawn."""


class HingeBar(NamedTuple):
    """How far ahead today's answer is with the lower and the higher value of an input."""

    words: str
    low: float | None
    high: float | None

    @property
    def reach(self) -> list[float]:
        """The ends that are known."""
        return [each for each in (self.low, self.high) if each is not None]


def lead_now(words: AppraisalWords) -> float | None:
    """Return how far ahead the answer is today; None if no other choice delivers as much."""
    others = words.delivering_no_less()
    if not others:
        return None
    least = min(each.total_over_years for each in others)
    return least - words.cheapest.total_over_years


def hinge_bars(words: AppraisalWords) -> list[HingeBar]:
    """Lay out the bars, that which moves the answer most first."""
    now = lead_now(words)
    bars: list[tuple[float, HingeBar]] = []
    for hinge in words.appraisal.hinges:
        tried = points_of(hinge)
        ends = " or ".join(value_text(words, hinge, each.value) for each in tried)
        low, high = (each.ahead if each in tried else None for each in (hinge.low, hinge.high))
        bar = HingeBar(f"{name_of(words, hinge)}: {ends}", low, high)
        if bar.reach and now is not None:
            bars.append((max(abs(each - now) for each in bar.reach), bar))
    most = max((moved for moved, _ in bars), default=0.0)
    kept = [(moved, bar) for moved, bar in bars if moved > LEAST_SHARE * most]
    return [bar for _, bar in sorted(kept, key=lambda each: -each[0])]


def draw_hinges(words: AppraisalWords) -> Drawing | None:
    """Draw the picture; None if there is nothing to compare the answer with."""
    bars, now = hinge_bars(words), lead_now(words)
    if not bars or now is None:
        return None
    with style.context(["default", STYLE]):
        return draw_twice("hinges", partial(_figure, words, bars, now))


def describe_hinges(words: AppraisalWords) -> str:
    """Describe the picture."""
    bars, now = hinge_bars(words), lead_now(words)
    parts = [
        f"{bar.words}, {' or '.join(words.amount(each) for each in bar.reach)}" for bar in bars
    ]
    return (
        f"How much less the answer costs than the best other choice, {words.money(now or 0.0)} now,"
        f" with each input changed alone: {'; '.join(parts)}."
    )


def _figure(words: AppraisalWords, bars: list[HingeBar], now: float, width: float) -> Figure:
    names = [wrap(bar.words, int((width - 0.3) * LETTERS_PER_INCH * 0.95)) for bar in bars]
    tops = [0.0]
    for lines in names:
        tops.append(tops[-1] + len(lines) * LINE_INCHES + BAR_INCHES + GAP_INCHES)
    figure = Figure(figsize=(width, tops[-1] + 0.95), layout="constrained")
    axes = figure.subplots()
    axes.set_ylim(tops[-1], 0)
    axes.grid(visible=False, axis="y")
    axes.grid(visible=True, axis="x")
    axes.spines["left"].set_visible(False)
    axes.set_yticks([])
    ends = [0.0, now, *(each for bar in bars for each in bar.reach)]
    room = 0.04 * (max(ends) - min(ends)) or 1.0
    axes.set_xlim(min(ends) - room, max(ends) + room)
    for bar, lines, top in zip(bars, names, tops, strict=False):
        middle = top + len(lines) * LINE_INCHES + BAR_INCHES / 2
        left, above = axes.get_xlim()[0], middle - BAR_INCHES / 2 - 0.02
        axes.text(left, above, "\n".join(lines), **_NAME)
        for end, (color, hatch) in ((bar.low, LOWER), (bar.high, HIGHER)):
            if end is not None:
                fill: dict[str, Any] = {"color": color, "hatch": hatch, "edgecolor": "white"}
                axes.barh(middle, end - now, BAR_INCHES, now, lw=0, **fill)
    axes.axvline(0, color=INK, lw=1.8)
    axes.axvline(now, color=QUIET, lw=1, linestyle=(0, (2, 2)))
    axes.xaxis.set_major_locator(MaxNLocator(6 if width > NARROW_INCHES else 3))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _place: f"{value:,.0f}"))
    axes.tick_params(labelsize=POINTS, length=2)
    label = f"{words.appraisal.currency} less than the best other choice over {words.years}"
    axes.set_xlabel("\n".join(wrap(label, int(width * LETTERS_PER_INCH * 0.9))), fontsize=POINTS)
    fills = (("with the lower value", LOWER), ("with the higher value", HIGHER))
    legend(
        figure,
        [
            Patch(facecolor=color, hatch=hatch, edgecolor="white", label=each)
            for each, (color, hatch) in fills
        ],
    )
    return figure


_PAPER = {"facecolor": "white", "edgecolor": "none", "pad": 0.6}
_NAME: dict[str, Any] = {
    "fontsize": POINTS + 0.5, "va": "bottom", "ha": "left", "color": INK,
    "bbox": _PAPER, "zorder": 5,
}  # fmt: skip
