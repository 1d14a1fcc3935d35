"""Doubt the cost of energy that flowed between two readings while the rate changed. Pure."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING

from planners.accounts.register import ALLOWANCE

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from planners.accounts.register import Flow
    from planners.rates.prices import RateSpan

_HOUR = timedelta(hours=1)


def with_doubts(
    flows: Sequence[Flow], spans: Sequence[RateSpan], max_kw: float, rounding: Decimal
) -> list[Flow]:
    """Mark flows as estimated if their cost depends on when the energy flowed.

    Parameters
    ----------
    flows : sequence of Flow
        In order of time.
    spans : sequence of RateSpan
        In order of time.
    max_kw : float
        Highest power that could flow [kW].
    rounding : Decimal
        A cost that may differ by no more than this is no doubt [currency].

    Returns
    -------
    list of Flow
        In the same order.
    """
    doubted = list(flows)
    edges = [b.start for a, b in pairwise(spans) if a.rate != b.rate]
    place = 0
    for edge in edges:
        while place < len(flows) and flows[place].end <= edge:
            place += 1
        if place < len(flows) and flows[place].start < edge:
            flow, most_kw = flows[place], _highest_kw(flows, place, max_kw)
            if flow.wh and _cost_range(flow, spans, most_kw) > rounding:
                doubted[place] = replace(flow, estimated=True)
    return doubted


def _highest_kw(flows: Sequence[Flow], place: int, max_kw: float) -> float:
    """Return the power that may have flowed: that of the time around, if it explains the energy."""
    around = max((_kw(flow) for flow in (*flows[:place][-1:], *flows[place + 1 :][:1])), default=0)
    return ALLOWANCE * (around if _kw(flows[place]) <= ALLOWANCE * around else max_kw)


def _kw(flow: Flow) -> float:
    return flow.wh / 1000 / ((flow.end - flow.start) / _HOUR) if flow.end > flow.start else 0.0


def _cost_range(flow: Flow, spans: Sequence[RateSpan], most_kw: float) -> Decimal:
    """Return by how much the cost differs between the cheapest and the dearest time."""
    first = max(0, bisect_right(spans, flow.start, key=lambda span: span.start) - 1)
    last = bisect_left(spans, flow.end, key=lambda span: span.start)
    parts = [
        (
            span.rate,
            int(1000 * most_kw * ((min(span.end, flow.end) - max(span.start, flow.start)) / _HOUR)),
        )
        for span in spans[first:last]
    ]
    parts.sort(key=lambda part: part[0])
    return (_cost(flow.wh, parts[::-1]) - _cost(flow.wh, parts)).scaleb(-3)


def _cost(wh: int, parts: Iterable[tuple[Decimal, int]]) -> Decimal:
    """Fill the parts in their order."""
    cost = Decimal(0)
    for rate, most_wh in parts:
        cost += rate * min(wh, most_wh)
        wh -= min(wh, most_wh)
    return cost
