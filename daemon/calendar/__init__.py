"""Calendars that say when vehicles leave: fetch them, read them, keep what they said.

Knows nothing of plans.
"""

from __future__ import annotations
