"""Solve the planning problem of one vehicle exactly: a dynamic programme over numbers only.

Knows no household, no clock time and no currency.
"""

from __future__ import annotations
