"""Draw a QR code (ISO/IEC 18004) with characters of a terminal."""

from __future__ import annotations

import io

import segno

_BORDER = 2


def qr_picture(text: str) -> str:
    """Return a QR code as lines of half blocks, dark on light."""
    drawn = io.StringIO()
    segno.make(text, error="m", micro=False).terminal(drawn, border=_BORDER, compact=True)
    return drawn.getvalue()
