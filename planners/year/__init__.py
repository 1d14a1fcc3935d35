"""Simulate a calendar year night by night: trips, rates, and prices as known.

Compares nothing: that is `planners.appraisal`.
"""

from __future__ import annotations
