"""Solve many nights of one departure each in one call, in arrays.

Arrays have shape ``(nights, ticks)``. Knows no household, no clock time and no currency.
"""

from __future__ import annotations
