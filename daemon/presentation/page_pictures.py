"""What all pictures of pages share: sizes, inks, a legend, and SVG that stands in a page.

Each is drawn for paper and wide windows and once more for narrow ones, as letters must not shrink
with the window.
"""

from __future__ import annotations

import re
from io import BytesIO
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from matplotlib.artist import Artist
    from matplotlib.figure import Figure

WIDE_INCHES, NARROW_INCHES = 7.1, 3.3
INK, QUIET = "#1c2b33", "#5b6870"
POINTS = 7.5
LETTERS_PER_INCH, HANDLE_LETTERS = 17, 5
"""About how many letters fit in an inch, and how many the sign before a word in a legend takes."""


class Drawing(NamedTuple):
    """One picture as SVG for wide and for narrow pages."""

    wide: str
    narrow: str


def draw_twice(name: str, draw: Callable[[float], Figure]) -> Drawing:
    """Draw a picture for wide and for narrow pages.

    Parameters
    ----------
    name : str
        That no other picture of the page has.
    draw : callable
        From a width [in] to a figure.

    Returns
    -------
    Drawing
        Each an ``svg`` element without sizes, links or ids that another one has.
    """
    return Drawing(
        _element(draw(WIDE_INCHES), f"{name}-wide"),
        _element(draw(NARROW_INCHES), f"{name}-narrow"),
    )


def legend(figure: Figure, handles: Sequence[Artist]) -> None:
    """Put a legend below a picture, in as many columns as its words leave room for."""
    longest = max((len(str(handle.get_label())) for handle in handles), default=0)
    most = figure.get_figwidth() * LETTERS_PER_INCH
    columns = max(1, min(4, int(most / (longest + HANDLE_LETTERS))))
    looks: dict[str, Any] = {
        "ncols": columns,
        "fontsize": POINTS,
        "columnspacing": 1.2,
        "handlelength": 1.8,
    }
    figure.legend(handles=handles, loc="outside lower left", **looks)


_ID = re.compile(r'(\bid="|url\(#|xlink:href="#)')
_LEFT_OUT = re.compile(r"<metadata>.*?</metadata>|<style\b.*?</style>", re.DOTALL)
"""A style within a picture would hold for the whole page; the page has one for its pictures."""


def _element(figure: Figure, name: str) -> str:
    """Render as an element: no prologue, sizes or name spaces, and ids that begin with a name."""
    image = BytesIO()
    figure.savefig(image, format="svg", metadata={"Date": None, "Creator": None})
    text = image.getvalue().decode("utf-8")
    text = _LEFT_OUT.sub("", text[text.index("<svg") :])
    head, body = text.split(">", 1)
    box = re.search(r'viewBox="[^"]*"', head)
    if box is None:
        raise ValueError("an SVG without a viewBox can't be scaled")
    text = f'<svg {box[0]} focusable="false">{body}'
    return _ID.sub(rf"\g<1>{name}-", text).replace("xlink:href", "href").strip()
