"""What the pictures in HTML pages share: sizes, colours, a legend, SVG.

Each picture is drawn twice, for wide and for narrow windows, so that its letters always have the
same size.
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
"""How many letters fit in an inch, and how wide a legend's sample is [letters]; both estimates."""


class Drawing(NamedTuple):
    """One picture as SVG for wide and for narrow pages."""

    wide: str
    narrow: str


def draw_twice(name: str, draw: Callable[[float], Figure]) -> Drawing:
    """Draw a picture for wide and for narrow pages.

    Parameters
    ----------
    name : str
        Name of the picture, unique on its page.
    draw : callable
        Takes a width [in], and draws a figure of that width.

    Returns
    -------
    Drawing
        Two ``svg`` elements without sizes or links; no other picture has the same ids.
    """
    return Drawing(
        _element(draw(WIDE_INCHES), f"{name}-wide"),
        _element(draw(NARROW_INCHES), f"{name}-narrow"),
    )


def legend(figure: Figure, handles: Sequence[Artist]) -> None:
    """Put a legend below a picture, in as many columns as fit."""
    longest = max((len(str(handle.get_label())) for handle in handles), default=0)
    room = figure.get_figwidth() * LETTERS_PER_INCH
    columns = max(1, min(4, int(room / (longest + HANDLE_LETTERS))))
    looks: dict[str, Any] = {
        "ncols": columns,
        "fontsize": POINTS,
        "columnspacing": 1.2,
        "handlelength": 1.8,
    }
    figure.legend(handles=handles, loc="outside lower left", **looks)


_ID = re.compile(r'(\bid="|url\(#|xlink:href="#)')
_REMOVED = re.compile(r"<metadata>.*?</metadata>|<style\b.*?</style>", re.DOTALL)
"""A picture's own style would apply to the whole page; the page has one for all pictures."""


def _element(figure: Figure, name: str) -> str:
    """Render an ``svg`` element without sizes; its ids begin with a name."""
    image = BytesIO()
    figure.savefig(image, format="svg", metadata={"Date": None, "Creator": None})
    text = image.getvalue().decode("utf-8")
    text = _REMOVED.sub("", text[text.index("<svg") :])
    head, body = text.split(">", 1)
    box = re.search(r'viewBox="[^"]*"', head)
    if box is None:
        raise ValueError("this SVG has no viewBox, so it can't be scaled")
    text = f'<svg {box[0]} focusable="false">{body}'
    return _ID.sub(rf"\g<1>{name}-", text).replace("xlink:href", "href").strip()
