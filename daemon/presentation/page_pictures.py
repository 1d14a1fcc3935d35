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
    text = f'<svg {box[0]} focusable="false">{compact(body)}'
    return _ID.sub(rf"\g<1>{name}-", text).replace("xlink:href", "href").strip()


def compact(drawing: str) -> str:
    """Write the same drawing with a fraction of its bytes.

    Parameters
    ----------
    drawing : str
        SVG as matplotlib writes it: a command a line, six decimals, an id and a group for each
        part.

    Returns
    -------
    str
        Numbers are rounded to a hundredth of a point, those of boxes to a tenth, which nobody sees.
        Ids that nothing refers to are gone, and so are groups that hold nothing.
    """
    text = _PATH.sub(_short_path, drawing)
    text = _ANGLE_NONE.sub("", text)
    text = _ATTRIBUTES.sub(lambda found: _DECIMAL.sub(_hundredths, found[0]), text)
    text = _STYLE.sub(lambda found: re.sub(r"([:;]) +", r"\1", found[0]), text)
    used = set(_USED_ID.findall(text))
    text = _OWN_ID.sub(lambda found: found[0] if found[1] in used else "", text)
    text = _SPACE.sub(lambda found: "" if "\n" in found[0] else found[0], text)
    while (fewer := _EMPTY_GROUP.sub("", text)) != text:
        text = fewer
    return text


_PATH = re.compile(r'(?<= d=")[^"]*')
_STYLE = re.compile(r' style="[^"]*"')
_ATTRIBUTES = re.compile(r' (?:x|y|width|height|transform)="[^"]*"')
_ANGLE_NONE = re.compile(r' transform="rotate\(-?0(?: [^)]*)?\)"')
_DECIMAL = re.compile(r"-?\d+\.\d+")
_USED_ID = re.compile(r'(?:url\(#|href="#)([^)"]+)')
_OWN_ID = re.compile(r' id="([^"]*)"')
_SPACE = re.compile(r"(?<=>)\s+(?=<)")
_EMPTY_GROUP = re.compile(r"<g>\s*</g>|<g/>|<defs>\s*</defs>|<defs/>")
_NUMBER = r"(-?[\d.]+)"
_BOX = re.compile(
    rf"M{_NUMBER} {_NUMBER}L{_NUMBER} \2L\3 {_NUMBER}L\1 \4(?:L\1 \2)?z",
)


def _short_path(found: re.Match[str]) -> str:
    """Write a path's commands without spaces and ends of lines, and its boxes by their sides."""
    text = _DECIMAL.sub(_hundredths, " ".join(found[0].split()))
    text = re.sub(r" ?([A-Za-z]) ?", r"\1", text)
    return _BOX.sub(_by_sides, text)


def _by_sides(found: re.Match[str]) -> str:
    """Write a box to a tenth of a point; one begins where its neighbour ends."""
    left, top, right, bottom = (round(float(side), 1) for side in found.groups())
    across, down, back = map(_plain, (right - left, bottom - top, left - right))
    return f"M{_plain(left)} {_plain(top)}h{across}v{down}h{back}z"


def _hundredths(found: re.Match[str]) -> str:
    return _plain(float(found[0]))


def _plain(number: float) -> str:
    text = f"{number:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
