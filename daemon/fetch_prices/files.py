"""The price file as `lullwatt fetch-prices` writes it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.fetching.last_time import write_whole

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path
    from zoneinfo import ZoneInfo

    from config.files.price_series import PricePoint


def write_prices(path: Path, points: Sequence[PricePoint], zone: ZoneInfo) -> None:
    """Replace the price file as a whole; it is on the disk when this returns.

    Parameters
    ----------
    path : Path
        The price file; it need not exist.
    points : sequence of PricePoint
        In order.
    zone : ZoneInfo
        Whose clock the starts show, with their offsets.

    Raises
    ------
    FetchError
        If it can't be written; the old one then stays.
    """  # noqa: DOC502 - raised by the parts
    write_whole(path, prices_text(points, zone).encode())


def prices_text(points: Sequence[PricePoint], zone: ZoneInfo) -> str:
    """Write prices as a price file has them."""
    rows = (f"{point.start.astimezone(zone).isoformat()},{point.rate:f}\n" for point in points)
    return "".join(("start,rate\n", *rows))
