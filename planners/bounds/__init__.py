"""Bound what a plan of one vehicle can cost at the least, where it isn't known to be the cheapest.

Knows the planning problem, and no household, no clock time and no currency.
"""

from __future__ import annotations
