"""Compare choices over a year: costs, short nights, break-even points.

Knows no ledger, no page and no table.
"""

from __future__ import annotations
