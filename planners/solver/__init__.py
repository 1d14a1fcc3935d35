"""Solve the planning problem of one vehicle exactly, by dynamic programming.

Knows no household, no clock time and no currency.
"""

from __future__ import annotations
