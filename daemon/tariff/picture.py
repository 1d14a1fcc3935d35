"""Draw pictures: the rates of some days, and a plan over its rates.

Needs matplotlib, which comes with an extra, so it is imported only when a picture is asked for.
Figures are made without pyplot: they share no state, and are the same byte for byte each time.
Colours also differ in brightness, for paper and for eyes that do not see them.
"""

from __future__ import annotations

import warnings
from contextlib import contextmanager
from io import BytesIO
from textwrap import fill
from typing import TYPE_CHECKING, NamedTuple

from matplotlib import style
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from adapters.host.whole_file import replacing
from config.files.errors import UsageError
from daemon.tariff.chart import (
    band_labels,
    clock_marks,
    during,
    estimated_of,
    hours_since,
    runs_of,
    steps_of,
    vertical_range,
)
from daemon.tariff.days import clock_change
from daemon.tariff.picture_words import clock, date_range, long_date, new_names, summary
from planners.plan.plan import NOTICED_KWH
from planners.rates.series_rates import BAND

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import datetime
    from pathlib import Path
    from zoneinfo import ZoneInfo

    from matplotlib.axes import Axes

    from config.household.household_file import HouseholdFile
    from daemon.tariff.chart import Run
    from daemon.tariff.days import Day
    from planners.plan.plan import Period, Plan
    from planners.rates.prices import RateSpan

MOST_DAYS = 14
MOST_IN_A_ROW = 4
"""Entries of the legend that fit beside each other."""
DAYS_IN_A_COLUMN = 7
PNG_DPI = 150
MARGIN_INCHES = 0.8
TITLE_PER_INCH = 8
"""Characters of the title that fit in an inch."""
FILL, LINE, QUIET, CHARGING = "#d4d4d4", "#222222", "#6b6b6b", "#0072b2"
WORDS_POINTS = 7.5
CHARACTER_INCHES = 0.6 * WORDS_POINTS / 72
"""Average width of a character [in]."""

BOLD_INCHES = 1.3 * CHARACTER_INCHES
"""That of a bold one, a point larger [in]."""

STYLE = {
    "axes.axisbelow": True,
    "axes.grid": True,
    "axes.grid.axis": "y",
    "axes.labelsize": 9,
    "axes.spines.right": False,
    "axes.spines.top": False,
    "font.family": "DejaVu Sans",  # comes with matplotlib
    "grid.color": "#e6e6e6",
    "hatch.linewidth": 0.7,
    "legend.fontsize": 8,
    "legend.frameon": False,
    "svg.fonttype": "none",  # text stays text, which can be searched and read aloud
    "svg.hashsalt": "lullwatt",
    "text.parse_math": False,  # a name may hold a dollar sign
    "xtick.labelsize": 8,
    "ytick.labelsize": 8,
}

ESTIMATED = Patch(facecolor=FILL, edgecolor=QUIET, hatch="////", linewidth=0, label="estimated")
UNKNOWN = Patch(facecolor="white", edgecolor="#b0b0b0", hatch="..", linewidth=0, label="not known")
FREE = Patch(facecolor="white", edgecolor="#009e73", hatch="\\\\\\", linewidth=0, label="free")
CHARGED = Patch(facecolor=CHARGING, label="charging")
FROM_ROOF = "---"
ROOF = Patch(
    facecolor=CHARGING, edgecolor="white", hatch=FROM_ROOF, linewidth=0, label="from the roof"
)


class RatedBand(NamedTuple):
    """A band at one of its rates."""

    name: str
    rate: float


