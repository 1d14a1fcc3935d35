"""Compare choices over a year: costs, shortages, break-even points, and which choice wins."""

from __future__ import annotations
