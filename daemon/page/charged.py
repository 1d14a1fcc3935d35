"""What has been charged since the night began: when energy flowed, and how much. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING

from daemon.control.state import FLOWING_WATTS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import datetime

    from daemon.night_log.month import NightRow
    from planners.accounts.register import Flow

_HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Charged:
    """What has been charged.

    Attributes
    ----------
    spans : tuple of (datetime, datetime)
        When energy flowed, UTC; touching spans are one.
    wh : int
        How much it was [Wh].
    estimated_wh : int
        Part of it that flowed between readings far apart [Wh].
    """

    spans: tuple[tuple[datetime, datetime], ...] = ()
    wh: int = 0
    estimated_wh: int = 0


@dataclass(frozen=True, slots=True)
class ChargedTonight:
    """What has been charged since the night began at each charge point, or why that is not known.

    `last_nights` are those of the latest night that is closed.
    """

    points: Mapping[str, Charged] = field(default_factory=dict)
    last_nights: Mapping[str, NightRow] = field(default_factory=dict)
    unreadable: str = ""


def charged_of(flows: Iterable[Flow], since: datetime) -> Charged:
    """Return what has been charged since an instant, from the energy between readings."""
    spans: list[tuple[datetime, datetime]] = []
    wh = estimated_wh = 0
    for flow in flows:
        if flow.end <= since:
            continue
        part = flow.wh - flow.wh_until(since)
        wh += part
        estimated_wh += part if flow.estimated else 0
        start = max(flow.start, since)
        if part <= FLOWING_WATTS * ((flow.end - start) / _HOUR):
            continue
        if spans and spans[-1][1] == start:
            spans[-1] = (spans[-1][0], flow.end)
        else:
            spans.append((start, flow.end))
    return Charged(tuple(spans), wh, estimated_wh)