def draw_tariff(path: Path, file: HouseholdFile, days: Sequence[Day]) -> None:
    """Draw the rates of some days, each in its own frame.

    Parameters
    ----------
    path : Path
        The file; its suffix chooses SVG or PNG.
    file : HouseholdFile
        The household.
    days : sequence of Day
        In order; at least one has known rates.

    Raises
    ------
    UsageError
        If there are too many days, or the file can't be written.
    """
    if len(days) > MOST_DAYS:
        raise UsageError(f"--picture: expected --days 1 to {MOST_DAYS}, got {len(days)}")
    with _style():
        figure, frames = _frames(len(days))
        spans = [span for day in days for span in day.spans]
        frames[0].set_ylim(*vertical_range(spans, headroom=0.3))
        longest = max(hours_since(day.start, day.end) for day in days)
        named: set[RatedBand] = set()
        for axes, day, name in zip(frames, days, new_names(days), strict=True):
            axes.set_xlim(0, longest)  # equal hours line up, except across a clock change
            named |= _draw_day(axes, day, file.zone, name)
        _label(figure, file, date_range(days))
        _legend(figure, spans, named, unknown=any(day.why_unknown for day in days))
        image = _rendered(figure, path)
    _write(path, image)


def _frames(count: int) -> tuple[Figure, list[Axes]]:
    """Lay out a frame for each day; more than seven days have two columns."""
    columns = 1 if count <= DAYS_IN_A_COLUMN else 2
    lines = -(-count // columns)
    size = (8.0 if columns == 1 else 11.0, 4.0 if lines == 1 else 1.2 + 1.25 * lines)
    figure = Figure(figsize=size, layout="constrained")
    grid = figure.subplots(lines, columns, squeeze=False, sharey=True)
    frames = [grid[place % lines][place // lines] for place in range(lines * columns)]
    for spare in frames[count:]:
        spare.remove()
    return figure, frames[:count]


def _draw_day(axes: Axes, day: Day, zone: ZoneInfo, name: str) -> set[RatedBand]:
    """Draw a day, and return the bands that are named in its frame."""
    notes = [day.special, clock_change(day, zone), name]
    title = ", ".join([f"{day.date:%a} {day.date.day} {day.date:%b}", *filter(None, notes)])
    axes.set_title(title, loc="left", fontsize=8.5, pad=3)
    if day.why_unknown:
        width = hours_since(day.start, day.end)
        axes.axvspan(0, width, facecolor="white", edgecolor="#b0b0b0", hatch="..", linewidth=0)
    marks = clock_marks(day.start, day.end, zone, most=10)
    axes.set_xticks([mark.place for mark in marks], [f"{mark.instant:%H}" for mark in marks])
    return _draw_rates(axes, day.spans, day.start) if day.spans else set()


def draw_plan(path: Path, file: HouseholdFile, plan: Plan, spans: Sequence[RateSpan]) -> None:
    """Draw the rates up to a departure, and the plan over them.

    Parameters
    ----------
    path : Path
        The file; its suffix chooses SVG or PNG.
    file : HouseholdFile
        The household.
    plan : Plan
        The plan, with the later nights that were planned together with it.
    spans : sequence of RateSpan
        The rates up to the last departure, contiguous.

    Raises
    ------
    UsageError
        If there is no time left to draw, or the file can't be written.
    """
    if not spans:
        raise UsageError("--picture: expected some time before the departure, got none")
    with _style():
        figure = Figure(figsize=(9.0, 4.6), layout="constrained")
        named = _draw_night(figure.subplots(), plan, spans, file.zone)
        _label(figure, file, long_date(plan.made_at.astimezone(file.zone)))
        periods = _periods(plan)
        from_roof = any(period.roof_kwh > NOTICED_KWH for period in periods)
        _legend(figure, spans, named, charging=bool(periods), from_roof=from_roof)
        image = _rendered(figure, path)
    _write(path, image)


def _draw_night(
    axes: Axes, plan: Plan, spans: Sequence[RateSpan], zone: ZoneInfo
) -> set[RatedBand]:
    start, end = spans[0].start, spans[-1].end
    axes.set_ylim(*vertical_range(spans, headroom=0.4))
    axes.set_xlim(0, hours_since(start, end))
    named = _draw_rates(axes, spans, start)
    for run in runs_of(_periods(plan)):
        _draw_run(axes, run, spans)
    _draw_roof(axes, _periods(plan), spans)
    _draw_trips(axes, plan, start, zone)
    marks = clock_marks(start, end, zone, most=14)
    axes.set_xticks([mark.place for mark in marks], [clock(mark.instant) for mark in marks])
    axes.set_title(summary(plan, zone), loc="left", fontsize=9, pad=8)
    return named


def _periods(plan: Plan) -> list[Period]:
    return [*plan.periods, *(period for night in plan.later for period in night.periods)]


def _draw_run(axes: Axes, run: Run, spans: Sequence[RateSpan]) -> None:
    """Fill the area under a run of charging, and write its current at the top."""
    origin = spans[0].start
    inside = during(spans, run.start, run.end)
    charged = steps_of(inside, origin)
    axes.stairs(charged.rates, charged.edges, fill=True, color=CHARGING)
    _hatch(axes, inside, origin, "white")
    left, right = charged.edges[0], charged.edges[-1]
    axes.axvspan(left, right, color=CHARGING, alpha=0.12, linewidth=0)
    axes.axvline(left, color="white", linewidth=1.6)  # separates it from the run before
    text = f"{run.amps:g} A"
    narrow = len(text) * BOLD_INCHES > (right - left) / _hours_per_inch(axes)
    axes.annotate(
        text,
        ((left + right) / 2, 0.985),
        xycoords=axes.get_xaxis_transform(),
        ha="center",
        va="top",
        fontsize=WORDS_POINTS + 1,
        weight="bold",
        rotation=90 if narrow else 0,
    )


def _draw_roof(axes: Axes, periods: Sequence[Period], spans: Sequence[RateSpan]) -> None:
    """Hatch as much of each period's height as the roof gives of its energy."""
    for period in periods:
        if period.roof_kwh > NOTICED_KWH:
            steps = steps_of(during(spans, period.start, period.end), spans[0].start)
            share = min(1.0, period.roof_kwh / period.kwh)
            patch = axes.stairs(
                [rate * share for rate in steps.rates], steps.edges, fill=True, facecolor="none",
                linewidth=0,
            )  # fmt: skip
            patch.set(edgecolor="white", hatch=FROM_ROOF)


def _draw_trips(axes: Axes, plan: Plan, origin: datetime, zone: ZoneInfo) -> None:
    """Mark departures, and the returns if later nights were planned."""
    marks = [("departs", plan.departure)]
    for night in plan.later:
        marks += [("back", night.returns), ("departs", night.departure)]
    for name, instant in marks:
        place = hours_since(origin, instant)
        axes.axvline(place, color=LINE, linestyle=(0, (4, 2)), linewidth=1.4, clip_on=False)
        axes.annotate(
            f"{name} {instant.astimezone(zone):%H:%M}",
            (place, 0.985),
            xycoords=axes.get_xaxis_transform(),
            xytext=(-3, 0),
            textcoords="offset points",
            ha="right",
            va="top",
            rotation=90,
            fontsize=WORDS_POINTS + 1,
        )


# --- what both pictures share -----------------------------------------------------------------


def _draw_rates(axes: Axes, spans: Sequence[RateSpan], origin: datetime) -> set[RatedBand]:
    """Draw contiguous rates as steps; return the bands for whose names there is room."""
    for span in spans:
        if not span.rate:  # without any height it would look like nothing at all
            edges = (hours_since(origin, each) for each in (span.start, span.end))
            axes.axvspan(
                *edges, facecolor="white", edgecolor="#009e73", hatch="\\\\\\", linewidth=0
            )
    line = steps_of(spans, origin)
    axes.stairs(line.rates, line.edges, fill=True, color=FILL)
    _hatch(axes, spans, origin, QUIET)
    axes.stairs(line.rates, line.edges, baseline=None, color=LINE, linewidth=1.3, zorder=3)
    axes.axhline(0, color=LINE, linewidth=0.8)
    return _name_bands(axes, spans, origin)


def _hatch(axes: Axes, spans: Sequence[RateSpan], origin: datetime, color: str) -> None:
    """Hatch the estimated rates."""
    for estimate in estimated_of(spans, origin):
        patch = axes.stairs(
            estimate.rates, estimate.edges, fill=True, facecolor="none", linewidth=0
        )
        patch.set(edgecolor=color, hatch="////")


def _name_bands(axes: Axes, spans: Sequence[RateSpan], origin: datetime) -> set[RatedBand]:
    """Write each band above its longest span, with its rate where there is room."""
    named = set()
    for label in band_labels(spans, origin):
        room = (label.end - label.start) / _hours_per_inch(axes) / CHARACTER_INCHES
        texts = (f"{label.band} {label.rate:.4f}", label.band)
        # A name without its rate may overlap its neighbours a little.
        text = next(
            (
                text
                for text, most in zip(texts, (room, 1.5 * room), strict=True)
                if len(text) <= most
            ),
            None,
        )
        if text is not None:
            named.add(RatedBand(label.band, label.rate))
            axes.annotate(
                text,
                ((label.start + label.end) / 2, max(0.0, label.rate)),
                xytext=(0, 2.5),
                textcoords="offset points",
                ha="center",
                va="bottom",
                fontsize=WORDS_POINTS,
                bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.4},
                zorder=4,
            )
    return named


def _hours_per_inch(axes: Axes) -> float:
    """Estimate how many hours an inch shows; exact widths are only set at the end."""
    figure, place = axes.get_figure(root=True), axes.get_subplotspec()
    if figure is None or place is None:
        raise ValueError("a frame needs a figure to have a width")
    left, right = axes.get_xlim()
    return (right - left) / (
        float(figure.get_figwidth()) / place.get_gridspec().ncols - MARGIN_INCHES
    )


def _label(figure: Figure, file: HouseholdFile, when: str) -> None:
    title = fill(f"{file.household.name}: {when}", int(figure.get_figwidth() * TITLE_PER_INCH))
    figure.suptitle(title, x=0.01, ha="left", weight="bold", fontsize=12)
    figure.supylabel(f"{file.household.currency} per kWh, tax included", fontsize=9)
    # On the left, so that it leaves the legend room.
    figure.supxlabel(f"Local time, {file.household.timezone}", x=0.01, ha="left", fontsize=9)


def _legend(
    figure: Figure,
    spans: Sequence[RateSpan],
    named: set[RatedBand],
    *,
    charging: bool = False,
    from_roof: bool = False,
    unknown: bool = False,
) -> None:
    """Explain the fills in the picture, and name the bands for which it had no room."""
    estimated = any(span.estimated for span in spans)
    free = any(not span.rate for span in spans)
    used = {
        CHARGED: charging, ROOF: from_roof, FREE: free, ESTIMATED: estimated, UNKNOWN: unknown,
    }  # fmt: skip
    bands = dict.fromkeys(RatedBand(span.band, float(span.rate)) for span in spans)
    handles = [patch for patch, is_used in used.items() if is_used]
    handles += [
        Patch(facecolor="none", edgecolor="none", label=f"{band.name} {band.rate:.4f}")
        for band in bands
        if band not in named and band.name != BAND
    ]
    if handles:
        columns = min(len(handles), MOST_IN_A_ROW)
        figure.legend(handles=handles, loc="outside lower right", ncols=columns)


@contextmanager
def _style() -> Iterator[None]:
    """Set the style of a picture, regardless of the machine's own settings."""
    with style.context(["default", STYLE]), warnings.catch_warnings():
        # Letters that the font lacks become boxes in PNG; in SVG they are text.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        yield


def _rendered(figure: Figure, path: Path) -> bytes:
    """Render as the suffix says, the same bytes each time: no date, no creator."""
    image = BytesIO()
    if path.suffix.lower() == ".svg":
        figure.savefig(image, format="svg", metadata={"Date": None, "Creator": None})
    else:
        figure.savefig(image, format="png", dpi=PNG_DPI, metadata={"Software": None})
    return image.getvalue()


def _write(path: Path, image: bytes) -> None:
    """Put a picture in its place in one step, replacing an older one."""
    try:
        with replacing(path) as part:
            part.file.write(image)
    except OSError as error:
        raise UsageError(f"--picture: can't write '{path}': {error.strerror}") from error
