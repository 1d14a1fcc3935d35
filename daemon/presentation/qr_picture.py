"""Draw a QR code (ISO/IEC 18004): with characters of a terminal, or as a picture of a page."""

from __future__ import annotations

import io

import segno

_BORDER = 2


def qr_picture(text: str) -> str:
    """Return a QR code as lines of half blocks, dark on light."""
    drawn = io.StringIO()
    segno.make(text, error="m", micro=False).terminal(drawn, border=_BORDER, compact=True)
    return drawn.getvalue()


def qr_svg(text: str, css_class: str) -> str:
    """Return a QR code as SVG to be put into a page, dark on light in any colours of the page."""
    code = segno.make(text, error="m", micro=False)
    return code.svg_inline(
        border=4, omitsize=True, dark="#000", light="#fff", svgclass=css_class, lineclass=None
    )
