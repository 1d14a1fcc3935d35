"""Estimate by published models how a vehicle's consumption changes, and how its battery ages.

Knows no tariff and no night.
"""

from __future__ import annotations
