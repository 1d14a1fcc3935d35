"""Simulate a calendar year night by night: trips, rates and what was known of prices when.

Compares nothing: that is `planners.appraisal`.
"""

from __future__ import annotations
