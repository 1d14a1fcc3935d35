"""Solve many nights of one departure each in a single call, in arrays ``(nights, ticks)``."""

from __future__ import annotations
